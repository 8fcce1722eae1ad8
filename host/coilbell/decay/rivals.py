"""A further mode, or a defect of the ring already found: which explains the residual better?

A ring whose decay follows its amplitude, a frequency that drifts, lost samples and a bent converter all
leave residuals that more damped sinusoids could imitate. Each explanation is charged for its parameters
and the one that leaves less wins. Where a defect is large its first-order score understates it, so it is
fitted in full: the bent ring in closed form (`law`), the slip by separate amplitudes on either side.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from coilbell.decay.defects import Converter, Defect, Survey, survey
from coilbell.decay.law import fit_law
from coilbell.decay.model import DoubtKind
from coilbell.decay.solve import Block, Bounds, Solution, solve

__all__ = ["rival", "split_at"]

_LARGE = 0.02
"""Share of the sum of squares beyond which a first-order gain is not trusted."""


def rival(converter: Converter) -> Callable[[list[Block], Solution], float]:
    """A judge of solutions: least ``count * ln(rss) + price`` that any defect found would leave."""

    def judge(blocks: list[Block], solution: Solution) -> float:
        seen = survey(blocks, solution, converter)
        scores = [_score(blocks, solution, seen, defect) for defect in seen.found]
        return min(scores, default=np.inf)

    return judge


def _score(blocks: list[Block], solution: Solution, seen: Survey, defect: Defect) -> float:
    left = seen.rss - defect.gain
    if defect.gain > _LARGE * seen.rss:
        left = min(left, _in_full(blocks, solution, defect))
    return solution.count * float(np.log(max(left, 1e-300))) + defect.threshold


def _in_full(blocks: list[Block], solution: Solution, defect: Defect) -> float:
    """Sum of squares with the defect fitted, infinite where that fails."""
    if defect.kind is DoubtKind.TIME_SLIP:
        return split_at(blocks, solution, defect.place)
    if defect.kind in (DoubtKind.AMPLITUDE_DEPENDENT, DoubtKind.FREQUENCY_DRIFT):
        law = fit_law(blocks, solution, drift=defect.kind is DoubtKind.FREQUENCY_DRIFT)
        return float("inf") if law is None else law.rss
    return float("inf")


def split_at(blocks: list[Block], solution: Solution, place: int) -> float:
    """Sum of squares with the poles shared but the amplitudes free on either side of a sample."""
    halves = []
    for block in blocks:
        if not 8 < place < block.times.size - 8:
            return float("inf")
        for part in (slice(None, place), slice(place, None)):
            times = block.times[part] - block.times[part][0]
            weights = None if block.weights is None else block.weights[part]
            halves.append(Block(times, block.uniform, block.values[:, part], weights, block.members))
    bounds = Bounds(1e-4, -1 / float(block.times[-1]))
    try:
        return solve(
            halves, solution.theta, solution.structure, bounds, tolerance=1e-3, max_iterations=15
        ).rss
    except np.linalg.LinAlgError:
        return float("inf")
