"""How sure the fitted figures are, also when the noise is not white.

White noise of variance s2: covariance = s2 (J^T J)^-1. Where successive residuals are correlated the
noise is described by an autoregression of its own, with spectrum S(w), and

    covariance = (J^T J)^-1 [ sum_w J(w) S(w) J(w)^H ] (J^T J)^-1

(the "sandwich"; P. J. Huber, Proc. 5th Berkeley Symp. 1 (1967) 221, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coilbell.decay.converter import Converter
from coilbell.decay.solve import Array, Block, Solution, gram_covariance
from coilbell.decay.unseen import unseen

__all__ = ["Noise", "covariance", "noise_of"]

_LAGS = 4
_MAX_ORDER = 8


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
    coloured = max(abs(c) for c in correlations) > 4 / np.sqrt(solution.count)
    if not coloured:
        return Noise(variance, correlations, False)
    polynomial, innovation = _autoregression(_autocovariance(solution, _MAX_ORDER) * scale, solution.count)
    return Noise(variance, correlations, True, tuple(float(x) for x in polynomial), innovation)


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
    return inverse * noise.variance + unseen(blocks, solution, tangents, inverse)


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
