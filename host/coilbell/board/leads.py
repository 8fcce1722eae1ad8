"""What is on the leads, and what it tells of the tester: nothing but its own capacitor, or a coil that rings.

Open leads discharge slowly: that shows the input's conductance, and in passing the upper codes of the
converter. A coil rings: that shows the tester's capacitance, and in passing the codes on both sides of the
middle. Neither can show what the other does.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from coilbell.board import frame, ramp, stray
from coilbell.board.aiming import Aim
from coilbell.board.identity import STEPS, Identity
from coilbell.board.limits import LIMITS, limit_of, limited
from coilbell.board.outcome import Outcome, Row
from coilbell.board.settings import Settings
from coilbell.board.tester import Tester
from coilbell.record import Record, WideCode

__all__ = ["leads"]

_LONG = 16384
_SHORT = 2048
_QUICK = 12
"""Most interleaved shots for the rings without, and with the smallest, test capacitor: up to 3 MHz."""
_QUICK_SAMPLES = 1024
_RINGS = 64
"""Rings of as many widths, so that no code is favoured by where their peaks lie."""
_LINGERS_V = 0.06
"""First voltage of the discharge: above it the clamp's junctions conduct as well."""
_COUPLING_PART = 0.01
"""Standard uncertainty of the rate at which bleeder and coupling let go: parts of 1 %."""
_LEAK_TIMES = 5
"""So many times the conductance that the board keeps, or its uncertainty, is a leak (own choice)."""
_LEAST_SIEMENS = 10e-9
_DISCHARGES, _FEWEST_DISCHARGES = 8, 3
"""Shots of the discharge, and how many of them must show it: mains near by may hide some."""
_AGREES = 2.5
"""Standard uncertainties within which what is measured and what is kept agree: common practice."""
_NO_RING = (
    "only a ring shows it, and open leads have no coil to ring with (their own 0.5 uH would ring near 6 MHz, "
    "beyond the converter): put a coil of 1 to 10 mH on and check again, if its inductance is known with "
    "--coil 1m"
)
_UPPER = "seen as the leads discharge, above the middle; a coil on them shows both sides"
_BOTH = "seen in rings of many heights, on both sides of the middle"
_COIL_THERE = "a coil is on the leads; open them and check again"


def leads(tester: Tester, outcome: Outcome) -> None:
    """Examine what is on the leads."""
    letter = tester.identity.capacitors[0]
    aim = tester.aim(letter)
    records = _captured(tester, letter, aim.pulse_s, shots=4, samples=_LONG)
    if ramp.crossings(records[0], outcome.rest) >= 3:
        outcome.rings[letter] = records
        _quick_rings(tester, outcome, letter)
        _steps(outcome, tester.identity, _swings(tester, letter, aim), _BOTH)
        outcome.rows.append(Row("input resistance", None, note=_COIL_THERE))
        return
    _steps(
        outcome,
        tester.identity,
        _ramps(tester, outcome, letter, aim),
        _UPPER,
    )
    _pulse(tester, outcome, letter, aim)
    _input(tester, outcome, letter, aim)
    outcome.rows.append(Row("stray capacitance", None, note=_NO_RING))


def _captured(
    tester: Tester, letter: str, pulse_s: float, *, shots: int, samples: int, interleave: int = 1
) -> tuple[Record, ...]:
    settings = Settings(
        capacitor=letter, shots=shots, samples=samples, pulse_s=pulse_s, interleave=interleave
    )
    return tester.capture(settings)


# --- a coil ---


def _quick_rings(tester: Tester, outcome: Outcome, letter: str) -> None:
    """The same coil with the smallest test capacitor and with none: it rings several times as fast."""
    ticks = tester.identity.ticks_per_sample
    many = max(m for m in range(1, _QUICK + 1) if ticks % m == 0)
    _slow_rings(tester, outcome, letter)
    for other in (stray.smallest(tester.identity), frame.NO_CAPACITOR):
        # The first board has its only test capacitor on the leads for good.
        if other == letter or (other == frame.NO_CAPACITOR and tester.identity.unprotected):
            continue
        aim = tester.aim(other)
        if aim.outcome == "steep" and not aim.width_ticks:
            if other == frame.NO_CAPACITOR:
                note = f"even the shortest pulse strikes a coil alone to {aim.largest_v:.2g} V"
                outcome.rows.append(Row("stray, all open", None, note=note))
            continue
        records = _captured(tester, other, aim.pulse_s, shots=2, samples=_QUICK_SAMPLES, interleave=many)
        outcome.rings[other] = records


def _slow_rings(tester: Tester, outcome: Outcome, letter: str) -> None:
    """The coil with the test capacitors that are neither the first nor the smallest."""
    for other in tester.identity.capacitors:
        if other in (letter, stray.smallest(tester.identity)):
            continue
        aim = tester.aim(other)
        if aim.width_ticks:
            outcome.rings[other] = _captured(tester, other, aim.pulse_s, shots=2, samples=_LONG)


def _swings(tester: Tester, letter: str, aim: Aim) -> list[Record]:
    """Rings of many heights up to the one aimed at."""
    ticks = np.unique(np.linspace(0.6, 1.0, _RINGS) * aim.width_ticks // 1).astype(int)
    low = tester.identity.min_width_ticks
    found: list[Record] = []
    for width in ticks[ticks >= low]:
        found += _captured(tester, letter, width / tester.identity.tick_hz, shots=1, samples=_SHORT)
    return found


# --- open leads ---


def _ramps(tester: Tester, outcome: Outcome, letter: str, aim: Aim) -> list[Record]:
    """Pulses that reach up to the top of the range and to a third of it; the ramps overlap."""
    identity = tester.identity
    per_volt = aim.pulse_s / aim.peak_v if aim.peak_v > 0 else 0.0
    top = (4095 - outcome.rest) * identity.volts_per_count / identity.gain
    longest = identity.max_width_ticks / identity.tick_hz
    records: list[Record] = []
    for part in (0.98, 0.4):
        width = min(longest, per_volt * top * part)
        if width:
            records += _captured(tester, letter, width, shots=4, samples=_LONG)
    return records


def _pulse(tester: Tester, outcome: Outcome, letter: str, aim: Aim) -> None:
    """Current of the pulse, from the charge it leaves: C V over its width."""
    identity = tester.identity
    capacitor = identity.capacitor(letter)
    if capacitor is None or not aim.width_ticks:
        note = f"no pulse was found; even the shortest gives {aim.largest_v:.2g} V"
        outcome.rows.append(Row("pulse current", None, note=note))
        return
    amps = (capacitor.farads + identity.stray_farads) * aim.peak_v / aim.pulse_s
    limit = limit_of("pulse current", identity)
    outcome.rows.append(limited("pulse current", amps, f"by the charge of {letter}", limit=limit))


def _input(tester: Tester, outcome: Outcome, letter: str, aim: Aim) -> None:
    """Conductance from the discharge of the test capacitor."""
    identity = tester.identity
    capacitor = identity.capacitor(letter)
    assert capacitor is not None
    name = "input resistance"
    shortest = identity.min_width_ticks / identity.tick_hz
    width = max(shortest, aim.pulse_s * min(1.0, _LINGERS_V / aim.peak_v)) if aim.peak_v > 0 else 0.0
    records = _captured(tester, letter, width, shots=_DISCHARGES, samples=_LONG) if width else ()
    seen = [d for d in (ramp.discharge(record, outcome.rest) for record in records) if d is not None]
    if len(seen) < _FEWEST_DISCHARGES:
        words = "is something across the leads, or mains near them?"
        outcome.rows.append(Row(name, None, note=f"no discharge to be seen; {words}"))
        return
    farads = capacitor.farads + identity.stray_farads
    spread = math.hypot(capacitor.farads * capacitor.tolerance, identity.stray_uncertainty_farads) / farads
    rate = float(np.mean([d.rate_per_s for d in seen])) - identity.coupling_per_s
    if rate <= 0:
        note = "the leads keep their charge longer than the amplifier's coupling does: no leak to be seen"
        outcome.rows.append(Row(name, None, note=note))
        return
    # Noise averages over the shots; the converter's straightness and the coupling's parts do not.
    # What hum does to one shot differs from the next, so that it shows in their scatter.
    scatter = float(np.std([d.rate_per_s for d in seen], ddof=1))
    own = math.hypot(max(d.uncertainty_per_s for d in seen), scatter / math.sqrt(len(seen)))
    part = math.hypot(spread, math.hypot(own, _COUPLING_PART * identity.coupling_per_s) / rate)
    siemens = farads * rate
    leaks = _LEAK_TIMES * max(identity.input_siemens, identity.input_uncertainty_siemens, _LEAST_SIEMENS)
    note = f"by the discharge of {letter}; a leak across the input shows here"
    limit = replace(limit_of(name, identity), low=1 / leaks)
    row = limited(name, 1 / siemens, note, part / siemens, limit)
    kept, spread = identity.input_siemens, identity.input_uncertainty_siemens
    better = siemens * part < spread or abs(siemens - kept) > _AGREES * math.hypot(siemens * part, spread)
    found = {
        "input_psi": round(siemens * 1e12),
        "input_uncertainty_psi": round(siemens * part * 1e12),
    }
    # The parts say better than most discharges what the conductance is; a leak is another matter.
    outcome.measured(row, **(found if better else {}))


# --- the converter's codes ---


def _steps(outcome: Outcome, identity: Identity, records: list[Record], where: str) -> None:
    if where is _UPPER and outcome.hum > LIMITS["hum"].high:
        # Where the hum turns, voltages linger as on a wide code.
        outcome.rows.append(Row("converter steps", None, note="mains near the leads hides them"))
        return
    found = ramp.widths(records, outcome.rest) if records else None
    if found is None:
        outcome.rows.append(Row("converter steps", None, note="the pulse does not reach far enough"))
        return
    kept = _merged(identity.wide_codes, found)
    widest = found.wide[0] if found.wide else None
    shown = ", ".join(f"{wide.code:.0f} ({wide.excess:.1f})" for wide in found.wide[:STEPS]) or "none"
    note = f"codes {shown}; {where}, {found.low} to {found.high}"
    value, spread = (widest.excess, widest.uncertainty) if widest else (0.0, None)
    outcome.measured(Row("converter steps", value, "LSB", 0, 14, note, spread), **_table(kept))


def _merged(known: tuple[WideCode, ...], found: ramp.Widths) -> list[WideCode]:
    """What was found, and what is known of codes that were not examined; the widest, by code."""
    elsewhere = [wide for wide in known if not found.low <= wide.code <= found.high]
    widest = sorted([*elsewhere, *found.wide], key=lambda wide: -wide.excess)[:STEPS]
    return sorted(widest, key=lambda wide: wide.code)


def _table(codes: list[WideCode]) -> dict[str, int]:
    """The constants that hold these codes; lines that are not needed are emptied."""
    table: dict[str, int] = {}
    for number in range(1, STEPS + 1):
        wide = codes[number - 1] if number <= len(codes) else WideCode(0, 0.0, 0.0)
        table[f"step{number}_code"] = round(wide.code)
        table[f"step{number}_mcode"] = round(wide.excess * 1000)
        table[f"step{number}_uncertainty_mcode"] = round(wide.uncertainty * 1000)
    return table
