"""The first samples after the pulse: do they belong to the ring yet?

The pulse also stirs what rings far above the sampling rate, and the driver takes a moment to let go. Folded
and gone within a few samples, neither can be fitted as a mode, but a sluggish ring has most of its own
energy there and bends towards it. A free value for each of the first k samples, common to all shots, takes
them out of the fit; with P the projector off the model's tangent and r the residual, both summed over the
shots, the sum of squares falls by

    gain = r_k^T P_kk^-1 r_k        over the leading k rows and columns,

which over the noise variance is chi-square with k degrees of freedom where the ring alone is there (score
test, as in `defects`).
"""

from __future__ import annotations

import numpy as np

from coilbell.decay.search import chance_limit
from coilbell.decay.solve import Array, Block, Solution
from coilbell.decay.tangent import inverse_gram, jacobians

__all__ = ["onset"]

_LONGEST = 8
"""Most first samples that are left out [samples]: what a pulse stirs in an amplifier is over by then,
assumed."""
_FALSE_ALARM = 1e-3
"""Leaving out samples that do belong costs little, so this test may err more often than others."""
_LEAST = 1e-6
"""Share of a sample that the fit must leave free for it to say anything."""


def onset(blocks: list[Block], solution: Solution, noise_variance: float) -> int:
    """How many of the window's first samples do not follow the curve, 0 to 7.

    0 too where leaving out so few does not mend it.
    """
    if not solution.structure.modes:
        return 0
    score, projector = np.zeros(_LONGEST), np.zeros((_LONGEST, _LONGEST))
    for block, jacobian, residuals in zip(
        blocks, jacobians(blocks, solution), solution.residuals, strict=True
    ):
        tangent = jacobian.mean(axis=0)
        head = tangent[:, :_LONGEST]
        counted = np.ones(_LONGEST) if block.weights is None else block.weights[:_LONGEST]
        score += residuals[:, :_LONGEST].sum(axis=0)
        projector += block.shots * (np.diag(counted) - head.T @ inverse_gram(tangent) @ head)
    variance = max(noise_variance, solution.variance)
    gains = np.concatenate(([0.0], _gains(score, projector) / variance))
    for length in range(_LONGEST):
        if all(gains[k] - gains[length] < _limit(k - length) for k in range(length + 1, _LONGEST + 1)):
            return length
    return 0


def _limit(samples: int) -> float:
    return chance_limit(samples, _FALSE_ALARM / _LONGEST)


def _gains(score: Array, projector: Array) -> Array:
    """r_k^T P_kk^-1 r_k for k = 1, 2, ...: with P = L L^T they are the running sums of (L^-1 r)^2."""
    sizes, axes = np.linalg.eigh(projector)
    definite = (axes * np.maximum(sizes, _LEAST * max(float(sizes[-1]), _LEAST))) @ axes.T
    out: Array = np.cumsum(np.linalg.solve(np.linalg.cholesky(definite), score) ** 2)
    return out
