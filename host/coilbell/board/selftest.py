"""A board examined by itself: offset, noise, interlock, wire, and with open leads its converter and input.

Limits are common practice for this kind of converter and of our own circuit, no published source.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from coilbell.board import frame, ramp
from coilbell.board.exchange import Refusal
from coilbell.board.settings import Settings
from coilbell.board.tester import Tester
from coilbell.errors import MeasurementError
from coilbell.record import Record

__all__ = ["Outcome", "Row", "decode_rate", "selftest"]

_LONG = 16384
_RATE_SAMPLES = 4096
_USB_BYTES_PER_S = 0.5e6
_BARE = "nothing but a coil may be on the leads"
_ZERO_V = 0.4
"""How far parts of 1 % may shift the zero of the lead voltage; below the interlock's limit."""
_OPEN_ROWS = ("converter steps", "input resistance", "stray capacitance")
"""What only open leads can show."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the self-test."""

    name: str
    value: float | None
    """The figure, None where it could not be had; `note` says why."""
    unit: str = ""
    low: float = -np.inf
    high: float = np.inf
    note: str = ""

    @property
    def passed(self) -> bool | None:
        """True within the limits, None where there is no figure."""
        return None if self.value is None else self.low <= self.value <= self.high


@dataclass(slots=True)
class Outcome:
    """What the self-test found."""

    rows: list[Row] = field(default_factory=list)
    constants: dict[str, int] = field(default_factory=dict)
    """Constants as measured, to be saved."""
    ring: tuple[Record, ...] = ()
    """Records of what rings on the leads; empty when they are open."""
    rest: float = 2048.0
    """Code without a signal."""


def selftest(tester: Tester, told: Callable[[str], None] | None = None) -> Outcome:
    """Examine the board; told: called with what is being done. Raises MeasurementError."""
    outcome = Outcome()
    tell = told or (lambda words: None)
    for words, part in (
        ("converter at rest", _at_rest),
        ("clocks", _clocks),
        ("interlock", _interlock),
        ("wire", _wire),
        ("leads", _leads),
    ):
        tell(words)
        part(tester, outcome)
    return outcome


def _at_rest(tester: Tester, outcome: Outcome) -> None:
    quiet = tester.capture(Settings(capacitor=_letter(tester), shots=4, pulse_s=0.0))
    codes = [np.asarray(record.samples, dtype=np.float64) for record in quiet]
    outcome.rest = float(np.mean([c.mean() for c in codes]))
    noise = float(np.sqrt(np.mean([c.var(ddof=1) for c in codes])))
    lost = 1 - sum(map(len, quiet)) / (len(quiet) * 4096)
    outcome.rows += [
        Row("offset", outcome.rest, "LSB", 1536, 2560),
        Row("noise", noise, "LSB rms", 0.05, 3.0, "hum counts as noise here"),
        Row("failed conversions", lost * 1e6, "ppm", 0, 1000),
    ]
    outcome.constants["offset_code_16"] = round(outcome.rest * 16)


def _clocks(tester: Tester, outcome: Outcome) -> None:
    told, identity = tester.measure(), tester.identity
    outcome.rows += [
        Row("pulse clock", told["tick_hz"] / identity.tick_hz, "of nominal", 0.97, 1.03),
        Row("sampling clock", told["rate_hz"] / float(identity.rate_hz), "of nominal", 0.97, 1.03),
        Row("temperature", told["temperature_mc"] / 1000, "degC", 0, 60),
        Row("lead voltage", told["lead_mv"] / 1000, "V", -_ZERO_V, _ZERO_V, _BARE),
    ]
    if abs(told["lead_mv"]) <= 1000 * _ZERO_V:
        shift = round(told["lead_mv"] * 1000 * 16 / identity.constants["lead_uv"])
        outcome.constants["lead_offset_code_16"] = identity.constants["lead_offset_code_16"] + shift


def _interlock(tester: Tester, outcome: Outcome) -> None:
    """Make the board read a voltage that is not there: it must refuse, and fire again afterwards."""
    name = "lead_offset_code_16"
    constants, limit = tester.identity.constants, tester.identity.lead_limit_v
    pretended = limit * 1.5
    shift = round(pretended * 1e6 * 16 / constants["lead_uv"])
    refused: float | None = None
    try:
        tester.change(name, constants[name] - shift)
        tester.capture(Settings(capacitor=_letter(tester), shots=1, samples=64, pretrigger=16, pulse_s=0.0))
    except Refusal as refusal:
        if refusal.code != frame.LEADS_LIVE:
            raise
        refused = refusal.value / 1000
    finally:
        tester.change(name, constants[name])
    note = f"with {pretended:.2g} V pretended it must refuse"
    value = 0.0 if refused is None else refused
    outcome.rows.append(Row("interlock refuses at", value, "V", limit, 3 * limit, note))


def _wire(tester: Tester, outcome: Outcome) -> None:
    settings = Settings(capacitor=_letter(tester), shots=8, samples=_RATE_SAMPLES, pulse_s=0.0)
    harmed = tester.tally.damaged
    start = time.perf_counter()
    tester.capture(settings)
    took = time.perf_counter() - start
    rate = settings.shots / took
    outcome.rows += [
        Row("captures of 4096", rate, "per s", 5),
        Row("over the wire", rate * 2 * _RATE_SAMPLES / 1000, "kB/s", 40),
        Row("damaged frames", float(tester.tally.damaged - harmed), "", 0, 0),
        Row("checking frames", decode_rate() / _USB_BYTES_PER_S, "x USB rate", 100),
    ]


def decode_rate(samples: int = _RATE_SAMPLES, frames: int = 400) -> float:
    """How fast this computer finds and checks frames [bytes/s]."""
    payload = frame.encode_shot(0, 0, 0, 0, 0, 0) + bytes(range(256)) * (samples // 128)
    wire = frame.encode(frame.DATA, 1, payload) * 8
    reader, found = frame.Reader(), 0
    start = time.perf_counter()
    for _ in range(frames // 8):
        found += len(reader.feed(wire))
    took = time.perf_counter() - start
    return found * len(wire) / 8 / took


def _leads(tester: Tester, outcome: Outcome) -> None:
    letter = _letter(tester)
    aim = tester.aim(letter)
    settings = Settings(capacitor=letter, shots=4, samples=_LONG, pulse_s=aim.pulse_s)
    records = tester.capture(settings)
    if ramp.crossings(records[0], outcome.rest) >= 3:
        outcome.ring = records
        note = "a coil is on the leads; open them and check again"
        outcome.rows += [Row(name, None, note=note) for name in _OPEN_ROWS]
        return
    _converter_steps(tester, outcome, letter, aim.pulse_s / aim.peak_v if aim.peak_v > 0 else 0.0)
    _input(tester, outcome, letter, records)


def _converter_steps(tester: Tester, outcome: Outcome, letter: str, seconds_per_volt: float) -> None:
    """Pulses that reach up to the top of the range and to a third of it; the ramps overlap."""
    identity = tester.identity
    top = (4095 - outcome.rest) * identity.volts_per_count / identity.gain
    longest = identity.max_width_ticks / identity.tick_hz
    widths = [min(longest, seconds_per_volt * top * part) for part in (0.98, 0.4)]
    records: list[Record] = []
    for width in filter(None, widths):
        records += tester.capture(Settings(capacitor=letter, shots=4, samples=_LONG, pulse_s=width))
    found = ramp.steps(records) if records else None
    if found is None:
        outcome.rows.append(Row("converter steps", None, note="the pulse does not reach far enough"))
        return
    where = ", ".join(f"{step.code} ({step.excess_lsb:.1f})" for step in found[:4]) or "none"
    outcome.rows.append(
        Row("converter steps", found[0].excess_lsb if found else 0.0, "LSB", 0, 14, f"codes {where}")
    )


def _input(tester: Tester, outcome: Outcome, letter: str, records: tuple[Record, ...]) -> None:
    """Conductance from the test capacitor's discharge, stray capacitance from that without one."""
    capacitor = tester.identity.capacitor(letter)
    assert capacitor is not None
    seen = [d for d in (ramp.discharge(record, outcome.rest) for record in records) if d is not None]
    if not seen:
        note = "no discharge to be seen; is something across the leads?"
        outcome.rows += [Row(name, None, note=note) for name in _OPEN_ROWS[1:]]
        return
    siemens = capacitor.farads / float(np.mean([d.tau_s for d in seen]))
    outcome.constants["input_psi"] = round(siemens * 1e12)
    outcome.rows.append(Row("input resistance", 1 / siemens, "ohm", 5e5, 1e8))
    farads = _stray(tester, outcome.rest, siemens)
    if farads is not None:
        outcome.constants["stray_ff"] = round(farads * 1e15)
    note = "leads as they are" if farads else "no discharge to be seen"
    outcome.rows.append(Row("stray capacitance", farads, "F", 1e-12, 3e-9, note))


def _stray(tester: Tester, rest: float, siemens: float) -> float | None:
    shortest = tester.identity.min_width_ticks / tester.identity.tick_hz
    try:
        records = tester.capture(Settings(capacitor=frame.NO_CAPACITOR, shots=4, pulse_s=shortest))
    except MeasurementError:
        return None
    seen = [d for d in (ramp.discharge(record, rest) for record in records) if d is not None]
    return float(np.mean([d.tau_s for d in seen])) * siemens if seen else None


def _letter(tester: Tester) -> str:
    return tester.identity.capacitors[0]
