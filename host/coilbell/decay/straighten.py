"""Take out of the samples what the code alone explains, and fit again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from coilbell.decay.converter import Converter
from coilbell.decay.defects import static_part
from coilbell.decay.solve import Block, Bounds, Solution, solve

__all__ = ["straightened"]

_ROUNDS = 3


def straightened(
    blocks: list[Block], solution: Solution, converter: Converter
) -> tuple[list[Block], Solution]:
    """Blocks without the bend over the code, and the solution on them; bend and fit by turns, three times.

    Raises numpy.linalg.LinAlgError when the poles run together.
    """
    bounds = Bounds.within(blocks)
    straight = blocks
    for turn in range(_ROUNDS):
        bends = [
            np.array([static_part(b, shot, solution, i, converter) for shot in range(b.shots)])
            for i, b in enumerate(blocks)
        ]
        straight = [replace(b, values=b.values - bend) for b, bend in zip(blocks, bends, strict=True)]
        tolerance = 1e-3 if turn < _ROUNDS - 1 else 1e-6
        solution = solve(straight, solution.theta, solution.structure, bounds, tolerance=tolerance)
    return straight, solution
