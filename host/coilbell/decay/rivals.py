"""Several modes, or fewer with a defect: which explains the record better?

A ring whose decay follows its amplitude, a frequency that drifts, lost samples and a bent converter all
leave residuals that more damped sinusoids can imitate. Each explanation is charged for its parameters,
``count * ln(sum of squares) + price``, and the lowest wins; fewer modes also win where the defect reaches
nearly all of the further modes' gain, since a real defect seldom has exactly the shape assumed. A
defect's first-order score understates it where it is large, so there it is fitted in full: the bent ring
in closed form (`law`), the slip by separate amplitudes on either side, the converter by straightening
the samples and fitting again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from coilbell.decay.converter import Converter
from coilbell.decay.covariance import noise_of
from coilbell.decay.defects import FALSE_ALARM, SLIP_PLACES, Defect, Survey, main_mode, survey
from coilbell.decay.law import fit_law
from coilbell.decay.model import DoubtKind, ModeStep
from coilbell.decay.search import Thresholds, chance_limit
from coilbell.decay.selection import Other, Selection
from coilbell.decay.solve import Array, Block, Bounds, Solution, solve
from coilbell.decay.straighten import straightened

__all__ = ["fewer_with_defect"]

_SHARE = 0.3
"""Least share of the further modes' gain that a defect's first-order score must reach to be tried in full."""
_ENOUGH = 0.94
"""Share from which a defect is preferred even though the further modes leave less, unless they leave nothing
but noise and the defect clearly more: a close pair of modes bends the envelope as a law does, but no law
bends it as they do (tests/benchmarks/mismatch.py)."""
_HARMONICS = 5
"""Highest harmonic of the main mode that a bent converter or amplifier shows [1]: `over_code` has five."""
_WIDTHS = 3.0
"""How far from its centre what a defect leaves may look like a mode [decay rates of the two]. Of 600 records
of benchmarks mismatch and laws none lay beyond 1.3, but for slips, up to 3.9."""
_DOUBTED = 20.0
"""Sum of squares [noise variances] by which the defect may lose to modes that leave nothing but noise, and be
preferred: a real defect is never quite the one assumed. Of 200 laws of loss 198 lost by less than 10, of 200
pairs 199 won by more than 25 (benchmarks laws and pairs)."""
_EITHER = (10.0, 60.0)
"""The same from where, and up to where, either may be meant."""
_COARSE = 1e-3
"""Gain at which a rival's search stops [variances of one sample]: enough to weigh it by."""
_NOISE = 2.5
"""Residual variance, where it is white, that may pass for the noise of 64 quiet samples [noise variances]."""


def fewer_with_defect(
    blocks: list[Block], chosen: Selection, converter: Converter, noise_variance: float
) -> Selection:
    """The selection, or an earlier one with fewer modes when a defect makes up for the others."""
    solution = chosen.solution
    if solution.structure.modes < 2:
        return chosen
    limit = _score(solution, solution.rss, chosen.thresholds)
    proven = solution.variance <= _NOISE * noise_variance and not noise_of(solution).coloured
    found = _rivals(blocks, chosen, converter)
    close = solution.rss + _DOUBTED * solution.variance
    rivals = [r for r in found if r.score < limit or (r.enough and (r.left <= close or not proven))]
    if not rivals:
        return replace(chosen, other=_either(chosen, found)) if proven else chosen
    best = min(rivals, key=lambda r: (r.solution.structure.modes, r.score))
    dropped = solution.structure.modes - best.solution.structure.modes
    reason = (
        f"{best.kind} explains {100 * min(best.share, 1.0):.1f} % of what they explain, with fewer figures"
    )
    step = ModeStep(f"{dropped} further mode{'s' * (dropped > 1)}", best.share, _ENOUGH, False, reason)
    fewer = solve(blocks, best.solution.theta, best.solution.structure, chosen.bounds, damping=1e-10)
    other, lost = None, (best.left - solution.rss) / solution.variance
    if proven and dropped == 1 and best.pole is not None and lost > _EITHER[0]:
        main = 2 * main_mode(solution)
        other = Other(best.kind, "two modes close together", solution.theta[main : main + 2], -lost)
    return replace(chosen, solution=fewer, account=(*chosen.account, step), other=other)


def _either(chosen: Selection, found: list[_Rival]) -> Other | None:
    """What modes that stand may be as well, where they leave little less than it does."""
    solution = chosen.solution
    for rival in sorted(found, key=lambda r: r.left):
        lost = (rival.left - solution.rss) / solution.variance
        one = solution.structure.modes - rival.solution.structure.modes == 1
        if one and rival.enough and rival.pole is not None and lost < _EITHER[1]:
            return Other(rival.kind, f"one ring with {rival.kind}", rival.pole, lost)
    return None


@dataclass(frozen=True, slots=True, eq=False)
class _Rival:
    """Fewer modes with one defect."""

    solution: Solution
    kind: DoubtKind
    score: float
    left: float
    """Sum of squares with the defect."""
    share: float
    """Part of the further modes' gain that the defect reaches."""
    pole: Array | None = None
    """(2,) of the main mode with the defect, where it has one of its own."""

    @property
    def enough(self) -> bool:
        """A slip has too many figures of its own for its share to say much."""
        return self.share > _ENOUGH and self.kind is not DoubtKind.TIME_SLIP


def _rivals(blocks: list[Block], chosen: Selection, converter: Converter) -> list[_Rival]:
    target, thresholds = chosen.solution.rss, chosen.thresholds
    out: list[_Rival] = []
    for fewer in _fewer(blocks, chosen):
        if any(rival.enough for rival in out):
            break  # fewest modes come first, and win
        seen = survey(blocks, fewer, converter)
        for defect in seen.found:
            left, pole = _left(blocks, fewer, seen, defect, target, converter)
            share = (seen.rss - left) / max(seen.rss - target, 1e-300)
            score = _score(fewer, left, thresholds) + defect.threshold
            out.append(_Rival(fewer, defect.kind, score, left, share, pole))
        alone = _shot_by_shot(blocks, fewer)
        if alone is not None:
            left, price = alone
            share = (seen.rss - left) / max(seen.rss - target, 1e-300)
            score = _score(fewer, left, thresholds) + price
            out.append(_Rival(fewer, DoubtKind.SHOTS_DISAGREE, score, left, share))
    return out


def _shot_by_shot(blocks: list[Block], solution: Solution) -> tuple[float, float] | None:
    """Sum of squares with poles of their own in every shot, and its price; None for one shot.

    A winding that warms between shots, or moves, looks like several modes to poles that are shared.
    """
    singles = [
        Block(b.times, b.uniform, b.values[i : i + 1], b.weights, (b.members[i],))
        for b in blocks
        for i in range(b.shots)
    ]
    if len(singles) < 2:
        return None
    bounds = Bounds.within(blocks)
    try:
        left = sum(
            solve([one], solution.theta, solution.structure, bounds, tolerance=1e-3, max_iterations=15).rss
            for one in singles
        )
    except np.linalg.LinAlgError:
        return None
    freedom = solution.structure.poles * (len(singles) - 1)
    return left, chance_limit(freedom, FALSE_ALARM)


def _fewer(blocks: list[Block], chosen: Selection) -> list[Solution]:
    """The solutions passed on the way, each with the final exponentials and with the later modes that no
    defect of the main one could be."""
    final = chosen.solution
    most, rates = final.structure.modes, final.theta[2 * final.structure.modes :]
    main = main_mode(final)
    out = {}
    for earlier in chosen.passed:
        modes = earlier.structure.modes
        kept = [k for k in range(modes, most) if not _related(final, main, k)]
        if modes + len(kept) >= most:
            continue
        others = final.theta[: 2 * most].reshape(-1, 2)[kept].ravel()
        theta = np.concatenate((earlier.theta[: 2 * modes], others, rates))
        fewer = replace(final.structure, modes=modes + len(kept))
        out[fewer.modes] = solve(blocks, theta, fewer, chosen.bounds, tolerance=_COARSE)
    return list(out.values())


def _related(solution: Solution, main: int, other: int) -> bool:
    """True for a mode near the main one, near rest, or near a harmonic, folded at half the sampling rate."""
    orders = np.arange(_HARMONICS + 1)
    folded = np.abs(np.remainder(orders * solution.angular(main) + np.pi, 2 * np.pi) - np.pi)
    reach = _WIDTHS * (solution.decay(other) + np.maximum(orders, 1) * solution.decay(main))
    reach[1] *= 2  # a slip's jump of phase spreads further than a law's or a harmonic's line
    return bool((np.abs(folded - solution.angular(other)) < reach).any())


def _score(solution: Solution, rss: float, thresholds: Thresholds) -> float:
    structure = solution.structure
    price = thresholds.mode * structure.modes + thresholds.exponential * structure.exponentials
    return solution.count * math.log(max(rss, 1e-300)) + price


def _left(
    blocks: list[Block], solution: Solution, seen: Survey, defect: Defect, target: float, converter: Converter
) -> tuple[float, Array | None]:
    """Sum of squares that the defect leaves, fitted in full where its score promises enough, and its pole."""
    first_order = max(seen.rss - defect.gain, 1e-300)
    if defect.gain < _SHARE * (seen.rss - target):
        return first_order, None
    if defect.kind is DoubtKind.TIME_SLIP:
        return _split_best(blocks, solution, defect.place), None
    if defect.kind is DoubtKind.CONVERTER_NONLINEARITY:
        return straightened(blocks, solution, converter).solution.rss, None
    variance = target / max(1, solution.free)
    law = fit_law(blocks, solution, variance, drift=defect.kind is DoubtKind.FREQUENCY_DRIFT)
    return (math.inf, None) if law is None else (law.rss, law.values[:2])


def _split_best(blocks: list[Block], solution: Solution, place: int) -> float:
    """`_split` where it leaves least: the survey looks at a coarse grid of places only."""
    left, step = _split(blocks, solution, place), max(1, solution.length // (2 * SLIP_PLACES))
    while step:
        for other in (place - step, place + step):
            tried = _split(blocks, solution, other)
            if tried < left:
                left, place = tried, other
        step //= 2
    return left


def _split(blocks: list[Block], solution: Solution, place: int) -> float:
    """Sum of squares with the poles shared but the amplitudes free on either side of a sample."""
    halves = []
    for block in blocks:
        if not 8 < place < block.times.size - 8:
            return math.inf
        for part in (slice(None, place), slice(place, None)):
            times = block.times[part] - block.times[part][0]
            weights = None if block.weights is None else block.weights[part]
            halves.append(Block(times, block.uniform, block.values[:, part], weights, block.members))
    bounds = Bounds.within(blocks)
    try:
        return solve(
            halves, solution.theta, solution.structure, bounds, tolerance=1e-3, max_iterations=15
        ).rss
    except np.linalg.LinAlgError:
        return math.inf
