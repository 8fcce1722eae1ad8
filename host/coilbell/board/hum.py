"""Mains hum told apart from a converter's noise.

Open leads catch it: 0.1 pF from a mains lead drive 7 nA at 50 Hz, some millivolts on a test capacitor. It is
no fault of the board, and no noise: a sum of the line's harmonics is fitted to the samples at rest, and what
is left is the noise. Least squares, one line frequency for all records, each with phases of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["AtRest", "at_rest"]

_STEP_HZ, _FINE_HZ = 0.5, 0.05
_LINES_HZ = (np.arange(47.0, 53.01, _STEP_HZ), np.arange(57.0, 63.01, _STEP_HZ))
"""Where the mains' frequency is looked for: 50 and 60 Hz, with what small generators stray [Hz]."""
_HARMONICS = 11
"""As many are fitted: a rectifier's currents reach that far (common practice)."""
_BLOCK = 64
"""Samples averaged before the line is looked for: 128 us, a twelfth of a period of the highest harmonic."""
_SURE = 5.0
"""So many standard deviations of its own the hum must be to be told as seen."""

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class AtRest:
    """Samples without a pulse: level, noise and hum.

    level: mean code [LSB]; noise: standard deviation without the hum [LSB]; hum: root mean square of the
    fitted harmonics [LSB]; line_hz: of the mains, None where no hum is seen.
    """

    level: float
    noise: float
    hum: float
    line_hz: float | None


def at_rest(records: Sequence[Array], rate_hz: float) -> AtRest:
    """Level, noise and hum of records taken at rest, (n,) codes each of one length and rate.

    Raises ValueError for records that hold no period of the lowest line frequency, 21 ms: in them hum is a
    level.
    """
    if len(records[0]) / rate_hz * _LINES_HZ[0][0] < 1:
        raise ValueError(f"{len(records[0])} samples hold no period of the mains")
    count = len(records[0]) // _BLOCK
    blocks = np.array([codes[: count * _BLOCK].reshape(count, _BLOCK).mean(axis=1) for codes in records])
    hertz = np.concatenate(_LINES_HZ)
    middles: Array = (np.arange(count, dtype=np.float64) + 0.5 - 0.5 / _BLOCK) * _BLOCK / rate_hz
    for step in (_STEP_HZ, _FINE_HZ):
        line = float(min(hertz, key=lambda f: _fitted(blocks, middles, f)[1]))
        hertz = line + np.arange(-step, step + _FINE_HZ / 2, _FINE_HZ)
    waves, _ = _fitted(blocks, middles, line)
    times: Array = np.arange(len(records[0]), dtype=np.float64) / rate_hz
    slow = _design(times, line) @ waves
    left = np.array(records).T - slow
    noise = float(np.sqrt(np.mean(np.var(left, axis=0, ddof=1))))
    hum = float(np.sqrt(np.mean((slow - waves[0]) ** 2)))
    own = noise * np.sqrt(2 * _HARMONICS / len(records[0]))
    return AtRest(float(np.mean(waves[0])), noise, hum, line if hum > _SURE * own else None)


def _fitted(blocks: Array, times: Array, line_hz: float) -> tuple[Array, float]:
    """Level and waves of each record (2 H + 1, records), and the sum of squares left."""
    design = _design(times, line_hz)
    found, *_ = np.linalg.lstsq(design, blocks.T, rcond=1e-6)
    return np.asarray(found, dtype=np.float64), float(np.sum((blocks.T - design @ found) ** 2))


def _design(times: Array, line_hz: float) -> Array:
    angles = 2 * np.pi * line_hz * times
    columns = [np.ones(times.size)]
    for order in range(1, _HARMONICS + 1):
        columns += [np.cos(order * angles), np.sin(order * angles)]
    return np.column_stack(columns)
