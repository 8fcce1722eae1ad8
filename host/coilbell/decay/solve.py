"""Variable-projection least squares for sums of damped sinusoids.

In sample units (n counts sampling steps) every record s of a block obeys

    y_s(n) = sum_k [ c_sk cos(w_k n) + d_sk sin(w_k n) ] exp(-a_k n) + sum_j e_sj exp(-b_j n) + o_s

The poles theta = (a_1, w_1, ..., b_1, ...) are shared by all records; the amplitudes are free in each.
For given poles the amplitudes follow from linear least squares, so only theta is searched
(Golub and Pereyra 1973), with Kaufman's (1975) form of the Jacobian and Levenberg-Marquardt damping.
All sums over samples are taken once in Gram matrices; the rest is algebra of a few rows.

References: G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, doi:10.1137/0710036;
L. Kaufman, BIT 15 (1975) 49, doi:10.1007/BF01932995.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Block", "Solution", "Structure", "basis", "gram", "solve", "turn_of"]

Array = npt.NDArray[np.float64]

MAX_DECAY = 1.5
"""Fastest decay looked for [1/sample]; beyond it a ring is over within a sample."""
_RIDGE = 1e-14
"""Added to the diagonal of a Gram matrix of unit rows [1]: above rounding, some 1e-16 a term."""
_SILENT = -138.0
"""Exponent from which a component is written as zero: far below any noise, and products of denormal
numbers would make every sum over the samples a hundred times slower."""
_HOPE = 10.0
"""Gains of the last step that the steps to come may still bring together [1]: Gauss-Newton's first step
brings nearly all, and where it creeps the bound of its steps ends it sooner."""
_STILL = 1e-9
"""Decay over the window below which there is none [1]."""
MOST_KEPT = 1 << 20
"""Most figures that one cache keeps between fits [samples]: 8 MB."""
_CHUNK = 64
"""Length of the shorter table whose outer product gives a wave [samples]: about the square root of usual
lengths."""
_ranges: dict[int, Array] = {}


@dataclass(frozen=True, slots=True)
class Structure:
    """How many modes and exponentials a solution has; an offset goes with them."""

    modes: int
    exponentials: int

    @property
    def poles(self) -> int:
        return 2 * self.modes + self.exponentials

    @property
    def columns(self) -> int:
        return self.poles + 1


@dataclass(slots=True, eq=False)
class Block:
    """Records that share one time grid.

    times: (n,) in sampling steps; uniform: times are 0, 1, 2, ...;
    weights: (n,) of 0 and 1, or None when every sample counts; values: (s, n), zero where weight is 0;
    members: which records these are, in the order the caller gave them.
    """

    times: Array
    uniform: bool
    values: Array
    weights: Array | None = None
    members: tuple[int, ...] = (0,)
    count: int = field(init=False)

    def __post_init__(self) -> None:
        if self.weights is not None:
            self.values = self.values * self.weights
        used = self.times.size if self.weights is None else int(self.weights.sum())
        self.count = used * self.values.shape[0]

    @property
    def shots(self) -> int:
        return int(self.values.shape[0])


@dataclass(slots=True, eq=False)
class Solution:
    """Poles and amplitudes at the end of a search."""

    structure: Structure
    theta: Array
    """(q,) decay and angular frequency of each mode, then the exponentials' rates [1/sample]."""
    coefficients: list[Array]
    """For each block (s, p): cosine and sine of each mode, exponentials, offset."""
    residuals: list[Array]
    """For each block (s, n)."""
    rss: float
    count: int
    """Samples used, all records together."""
    converged: bool = True
    left: float = 0.0
    """What a further step might gain in the sum of squares, by how fast the last steps' gains shrank."""
    bases: list[Array] = field(default_factory=list)
    """For each block (p + q, n); rows from p on are times * row."""

    @property
    def free(self) -> int:
        """Degrees of freedom left."""
        return max(1, self.count - self.structure.poles - sum(c.size for c in self.coefficients))

    @property
    def variance(self) -> float:
        return self.rss / self.free

    @property
    def length(self) -> int:
        """Samples of the longest block."""
        return max(int(r.shape[1]) for r in self.residuals)

    def decay(self, mode: int) -> float:
        return float(self.theta[2 * mode])

    def angular(self, mode: int) -> float:
        return float(self.theta[2 * mode + 1])

    def mode_energy(self, mode: int) -> float:
        """Energy of a mode within the window, sum of A^2 (1 - exp(-2 a n))/(4 a), in squared sample units."""
        amplitude2 = sum(float((c[:, 2 * mode : 2 * mode + 2] ** 2).sum()) for c in self.coefficients)
        lasts = 2 * self.decay(mode) * self.length
        return amplitude2 * self.length / 2 * (-math.expm1(-lasts) / lasts if abs(lasts) > _STILL else 1.0)

    def exponential_energy(self, index: int) -> float:
        """Energy of an exponential, sum of B^2/(2 b), in squared sample units."""
        column = 2 * self.structure.modes + index
        return sum(float((c[:, column] ** 2).sum()) for c in self.coefficients) / (
            2 * float(self.theta[column])
        )

    def mode_amplitude(self, mode: int) -> float:
        """Largest amplitude of a mode over the records."""
        return max(float(np.hypot(c[:, 2 * mode], c[:, 2 * mode + 1]).max()) for c in self.coefficients)


@dataclass(frozen=True, slots=True)
class Bounds:
    """Where poles may lie [1/sample]."""

    lowest_angular: float
    lowest_decay: float
    highest_angular: float = np.pi - 1e-3

    @classmethod
    def within(cls, blocks: list[Block], lowest_angular: float = 1e-4) -> Bounds:
        """Whatever may grow or fall by no more than e over the blocks' window, or fall faster."""
        return cls(lowest_angular, -1 / span(blocks))

    def apply(self, theta: Array, structure: Structure, length: float) -> Array:
        """Bring trial poles back inside; the account rejects poles that end on a bound."""
        low = [self.lowest_decay, self.lowest_angular] * structure.modes + [
            0.5 / length
        ] * structure.exponentials
        high = [MAX_DECAY, self.highest_angular] * structure.modes + [MAX_DECAY] * structure.exponentials
        inside: Array = np.minimum(np.maximum(theta, low), high)
        return inside


def span(blocks: list[Block]) -> float:
    """Length of the longest block [steps]."""
    return max(float(block.times[-1]) + 1 for block in blocks)


def ramp(length: int) -> Array:
    """0, 1, ..., length - 1 as floats, kept between calls."""
    kept = _ranges.get(length)
    if kept is None:
        kept = np.arange(length, dtype=np.float64)
        kept.setflags(write=False)
        if sum(map(len, _ranges.values())) + length > MOST_KEPT:
            _ranges.clear()
        if length <= MOST_KEPT:
            _ranges[length] = kept
    return kept


def _powers(pole: complex, length: int) -> npt.NDArray[np.complex128]:
    """exp(pole n) for n = 0 .. length - 1, as an outer product of two short tables."""
    blocks = -(-length // _CHUNK)
    fine = np.exp(pole * ramp(_CHUNK))
    coarse = np.exp((pole * _CHUNK) * ramp(blocks))
    if pole.real * length < _SILENT:
        coarse[pole.real * _CHUNK * ramp(blocks) < _SILENT] = 0.0
    powers: npt.NDArray[np.complex128] = np.multiply.outer(coarse, fine).ravel()[:length]
    return powers


def _exponential(pole: complex, times: Array) -> npt.NDArray[np.complex128]:
    """exp(pole t) at any times, zero where it is silent and held where it would leave the range of floats."""
    rise = np.minimum(pole.real * times, -_SILENT)
    wave: npt.NDArray[np.complex128] = np.exp(rise + 1j * pole.imag * times)
    wave[pole.real * times < _SILENT] = 0.0
    return wave


def basis(block: Block, theta: Array, structure: Structure) -> Array:
    """(p + q, n) model rows of a block; the last q rows are left empty for the derivatives."""
    n = block.times.size
    p, q = structure.columns, structure.poles
    rows = np.empty((p + q, n))
    row = 0
    for k in range(structure.modes):
        pole = complex(-theta[2 * k], theta[2 * k + 1])
        wave = _powers(pole, n) if block.uniform else _exponential(pole, block.times)
        rows[row] = wave.real
        rows[row + 1] = wave.imag
        row += 2
    for rate in theta[2 * structure.modes :]:
        pole = complex(-rate)
        rows[row] = (_powers(pole, n) if block.uniform else _exponential(pole, block.times)).real
        row += 1
    rows[row] = 1.0
    if block.weights is not None:
        rows[:p] *= block.weights
    return rows


def definite_solution(matrix: Array, right: Array) -> Array:
    """Solution of a symmetric positive definite system of a few rows.

    LAPACK's own routine: numpy's takes four times as long to look at its arguments as such a system takes.
    What rounding left indefinite goes to numpy, which raises LinAlgError where nothing can be done.
    """
    _, found, info = _routines()[1](matrix, right)
    return np.asarray(np.linalg.solve(matrix, right) if info else found)


def gram(rows: Array) -> Array:
    """(k, k) products of the rows of (k, n) with each other.

    BLAS's general product: numpy takes the symmetric one, which is three times slower for a few long rows.
    """
    return np.asarray(_routines()[0](1.0, rows.T, rows.T, trans_a=True))


@cache
def _routines() -> tuple[Any, Any]:
    from scipy.linalg.blas import dgemm  # heavy to import, and not needed to look at a fit
    from scipy.linalg.lapack import dposv

    return dgemm, dposv


def _project(block: Block, rows: Array, p: int) -> tuple[Array, Array, float, Array, Array]:
    """Amplitudes for given poles: coefficients (s, p), residuals (s, n), rss, scaled Gram, scale."""
    model = rows[:p]
    products = gram(model)
    scale = 1 / np.sqrt(np.maximum(products.diagonal(), 1e-300))
    scaled = products * scale[:, None] * scale
    scaled.flat[:: p + 1] += _RIDGE
    right = (block.values @ model.T) * scale
    coefficients = definite_solution(scaled, right.T).T * scale
    residual = block.values - coefficients @ model
    return coefficients, residual, float(np.vdot(residual, residual)), scaled, scale


def turn_of(coefficients: Array, structure: Structure) -> Array:
    """(s, q, q) derivative of the model to theta, as combinations of the rows times * basis."""
    q = structure.poles
    turn = np.zeros((coefficients.shape[0], q, q))
    for k in range(structure.modes):
        i = 2 * k
        cosine, sine = coefficients[:, i], coefficients[:, i + 1]
        turn[:, i, i] = turn[:, i + 1, i + 1] = -cosine
        turn[:, i, i + 1] = -sine
        turn[:, i + 1, i] = sine
    for j in range(2 * structure.modes, q):
        turn[:, j, j] = -coefficients[:, j]
    return turn


class _Point:
    """One trial of the poles: model rows, amplitudes and residuals of every block."""

    __slots__ = ("coefficients", "grams", "residuals", "rows", "rss", "scales", "theta")

    def __init__(self, blocks: list[Block], theta: Array, structure: Structure) -> None:
        self.theta = theta
        self.rows = [basis(block, theta, structure) for block in blocks]
        solved = [_project(b, rows, structure.columns) for b, rows in zip(blocks, self.rows, strict=True)]
        self.coefficients = [s[0] for s in solved]
        self.residuals = [s[1] for s in solved]
        self.rss = sum(s[2] for s in solved)
        self.grams = [s[3] for s in solved]
        self.scales = [s[4] for s in solved]

    def slope(self, blocks: list[Block], structure: Structure) -> tuple[Array, Array]:
        """Kaufman's approximation of the projected Hessian (q, q), and the gradient (q,)."""
        p, q = structure.columns, structure.poles
        hessian, gradient = np.zeros((q, q)), np.zeros(q)
        for i, block in enumerate(blocks):
            rows = self.rows[i]
            derivative = np.multiply(block.times, rows[:q], out=rows[p:])
            cross = derivative @ rows.T
            reduced = cross[:, :p] * self.scales[i]
            kernel = cross[:, p:] - reduced @ definite_solution(self.grams[i], reduced.T)
            turn = turn_of(self.coefficients[i], structure)
            if block.shots == 1:
                one = turn[0]
                hessian += one @ kernel @ one.T
                gradient += one @ (derivative @ self.residuals[i][0])
            else:
                hessian += np.einsum("sij,jk,slk->il", turn, kernel, turn)
                gradient += np.einsum("sij,sj->i", turn, self.residuals[i] @ derivative.T)
        return hessian, gradient


def solve(
    blocks: list[Block],
    theta: Array,
    structure: Structure,
    bounds: Bounds,
    *,
    tolerance: float = 1e-6,
    damping: float = 1e-4,
    max_iterations: int = 40,
    enough: float = math.inf,
) -> Solution:
    """Least-squares poles from a start.

    Stops when the gain predicted for the next step falls below ``tolerance * rss / count``, that is
    when theta is within about sqrt(tolerance) standard deviations of the minimum. Gives up, not converged,
    where ten more such steps would still leave more than `enough`.
    Raises numpy.linalg.LinAlgError when two poles coincide to working precision.
    """
    length = span(blocks)
    count = sum(block.count for block in blocks)
    point = _Point(blocks, bounds.apply(np.asarray(theta, float), structure, length), structure)
    iterations, converged, left, before = 0, structure.poles == 0, 0.0, 0.0
    while not converged and iterations < max_iterations:
        iterations += 1
        threshold = tolerance * point.rss / count
        better, damping, gain = _step(blocks, point, structure, bounds, length, damping, threshold)
        if better is None:
            converged = True
            break
        moved = point.rss - better.rss
        left, before = gain * min(1.0, gain / before) if before > 0 else gain, gain
        point = better
        converged = gain < threshold or moved < threshold * 1e-2
        if point.rss - _HOPE * gain > enough:
            break
    return Solution(
        structure,
        point.theta,
        point.coefficients,
        point.residuals,
        point.rss,
        count,
        converged,
        left,
        point.rows,
    )


def _step(
    blocks: list[Block],
    point: _Point,
    structure: Structure,
    bounds: Bounds,
    length: float,
    damping: float,
    threshold: float,
) -> tuple[_Point | None, float, float]:
    """One damped step: the better point (None when no step helps), the new damping, the predicted gain."""
    hessian, gradient = point.slope(blocks, structure)
    diagonal = hessian.diagonal()
    scale = 1 / np.sqrt(np.maximum(diagonal, 1e-10 * max(float(diagonal.max()), 1e-290)))
    scaled = hessian * scale[:, None] * scale
    slope = gradient * scale
    for _ in range(12):
        damped = scaled.copy()
        damped.flat[:: structure.poles + 1] += damping
        step = definite_solution(damped, slope)
        gain = float(slope @ step)
        trial = _Point(blocks, bounds.apply(point.theta + scale * step, structure, length), structure)
        if trial.rss <= point.rss:
            return trial, max(damping * 0.1, 1e-12), gain
        if gain < threshold:
            return None, damping, gain
        damping = max(damping * 10, 1e-4)
    return None, damping, gain
