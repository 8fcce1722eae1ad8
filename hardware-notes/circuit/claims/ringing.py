"""What the tester does to a ring: loading before and after correction, and where it comes from.

The correction uses only what a builder can measure: the discharge of open leads and one known coil.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import cache

import numpy as np

from circuit.deck import Deck
from circuit.netlist import HERE, number, parts, table

__all__ = [
    "Calibration",
    "Leads",
    "Q",
    "budget",
    "calibrate",
    "coil_hz",
    "loading",
    "pole",
    "slow_rate",
    "two_coils",
]

Q = 150.0
NOMINAL = {"A": 22e-9, "B": 2.2e-9, "C": 100e-9}
LOSS_TANGENT = {letter: float(str(table()[f"C{k}"]["loss_tangent"])) for k, letter in enumerate("ABC", 1)}
KNOWN_FARADS = 10e-9
KNOWN_HENRIES = {"A": 220e-6, "B": 2.2e-3, "C": 220e-6}
"""Coil that tells the series resistance."""
LARGE_HENRIES = 10e-3
"""Coil that, with the one above, tells the loss tangent of A apart from it."""
KNOWN_Q = 80.0
WINDOW_S = (4e-3, 16e-3)
"""Part of the discharge that is looked at, after the pulse: the firmware's host looks at the same."""


@dataclass(frozen=True, slots=True)
class Leads:
    """What is between posts and winding: inductance [H], resistance [ohm]."""

    henries: float = 0.5e-6
    ohms: float = 7e-3


LEADS = Leads()
"""Test leads as the notes ask for: 0.3 m of 1.5 mm2 each way, 11.7 mohm a metre."""
POSTS = Leads(0.06e-6, 1.2e-3)
"""A winding soldered to 50 mm of that wire each way, screwed to the posts."""
LEAD_HENRIES, LEAD_OHMS = LEADS.henries, LEADS.ohms

CASES = (
    (30e-6, "A", LEADS),
    (30e-6, "A", POSTS),
    (100e-6, "A", LEADS),
    (300e-6, "A", LEADS),
    (1e-3, "A", LEADS),
    (2.2e-3, "A", LEADS),
    (10e-3, "A", LEADS),
    (30e-3, "A", LEADS),
    (100e-3, "A", LEADS),
    (100e-3, "C", LEADS),
    (2.2e-3, "B", LEADS),
    (10e-3, "B", LEADS),
)
"""Inductance [H] and the test capacitor one would choose."""


def coil_hz(henries: float, farads: float) -> float:
    """Ring frequency without loss [Hz]."""
    return 1 / (2 * math.pi * math.sqrt(henries * farads))


def pole(deck: Deck, hz: float) -> tuple[float, float]:
    """(natural frequency [Hz], Q) of the ring near `hz`, small signal.

    Near its pole the admittance at the leads is Y = G + j B; at B = 0, Q = w (dB/dw)/(2 G): the
    textbook relation of a parallel circuit, exact to 1/Q^2. Second-order fits over 0.4 % of frequency.
    """
    deck.add("Iprobe BLACK LEAD AC 1")
    middle = hz
    for reach in (0.3, 0.07):
        hertz, y = _admittance(deck, middle * (1 - reach), middle * (1 + reach))
        at = int(np.argmin(np.abs(y.imag)))
        if not 5 < at < len(hertz) - 6:
            raise RuntimeError(f"no resonance near {hz:g} Hz")
        middle = float(hertz[at])
    near = slice(at - 5, at + 6)
    offset = hertz[near] - hertz[at]
    slope = np.polyfit(offset, y.imag[near], 2)
    zero = float(min(np.roots(slope).real, key=abs))
    rise = 2 * slope[0] * zero + slope[1]
    loss = float(np.polyval(np.polyfit(offset, y.real[near], 2), zero))
    natural = float(hertz[at] + zero)
    return natural, natural * float(rise) / (2 * loss)


def _admittance(deck: Deck, low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies [Hz] and what the leads conduct there [S], the winding included."""
    seen = deck.run(f"ac lin 401 {low:.9g} {high:.9g}", ["v(lead)", "v(black)"])
    return seen["frequency"].real, 1 / (seen["v(lead)"] - seen["v(black)"])


def _rung(
    letter: str, henries: float, q: float, farads: float, leads: Leads = LEADS, **board: object
) -> tuple[float, float, float]:
    """A coil on the simulated board: natural frequency [Hz], Q as read, true Q there.

    The coil's resistance is the same at all frequencies, so its Q goes with the frequency; the inductance
    of the leads counts as the coil's.
    """
    hz = coil_hz(henries, farads)
    deck = Deck(letter, **board).winding(henries, q, hz, leads.henries, leads.ohms)  # type: ignore[arg-type]
    natural, read = pole(deck, hz)
    return natural, read, q * natural / hz * (henries + leads.henries) / henries


@dataclass(frozen=True, slots=True)
class Calibration:
    """What the bench gives for one test capacitor: conductance [S], stray [F], series resistance [ohm]
    and the loss tangent [1] that the correction takes for it."""

    siemens: float
    stray_farads: float
    series_ohms: float
    loss_tangent: float

    def corrected(self, letter: str, hz: float, q: float, own_farads: float = 0.0) -> float:
        """Q of the winding alone from the Q and frequency read, 1/Q = 1/Q_read - tester's share.

        own_farads: the winding's own capacitance, from two test capacitors [F].
        """
        return 1 / (1 / q - sum(self.shares(letter, hz, own_farads)))

    def shares(self, letter: str, hz: float, own_farads: float = 0.0) -> tuple[float, float, float]:
        """1/Q that conductance, dielectric and series resistance make [1]:
        G/(w C), tan(delta) C_t/C, R w C_t^2/C, with C all capacitance and C_t the test capacitor's."""
        farads = NOMINAL[letter]
        total = farads + self.stray_farads + own_farads
        w = 2 * math.pi * hz
        return (
            self.siemens / (w * total),
            self.loss_tangent * farads / total,
            self.series_ohms * w * farads**2 / total,
        )


def calibrate(letter: str, siemens: float, leads: Leads = LEADS, **board: object) -> Calibration:
    """The bench procedure for one test capacitor, each step with what it gives.

    A coil, rung with and without a known 10 nF across the leads: all capacitance, by the ratio of the
    frequencies. A known coil of Q 80 from the middle of the capacitor's range: what loss is left besides
    conductance and dielectric is series resistance.
    """
    bare = Calibration(siemens, _stray(letter), 0.0, LOSS_TANGENT[letter])
    hz, left = _left(letter, KNOWN_HENRIES[letter], bare, leads, **board)
    ohms = left / Calibration(0.0, bare.stray_farads, 1.0, 0.0).shares(letter, hz)[2]
    return Calibration(siemens, bare.stray_farads, ohms, bare.loss_tangent)


def _left(
    letter: str, henries: float, bare: Calibration, leads: Leads, **board: object
) -> tuple[float, float]:
    """Frequency [Hz] and what the known coil leaves of 1/Q after `bare`'s correction [1]."""
    farads = NOMINAL[letter] + bare.stray_farads
    hz, read, true = _rung(letter, henries, KNOWN_Q, farads, leads, **board)
    return hz, 1 / bare.corrected(letter, hz, read) - 1 / true


def two_coils() -> dict[str, float]:
    """A capacitor A three times as lossy as the parts list has it: tangent found by two known coils [1], and
    the largest error of Q after a correction by that, and by the parts list's figure and one coil [1]."""
    really = 3e-4
    bench, errors = _loss_by_two_coils(really)
    unknowing = calibrate("A", bench.siemens, loss_tangents={"C1": really})
    return {
        "tangent": really,
        "found": bench.loss_tangent,
        "series_ohms": bench.series_ohms,
        "worst_error": max(errors, key=abs),
        "worst_error_one_coil": max(_errors(unknowing, really), key=abs),
    }


def _loss_by_two_coils(tangent: float) -> tuple[Calibration, list[float]]:
    """Calibration of A with its loss tangent measured, by a small and a large known coil; errors of Q.

    tangent: what the capacitor on the board really has [1]; the builder knows nothing of it.
    """
    fitted = {"loss_tangents": {"C1": tangent}}
    bare = Calibration(known()["A"].siemens, known()["A"].stray_farads, 0.0, 0.0)
    rows, lefts = [], []
    for henries in (KNOWN_HENRIES["A"], LARGE_HENRIES):
        hz, left = _left("A", henries, bare, LEADS, **fitted)
        rows.append(Calibration(0.0, bare.stray_farads, 1.0, 1.0).shares("A", hz)[1:])
        lefts.append(left)
    found, ohms = np.linalg.solve(rows, lefts)
    bench = Calibration(bare.siemens, bare.stray_farads, float(ohms), float(found))
    return bench, _errors(bench, tangent)


def _errors(bench: Calibration, tangent: float) -> list[float]:
    """Errors of Q [1] with A for every case on the leads, its loss tangent being what it is."""
    farads, errors = NOMINAL["A"] + bench.stray_farads, []
    for henries in (h for h, letter, leads in CASES if letter == "A" and leads is LEADS):
        hz, read, true = _rung("A", henries, Q, farads, loss_tangents={"C1": tangent})
        errors.append(bench.corrected("A", hz, read) / true - 1)
    return errors


def _stray(letter: str) -> float:
    """Capacitance beside the test capacitor: the bench's figure [F]."""
    before, after = (_with_known(letter, extra) for extra in (0.0, KNOWN_FARADS))
    return KNOWN_FARADS / ((before / after) ** 2 - 1) - NOMINAL[letter]


def _with_known(letter: str, farads: float) -> float:
    hz = coil_hz(10e-3, NOMINAL[letter] + 1.9e-9 + farads)
    deck = Deck(letter).winding(10e-3, 80.0, hz, LEAD_HENRIES, LEAD_OHMS)
    return pole(deck.add(f"Cknown LEAD BLACK {farads + 1e-15:.6g}"), hz)[0]


def slow_rate(farads: float, values: Mapping[str, float] | None = None) -> float:
    """Rate at which open leads lose their voltage by the bleeder and the amplifier's coupling [1/s].

    Neither is there for a ring; both come off the discharge. Seen at the amplifier over WINDOW_S, from the
    four charges on `farads`, C6, C20 and C15 with R19, R2, R35, R36 and a follower without fault. values:
    reference -> value, else the netlist's.
    """
    v = {p.ref: number(p.value) for p in parts() if p.ref[0] in "RC"} | dict(values or {})
    bleed, bias = 1 / v["R35"], 1 / v["R19"]
    # Lead, bleeder's middle, amplifier's input, middle of its bias; BOOT is the amplifier's input.
    charges = [
        [farads, 0, 0, 0],
        [v["C6"], 0, -v["C6"], 0],
        [0, v["C20"], -v["C20"], 0],
        [0, 0, -v["C15"], v["C15"]],
    ]
    leaks = [
        [-bleed, bleed, -bias, bias],
        [0, 0, bias, -bias],
        [bleed, -bleed - 1 / v["R36"], 0, 0],
        [0, 0, bias, -bias - 1 / v["R2"]],
    ]
    roots, shapes = np.linalg.eig(np.linalg.solve(np.array(charges), np.array(leaks)))
    grid = np.linspace(*WINDOW_S, 400)
    volts = (shapes[2] * np.linalg.solve(shapes, np.ones(4))) @ np.exp(np.outer(roots, grid))
    return float(-np.polyfit(grid, np.log(volts.real), 1)[0])


def open_conductance(values: Mapping[str, float] | None = None) -> float:
    """Conductance that a ring sees, from the discharge of open leads with A [S].

    values: what the parts really are; the bench knows the netlist's values only.
    """
    # Copper is nothing beside megohms, and without it the solver finds every board's resting point.
    deck = Deck("A", 0.2e-6, values=values or {}, copper="ideal")
    seen = deck.run("tran 20u 16.1m 0 20u", ["v(adc0)"])
    grid = np.linspace(*WINDOW_S, 400)
    volts = np.interp(grid, seen["time"], seen["v(adc0)"] - seen["v(adc0)"][0])
    total = NOMINAL["A"] + _stray("A")
    return (float(-np.polyfit(grid, np.log(volts), 1)[0]) - slow_rate(total)) * total


@cache
def known() -> dict[str, Calibration]:
    """What the bench procedure gives for each test capacitor."""
    siemens = open_conductance()
    return {letter: calibrate(letter, siemens) for letter in NOMINAL}


@cache
def _on_posts() -> Calibration:
    return calibrate("A", known()["A"].siemens, POSTS)


def loading() -> list[dict[str, float | str]]:
    """For each case: frequency and errors of Q [1]: as read, with copper that is none, as read but for
    the test capacitor's own dielectric, after correction. The coil's Q is 150."""
    rows: list[dict[str, float | str]] = []
    for henries, letter, leads in CASES:
        bench = known()[letter] if leads is LEADS else _on_posts()
        farads = NOMINAL[letter] + bench.stray_farads
        hz, read, true = _rung(letter, henries, Q, farads, leads)
        _, ideal, ideal_true = _rung(letter, henries, Q, farads, leads, copper="ideal")
        dielectric = bench.shares(letter, hz)[1]
        rows.append(
            {
                "henries": henries,
                "capacitor": letter,
                "leads": "on the posts" if leads is POSTS else "",
                "hz": hz,
                "ideal_error": ideal / ideal_true - 1,
                "read_error": read / true - 1,
                "electronics_error": 1 / (1 / read - dielectric) / true - 1,
                "corrected_error": bench.corrected(letter, hz, read) / true - 1,
            }
        )
    return rows


_NO_SWITCH = (("KP=135 RD=2.2m RS=0.7m", "KP=1e6 RD=1u RS=1u"),)
_WITHOUT: dict[str, dict[str, object]] = {
    "test capacitor's dielectric": {"loss_tangents": {"C1": 0.0, "C2": 0.0, "C3": 0.0}},
    "switch that is on": {"models": _NO_SWITCH},
    "copper of the printed board": {"copper": "ideal"},
    "lead-voltage divider": {"values": {"R3": 1e12}},
    "bleeder and bias": {"values": {"R35": 1e12, "R19": 1e12}},
    "clamp": {"leave_out": ("D1", "D2", "D3", "D4"), "add": ("Rca CLAMPA 0 1", "Rcb CLAMPB 0 1")},
    "pulse driver": {"leave_out": ("D10",), "add": ("Rps PSERIES 0 1meg",)},
}
BUDGET = ((30e-6, "A"), (300e-6, "A"), (2.2e-3, "A"), (30e-3, "A"), (100e-3, "C"), (10e-3, "B"))


def budget() -> dict[str, list[float]]:
    """For each of BUDGET, by how much Q 150 reads low [1] because of each part of the tester.

    Each is simulated again without that part. `all else` is what the sum leaves of the whole.
    """
    found: dict[str, list[float]] = {}
    for henries, letter in BUDGET:
        farads = NOMINAL[letter] + known()[letter].stray_farads
        _, whole, true = _rung(letter, henries, Q, farads)
        _, bare, _ = _rung(letter, henries, Q, farads, Leads(LEAD_HENRIES, 0.0))
        shares = {"leads": 1 / whole - 1 / bare}
        for name, missing in _WITHOUT.items():
            shares[name] = 1 / whole - 1 / _without(letter, henries, farads, missing)
        shares["all else"] = 1 / whole - 1 / true - sum(shares.values())
        shares["together"] = 1 / whole - 1 / true
        for name, share in shares.items():
            found.setdefault(name, []).append(share * true)
    return found


def _without(letter: str, henries: float, farads: float, missing: Mapping[str, object]) -> float:
    """Q as read on a board that lacks something."""
    board = {key: value for key, value in missing.items() if key != "add"}
    if "models" in board:
        text = (HERE / "models.cir").read_text(encoding="utf-8")
        for old, new in _NO_SWITCH:
            if old not in text:
                raise ValueError(f"{old} is not in models.cir")
            text = text.replace(old, new)
        board["models"] = text
    hz = coil_hz(henries, farads)
    deck = Deck(letter, **board).winding(henries, Q, hz, LEAD_HENRIES, LEAD_OHMS)  # type: ignore[arg-type]
    return pole(deck.add(*missing.get("add", ())), hz)[1]  # type: ignore[arg-type]


def calibration() -> dict[str, dict[str, float]]:
    """What the bench procedure gives for each test capacitor, as plain figures."""
    return {letter: asdict(found) for letter, found in known().items()}
