"""Directions in which a solution's parameters move its curve, and how sure they leave these parameters."""

from __future__ import annotations

import numpy as np

from coilbell.decay.solve import Array, Block, Solution, gram, turn_of

__all__ = ["gram_covariance", "inverse_gram", "jacobians"]

_NOTHING = 1e-100
"""Least square of a row [sample units squared]: of less nothing is known; its inverse is no overflow."""
_PRECISION = 1e-15
"""Least eigenvalue of a Gram matrix, in its largest, that doubles can tell from none."""


def jacobians(blocks: list[Block], solution: Solution) -> list[Array]:
    """For each block (s, p + q, n): derivatives of each record's model to its amplitudes, then to theta."""
    p, q = solution.structure.columns, solution.structure.poles
    out = []
    for block, rows, coefficients in zip(blocks, solution.bases, solution.coefficients, strict=True):
        derivative = np.multiply(block.times, rows[:q], out=rows[p:])
        turn = turn_of(coefficients, solution.structure)
        full = np.empty((block.shots, p + q, block.times.size))
        full[:, :p] = rows[:p]
        np.matmul(turn, derivative, out=full[:, p:])
        out.append(full)
    return out


def inverse_gram(tangent: Array) -> Array:
    """(J J^T)^-1 of one record's tangent (p + q, n), rows scaled to one length first; 0 for rows of none."""
    products = gram(tangent)
    squares = products.diagonal()
    scale: Array = np.where(squares > 1e-280, 1 / np.sqrt(np.maximum(squares, 1e-280)), 0.0)
    unit = products * scale[:, None] * scale
    unit.flat[:: unit.shape[0] + 1] += 1e-12
    inverse: Array = np.linalg.inv(unit) * scale[:, None] * scale
    return inverse


def gram_covariance(blocks: list[Block], solution: Solution, tangents: list[Array]) -> Array:
    """Inverse Fisher matrix for unit noise variance, poles first: (q + sum p s, same).

    tangents: what `jacobians` gives for the same solution.

    The order is theta, then the amplitudes of each record of each block in turn.
    """
    structure = solution.structure
    p, q = structure.columns, structure.poles
    size = q + sum(p * block.shots for block in blocks)
    fisher = np.zeros((size, size))
    row = q
    for tangent in tangents:
        for one in tangent:
            products = gram(one)
            fisher[:q, :q] += products[p:, p:]
            fisher[row : row + p, row : row + p] = products[:p, :p]
            fisher[row : row + p, :q] = products[:p, p:]
            fisher[:q, row : row + p] = products[p:, :p]
            row += p
    scale = 1 / np.sqrt(np.maximum(fisher.diagonal(), _NOTHING))
    unit = fisher * scale[:, None] * scale
    out: Array = _definite_inverse(unit) * np.outer(scale, scale)
    return out


def _definite_inverse(unit: Array) -> Array:
    """Inverse of a Gram matrix of unit rows, without variances below zero.

    Where two components have become one to working precision, the figures they share get the largest
    variance that the precision can express, instead of whatever rounding makes of it.
    """
    try:
        inverse = np.asarray(np.linalg.inv(unit), dtype=np.float64)
        if (inverse.diagonal() > 0).all():
            return inverse
    except np.linalg.LinAlgError:
        pass
    sizes, axes = np.linalg.eigh(unit)
    return np.asarray((axes / np.maximum(sizes, _PRECISION * sizes[-1])) @ axes.T)
