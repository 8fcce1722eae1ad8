"""Starting values, and the test "is there a ring at all?".

A residual r(n) is looked at through a bank of decaying windows exp(-n/T). For white noise of
variance s2 and S records the statistic

    P(T, w) = 2 sum_s |sum_n r_s(n) exp(-n/T) exp(-i w n)|^2 / sum_n exp(-2 n/T)

is s2 times chi-square with 2 S degrees of freedom, so its largest value over the bank is a test of
fixed false-alarm rate: the gain in the sum of squares that a damped sinusoid there would bring.
The pole itself is refined from three neighbouring lines (after Bertocco and Yoshida; formula re-derived).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from coilbell.decay.solve import MOST_KEPT, Array, Block, ramp

__all__ = [
    "Candidate",
    "Thresholds",
    "chance_limit",
    "early_level",
    "residual_spectrum",
    "strongest_exponential",
    "strongest_ring",
]

_SHORTEST = 6.0
"""Shortest time constant of the bank [samples]: assumed."""
_RATIO = 2.5
"""Ratio of successive time constants of the bank [1]: a ring of decay a shows 4 a b/(a + b)^2 of its gain
through one of decay b, 0.95 at the worst."""
_LINES = 16.0
"""Length of a transform [time constants of its slowest window]: the best line then shows 0.96 of the gain."""
_FADED = 12.0
"""Time constants after which a window is over [1]: exp(-12) is below what single precision keeps."""
_NOTHING = 1e-200
"""Samples below this are none: their squares would leave the range of floats."""


Spectra = list[npt.NDArray[np.complex64]]
"""For each grid (s, g, lines)."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A component to try: its statistic (a gain in the sum of squares) and pole [1/sample]."""

    gain: float
    decay: float
    angular: float


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Gains, in units of the noise variance, that chance alone almost never reaches."""

    mode: float
    exponential: float

    @classmethod
    def for_size(cls, length: int, shots: int, false_alarm: float = 1e-3) -> Thresholds:
        """Bounds over about 3/2 n independent lines, and 8 decay windows; 4 more for the fitted pole."""
        mode = chance_limit(2 * shots, false_alarm / (1.5 * length)) + 4
        return cls(mode, chance_limit(shots, false_alarm / 8) + 4)


@lru_cache(maxsize=256)
def chance_limit(freedom: int, probability: float) -> float:
    """Value that chi-square with these degrees of freedom exceeds with this probability."""
    from scipy.special import gammainccinv  # heavy to import, and not needed to look at a fit

    return float(2 * gammainccinv(freedom / 2, probability))


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Windows that share length and transform: a short window is over soon, and its lines are wide."""

    first: int
    """Place of the first of them in the bank."""
    size: int
    """Length of the transform [samples]."""
    single: npt.NDArray[np.float32]
    """(g, samples) the windows in single precision."""


@dataclass(frozen=True, slots=True, eq=False)
class _Bank:
    """Decaying windows with their time constants (b,), in groups; sums over them are for all samples."""

    constants: Array
    windows: Array
    """(b, n)"""
    squared: Array
    """(b, n) squares of the windows."""
    sums: Array
    """(b,) of the windows."""
    norms: Array
    """(b,) of their squares."""
    groups: tuple[_Group, ...]


_banks: dict[int, _Bank] = {}


def _bank(length: int) -> _Bank:
    kept = _banks.get(length)
    if kept is None:
        constants = []
        constant = _SHORTEST
        while constant < 0.6 * length:
            constants.append(constant)
            constant *= _RATIO
        constants.append(np.inf)
        windows = np.exp(-np.multiply.outer(1 / np.array(constants), ramp(length)))
        squared = windows * windows
        groups = _groups(constants, windows)
        kept = _Bank(np.array(constants), windows, squared, windows.sum(1), squared.sum(1), groups)
        if sum(bank.windows.size for bank in _banks.values()) + windows.size > MOST_KEPT:
            _banks.clear()
        if windows.size <= MOST_KEPT:
            _banks[length] = kept
    return kept


def _groups(constants: list[float], windows: Array) -> tuple[_Group, ...]:
    """Two successive windows to a group, and all that need the longest transform in the last."""
    length = windows.shape[1]
    longest = 1 << (2 * length - 1).bit_length()
    out = []
    for first in range(0, len(constants), 2):
        slowest = constants[min(first + 1, len(constants) - 1)]
        size = longest if _LINES * slowest > longest / 2 else 1 << math.ceil(_LINES * slowest).bit_length()
        last = len(constants) if size >= longest else first + 2
        reach = length if size >= longest else min(length, math.ceil(_FADED * slowest))
        out.append(_Group(first, size, windows[first:last, :reach].astype(np.float32)))
        if last == len(constants):
            break
    return tuple(out)


def _gridded(block: Block, residual: Array) -> tuple[Array, Array | None]:
    """Residual on whole sampling steps (for the search only; the fit uses the true times)."""
    if block.uniform:
        return residual, block.weights
    index = np.rint(block.times).astype(np.intp)
    length = int(index[-1]) + 1
    weights = np.bincount(index, block.weights, minlength=length).astype(np.float64)
    values = np.array([np.bincount(index, row, minlength=length) for row in residual])
    return values, weights


def strongest_ring(blocks: list[Block], residuals: list[Array], lowest_angular: float) -> Candidate:
    """The damped sinusoid that would reduce the sum of squares most."""
    grids = [_gridded(b, r) for b, r in zip(blocks, residuals, strict=True)]
    length = max(values.shape[1] for values, _ in grids)
    bank = _bank(length)
    # by a power of two, which is exact, so that no scale of the samples leaves single precision
    largest = max(float(np.abs(values).max()) for values, _ in grids)
    size = 2.0 ** float(np.frexp(max(largest, _NOTHING))[1])
    scaled = [((values * (1 / size)).astype(np.float32), weights) for values, weights in grids]
    best: tuple[float, int, int, _Group, Spectra] | None = None
    for group in bank.groups:
        power, spectra = _group_power(bank, group, scaled)
        power[:, : math.ceil(lowest_angular * group.size / (2 * np.pi)) + 1] = 0
        power[:, -3:] = 0
        window, line = divmod(int(power.argmax()), power.shape[1])
        if best is None or power[window, line] > best[0]:
            best = float(power[window, line]), window, line, group, spectra
    assert best is not None
    gain, window, line, group, spectra = best
    constant = bank.constants[group.first + window]
    decay = 1 / constant if np.isfinite(constant) else 0.3 / length
    rough = Candidate(gain * size * size, decay, 2 * np.pi * line / group.size)
    shots = [shot for spectrum in spectra for shot in spectrum[:, window]]
    return _three_lines(constant, group.size, max(shots, key=lambda s: abs(s[line])), line, length, rough)


def _group_power(
    bank: _Bank, group: _Group, grids: list[tuple[npt.NDArray[np.float32], Array | None]]
) -> tuple[npt.NDArray[np.float32], Spectra]:
    """Statistic (g, lines) of a group's windows summed over the records, and the spectra (s, g, lines)."""
    from scipy.fft import rfft  # heavy to import; takes several short transforms at once

    windows = slice(group.first, group.first + group.single.shape[0])
    power: npt.NDArray[np.float32] | None = None
    spectra = []
    for values, weights in grids:
        n = values.shape[1]
        reach = min(n, group.single.shape[1])
        # single precision serves: starts are refined afterwards, gains are compared with tens of variances
        spectrum = rfft(values[:, None, :reach] * group.single[:, :reach], group.size, axis=2)
        norm = _sums(bank.squared, bank.norms, n, weights)[windows]
        squares = spectrum.real**2 + spectrum.imag**2
        part = squares[0] if squares.shape[0] == 1 else squares.sum(0)
        part *= (2 / np.maximum(norm, 1e-9)).astype(np.float32)[:, None]
        power = part if power is None else power + part
        spectra.append(spectrum)
    assert power is not None
    return power, spectra


def _sums(windows: Array, whole: Array, length: int, weights: Array | None) -> Array:
    """(b,) sums of the windows over the samples of a record; whole: those over all."""
    if weights is not None:
        return np.asarray(windows[:, :length] @ weights)
    return whole if length == windows.shape[1] else np.asarray(windows[:, :length].sum(1))


def _three_lines(
    constant: float,
    size: int,
    spectrum: npt.NDArray[np.complex64],
    line: int,
    length: int,
    rough: Candidate,
) -> Candidate:
    """Pole of one damped sinusoid from three spectral lines, the window's own decay taken out.

    For x(n) = z^n the spectrum is X_k = c / (1 - z u_k) with u_k = exp(-i t k). With
    R = (X_(k-1) - X_k) / (X_k - X_(k+1)) it follows that z u_k = (R exp(-i t) - 1) / (R - exp(-i t)).
    Falls back to the peak when the lines disagree.
    """
    endless = not np.isfinite(constant)
    stride = max(1, round(size / length)) if endless else 1
    if line - stride < 1 or line + stride >= spectrum.size:
        return rough
    left, middle, right = (complex(spectrum[line + k * stride]) for k in (-1, 0, 1))
    turn = np.exp(-2j * np.pi * stride / size)
    if middle == right:
        return rough
    ratio = (left - middle) / (middle - right)
    above, below = ratio * turn - 1, ratio - turn
    if abs(above) < 1e-12 or abs(below) < 1e-12:
        return rough
    pole = np.log(np.exp(1j * rough.angular) * above / below)
    decay = -pole.real - (0.0 if endless else 1 / constant)
    near = abs(pole.imag - rough.angular) < max(4 * np.pi / size, 0.5 * rough.decay)
    if near and 0 < decay < max(6 * rough.decay, 3 / length):
        return Candidate(rough.gain, max(float(decay), 0.1 / length), float(pole.imag))
    return rough


def strongest_exponential(blocks: list[Block], residuals: list[Array]) -> Candidate:
    """The exponential that would reduce the sum of squares most; its mean is taken out first."""
    total: Array | None = None
    bank = None
    for block, residual in zip(blocks, residuals, strict=True):
        values, weights = _gridded(block, residual)
        n = values.shape[1]
        bank = _bank(max(n, bank.windows.shape[1] if bank else 0))
        windows = bank.windows[:-1, :n]
        count = n if weights is None else weights.sum()
        mean = _sums(bank.windows, bank.sums, n, weights)[:-1] / count
        spread = _sums(bank.squared, bank.norms, n, weights)[:-1] - mean * mean * count
        numerator = values @ windows.T - np.outer(values.sum(1), mean)
        part = (numerator**2).sum(0) / np.maximum(spread, 1e-9)
        total = part if total is None or total.size != part.size else total + part
    assert total is not None
    assert bank is not None
    best = int(np.argmax(total))
    return Candidate(float(total[best]), float(1 / bank.constants[best]), 0.0)


def early_level(blocks: list[Block], residuals: list[Array], decay: float) -> float:
    """Noise variance per sample through the window exp(-decay n): what follows a ring is larger at first.

    From the median line, which what is left of other modes hardly moves; a line's power has its median at
    ln 2 of its mean.
    """
    level = 0.0
    for block, residual in zip(blocks, residuals, strict=True):
        values, _ = _gridded(block, residual)
        window = np.exp(-max(decay, 0.0) * ramp(values.shape[1]))
        lines = np.fft.rfft(values * window, axis=1)[:, 1:-1]
        power = (lines.real**2 + lines.imag**2).mean(axis=0)
        level = max(level, float(np.median(power)) / math.log(2) / float(window @ window))
    return level


def residual_spectrum(blocks: list[Block], residuals: list[Array]) -> Array:
    """One-sided periodogram of the residuals [variance per sample], averaged over the records."""
    total: Array | None = None
    shots = 0
    for block, residual in zip(blocks, residuals, strict=True):
        values, _ = _gridded(block, residual)
        n = values.shape[1]
        spectrum = np.fft.rfft(values, axis=1)
        part = (spectrum.real**2 + spectrum.imag**2).sum(0) / n
        if total is None:
            total = part
        elif total.size == part.size:
            total = total + part
        else:
            continue
        shots += values.shape[0]
    assert total is not None
    return total / max(1, shots)
