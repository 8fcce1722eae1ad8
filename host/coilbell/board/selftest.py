"""A board examined by itself: offset, noise, interlock, wire, what is on the leads, the loop-back.

Limits are common practice for this kind of converter and of our own circuit, no published source.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from coilbell.board import frame, reader
from coilbell.board.exchange import Refusal
from coilbell.board.hum import at_rest
from coilbell.board.latency import loop_back
from coilbell.board.leads import leads
from coilbell.board.limits import limit_of, limited
from coilbell.board.outcome import Outcome, Row
from coilbell.board.settings import Settings
from coilbell.board.tester import Tester

__all__ = ["decode_rate", "selftest"]

_RATE_SAMPLES = 4096
_REST_SAMPLES = 16384
"""32.8 ms: a period of the mains and more."""
_USB_BYTES_PER_S = 0.5e6
_ZEROS = ("offset_code_16", "lead_offset_code_16")
_BARE = "nothing but a coil may be on the leads"
_BEYOND = "or more: beyond the tester's scale. Touch nothing, switch off, pull the plug"
_TWO_CLOCKS = "uncertain by so much: the clock common to pulse and converter did not count right"


def selftest(tester: Tester, told: Callable[[str], None] | None = None, looped: bool = False) -> Outcome:
    """Examine the board.

    told: called with what is being done; looped: measure the latency through the loop-back as well, which
    takes some 10 s. Raises MeasurementError, and MissingError when the firmware has no loop-back.
    """
    outcome = Outcome()
    tell = told or (lambda words: None)
    parts = [
        ("converter at rest", _at_rest),
        ("clocks", _clocks),
        ("interlock", _interlock),
        ("wire", _wire),
        ("leads", leads),
    ]
    for words, part in parts + [("loop-back", loop_back)] * looped:
        tell(words)
        part(tester, outcome)
    if tester.identity.unprotected and not outcome.rings:
        # Its open leads rest at some 0.3 V: what they show is no zero. A coil takes them to 0 V.
        for name in _ZEROS:
            outcome.constants.pop(name, None)
    return outcome


def _at_rest(tester: Tester, outcome: Outcome) -> None:
    samples = min(_REST_SAMPLES, tester.identity.max_samples)
    quiet = tester.capture(Settings(capacitor=_letter(tester), shots=4, samples=samples, pulse_s=0.0))
    shortest = min(map(len, quiet))  # a failed conversion is left out
    codes = [np.asarray(record.samples, dtype=np.float64)[:shortest] for record in quiet]
    found = at_rest(codes, float(tester.identity.rate_hz))
    outcome.rest, outcome.hum = found.level, found.hum
    lost = 1 - sum(map(len, quiet)) / (len(quiet) * samples)
    limit = limit_of("offset", tester.identity)
    outcome.measured(limited("offset", outcome.rest, limit=limit), offset_code_16=round(outcome.rest * 16))
    line = f"mains of {found.line_hz:g} Hz on the leads, no fault of the board" if found.line_hz else ""
    outcome.rows += [
        limited("noise", found.noise, "without the hum" if line else ""),
        limited("hum", found.hum, line),
        Row("failed conversions", lost * 1e6, "ppm", 0, 1000),
    ]


def _clocks(tester: Tester, outcome: Outcome) -> None:
    told, identity = tester.measure(), tester.identity
    outcome.rows += [
        Row("pulse clock", told.number("tick_hz") / identity.tick_hz, "of nominal", 0.97, 1.03),
        Row("sampling clock", told.number("rate_hz") / float(identity.rate_hz), "of nominal", 0.97, 1.03),
        Row("temperature", told.number("temperature_mc") / 1000, "degC", 0, 60),
    ]
    shift = round(told.number("lead_mv") * 1000 * 16 / identity.constants["lead_uv"])
    # Firmware before 1.3 does not say it.
    note = _BARE if str(told.values.get("lead_beyond", 0)) == "0" else _BEYOND
    outcome.measured(
        limited(
            "lead voltage", told.number("lead_mv") / 1000, note, limit=limit_of("lead voltage", identity)
        ),
        lead_offset_code_16=identity.constants["lead_offset_code_16"] + shift,
    )
    if identity.start_uncertainty_s:
        outcome.rows.append(Row("start of a shot", identity.start_uncertainty_s, "s", note=_TWO_CLOCKS))


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
    # A board in software is as slow as the computer is busy.
    least = [0.0, 0.0] if tester.identity.virtual else [5, 40]
    outcome.rows += [
        Row("captures of 4096", rate, "per s", least[0]),
        Row("over the wire", rate * 2 * _RATE_SAMPLES / 1000, "kB/s", least[1]),
        Row("damaged frames", float(tester.tally.damaged - harmed), "", 0, 0),
        Row("checking frames", decode_rate() / _USB_BYTES_PER_S, "x USB rate", 100),
    ]


def decode_rate(samples: int = _RATE_SAMPLES, frames: int = 400) -> float:
    """How fast this computer finds and checks frames, in its own time [bytes/s]: others may keep it busy."""
    payload = frame.encode_shot(0, 0, 0, 0, 0, 0) + bytes(range(256)) * (samples // 128)
    wire = frame.encode(frame.DATA, 1, payload) * 8
    finder, found = reader.Reader(), 0
    start = time.process_time()
    for _ in range(frames // 8):
        found += len(finder.feed(wire))
    took = max(time.process_time() - start, 1e-6)
    return found * len(wire) / 8 / took


def _letter(tester: Tester) -> str:
    return tester.identity.capacitors[0]
