"""How sure the fitted figures are, also when the noise is not white.

White noise of variance s2: covariance = s2 (J^T J)^-1. Where successive residuals are correlated the
noise is described by an autoregression of its own, with spectrum S(w), and

    covariance = (J^T J)^-1 [ sum_w J(w) S(w) J(w)^H ] (J^T J)^-1

(the "sandwich"; P. J. Huber, Proc. 5th Berkeley Symp. 1 (1967) 221, from memory). Where the noise is white
but changes along the record, or follows the signal, S(w) is replaced by the local variance of the residual,
and the sum runs over the samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from coilbell.decay.converter import Converter
from coilbell.decay.defects import main_mode
from coilbell.decay.solve import Array, Block, Solution
from coilbell.decay.tangent import gram_covariance
from coilbell.decay.unseen import unseen

__all__ = ["Noise", "covariance", "noise_of"]

_LAGS = 4
"""Lags at which successive residuals are compared [samples]: noise that an amplifier or mains colours shows
at the first few; benchmark: coverage, AR(1) rows."""
_CORRELATED = 3.0
"""Correlation, in its standard deviations, that white noise which changes seldom shows [1]."""
_STRETCH = 32
"""Shortest stretch whose noise is told by itself [samples]."""
_STRETCHES = 64
"""Stretches of a window [1]; assumed."""
_CHANGES = 5.5
"""Excess of a stretch's mean square, in its standard deviations, that white noise of one size does not show:
chi-square's upper tail makes it about once in 1e4 stretches."""
_FOLLOWS = 3.0
"""Excess of the mean square under the main ring's energy, in its standard deviations, from which the noise
follows the ring: less often than the intervals miss."""
_LEAST_SWING = 1e-3
"""Least variance within a cycle, in the largest of all [1]: of rounding alone."""
_LEAST_LOCAL = 0.2
"""Least variance of a stretch [variances of all]: calm by chance, or by rounding."""
_MAX_ORDER = 8
"""Highest order of the autoregression [1]; benchmark: coverage, AR(1) rows."""


@dataclass(frozen=True, slots=True)
class Noise:
    """The residual as noise: variance, correlation of successive samples, autoregression."""

    variance: float
    correlations: tuple[float, ...]
    """At lags 1 .. 4."""
    coloured: bool
    polynomial: tuple[float, ...] = (1.0,)
    """1, -phi_1, -phi_2, ... of the autoregression."""
    innovation: float = 0.0
    local: Array | None = None
    """(s,) variance in stretches of the window, where it changes along it or follows the ring; else None."""

    @property
    def swell(self) -> float:
        """Largest variance along the window, over the mean [1]."""
        return 1.0 if self.local is None else max(1.0, float(self.local.max()) / self.variance)

    def spectrum(self, angular: Array) -> Array:
        """Variance per sample at angular frequencies [1/sample]; its mean over all w is the variance."""
        if not self.coloured:
            return np.full(angular.shape, self.variance)
        lags = np.arange(len(self.polynomial))
        response = np.exp(-1j * np.multiply.outer(angular, lags)) @ np.array(self.polynomial)
        return np.asarray(self.innovation / np.abs(response) ** 2)


def noise_of(solution: Solution) -> Noise:
    """Describe the residuals of a solution."""
    scale = solution.count / solution.free
    lags = _autocovariance(solution, _LAGS) * scale
    variance = float(lags[0])
    if variance <= 0:
        return Noise(variance, (0.0,) * _LAGS, False)
    correlations = tuple(float(x) for x in lags[1:] / variance)
    local = _changing(solution) if solution.structure.modes else None
    coloured = max(abs(c) for c in correlations) > 4 / np.sqrt(solution.count)
    if not coloured or not _correlated(solution):
        return Noise(variance, correlations, False, local=local)
    polynomial, innovation = _autoregression(_autocovariance(solution, _MAX_ORDER) * scale, solution.count)
    return Noise(variance, correlations, True, tuple(float(x) for x in polynomial), innovation, local)


def _correlated(solution: Solution) -> bool:
    """True where residuals a few samples apart go together more than chance lets them.

    sum r(n) r(n + k) has the variance sum r(n)^2 r(n + k)^2 without correlation, however the noise changes.
    """
    for lag in range(1, _LAGS + 1):
        products = [(r[:, lag:] * r[:, :-lag]).ravel() for r in solution.residuals]
        sums = sum(float(p.sum()) for p in products)
        if sums * sums > _CORRELATED**2 * sum(float(p @ p) for p in products):
            return True
    return False


def _autocovariance(solution: Solution, lags: int) -> Array:
    out = np.zeros(lags + 1)
    for residual in solution.residuals:
        out[0] += np.vdot(residual, residual)
        for lag in range(1, lags + 1):
            out[lag] += np.vdot(residual[:, lag:], residual[:, :-lag])
    return out / solution.count


def _autoregression(lags: Array, count: int) -> tuple[Array, float]:
    """Yule-Walker by the Levinson recursion, order by Akaike's criterion."""
    polynomial, error = np.array([1.0]), float(lags[0])
    best, lowest = (polynomial, error), count * np.log(error)
    for order in range(1, lags.size):
        reflection = -float(polynomial @ lags[order:0:-1]) / error
        longer = np.append(polynomial, 0.0)
        polynomial = longer + reflection * longer[::-1]
        error *= 1 - reflection**2
        if error <= 0:
            break
        criterion = count * np.log(error) + 2 * order
        if criterion < lowest:
            best, lowest = (polynomial, error), criterion
    return best


def covariance(
    blocks: list[Block], solution: Solution, noise: Noise, tangents: list[Array], converter: Converter
) -> Array:
    """Covariance of theta, then of each record's amplitudes, in sample units; tangents from `jacobians`."""
    inverse = gram_covariance(blocks, solution, tangents)
    out = _from_noise(blocks, solution, noise, tangents, inverse)
    return out + converter.share(blocks, solution, tangents, inverse) if converter.mended else out


def _from_noise(
    blocks: list[Block], solution: Solution, noise: Noise, tangents: list[Array], inverse: Array
) -> Array:
    if noise.coloured:
        return _sandwich(blocks, solution, noise, inverse, tangents)
    if not solution.structure.modes:
        return inverse * noise.variance
    if noise.local is not None:
        return _local_sandwich(inverse, tangents, noise.local, solution)
    return inverse * noise.variance + unseen(blocks, solution, tangents, inverse)


def _changing(solution: Solution) -> Array | None:
    """(s,) variance of the residual in stretches of the window where they differ beyond chance, else None.

    Each stretch's mean square of m samples has a relative standard deviation of sqrt(2/m).
    """
    size = max(_STRETCH, solution.length // _STRETCHES)
    edges = np.arange(0, solution.length, size)
    squares, counts = np.zeros(edges.size), np.zeros(edges.size)
    for residual in solution.residuals:
        here = edges[edges < residual.shape[1]]
        squares[: here.size] += np.add.reduceat(np.square(residual).sum(axis=0), here)
        counts[: here.size] += np.add.reduceat(np.count_nonzero(residual, axis=0), here)
    usual = squares.sum() / max(float(counts.sum()), 1.0)
    local = np.where(counts > 0, squares / np.maximum(counts, 1.0), usual)
    if not usual > 0:
        return None
    jumps = (local > usual * (1 + _CHANGES * np.sqrt(2 / np.maximum(counts, 1.0)))).any()
    ringing = np.exp(-2 * max(solution.decay(main_mode(solution)), 0.0) * (edges + size / 2))
    under = float(ringing @ counts)
    excess = float(ringing @ squares) / (under * usual) - 1
    if not jumps and excess < _FOLLOWS * math.sqrt(2 * float(ringing**2 @ counts)) / under:
        return None
    return np.asarray(np.maximum(local, _LEAST_LOCAL * usual))


def _local_sandwich(inverse: Array, tangents: list[Array], local: Array, solution: Solution) -> Array:
    p, q = solution.structure.columns, solution.structure.poles
    middle = np.zeros_like(inverse)
    row = q
    size = max(_STRETCH, solution.length // _STRETCHES)
    parts = zip(tangents, solution.coefficients, solution.residuals, strict=True)
    for tangent, coefficients, residuals in parts:
        weight = np.repeat(local, size)[: tangent.shape[2]] * solution.count / solution.free
        for one, own, residual in zip(tangent, coefficients, residuals, strict=True):
            part = (one * (weight * _swing(one, own, residual, solution, size))) @ one.T
            middle[:q, :q] += part[p:, p:]
            middle[row : row + p, row : row + p] = part[:p, :p]
            middle[row : row + p, :q] = part[:p, p:]
            middle[:q, row : row + p] = part[p:, :p]
            row += p
    out: Array = inverse @ middle @ inverse
    return out


def _swing(tangent: Array, coefficients: Array, residual: Array, solution: Solution, size: int) -> Array:
    """(n,) how the noise varies within a cycle of the main ring, 1 in the mean of each stretch.

    Noise of the gain goes with the ring's square, jitter of the clock with its slope's: r^2 is fitted by a
    constant and these two.
    """
    mode = slice(2 * main_mode(solution), 2 * main_mode(solution) + 2)
    (c, s), (cosine, sine) = coefficients[mode], tangent[mode]
    rows = np.vstack((np.ones(residual.size), (c * cosine + s * sine) ** 2, (s * cosine - c * sine) ** 2))
    rows[1:] /= np.maximum(rows[1:].max(axis=1, keepdims=True), 1e-300)
    found = np.linalg.lstsq(rows.T, residual**2, rcond=1e-9)[0]
    shape = np.maximum(found, 0.0) @ rows
    shape = np.maximum(shape, _LEAST_SWING * shape.max())
    if not shape.max() > 0:
        return np.ones(residual.size)
    edges = np.arange(0, residual.size, size)
    means = np.add.reduceat(shape, edges) / np.diff(edges, append=residual.size)
    return np.asarray(shape / np.repeat(means, size)[: residual.size])


def _sandwich(
    blocks: list[Block], solution: Solution, noise: Noise, inverse: Array, tangents: list[Array]
) -> Array:
    p, q = solution.structure.columns, solution.structure.poles
    middle = np.zeros_like(inverse)
    row = q
    for block, jacobian in zip(blocks, tangents, strict=True):
        size = 1 << (2 * block.times.size - 1).bit_length()
        spectrum = noise.spectrum(2 * np.pi * np.arange(size // 2 + 1) / size)
        weight = np.full(spectrum.size, 2.0)
        weight[0] = weight[-1] = 1.0
        for one in jacobian:
            lines = np.fft.rfft(one, size, axis=1)
            part = ((lines * (spectrum * weight)) @ lines.conj().T).real / size
            middle[:q, :q] += part[p:, p:]
            middle[row : row + p, row : row + p] = part[:p, :p]
            middle[row : row + p, :q] = part[:p, p:]
            middle[:q, row : row + p] = part[p:, :p]
            row += p
    out: Array = inverse @ middle @ inverse
    return out
