"""Is the strongest mode a ring at all, or what a step, a burst or a modulated tone looks like through one?

A ring and its defects leave little of themselves: a bent converter, a law of loss, a second mode too weak
to be seen leave a few parts in a thousand of its energy. A step or a burst in mid-window, or first samples
that follow nothing, leave far more while the mode lasts, or take several modes that are over within as many
samples as they have figures. And where a steady tone, larger than the mode, stands beside one that does not
die within the window, the mode is its sideband.
"""

from __future__ import annotations

import numpy as np

from coilbell.decay.defects import main_mode
from coilbell.decay.prepare import Piece, by_piece
from coilbell.decay.solve import Array, Block, Solution, span

__all__ = ["no_ring_reason"]

_LASTS = 3.0
"""How long a mode is looked at [time constants]."""
_LEAST = 24
"""Least of that [samples]."""
_UNEXPLAINED = 0.05
"""Largest share of a mode's energy that may be left beside the noise while it lasts."""
_SPARE = 4.0
"""How many more samples than figures several modes must last [samples]."""
_BESIDE = 12.0
"""How near to a tone a mode may be its sideband [lines of the window's spectrum]."""
_STEADY = 0.1
"""Time constants within the window up to which what is larger than the mode is a tone."""
_ALIVE = 3.0
"""Time constants within the window from which a mode is no sideband of something steady."""


def no_ring_reason(
    pieces: tuple[Piece, ...], solution: Solution, blocks: list[Block], noise_variance: float
) -> str:
    """Why the strongest mode is none, or ""."""
    if not solution.structure.modes:
        return ""
    share = _unexplained(pieces, solution, blocks, noise_variance)
    if share > _UNEXPLAINED:
        return f"leaves {100 * share:.0f} % of its energy unexplained, as a step or a burst does"
    slowest = float(solution.theta[: 2 * solution.structure.modes : 2].min())
    if solution.structure.modes > 1 and slowest * (4 * solution.structure.modes + _SPARE) > _LASTS:
        return "and its companions are over within as many samples as they have figures, as a burst is"
    if _is_sideband(solution, span(blocks)):
        return "stands beside a steady tone and lasts as it does, as its modulation would"
    return ""


def _unexplained(
    pieces: tuple[Piece, ...], solution: Solution, blocks: list[Block], noise_variance: float
) -> float:
    """Energy left while the main mode lasts, beyond the noise, in that of all modes."""
    modes = solution.structure.modes
    lasts = max(_LEAST, int(_LASTS / max(solution.decay(main_mode(solution)), 1e-9)))
    left = held = 0.0
    coefficients = by_piece(blocks, solution.coefficients)
    residuals = by_piece(blocks, solution.residuals)
    bases = {m: rows for b, rows in zip(blocks, solution.bases, strict=True) for m in b.members}
    for i in range(len(pieces)):
        rest: Array = residuals[i][:lasts]
        curve = coefficients[i][: 2 * modes] @ bases[i][: 2 * modes, :lasts]
        left += max(float(rest @ rest) - noise_variance * rest.size, 0.0)
        held += float(curve @ curve)
    return left / max(left + held, 1e-300)


def _is_sideband(solution: Solution, length: float) -> bool:
    main = main_mode(solution)
    if solution.decay(main) * length > _ALIVE:
        return False
    return any(
        abs(solution.angular(k) - solution.angular(main)) < _BESIDE * 2 * np.pi / length
        and abs(solution.decay(k)) * length < _STEADY
        and solution.mode_amplitude(k) > solution.mode_amplitude(main)
        for k in range(solution.structure.modes)
        if k != main
    )
