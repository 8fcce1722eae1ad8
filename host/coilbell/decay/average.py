"""Equal shots of one winding as one record.

The mean of S records with independent noise of variance s2, times sqrt(S), has noise of variance s2 again
while everything they have in common is sqrt(S) times larger. A component that all shots share then gains
as much in the sum of squares as in all of them together, but has two amplitudes to pay for instead of
2 S (ensemble or synchronous averaging; any text on signal recovery). The poles found serve as a start
for the joint fit, in which every shot keeps amplitudes of its own.
"""

from __future__ import annotations

import numpy as np

from coilbell.decay.solve import Block

__all__ = ["ensemble_average"]

_ALIKE = 1.2
"""Most variance about the mean, in noise variances, that counts as noise alone."""


def ensemble_average(blocks: list[Block], noise_variance: float) -> Block | None:
    """sqrt(S) times the mean of a block's S records, or None where they differ by more than noise.

    Shots with a grid or a mask of their own (interleaved by chance, glitches, clipping) are not averaged.
    """
    if len(blocks) != 1 or blocks[0].shots < 2:
        return None
    block = blocks[0]
    mean = block.values.mean(axis=0)
    spread = float(np.square(block.values - mean).sum()) / (block.count - block.count / block.shots)
    if spread > _ALIKE * noise_variance:
        return None
    return Block(block.times, block.uniform, np.sqrt(block.shots) * mean[None], block.weights)
