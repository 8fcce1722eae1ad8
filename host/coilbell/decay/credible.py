"""Is the strongest mode a ring at all, or what a step, a burst or a modulated tone looks like through one?

A ring and its defects leave little of themselves: a bent converter, a law of loss, a second mode too weak to
be seen leave a few parts in a thousand of its energy. A step or a burst in mid-window, or first samples that
follow nothing, leave far more while the mode lasts, or take several modes that are over within as many
samples as they have figures.
"""

from __future__ import annotations

from coilbell.decay.defects import main_mode
from coilbell.decay.prepare import Piece, by_piece
from coilbell.decay.search import early_level
from coilbell.decay.solve import Array, Block, Solution

__all__ = ["lasting", "no_ring_reason"]

_LASTS = 3.0
"""How long a mode is looked at [time constants]."""
_ONSET = 8
"""First samples whose residual is not counted: `onset` may leave them out [samples]."""
_LEAST = 24
"""Least of that [samples]."""
_UNEXPLAINED = 0.05
"""Largest share of a mode's energy that may be left beside the noise while it lasts."""
_PLAINLY = 0.25
"""The same, however large the noise is meanwhile: a burst is such noise itself."""
_SPARE = 4.0
"""How many more samples than figures several modes must last [samples]."""


def no_ring_reason(
    pieces: tuple[Piece, ...], solution: Solution, blocks: list[Block], noise_variance: float
) -> str:
    """Why the strongest mode is none, or ""."""
    if not solution.structure.modes:
        return ""
    share = _unexplained(pieces, solution, blocks, noise_variance)
    if _UNEXPLAINED < share < _PLAINLY:  # or the noise is larger while it lasts
        early = early_level(blocks, solution.residuals, solution.decay(main_mode(solution)))
        share = _unexplained(pieces, solution, blocks, max(early, noise_variance))
    if share > _UNEXPLAINED:
        return f"leaves {100 * share:.0f} % of its energy unexplained, as a step or a burst does"
    slowest = float(solution.theta[: 2 * solution.structure.modes : 2].min())
    if solution.structure.modes > 1 and slowest * (4 * solution.structure.modes + _SPARE) > _LASTS:
        return "and its companions are over within as many samples as they have figures, as a burst is"
    return ""


def lasting(solution: Solution) -> int:
    """How long the main mode is looked at [samples]."""
    return max(_LEAST, int(_LASTS / max(solution.decay(main_mode(solution)), 1e-9)))


def _unexplained(
    pieces: tuple[Piece, ...], solution: Solution, blocks: list[Block], noise_variance: float
) -> float:
    """Energy left while the main mode lasts, beyond the noise, in that of all modes."""
    modes = solution.structure.modes
    lasts = lasting(solution)
    left = held = 0.0
    coefficients = by_piece(blocks, solution.coefficients)
    residuals = by_piece(blocks, solution.residuals)
    bases = {m: rows for b, rows in zip(blocks, solution.bases, strict=True) for m in b.members}
    for i in range(len(pieces)):
        rest: Array = residuals[i][_ONSET : _ONSET + lasts]
        curve = coefficients[i][: 2 * modes] @ bases[i][: 2 * modes, : _ONSET + lasts]
        left += max(float(rest @ rest) - noise_variance * rest.size, 0.0)
        held += float(curve @ curve)
    return left / max(left + held, 1e-300)
