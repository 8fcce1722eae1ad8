"""What changes: the clamp with the ring's height, all leakage with warmth, an open switch with time."""

from __future__ import annotations

import math

import numpy as np

from circuit.claims.ringing import LEAD_HENRIES, LEAD_OHMS, NOMINAL, Q, coil_hz, known, pole
from circuit.deck import Deck
from circuit.netlist import HERE

__all__ = ["clamp", "settled", "warm"]


DIODE = "BAS45A D(IS=5p N=1.35"
HOT = "BAS45A D(IS=50p N=1.35"
"""25 degrees more: ten times the leakage, by the data sheet's 1 nA at 25 degC and 300 nA at 125 degC."""
LIMIT = "BAS45A D(IS=1n N=1.75"
"""1 nA of leakage, the most that the data sheet allows, in forward direction as well."""
CASES = {
    "0.40 V": (1.62e-6, DIODE),
    "0.25 V": (0.97e-6, DIODE),
    "0.40 V, 50 degC": (1.6e-6, HOT),
    "0.40 V, leakiest allowed": (1.62e-6, LIMIT),
    "0.50 V": (2.05e-6, DIODE),
    "0.50 V, 50 degC": (2.05e-6, HOT),
    "0.50 V, leakiest allowed": (2.1e-6, LIMIT),
}
"""Pulse width [s] and model of the clamp's diodes."""


def clamp() -> dict[str, dict[str, float]]:
    """Q over the first five cycles and over the whole ring against the same board without its clamp.

    2.2 mH with 22 nF, Q 150. Without the clamp its capacitance stays, so that the two rings differ by the
    clamp's current alone.
    """
    return {name: _clamp_errors(*case) for name, case in CASES.items()}


def _clamp_errors(width: float, diode: str) -> dict[str, float]:
    models = (HERE / "models.cir").read_text(encoding="utf-8")
    if DIODE not in models:
        raise ValueError(f"{DIODE} is not in models.cir")
    models = models.replace(DIODE, diode)
    hz = coil_hz(2.2e-3, 23.9e-9)
    figures = {}
    for name, missing in (("with", ()), ("without", ("D1", "D2", "D3", "D4"))):
        deck = Deck("A", width, leave_out=missing, models=models).winding(2.2e-3, Q, hz)
        if missing:
            deck.add("Cclamp RING 0 3.5p", "Rca CLAMPA 0 1", "Rcb CLAMPB 0 1")
        seen = deck.run("tran 0.25u 1.3m 0 0.25u", ["v(lead)"])
        figures[name] = _peaks(seen["time"], seen["v(lead)"])
    first = {name: _q(*peaks, 0, 5) for name, peaks in figures.items()}
    whole = {name: _q(*peaks, 0, 50) for name, peaks in figures.items()}
    return {
        "first_peak_volts": float(figures["with"][1][0]),
        "first_cycles_error": first["with"] / first["without"] - 1,
        "whole_error": whole["with"] / whole["without"] - 1,
    }


def _peaks(t: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Times and heights of the positive peaks after the pulse, one a period."""
    from scipy.interpolate import CubicSpline
    from scipy.signal import find_peaks

    t, once = np.unique(t, return_index=True)
    grid = np.arange(13e-6, t[-1], 50e-9)
    heights = CubicSpline(t, v[once])(grid)
    at = find_peaks(heights, height=0.01, distance=200)[0]
    at = at[(at > 0) & (at < len(grid) - 1)]
    # The parabola through three points of the grid.
    left, middle, right = heights[at - 1], heights[at], heights[at + 1]
    shift = (left - right) / (2 * (left - 2 * middle + right))
    return grid[at] + shift * 50e-9, middle - (left - right) * shift / 4


def _q(t: np.ndarray, heights: np.ndarray, first: int, last: int) -> float:
    """pi f tau by a straight line through the logarithms of the peaks."""
    last = min(last, len(t) - 1)
    rate = -np.polyfit(t[first : last + 1], np.log(heights[first : last + 1]), 1)[0]
    return math.pi * (last - first) / (t[last] - t[first]) / float(rate)


WARM = (
    ("BAS45A D(IS=5p", "BAS45A D(IS=50p"),
    ("UF4007 D(IS=5n", "UF4007 D(IS=50n"),
    ("IS=10p N=1.1", "IS=100p N=1.1"),
)
WARM_CASES = ((2.2e-3, "A"), (30e-3, "A"), (10e-3, "B"))


SETTLE_S = 0.31
"""What the firmware waits after switching, and its readings of the leads."""


def warm() -> dict[str, list[float]]:
    """Change of Q 150, as read, for each of WARM_CASES [1]: ten times the leakage in every junction of the
    ring's surroundings; and Q4 leaking 0.5 uA, the most that its data sheet allows (from memory)."""
    models = (HERE / "models.cir").read_text(encoding="utf-8")
    for old, new in WARM:
        if old not in models:
            raise ValueError(f"{old} is not in models.cir")
        models = models.replace(old, new)
    changed = {"50 degC": {"models": models}, "Q4 leaks": {"extra": "Ileak VRES PDRAIN 0.5u"}}
    cold = [_read(*case) for case in WARM_CASES]
    return {
        name: [_read(*case, **change) / q - 1 for case, q in zip(WARM_CASES, cold, strict=True)]
        for name, change in changed.items()
    }


def _read(henries: float, letter: str, models: str | None = None, extra: str = "") -> float:
    hz = coil_hz(henries, NOMINAL[letter] + known()[letter].stray_farads)
    deck = Deck(letter, models=models).winding(henries, Q, hz, LEAD_HENRIES, LEAD_OHMS)
    return pole(deck.add(*filter(None, [extra])), hz)[1]


def settled(after_s: float = SETTLE_S) -> dict[str, float]:
    """C was on for long, then A is: drain of C's switch `after_s` later [V], at rest [V], and what that makes
    of a ring of 2.2 mH and Q 150: changes of frequency and of Q against the board at rest [1].

    A resistor stands for the winding while the drain rises; the ring is then taken with the drain held where
    it was found, by a current that its 1 Mohm resistor carries.
    """
    nodes = ("drivec", "gatec", "drainc", "catchc")
    of_c = ("VSELC_pin", *(f".nodeset v({node})" for node in nodes))
    deck = Deck("A").add("Rwinding LEAD BLACK 1")
    deck.lines = [line for line in deck.lines if not line.startswith(of_c)]
    deck.add("VSELC_pin SELC_pin 0 PWL(0 3.3 1m 3.3 1.001m 0)")
    deck.add(*(f".nodeset v({node})={volts}" for node, volts in zip(nodes, (5, 5, 0, 5), strict=True)))
    seen = deck.run(f"tran 0.2m {after_s + 1e-3:.6g} 0 0.2m", ["v(drainc)"])
    volts = float(seen["v(drainc)"][-1])
    rest = float(Deck("A").add("Rwinding LEAD BLACK 1").run("op", ["v(drainc)"])["v(drainc)"][0])
    hz = coil_hz(2.2e-3, NOMINAL["A"] + known()["A"].stray_farads)
    (hz_then, q_then), (hz_rest, q_rest) = (
        pole(Deck("A").winding(2.2e-3, Q, hz).add(f"Idrain DRAINC 0 {(rest - v) / 1e6:.6g}"), hz)
        for v in (volts, rest)
    )
    return {
        "drain_volts": volts,
        "rest_volts": rest,
        "hz_change": hz_then / hz_rest - 1,
        "q_change": q_then / q_rest - 1,
    }
