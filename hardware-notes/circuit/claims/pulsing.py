"""The pulse: what it gives to windings of every size, and what it gives at the very most."""

from __future__ import annotations

import math

import numpy as np

from circuit.claims.ringing import LEAD_HENRIES, LEAD_OHMS, NOMINAL, coil_hz, known
from circuit.deck import Deck

__all__ = ["energies", "kick", "stuck"]

AIM_VOLTS = 0.33
"""Middle of the band that the board aims the first peak into."""

CASES = (
    (30e-6, "A", 60.0),
    (100e-6, "A", 80.0),
    (300e-6, "A", 80.0),
    (1e-3, "A", 100.0),
    (2.2e-3, "A", 130.0),
    (2.2e-3, "B", 100.0),
    (10e-3, "A", 25.0),
    (30e-3, "A", 15.0),
    (100e-3, "A", 10.0),
    (100e-3, "C", 3.0),
)
"""Inductance [H], test capacitor and a usual Q."""


def energies() -> list[dict[str, float | str]]:
    """Pulse width that aims the first peak, and what it puts into the winding."""
    return [_aimed(*case) for case in CASES]


def _aimed(henries: float, letter: str, q: float) -> dict[str, float | str]:
    hz = coil_hz(henries, NOMINAL[letter] + known()[letter].stray_farads)
    width = min(AIM_VOLTS * NOMINAL[letter] / 5e-3, 0.45 / hz)
    found = _shot(henries, letter, q, hz, width)
    for _ in range(3):
        if abs(found["first_peak_volts"] - AIM_VOLTS) < 0.02:
            break
        width = min(width * AIM_VOLTS / found["first_peak_volts"], 0.5 / hz)
        found = _shot(henries, letter, q, hz, width)
    return {"henries": henries, "capacitor": letter, "hz": hz, "q": q, "width_s": width, **found}


def _shot(henries: float, letter: str, q: float, hz: float, width: float) -> dict[str, float]:
    deck = Deck(letter, width).winding(henries, q, hz, LEAD_HENRIES, LEAD_OHMS)
    step, stop = min(1 / hz / 100, width / 6), 10e-6 + width + 1.3 / hz
    seen = deck.run(
        f"tran {step:.4g} {stop:.6g} 0 {step:.4g}",
        ["v(lead)", "v(ring)", "v(pseries)", "@lcoil[i]", "v(plimit)", "v(pdrain)"],
    )
    t, amps = seen["time"], (seen["v(plimit)"] - seen["v(pseries)"]) / 560.0
    after = t > 10e-6 + width + 0.1e-6
    coil = np.abs(seen["@lcoil[i]"])
    return {
        "first_peak_volts": float(np.max(np.abs(seen["v(lead)"][after]))),
        "pulse_amps": float(amps.max()),
        "charge_coulombs": float(np.trapezoid(amps, t)),
        "coil_amps": float(coil.max()),
        "coil_joules": float(0.5 * henries * coil.max() ** 2),
        "drawn_joules": float(np.trapezoid(amps * seen["v(pdrain)"], t)),
    }


STUCK = (
    ("pin stuck high", ()),
    ("pin stuck high, C4 shorted", ("Rfault NPULSE PGATE 1",)),
    ("Q4 shorted", ("Rfault VRES PDRAIN 0.1",)),
)
WINDINGS = ((30e-6, 60.0), (2.2e-3, 130.0), (100e-3, 10.0))


def stuck() -> list[dict[str, float | str]]:
    """Pulse pin high for ever, and with one part failed besides: what reaches the winding."""
    return [_stuck(name, extra, *winding) for name, extra in STUCK for winding in WINDINGS]


def _stuck(name: str, extra: tuple[str, ...], henries: float, q: float) -> dict[str, float | str]:
    hz = coil_hz(henries, 23e-9)
    deck = Deck("A", math.inf).winding(henries, q, hz, LEAD_HENRIES, LEAD_OHMS).add(*extra)
    seen = deck.run(
        "tran 1u 1.5m 0 1u", ["v(lead)", "v(plimit)", "v(pseries)", "v(pdrain)", "v(vres)", "@lcoil[i]"]
    )
    t, amps = seen["time"], (seen["v(plimit)"] - seen["v(pseries)"]) / 560.0
    coil = np.abs(seen["@lcoil[i]"])
    on = t[(amps > 0.1 * amps.max()) & (t > 10e-6)]
    drawn = np.concatenate([[0], np.cumsum(np.diff(t) * (amps * seen["v(pdrain)"])[1:])])
    return {
        "fault": name,
        "henries": henries,
        "on_s": float(on[-1] - on[0]),
        "coil_amps": float(coil.max()),
        "steady_amps": float(amps[-1]),
        "coil_joules": float(0.5 * henries * coil.max() ** 2),
        "reservoir_joules": float(0.5 * 1e-6 * (seen["v(vres)"].max() ** 2)),
        "drawn_joules": float(drawn[-1]),
        "lead_volts": float(np.abs(seen["v(lead)"]).max()),
    }


def kick() -> dict[str, float]:
    """A test capacitor switched in on a coil of 2.2 mH, Q 130: ring it leaves, and after 10 ms [V]."""
    deck = Deck("").winding(2.2e-3, 130.0, 22e3, LEAD_HENRIES, LEAD_OHMS)
    deck.lines = [line for line in deck.lines if not line.startswith("VSELA_pin")]
    deck.add("VSELA_pin SELA_pin 0 PULSE(0 3.3 0.1m 10n 10n 1 2)")
    seen = deck.run("tran 0.5u 11m 0 0.5u", ["v(lead)", "v(gatea)"])
    t, volts = seen["time"], np.abs(seen["v(lead)"])
    return {"peak_volts": float(volts.max()), "after_10_ms_volts": float(volts[t > 10.1e-3].max())}
