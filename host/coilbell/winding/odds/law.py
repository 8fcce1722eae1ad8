"""What a ladder of amplitudes tells the judgement beside the pole at vanishing amplitude.

1/Q of a ring that starts at 60 mV against one at 270 mV rises where a junction conducts, hardly where a core
has hysteresis, and not at all for copper. With I_s the saturation current behind a turns ratio r = N_s/N_p a
junction takes G(a) = 2 r I_s I1(a/V)/a at amplitude a, with V = n V_T/r at the leads (`decay.envelope`), so
V tells on which turns it hangs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from coilbell.decay import LADDER_VOLTS, Bend

__all__ = ["AmplitudeLaw", "AmplitudeSlope", "Laddered", "core_loss", "law_of"]

Array = npt.NDArray[np.float64]

_BENT = 0.05
"""Slope of ln(1/Q) over ln(amplitude) from which it is more than copper and ferrite have [1]; assumed."""

_OVER = math.log(LADDER_VOLTS[2] / LADDER_VOLTS[0])
"""Step in ln amplitude over which a ladder's rise is told, from 60 to 270 mV; computed."""

_JUDGED_VOLTS = 0.35
"""Rungs above it name a law and tell nothing of the rise: there every sound set conducts [V] (simulated:
host/coilbell/board/simulation)."""

_LAW_BLUNT = 0.1
"""What a named law leaves open of the rise, relative [1]; simulated: tests/truth/test_ladder_law.py."""

_LEAST_LEFT = 0.1
"""Least part of its loss that a ring keeps over a ladder, so that a slope can be told [1]; assumed."""

_LOW_Q, _LOW_RISE = 5.0, 0.10
"""Below this Q a rise is known no better than that: longer pulses excite other modes (simulated)."""


@dataclass(frozen=True, slots=True)
class AmplitudeSlope:
    """How the loss follows the amplitude: d ln(1/Q) / d ln(amplitude) over a ladder of shots [1]."""

    slope: float
    uncertainty: float

    @property
    def bends(self) -> bool:
        """True where the loss surely follows the amplitude: a junction does that, copper does not."""
        return abs(self.slope) > max(_BENT, 3 * self.uncertainty)


@dataclass(frozen=True, slots=True)
class AmplitudeLaw:
    """What a ladder told.

    bend: what makes the loss follow the amplitude; rise, rise_uncertainty: of 1/Q from 60 to 270 mV [1];
    volts, volts_uncertainty: V of a junction [V], None where none is named; core_per_volt: how the decay rate
    of the core alone rises with the amplitude, the same whatever hangs on the winding [1/(s V)].
    """

    bend: Bend
    rise: float
    rise_uncertainty: float
    volts: float | None = None
    volts_uncertainty: float = 0.0
    core_per_volt: float = 0.0

    @property
    def slope(self) -> AmplitudeSlope:
        """The rise as a slope over ln amplitude."""
        least = max(1 + self.rise, _LEAST_LEFT)
        return AmplitudeSlope(math.log(least) / _OVER, self.rise_uncertainty / least / _OVER)


class _Figure(Protocol):
    @property
    def value(self) -> float | None: ...
    @property
    def standard_uncertainty(self) -> float | None: ...


class _Rung(Protocol):
    @property
    def amplitude_volts(self) -> float: ...
    @property
    def loss(self) -> _Figure: ...
    @property
    def frequency_hz(self) -> _Figure: ...


@runtime_checkable
class Laddered(Protocol):
    """A ladder's fit, or the facts that are kept of one."""

    @property
    def bend(self) -> str: ...
    @property
    def volts(self) -> _Figure | None: ...
    @property
    def rise(self) -> float | None: ...
    @property
    def share(self) -> _Figure | None: ...
    @property
    def core_per_volt(self) -> _Figure | None: ...
    @property
    def rungs(self) -> Sequence[_Rung]: ...


_CORE_HEARD = 0.5
"""Amplitude at which a plain exponential hears the core, over the first peak [1]; simulated:
tests/truth/test_ladder_law.py."""


def core_loss(core_per_volt: float, hertz: float, amplitudes: Array) -> Array:
    """What the core's own rise adds to 1/Q of rings that start at these amplitudes [V]."""
    return np.asarray(core_per_volt * _CORE_HEARD * amplitudes / (math.pi * hertz), dtype=np.float64)


def law_of(ladder: Laddered, decay_per_s: float) -> AmplitudeLaw:
    """The law of a ladder whose ring decays at that rate at vanishing amplitude [1/s].

    The rise is that of the law where one is named, else that of the rungs by themselves.
    """
    bend = Bend(ladder.bend)
    slope = _slope(ladder.rungs)
    rise, spread = math.expm1(slope.slope * _OVER), math.exp(slope.slope * _OVER) * slope.uncertainty * _OVER
    if bend in (Bend.JUNCTION, Bend.CORE) and ladder.rise is not None:
        rise = ladder.rise
        spread = math.hypot(spread, _LAW_BLUNT * abs(rise))
    if any((rung.loss.value or 0.0) > 1 / _LOW_Q for rung in ladder.rungs):
        spread = max(spread, _LOW_RISE)
    volts = ladder.volts if bend is Bend.JUNCTION else None
    core = (_value(ladder.core_per_volt) or 0.0) * decay_per_s if bend is Bend.CORE else 0.0
    return AmplitudeLaw(
        bend,
        rise,
        spread,
        _value(volts),
        0.0 if volts is None else volts.standard_uncertainty or math.inf,
        core,
    )


def _value(figure: _Figure | None) -> float | None:
    return None if figure is None else figure.value


def _slope(rungs: Sequence[_Rung]) -> AmplitudeSlope:
    """The line through ln 1/Q over ln amplitude of the rungs that are judged by."""
    usual = median([r.frequency_hz.value or 0.0 for r in rungs]) if rungs else 0.0
    points = [
        (
            math.log(r.amplitude_volts),
            math.log(r.loss.value),
            (r.loss.standard_uncertainty or 0.0) / r.loss.value,
        )
        for r in rungs
        if r.loss.value and r.loss.value > 0 and 0 < r.amplitude_volts < _JUDGED_VOLTS
        # A rung whose strongest mode is another one tells nothing of this.
        if abs((r.frequency_hz.value or 0.0) - usual) <= _ANOTHER * usual
    ]
    weights = [1 / max(spread, _LEAST_SPREAD) ** 2 for _, _, spread in points]
    total = sum(weights)
    if len(points) < 2:
        return AmplitudeSlope(0.0, _UNKNOWN)
    centre = sum(w * x for w, (x, _, _) in zip(weights, points, strict=True)) / total
    moment = sum(w * (x - centre) ** 2 for w, (x, _, _) in zip(weights, points, strict=True))
    if moment < _LEAST_MOMENT * total:
        return AmplitudeSlope(0.0, _UNKNOWN)
    slope = sum(w * (x - centre) * y for w, (x, y, _) in zip(weights, points, strict=True)) / moment
    return AmplitudeSlope(slope, math.sqrt(1 / moment))


_LEAST_SPREAD = 1e-3
"""Least relative uncertainty of a rung's loss in that line, so that no rung alone decides [1]; assumed."""
_ANOTHER = 0.1
"""Distance in frequency from which a rung's strongest mode is not the ring [1]; assumed: as in `decay`."""
_LEAST_MOMENT = 0.02
"""Spread of ln amplitude under which no slope is told [1]; assumed."""
_UNKNOWN = 1.0
"""Uncertainty of a slope that nobody knows [1]; assumed."""
