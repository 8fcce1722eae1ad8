"""How wide a pulse must be: what the board's search gave, and the ring itself brought to an amplitude.

The board sees samples and knows of no ring: where faster modes of the winding or the gaps between samples
make the largest sample another than the ring's amplitude, its search ends beside the mark. A caller that can
fit a ring hands over how, and the width is corrected by what rings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

from coilbell.board.settings import Settings
from coilbell.record import Record

if TYPE_CHECKING:
    from coilbell.board.identity import Identity

__all__ = ["Aim", "Measure", "begun", "refined"]


class Fires(Protocol):
    """What can be fired: a tester."""

    @property
    def identity(self) -> Identity:
        """Who answers."""

    def capture(self, settings: Settings) -> tuple[Record, ...]:
        """Records taken with these settings."""


Measure = Callable[[Sequence[Record]], tuple[float, float] | None]
"""Envelope of the main ring at the end of its pulse [V at the converter over the gain], and its frequency
[Hz]; None where nothing rings."""

_CORRECTIONS = 4
"""Captures at the most. A peak is nearly proportional to its width, so one or two do (own choice)."""
_NEAR = 0.03
"""Where a correction ends: short of 5 %, since the next capture scatters again (own choice)."""
_ALLOWED = 0.05
"""What an amplitude may be off, or the step of one tick, whichever is larger: the aim's promise."""
_FULL = 0.9
"""Share of the converter's range from which wider pulses are not tried further (own choice)."""
_CLAMPED_V = 0.4
_CLAMPS = "the board's own clamp takes up to 1.2 % of Q 150 from the first cycles here"
"""From that amplitude on, at 0.5 V with the leakiest diodes that their data sheet allows; 0.02 % with usual
ones, 0.3 % at 50 degC (simulated: hardware-notes/circuit/claims/clamping.py)."""
_SAMPLES = 2048
_SHOTS = 2


@dataclass(frozen=True, slots=True)
class Aim:
    """What the search for a pulse width gave."""

    outcome: str
    """"found"; "weak": no width reaches the band or the amplitude, this is the strongest; "steep": one step
    passed over the band, this is the last width below; "strong": the shortest pulse, this one, already gives
    more than the amplitude; "full": beside the ring other modes fill the converter's range."""
    width_ticks: int
    pulse_s: float
    peak_v: float
    """First peak at the winding with that width [V]; the ring's own amplitude where that was measured."""
    largest_v: float
    """Largest peak of all pulses fired [V]."""
    target_v: float | None = None
    """The amplitude that was aimed at [V]; None for the board's own band."""

    @property
    def note(self) -> str:
        """What is to be said of the width beside its record, "" for nothing."""
        if self.target_v is None:
            return "" if self.outcome == "found" else f"{self.outcome}, {self.peak_v:.2g} V"
        words = f"{self.peak_v * 1e3:.3g} mV where {self.target_v * 1e3:.3g} mV were aimed at"
        reasons = {
            "weak": "the most that a pulse gives this inductance and test capacitor",
            "strong": "the least, the shortest pulse",
            "full": f"other modes beside the ring reach {self.largest_v * 1e3:.3g} mV, the converter's range",
        }
        if self.outcome in reasons:
            words += f": {reasons[self.outcome]}"
        return f"{words}; {_CLAMPS}" if self.peak_v > _CLAMPED_V else words


def begun(identity: Identity, near_s: float, target_v: float) -> Aim:
    """A search that is to begin at a width nearly right [s]; of its ring nothing is known yet."""
    ticks = round(near_s * identity.tick_hz)
    width = min(max(ticks, identity.min_width_ticks), identity.max_width_ticks)
    return Aim("found", width, width / identity.tick_hz, 0.0, 0.0, target_v)


def refined(tester: Fires, aim: Aim, capacitor: str, pretrigger: int, measure: Measure) -> Aim:
    """The aim with the width whose ring, not whose largest sample, is nearest to `aim.target_v`.

    Fires a few captures; what rings at none of them leaves the aim as it was. Raises as `Tester.capture`.
    """
    assert aim.target_v is not None
    tried: dict[int, float] = {}
    largest, width = aim.largest_v, aim.width_ticks
    while width not in tried and len(tried) < _CORRECTIONS:
        pulse_s = width / tester.identity.tick_hz
        settings = Settings(capacitor, _SHOTS, samples=_SAMPLES, pretrigger=pretrigger, pulse_s=pulse_s)
        records = tester.capture(settings)
        ring, peak = measure(records), max(_peak(record) for record in records)
        if ring is None or ring[0] <= 0:
            break
        volts = ring[0] / tester.identity.response(ring[1])
        tried[width], largest = volts, max(largest, peak)
        if abs(volts - aim.target_v) <= _NEAR * aim.target_v:
            break
        width = _next(tester, aim, tried, width, peak)
    return _nearest(tester, aim, tried, largest)


def _next(tester: Fires, aim: Aim, tried: dict[int, float], width: int, peak: float) -> int:
    """The width that the last two say, one as if the peak were proportional; none beyond what is possible."""
    assert aim.target_v is not None
    assert tester.identity.aim_volts is not None
    volts = tried[width]
    others = [w for w in tried if w != width and (tried[w] - volts) * (w - width) > 0]
    near = min(others, key=lambda w: abs(tried[w] - volts), default=0)
    slope = (tried.get(near, 0.0) - volts) / (near - width)
    found = width + round((aim.target_v - volts) / slope)
    # Upwards no further than the converter's range holds, nor past what the board found to be the most.
    found = min(found, int(width * max(1.0, tester.identity.aim_volts[1] / peak)))
    if aim.outcome == "weak":
        found = min(found, width)
    return min(max(found, tester.identity.min_width_ticks), tester.identity.max_width_ticks)


def _nearest(tester: Fires, aim: Aim, tried: dict[int, float], largest: float) -> Aim:
    if not tried or aim.target_v is None:
        return aim
    target = aim.target_v
    width = min(tried, key=lambda w: abs(tried[w] - target))
    volts = tried[width]
    close = abs(volts - target) <= max(_ALLOWED * target, volts / width)
    full = largest > _FULL * (tester.identity.aim_volts or (0, target))[1]
    short = "full" if full and aim.outcome != "weak" else "weak"
    outcome = "found" if close else short if volts < target else "strong"
    pulse_s = width / tester.identity.tick_hz
    return replace(aim, outcome=outcome, width_ticks=width, pulse_s=pulse_s, peak_v=volts, largest_v=largest)


def _peak(record: Record) -> float:
    """Largest distance from the resting level [V at the winding]."""
    samples = record.samples.astype(float)
    rest = samples[: max(record.pretrigger, 1)].mean()
    return float(abs(samples - rest).max()) * (record.volts_per_unit or 0.0)
