"""The main ring of one rung of a ladder, as complex amplitudes of windows on a common linear pole."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.decay.model import Fit

__all__ = ["NEAR", "Seen", "plain_rate", "windows"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

NEAR = 0.1
"""A mode within this of the main frequency, relative, is part of the same ring."""
_CYCLES = 2.0
_SPENT = 30.0
"""Time constants after which a ring is no longer looked at [1]."""
_FLOOR = 4.0
"""Windows are used while the ring stands this many standard uncertainties above the noise."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One rung on its linear pole: complex amplitudes of windows, weights, middle times; first peak [V]."""

    times: Array
    amplitudes: Complex
    weights: Array
    start: float


def plain_rate(one: Seen, pole: complex) -> tuple[float, float]:
    """Decay rate that one exponential through a rung's windows has, and its standard uncertainty [1/s].

    The line through ln |amplitude|, each window by its signal over noise, so that the rung's energy decides.
    """
    size = np.abs(one.amplitudes)
    weights = (one.weights * size) ** 2
    times = one.times - (weights * one.times).sum() / weights.sum()
    moment = float((weights * times**2).sum())
    slope = float((weights * times * np.log(size)).sum()) / moment
    return -pole.real - slope, 1 / math.sqrt(moment)


def windows(one: Fit, pole: complex) -> Seen:
    """The main ring of a rung in windows of two cycles, shots averaged, on the common pole."""
    wave, times = _alone(one)
    step = float(times[1] - times[0])
    length = max(6, math.ceil(_CYCLES * 2 * math.pi / (abs(pole.imag) * step)))
    heard = int(np.searchsorted(times, _SPENT / -pole.real))
    count = min(heard, wave.size) // length
    if count < 1:
        empty = np.zeros(0)
        return Seen(empty, empty.astype(complex), empty, one.main.amplitude.value)
    peak = float(np.max(np.abs(wave[:length])))
    wave, at = wave[: count * length].reshape(count, length), times[: count * length].reshape(count, length)
    middle = at.mean(axis=1)
    local = np.exp(pole * (at - middle[:, None]))
    columns = np.stack((local.real, -local.imag), axis=2)
    normal = np.einsum("wli,wlj->wij", columns, columns)
    found = np.linalg.solve(normal, np.einsum("wli,wl->wi", columns, wave)[:, :, None])[:, :, 0]
    local_amplitude = found[:, 0] + 1j * found[:, 1]
    noise = max(one.noise, 1e-9) / math.sqrt(one.records)
    spread = noise * np.sqrt(2 / length)
    keep = np.abs(local_amplitude) > _FLOOR * spread
    keep[np.argmin(keep) if not keep.all() else count :] = False
    return Seen(
        middle[keep],
        (local_amplitude * np.exp(-pole * middle))[keep],
        (np.exp(pole.real * middle) / spread)[keep],
        peak,
    )


def _alone(one: Fit) -> tuple[Array, Array]:
    """The main ring of a fit in volts, mean of its shots, and times since the window's start."""
    waves = []
    for curve, residual in zip(one.curve, one.residuals, strict=True):
        times = curve[:, 0] - one.start_s
        values = curve[:, 1] + np.nan_to_num(residual)
        columns = [np.ones(times.size)]
        for mode in (*one.modes, *one.tones):
            wave = np.exp((-mode.decay_per_s.value + 2j * math.pi * mode.frequency_hz.value) * times)
            columns += [wave.real, wave.imag]
        columns += [np.exp(-r.decay_per_s.value * times) for r in one.recoveries]
        matrix = np.array(columns).T
        found = np.linalg.lstsq(matrix, values, rcond=None)[0]
        kept = np.ones(matrix.shape[1], dtype=bool)
        for k, mode in enumerate(one.modes):
            near = abs(mode.frequency_hz.value / one.main.frequency_hz.value - 1) < NEAR
            kept[1 + 2 * k : 3 + 2 * k] = not near
        waves.append((values - matrix[:, kept] @ found[kept]) * one.scale)
    shortest = min(w.size for w in waves)
    # Shots share their grid; phases of the pulse differ by nanoseconds, far below a cycle.
    return np.mean([w[:shortest] for w in waves], axis=0), one.curve[0][:shortest, 0] - one.start_s
