"""Steady tones in a recording: frequency far finer than a bin, with an honest uncertainty.

A tone of complex amplitude A in white noise of power s^2 per (complex) sample is moved to zero frequency and
averaged down to few samples z_m at times t_m about their middle. The estimate is where the windowed spectrum
|sum w_m z_m exp(-i 2 pi f t_m)| is largest; to first order its variance is

    var(2 pi f) = (s^2 / 2 |A|^2) sum w_m^2 t_m^2 / (sum w_m t_m^2)^2

which for w = 1 is the Cramer-Rao bound 24 (s/A)^2 / (N^3 T^2) of a real sine. The Hann window keeps
neighbouring tones out; its standard deviation is half as large again as the bound. The same is done on
eight pieces; when they scatter more than this, the tone wanders and the scatter counts. The clock of the
sound card is added: a frequency is never known better than the clock that measured it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError

__all__ = ["CLOCK_PPM", "Tone", "tones"]

Array = npt.NDArray[np.float64]

CLOCK_PPM = 50.0
"""Standard uncertainty of a sound card's clock [1e-6]; crystals are sold to +-100 (from memory)."""

_FALSE_TONES = 1e-4
"""How often noise alone may make a tone, per recording [1]; assumed."""

_SHORTEST_S = 0.05
"""Shortest recording taken [s]: 20 Hz a bin, under which neighbouring tones are one; assumed."""

_PIECES = 8
"""Pieces of a recording in which a tone is looked for again, to see it wander [1]; assumed."""

_SHORTEST_PIECE = 8
"""Fewest averaged samples in a piece from which a frequency is taken [1]; assumed."""

_MOST = 8
"""Most tones told of one recording [1]; assumed."""

_FEWEST_BINS = 16
"""Bins that a band must hold for its noise to be known [1]; assumed."""

_FLOOR_HZ = 100.0
"""Half the width over which the noise about a bin is taken [Hz], at least `_FEWEST_BINS` bins; assumed."""

_SKIRT = 0.02
"""Bins about a peak that its window's skirts cover, per square root of power over noise [1]; assumed."""

_BASE_HZ = 400.0
"""Half the band that is kept about a tone [Hz]: more than a tone wanders; assumed."""

_LEAST_BLOCKS = 256
"""Fewest averages that a recording is brought down to [1]; assumed."""

_GRID = 13
"""Places at which a peak is looked for before it is refined [1]: four to a bin of the window's main lobe;
assumed."""

_REACH = 1.5
"""How far from its bin the peak is looked for [bins]: a Hann window's lobe is two wide either
way; assumed."""

_LEAST_POWER = 1e-24
"""Least noise, as a part of the strongest bin: far under rounding, so that no logarithm is of 0; assumed."""

_MOST_PPM = 1e5
"""Clock uncertainty from which a figure is refused as a slip of the pen [1e-6]; assumed."""

_NYQUIST = 0.499
"""Highest tone looked for, as a part of the sampling rate: just under half of it; assumed."""

_APART_HZ = 5.0
"""Peaks nearer than this are one tone that wanders [Hz]; assumed."""

_WANDERS = 2.0
"""Scatter of the pieces over what noise explains, from which the tone is said to wander [1]; assumed."""


@dataclass(frozen=True, slots=True)
class Tone:
    """A steady tone.

    frequency_hz, uncertainty_hz: with its standard uncertainty, clock included [Hz]; noise_hz: the part that
    is not the clock's [Hz]; over_noise_db: peak over the noise about it [dB]; level: amplitude, full scale
    or volts as the samples; wander_hz: standard deviation between the pieces when noise does not explain
    it, else 0 [Hz].
    """

    frequency_hz: float
    uncertainty_hz: float
    noise_hz: float
    over_noise_db: float
    level: float
    wander_hz: float


def tones(
    samples: npt.ArrayLike, rate_hz: float, low_hz: float, high_hz: float, *, clock_ppm: float = CLOCK_PPM
) -> tuple[Tone, ...]:
    """The tones between two frequencies, strongest first, at most eight.

    samples: (n,) real; rate_hz [Hz]; clock_ppm: standard uncertainty of the rate [1e-6].
    Raises InputError for a recording under 50 ms and for a band without a bin in it.
    """
    x = np.asarray(samples, dtype=np.float64)
    if x.size < _SHORTEST_S * rate_hz:
        raise InputError(
            f"the sound lasts {1e3 * x.size / rate_hz:.0f} ms; record at least a second, better ten"
        )
    if not 0 < clock_ppm < _MOST_PPM:
        raise InputError(f"clock uncertainty {clock_ppm:g} ppm; give a number such as 50")
    peaks = _peaks(x - x.mean(), rate_hz, low_hz, min(high_hz, _NYQUIST * rate_hz))
    found = [_refined(x, rate_hz, peak, floor, clock_ppm) for peak, floor in peaks]
    return tuple(sorted(found, key=lambda tone: -tone.over_noise_db))


def _peaks(x: Array, rate_hz: float, low_hz: float, high_hz: float) -> list[tuple[float, float]]:
    """(frequency, noise power per bin) of the bins that noise does not explain, strongest first."""
    window = _hann(x.size)
    power = np.abs(np.fft.rfft(x * window)) ** 2
    frequency = np.fft.rfftfreq(x.size, 1 / rate_hz)
    inside = (frequency >= low_hz) & (frequency <= high_hz)
    if inside.sum() < _FEWEST_BINS:
        raise InputError(
            f"nothing between {low_hz:.0f} and {high_hz:.0f} Hz at {rate_hz:.0f} samples a second; "
            "record at 44.1 kHz or more"
        )
    floor = _floor(power, max(_FEWEST_BINS // 2, round(_FLOOR_HZ * x.size / rate_hz)))
    over = np.where(inside, power / floor, 0.0)
    least = math.log(inside.sum() / _FALSE_TONES)
    found: list[tuple[float, float]] = []
    reach = max(4, round(_APART_HZ * x.size / rate_hz))
    for _ in range(_MOST):
        k = int(over.argmax())
        if over[k] < least:
            break
        found.append((float(frequency[k]), float(floor[k])))
        # Window skirts of a strong tone, and its wander, are no tones of their own.
        spread = reach + int(_SKIRT * math.sqrt(over[k]))
        over[max(0, k - spread) : k + spread + 1] = 0.0
    return found


def _floor(power: Array, reach: int) -> Array:
    """Noise power about each bin: blockwise medians over their own expectation ln 2, interpolated."""
    blocks = max(1, power.size // (2 * reach))
    pieces = np.array_split(power, blocks)
    medians = np.array([np.median(piece) for piece in pieces]) / math.log(2)
    ends = np.cumsum([piece.size for piece in pieces])
    middles = ends - np.array([piece.size for piece in pieces]) / 2
    least = max(float(power.max()) * _LEAST_POWER, np.finfo(float).tiny)
    return np.asarray(np.interp(np.arange(power.size), middles, np.maximum(medians, least)), dtype=np.float64)


def _refined(x: Array, rate_hz: float, near_hz: float, floor: float, clock_ppm: float) -> Tone:
    z, step_s = _base(x, rate_hz, near_hz)
    offset, amplitude = _peak_of(z, step_s, _REACH * rate_hz / x.size)
    # Noise per sample of z from the floor of the whole spectrum: sum w^2 s_x^2 = floor.
    noise = floor / float((_hann(x.size) ** 2).sum()) / (x.size // z.size)
    bound = _bound(z.size, step_s, noise, amplitude)
    pieces = np.array_split(z, _PIECES)
    wander = 0.0
    if pieces[-1].size >= _SHORTEST_PIECE:
        each = [_peak_of(p, step_s, 2 / (p.size * step_s), offset)[0] for p in pieces]
        expected = _bound(pieces[-1].size, step_s, noise, amplitude)
        scatter = float(np.std(each, ddof=1))
        wander = scatter if scatter > _WANDERS * expected else 0.0
    own = math.hypot(bound, wander / math.sqrt(_PIECES))
    frequency = near_hz + offset
    return Tone(
        frequency,
        math.hypot(own, frequency * clock_ppm * 1e-6),
        own,
        10 * math.log10(amplitude**2 * float(_hann(x.size).sum()) ** 2 / floor),
        2 * amplitude,
        wander,
    )


def _base(x: Array, rate_hz: float, near_hz: float) -> tuple[npt.NDArray[np.complex128], float]:
    """The samples moved down by `near_hz` and averaged in blocks, and the time between blocks [s]."""
    block = max(1, min(int(rate_hz / (2 * _BASE_HZ)), x.size // _LEAST_BLOCKS))
    used = x.size // block * block
    turned = x[:used] * np.exp(-2j * math.pi * near_hz / rate_hz * np.arange(used))
    return turned.reshape(-1, block).mean(axis=1), block / rate_hz


def _peak_of(
    z: npt.NDArray[np.complex128], step_s: float, reach_hz: float, middle_hz: float = 0.0
) -> tuple[float, float]:
    """(frequency of the largest windowed spectrum [Hz], amplitude of the complex tone)."""
    from scipy.optimize import minimize_scalar

    window = _hann(z.size)
    t = _times(z.size, step_s)
    weighed = window * z

    def below(f: float) -> float:
        return -float(abs(weighed @ np.exp(-2j * math.pi * f * t)))

    grid = np.linspace(middle_hz - reach_hz, middle_hz + reach_hz, _GRID)
    best = int(np.argmin([below(f) for f in grid]))
    ends = (float(grid[max(best - 1, 0)]), float(grid[min(best + 1, _GRID - 1)]))
    found = minimize_scalar(below, bounds=ends, method="bounded", options={"xatol": 1e-9 / step_s})
    return float(found.x), -float(found.fun) / float(window.sum())


def _bound(count: int, step_s: float, noise: float, amplitude: float) -> float:
    """Standard deviation of the frequency from the noise alone [Hz]."""
    window, t = _hann(count), _times(count, step_s)
    top = float((window**2 * t**2).sum())
    return math.sqrt(noise / 2 * top) / (amplitude * float((window * t**2).sum())) / (2 * math.pi)


def _hann(count: int) -> Array:
    return np.asarray(0.5 - 0.5 * np.cos(2 * math.pi * (np.arange(count) + 0.5) / count), dtype=np.float64)


def _times(count: int, step_s: float) -> Array:
    return np.asarray((np.arange(count) - (count - 1) / 2) * step_s, dtype=np.float64)
