"""What slow and quick voltages tell of the converter and of the tester's own input.

With a test capacitor and nothing else on the leads a pulse leaves a voltage that dies away as
v(t) = V exp(-t/tau), 1/tau = G/C + r, through the input conductance G and by the rate r at which the
amplifier's coupling lets go. C cannot be told from it: only a ring gives C, see `stray`.

Every code on the way down, or within the swing of a ring, is met in proportion to its width: the histogram
test for differential non-linearity (IEEE 1241, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.record import Record, WideCode

__all__ = ["Discharge", "Widths", "crossings", "discharge", "widths"]

_CODES = 4096
_WINDOW = 24
"""Codes on either side that tell how often a code is met."""
_WIDE = 6
"""Codes on either side over which noise spreads a wide code."""
_OFTEN = 8
"""So often an ordinary code must be met."""
_FEWEST = 256
_SEEN_LSB = 2.0
_SURE = 4.0
"""So many times its uncertainty an excess must be."""
_CLEAR_LSB = 40.0
"""So far from rest a sample must lie to count as a swing."""
_LOWEST_LSB = 20.0
_STRAIGHT_LSB = 1.0
"""Standard uncertainty of the converter's straightness between two ends of a discharge (common practice, no
published source)."""

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Discharge:
    """v(t) = V exp(-rate t) above the level of rest."""

    rate_per_s: float
    uncertainty_per_s: float
    """Standard, of noise and of the converter's straightness."""


@dataclass(frozen=True, slots=True)
class Widths:
    """Which codes were examined, and which of them are wide."""

    low: int
    high: int
    wide: tuple[WideCode, ...]
    """The widest first."""


def crossings(record: Record, rest: float) -> int:
    """How often the voltage swings from well above rest to well below, or back."""
    level = _after(record)[1] - rest
    sides = np.sign(level[np.abs(level) > _CLEAR_LSB])
    return int((np.diff(sides) != 0).sum())


def discharge(record: Record, rest: float, window_s: tuple[float, float] = (4e-3, 16e-3)) -> Discharge | None:
    """The discharge in a window after the pulse, or None when there is none to see.

    At some hundredths of a volt, and not right after the pulse: there the clamp's junctions still conduct.
    """
    times, codes = _after(record)
    inside = (times >= window_s[0]) & (times <= window_s[1])
    level, times = codes[inside] - rest, times[inside]
    if level.size < 16 or np.mean(level[-level.size // 4 :]) < _LOWEST_LSB or level.min() <= 0:
        return None
    # The logarithm's variance goes with 1/v^2.
    (slope, _), covariance = np.polyfit(times, np.log(level), 1, w=level, cov="unscaled")
    scatter = math.sqrt(float(covariance[0, 0]) * float(np.var(np.diff(codes[inside]))) / 2)
    bent = math.sqrt(2) * _STRAIGHT_LSB / (float(np.mean(level)) * float(times[-1] - times[0]))
    return Discharge(-float(slope), math.hypot(scatter, bent)) if slope < 0 else None


def widths(records: Sequence[Record], rest: float) -> Widths | None:
    """Codes that are clearly wider than their neighbours; None for too few samples.

    Codes about the level of rest, where a voltage lingers, are not examined.
    """
    met = np.zeros(_CODES)
    for record in records:
        met += np.bincount(_after(record)[1].astype(np.int64), minlength=_CODES)[:_CODES]
    met[[0, _CODES - 1]] = 0
    usual = np.array([np.median(met[max(0, c - _WINDOW) : c + _WINDOW + 1]) for c in range(_CODES)])
    seen = (usual >= _OFTEN) & (np.abs(np.arange(_CODES) - rest) > _CLEAR_LSB)
    if int(seen.sum()) < _FEWEST:
        return None
    excess = np.where(seen, met / np.maximum(usual, 1) - 1, 0)
    found = []
    while excess.max() >= _SEEN_LSB:
        code = int(excess.argmax())
        counts, uncertainty = _excess(met, usual, code)
        if counts > _SURE * math.sqrt((2 * _WIDE + 1) / usual[code]):
            found.append(WideCode(code, counts, uncertainty))
        excess[max(0, code - _WIDE) : code + _WIDE + 1] = 0
    codes = np.flatnonzero(seen)
    order = sorted(found, key=lambda wide: -wide.excess)
    return Widths(int(codes[0]), int(codes[-1]), tuple(order))


def _excess(met: Array, usual: Array, code: int) -> tuple[float, float]:
    """By how many counts a code seems wide, and the standard uncertainty of that.

    Noise spreads a wide code over its neighbours, so that all of them together are counted; where the code
    only seemed wide, the excess may be below zero.
    """
    near = met[max(0, code - _WIDE) : code + _WIDE + 1]
    level = float(usual[code])
    # The median of 2 w + 1 counts scatters by sqrt(pi/2) of their mean.
    usual_part = math.sqrt(math.pi / 2 / ((2 * _WINDOW + 1) * level))
    total = float(near.sum()) / level
    spread = math.hypot(math.sqrt(float(near.sum())) / level, total * usual_part)
    return total - near.size, spread


def _after(record: Record) -> tuple[Array, Array]:
    """Times after the pulse [s] and codes, from its end on."""
    axis = record.time_axis
    times = axis - axis[record.pretrigger] - (record.pulse_s or 0)
    later = times > float(np.median(np.diff(axis)))
    return np.asarray(times[later]), np.asarray(record.samples[later], dtype=np.float64)
