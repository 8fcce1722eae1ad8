"""What the tester does to a ring: loading before and after correction, and the clamp.

The correction uses only what a builder can measure: the decay of open leads and one known coil.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from functools import cache

import numpy as np

from circuit.deck import Deck

__all__ = ["Calibration", "Q", "calibrate", "clamp", "coil_hz", "loading", "pole"]

Q = 150.0
NOMINAL = {"A": 22e-9, "B": 2.2e-9, "C": 100e-9}
LOSS_TANGENT = {"A": 2e-4, "B": 2e-4, "C": 4e-4}
CASES = (
    (30e-6, "A"),
    (100e-6, "A"),
    (300e-6, "A"),
    (1e-3, "A"),
    (2.2e-3, "A"),
    (10e-3, "A"),
    (30e-3, "A"),
    (100e-3, "C"),
    (2.2e-3, "B"),
    (10e-3, "B"),
)
"""Inductance [H] and the test capacitor one would choose."""
COUPLING_PER_S = 1 / (22e6 * 10e-9)
"""R19 and C6 let the middle of the scale drift back at this rate; it comes off the open-lead decay."""
KNOWN_FARADS = 10e-9
KNOWN_HENRIES = {"A": 220e-6, "B": 2.2e-3, "C": 220e-6}
LEAD_OHMS = 7e-3
LEAD_HENRIES = 0.5e-6
"""Test leads as the notes ask for: 0.3 m of 1.5 mm2 each way."""


def coil_hz(henries: float, farads: float) -> float:
    """Ring frequency without loss [Hz]."""
    return 1 / (2 * math.pi * math.sqrt(henries * farads))


def pole(deck: Deck, hz: float) -> tuple[float, float]:
    """(natural frequency [Hz], Q) of the ring near `hz`, small signal.

    Near its pole the admittance at the leads is Y = G + j B; at B = 0, Q = w (dB/dw)/(2 G): the
    textbook relation of a parallel circuit, exact to 1/Q^2. Second-order fits over 0.4 % of frequency.
    """
    deck.add("Iprobe 0 LEAD AC 1")
    seen = deck.run(f"ac lin 401 {hz * 0.9:.9g} {hz * 1.04:.9g}", ["v(lead)"])
    hertz, y = seen["frequency"].real, 1 / seen["v(lead)"]
    at = int(np.argmin(np.abs(y.imag)))
    if not 5 < at < len(hertz) - 6:
        raise RuntimeError(f"no resonance near {hz:g} Hz")
    near = slice(at - 5, at + 6)
    offset = hertz[near] - hertz[at]
    slope = np.polyfit(offset, y.imag[near], 2)
    zero = float(min(np.roots(slope).real, key=abs))
    rise = 2 * slope[0] * zero + slope[1]
    loss = float(np.polyval(np.polyfit(offset, y.real[near], 2), zero))
    natural = float(hertz[at] + zero)
    return natural, natural * float(rise) / (2 * loss)


@dataclass(frozen=True, slots=True)
class Calibration:
    """What the bench gives for one test capacitor: conductance [S], stray [F], series resistance [ohm]."""

    siemens: float
    stray_farads: float
    series_ohms: float

    def corrected(self, letter: str, hz: float, q: float, own_farads: float = 0.0) -> float:
        """Q of the winding alone from the Q and frequency read, 1/Q = 1/Q_read - tester's share.

        own_farads: the winding's own capacitance, from two test capacitors [F].
        """
        farads = NOMINAL[letter]
        total = farads + self.stray_farads + own_farads
        w = 2 * math.pi * hz
        share = self.siemens / (w * total) + LOSS_TANGENT[letter] * farads / total
        share += self.series_ohms * w * farads**2 / total
        return 1 / (1 / q - share)


def calibrate(letter: str) -> Calibration:
    """The bench procedure, each step with what it gives.

    A coil, rung with and without a known 10 nF across the leads: all capacitance, by the ratio of the
    frequencies. Open leads, charged to a few hundredths of a volt: their decay times that capacitance
    is the conductance. A known coil of Q 80 from the middle of the capacitor's range: what loss is left
    is series resistance.
    """
    before, after = (_with_known(letter, extra) for extra in (0.0, KNOWN_FARADS))
    total = KNOWN_FARADS / ((before / after) ** 2 - 1)
    siemens, stray = _open_slope(letter) * total, total - NOMINAL[letter]
    henries, q = KNOWN_HENRIES[letter], 80.0
    hz = coil_hz(henries, total)
    natural, read = pole(Deck(letter).winding(henries, q, hz, LEAD_HENRIES, LEAD_OHMS), hz)
    true = q * natural / hz * (henries + LEAD_HENRIES) / henries
    bare = Calibration(siemens, stray, 0.0)
    rest = 1 / bare.corrected(letter, natural, read) - 1 / true
    w = 2 * math.pi * natural
    return Calibration(siemens, stray, rest * total / (w * NOMINAL[letter] ** 2))


def _with_known(letter: str, farads: float) -> float:
    hz = coil_hz(10e-3, NOMINAL[letter] + 1.3e-9 + farads)
    deck = Deck(letter).winding(10e-3, 80.0, hz, LEAD_HENRIES, LEAD_OHMS)
    return pole(deck.add(f"Cknown LEAD 0 {farads + 1e-15:.6g}"), hz)[0]


def _open_slope(letter: str) -> float:
    """Decay rate of the converter's voltage on open leads, from 4 to 16 ms after the pulse [1/s].

    Earlier the pulse switch still lets go of its own charge.
    """
    width = {"A": 0.15e-6, "B": 0.09e-6, "C": 0.5e-6}[letter]
    seen = Deck(letter, width).run("tran 20u 16.1m 0 20u", ["v(adc0)"])
    grid = np.linspace(4e-3, 16e-3, 400)
    ring = np.interp(grid, seen["time"], seen["v(adc0)"] - seen["v(adc0)"][0])
    return float(-np.polyfit(grid - grid[0], np.log(ring), 1)[0]) - COUPLING_PER_S


@cache
def known() -> dict[str, Calibration]:
    """What the bench procedure gives for each test capacitor."""
    return {letter: calibrate(letter) for letter in NOMINAL}


def loading() -> list[dict[str, float | str]]:
    """For each case: frequency and errors of Q [1]: as read, as read but for the test capacitor's
    own dielectric, after correction. The coil's Q is 150."""
    bench = known()
    rows: list[dict[str, float | str]] = []
    for henries, letter in CASES:
        hz = coil_hz(henries, NOMINAL[letter] + bench[letter].stray_farads)
        deck = Deck(letter).winding(henries, Q, hz, LEAD_HENRIES, LEAD_OHMS)
        natural, read = pole(deck, hz)
        true = Q * natural / hz * (henries + LEAD_HENRIES) / henries
        dielectric = LOSS_TANGENT[letter] * NOMINAL[letter] / (NOMINAL[letter] + bench[letter].stray_farads)
        better = bench[letter].corrected(letter, natural, read)
        rows.append(
            {
                "henries": henries,
                "capacitor": letter,
                "hz": natural,
                "read_error": read / true - 1,
                "electronics_error": 1 / (1 / read - dielectric) / true - 1,
                "corrected_error": better / true - 1,
            }
        )
    return rows


def calibration() -> dict[str, dict[str, float]]:
    """What the bench procedure gives for each test capacitor, as plain figures."""
    return {letter: asdict(found) for letter, found in known().items()}


def clamp() -> dict[str, dict[str, float]]:
    """Q over the first five cycles and over the whole ring against the same board without its clamp.

    2.2 mH with 22 nF, Q 150, first peak 0.40 V and 0.25 V; hot: diodes that leak ten times as much.
    """
    hot = (HOT_FROM, HOT_TO)
    return {
        "0.40 V": _clamp_errors(1.68e-6, None),
        "0.25 V": _clamp_errors(1.03e-6, None),
        "0.40 V, hot": _clamp_errors(1.68e-6, hot),
    }


HOT_FROM, HOT_TO = "D1N4007 D(IS=7n", "D1N4007 D(IS=70n"


def _clamp_errors(width: float, change: tuple[str, str] | None) -> dict[str, float]:
    from circuit.netlist import HERE

    models = (HERE / "models.cir").read_text(encoding="utf-8")
    if change:
        assert change[0] in models
        models = models.replace(*change)
    hz = coil_hz(2.2e-3, 23e-9)
    figures = {}
    for name, missing in (("with", ()), ("without", ("D1", "D2", "D3", "D4"))):
        deck = Deck("A", width, leave_out=missing, models=models).winding(2.2e-3, Q, hz)
        if missing:
            # The diodes' capacitance stays, so that the two rings differ by the clamp's current alone.
            deck.add("Cclamp RING 0 20p", "Rca CLAMPA 0 1", "Rcb CLAMPB 0 1")
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
