"""What a direction outside the model does to the fitted parameters.

Where the samples hold A d(n) that the model does not, with tangent J, residual r and P the projector off J,

    the parameters move by   A b,       b = (J^T J)^-1 J^T d
    the residual shows       A i + noise of variance s2 i,     i = d^T P d

both over all records together, whose poles are shared and whose amplitudes are their own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from coilbell.decay.solve import Array, Block, Solution

__all__ = ["Influence", "influence"]

Rows = Callable[[Block, int, int], Array]
"""(k, n) directions in a block, of one of its shots, the block being the so-manieth."""


@dataclass(frozen=True, slots=True, eq=False)
class Influence:
    """Of k directions on p parameters."""

    moved: Array
    """(p, k) b of each; rows as in `gram_covariance`."""
    score: Array
    """(k,) d . r"""
    information: Array
    """(k,) i"""
    energy: Array
    """(k,) d . d"""


def influence(
    blocks: list[Block], solution: Solution, tangents: list[Array], inverse: Array, rows: Rows
) -> Influence:
    """Of the directions that `rows` gives; tangents from `jacobians`, inverse from `gram_covariance`."""
    p, q = solution.structure.columns, solution.structure.poles
    across: list[Array] = []
    score: Array | float = 0.0
    energy: Array | float = 0.0
    poles: Array | float = 0.0
    for index, (block, tangent) in enumerate(zip(blocks, tangents, strict=True)):
        for shot in range(block.shots):
            directions = rows(block, shot, index)
            if block.weights is not None:
                directions = directions * block.weights
            product = directions @ tangent[shot].T
            across.append(product[:, :p])
            poles = poles + product[:, p:]
            score = score + directions @ solution.residuals[index][shot]
            energy = energy + np.einsum("kn,kn->k", directions, directions)
    whole = np.hstack((np.asarray(poles).reshape(len(across[0]), q), *across))
    moved = inverse @ whole.T
    information = np.asarray(energy - np.einsum("kp,pk->k", whole, moved))
    return Influence(moved, np.asarray(score), information, np.asarray(energy))
