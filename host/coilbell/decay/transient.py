"""Modes that are nothing but the first few samples.

A burst of a sample or two after the pulse can be fitted as a ring at half the sampling rate, where a ring
and a change of sign are one, or as one of any decay, with amplitudes beyond all reason. Such a mode is no
finding; left out, `onset` deals with the samples.
"""

from __future__ import annotations

import numpy as np

from coilbell.decay.solve import Block, Bounds, Solution
from coilbell.decay.tangent import gram_covariance, jacobians

__all__ = ["TRANSIENT", "unfounded"]

TRANSIENT = 0.25
"""Decay [1/sample] from which a mode may be nothing but the first few samples."""
_LARGEST = 10.0
"""Largest amplitude of such a mode, in the largest sample: a ring of Q 0.5 reaches 5."""
_KNOWN = 3.0
"""Least decay of a further mode, in standard uncertainties."""


def unfounded(blocks: list[Block], solution: Solution, bounds: Bounds, noise_variance: float) -> int | None:
    """A mode at half the sampling rate, or a further one whose fast decay is not known; None mostly."""
    modes = solution.structure.modes
    transient = [k for k in range(modes) if solution.decay(k) > TRANSIENT]
    largest = max(float(np.abs(b.values).max()) for b in blocks)
    for k in transient:
        if solution.mode_amplitude(k) > _LARGEST * largest:
            return k
        if solution.angular(k) > bounds.highest_angular * 0.9999:
            return k
    if not transient or modes == 1:
        return None
    inverse = gram_covariance(blocks, solution, jacobians(blocks, solution))
    variance = max(solution.variance, noise_variance)
    for k in transient:
        if solution.decay(k) < _KNOWN * np.sqrt(variance * inverse[2 * k, 2 * k]):
            return k
    return None
