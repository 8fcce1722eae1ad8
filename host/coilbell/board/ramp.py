"""Open leads as a ramp: what a slow discharge tells of the converter and of the tester's own input.

With a test capacitor and nothing else on the leads a pulse leaves a voltage that dies away as
v(t) = V exp(-t/tau), tau = C/G, through the input conductance G. Every code on the way is met for a time
in proportion to its width: the histogram test for differential non-linearity (IEEE 1241, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.record import Record

__all__ = ["Discharge", "Step", "crossings", "discharge", "steps"]

_WINDOW = 24
"""Codes on either side that tell how often a code is met."""
_SEEN_LSB = 2.0
_CLEAR_LSB = 40.0
"""So far from rest a sample must lie to count in a discharge."""


@dataclass(frozen=True, slots=True)
class Discharge:
    """v(t) = V exp(-t/tau) above the level of rest."""

    tau_s: float
    scatter: float
    """Standard deviation of a sample from the line through the logarithms [1]."""


@dataclass(frozen=True, slots=True)
class Step:
    """A code wider than its neighbours."""

    code: int
    excess_lsb: float


def crossings(record: Record, rest: float) -> int:
    """How often the voltage swings from well above rest to well below, or back."""
    level = _after(record) - rest
    sides = np.sign(level[np.abs(level) > _CLEAR_LSB])
    return int((np.diff(sides) != 0).sum())


def discharge(record: Record, rest: float) -> Discharge | None:
    """The discharge after the pulse, or None when there is none to see."""
    assert record.full_scale is not None
    level = _after(record) - rest
    top = record.full_scale[1] - rest
    last = _first_below(np.abs(level), _CLEAR_LSB)
    inside = (level[:last] > _CLEAR_LSB) & (level[:last] < top)
    if int(inside.sum()) < 8:
        return None
    assert record.rate_hz is not None
    times = np.flatnonzero(inside) / record.rate_hz
    values = level[:last][inside]
    # The logarithm's variance goes with 1/v^2.
    slope, start = np.polyfit(times, np.log(values), 1, w=values)
    if slope >= 0:
        return None
    scatter = float(np.std(values / np.exp(start + slope * times) - 1))
    return Discharge(-1 / float(slope), scatter)


def steps(records: Sequence[Record]) -> tuple[Step, ...] | None:
    """Codes at least two counts wider than their neighbours, the widest first; None for too few samples."""
    met = np.zeros(4096)
    for record in records:
        met += np.bincount(_after(record).astype(np.int64), minlength=4096)[:4096]
    met[[0, 4095]] = 0
    usual = np.array([_usual(met, code) for code in range(4096)])
    seen = usual >= 4
    if int(seen.sum()) < 256:
        return None
    excess = np.where(seen, met / np.maximum(usual, 1) - 1, 0)
    found = []
    while excess.max() >= _SEEN_LSB:
        code = int(excess.argmax())
        near = slice(max(0, code - 4), code + 5)
        # Noise spreads a wide code over its neighbours.
        found.append(Step(code, float(excess[near].clip(0).sum())))
        excess[near] = 0
    return tuple(sorted(found, key=lambda step: -step.excess_lsb))


def _usual(met: npt.NDArray[np.float64], code: int) -> float:
    return float(np.median(met[max(0, code - _WINDOW) : code + _WINDOW + 1]))


def _after(record: Record) -> npt.NDArray[np.float64]:
    """Samples from the end of the pulse on."""
    assert record.rate_hz is not None
    first = record.pretrigger + math.ceil((record.pulse_s or 0) * record.rate_hz) + 1
    return np.asarray(record.samples[first:], dtype=np.float64)


def _first_below(level: npt.NDArray[np.float64], limit: float) -> int:
    """Index from which the level, averaged over some samples, is below the limit."""
    width = 4
    if level.size <= width:
        return int(level.size)
    smooth = np.convolve(level, np.full(width, 1 / width), "valid")
    below = np.flatnonzero(smooth < limit)
    return int(below[0]) if below.size else int(level.size)
