"""Q of a coil after the program's own correction: netlist with copper, converter, `fit`, board constants.

Nothing here knows what the correction should be: the constants are those of firmware/board.py, which a new
board comes with, and the figures those that a technician is shown.
"""

from __future__ import annotations

import math
import runpy
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from circuit import ringpath
from circuit.claims import ringing, signal
from circuit.claims.ringing import NOMINAL, POSTS, Leads, Q, coil_hz, pole
from circuit.deck import COARSE, Deck
from circuit.netlist import HERE, number, parts, table

__all__ = ["COILS", "CONTACT", "corrected", "held", "identity", "input_way", "with_copper"]

COILS = (30e-6, 100e-6, 300e-6, 1e-3, 2.2e-3, 10e-3, 30e-3, 100e-3)
RATE_HZ, PRETRIGGER, SHOTS = 500e3, 64, 4
CONTACT = (50e-3, 30e-3)
"""Both clips' contacts: mean and standard deviation from one connection to the next, lognormal [ohm]
(50 milliohm is usual: common practice, no published source; its spread: assumed)."""
LEAD_OHMS = 7e-3
_LAYOUT = "printed"
"""The layout that board.py's constants are made for."""


def identity() -> Any:
    """A board as it tells of itself with the constants that its firmware comes with."""
    from coilbell.board import Identity

    table = runpy.run_path(str(HERE.parents[1] / "firmware" / "board.py"))["CONSTANTS"]
    constants = {name: value for name, value, _, _ in table}
    board = ("1", "simulated", "0", "1", 144_000_000, 288, Fraction(500_000), 0.0, 16384, 227, 2, 1728, 999)
    return Identity(*board, 0.5, ("A", "B", "C"), "defaults", constants)


def with_copper(deck: Deck, letter: str, ohms: float) -> Deck:
    """An ideal deck with the resistance of the copper on the way of that test capacitor, as one resistor."""
    ref = f"C{'ABC'.index(letter) + 1}"
    deck.lines = [
        line.replace(" LEAD ", f" WAY{letter} ", 1) if line.split()[0] == ref else line for line in deck.lines
    ]
    return deck.add(f"Rway{letter} LEAD WAY{letter} {ohms:.6g}")


def input_way(letter: str) -> float:
    """Resistance in series with the test capacitor that takes as much of a ring as switch and input do
    beside their conductance, at a coil of 220 uH without leads [ohm]: the input's load rises as the square of
    the frequency, which is a series resistance's law."""
    henries = ringing.KNOWN_HENRIES["A"]
    bench = ringing.known()[letter]
    bare = ringing.Calibration(bench.siemens, bench.stray_farads, 0.0, ringing.LOSS_TANGENT[letter])
    hz = coil_hz(henries, NOMINAL[letter] + bench.stray_farads)
    natural, read = pole(Deck(letter, copper="ideal").winding(henries, Q, hz), hz)
    left = 1 / bare.corrected(letter, natural, read) - hz / (Q * natural)
    return left / ringing.Calibration(0.0, bench.stray_farads, 1.0, 0.0).shares(letter, natural)[2]


def corrected(henries: float, letter: str = "A", leads: Leads = POSTS) -> dict[str, float | str]:
    """One coil of Q 150, rung, converted, fitted and corrected as the program does it."""
    from coilbell.decay import fit
    from coilbell.winding import tank_of_record

    records = _records(henries, letter, leads)
    found = fit(records)
    tank = tank_of_record(found, records[0])
    assert tank is not None
    natural = tank.natural_hz.value
    hz = _coil_hz(henries, letter)
    true = Q * natural / hz * (henries + leads.henries) / henries
    return {
        "henries": henries,
        "capacitor": letter,
        "hz": natural,
        "q_read": found.main.q.value,
        "q": tank.q.value,
        "q_spread": tank.q.standard_uncertainty,
        "true_q": true,
        "q_error": tank.q.value / true - 1,
        "henries_error": tank.inductance_henries.value / (henries + leads.henries) - 1,
    }


def _coil_hz(henries: float, letter: str) -> float:
    return coil_hz(henries, NOMINAL[letter] + identity().stray_farads)


def _records(henries: float, letter: str, leads: Leads) -> list[Any]:
    """Shots of an RP2040's converter at the pin of the simulated board."""
    from coilbell.board.simulation import RP2040
    from coilbell.record import Record

    told = identity()
    hz = _coil_hz(henries, letter)
    # Ten time constants of a Q of 10 or four of this one, in the samples that a capture takes.
    samples = int(min(4096, max(1024, RATE_HZ * 3 * Q / (math.pi * hz))))
    step, begin = min(0.5e-6, 0.02 / hz), PRETRIGGER / RATE_HZ
    width = min(1.4e-6, 0.25 / hz) * NOMINAL[letter] / NOMINAL["A"]
    deck = Deck(letter, width, begin, options=COARSE).winding(henries, Q, hz, leads.henries, leads.ohms)
    seen = deck.run(f"tran {step:.3g} {samples / RATE_HZ + 4e-6:.6g} 0 {step:.3g}", ["v(adc0)"])
    volts = np.interp(np.arange(samples) / RATE_HZ, seen["time"], seen["v(adc0)"])
    converter, rng = _converter(RP2040), np.random.default_rng(19)
    return [
        Record(
            samples=converter.codes(volts, rng, RATE_HZ),
            rate_hz=RATE_HZ,
            volts_per_count=told.volts_per_count,
            full_scale=(0, 4095),
            resolution=1.0,
            pretrigger=PRETRIGGER,
            pulse_s=width,
            gain=told.gain,
            shot=shot,
            test_capacitor=told.capacitor(letter),
            loading=told.loading(on_posts=leads is POSTS),
        )
        for shot in range(SHOTS)
    ]


def _converter(chip: Any) -> Any:
    from dataclasses import replace

    return replace(chip, bias=0.0)


# How often the intervals hold, over boards whose every part is drawn.


@dataclass(frozen=True, slots=True)
class _Drawn:
    """A board: part values, models, loss tangent of A, copper of its way, contact of the clips [ohm]."""

    values: dict[str, float]
    models: str
    tangent: float
    copper_ohms: float
    contact_ohms: float


TANGENT = (1e-4, 0.5e-4)
"""Of test capacitor A: the notes' figure, known to half of itself (lognormal: none is below 0)."""


def held(draws: int, seed: int) -> dict[str, dict[str, float]]:
    """Of boards whose parts, copper and contacts are drawn: share whose interval of Q 150 holds the truth,
    and the root mean square of its error [1], on the posts and through clips.

    Coils from 30 uH to 100 mH, rung with A; the ring is the circuit's own pole, with 0.03 % of noise in Q.
    """
    rng = np.random.default_rng(seed)
    rows = [_held_once(_drawn(rng), 10 ** rng.uniform(math.log10(30e-6), -1), rng) for _ in range(draws)]
    return {
        way: {
            "held": float(np.mean([row[way][0] for row in rows])),
            "root_mean_square_error": float(np.sqrt(np.mean([row[way][1] ** 2 for row in rows]))),
        }
        for way in ("posts", "clips")
    }


def _drawn(rng: np.random.Generator) -> _Drawn:
    values = {
        part.ref: number(part.value) * (1 + float(str(table()[part.ref]["tolerance"])) * rng.uniform(-1, 1))
        for part in parts()
        if part.ref[0] in "RC"
    }
    way = ringpath.kept()[_LAYOUT]["A"]
    copper = max(1e-4, way["copper_ohms"] + way["copper_uncertainty_ohms"] * rng.standard_normal())
    models = signal.drawn_models(lambda: float(rng.uniform(-1, 1)))
    return _Drawn(values, models, _lognormal(TANGENT, rng), copper, _lognormal(CONTACT, rng))


def _lognormal(of: tuple[float, float], rng: np.random.Generator) -> float:
    """A positive figure of that mean and standard deviation."""
    spread = math.sqrt(math.log1p((of[1] / of[0]) ** 2))
    return float(of[0] * math.exp(spread * rng.standard_normal() - spread**2 / 2))


def _held_once(board: _Drawn, henries: float, rng: np.random.Generator) -> dict[str, tuple[bool, float]]:
    from coilbell.winding import FreeRing, tank_of_one

    told, hz, out = identity(), _coil_hz(henries, "A"), {}
    clips = Leads(ringing.LEAD_HENRIES, LEAD_OHMS + board.contact_ohms)
    for way, leads in (("posts", POSTS), ("clips", clips)):
        drawn = {"values": board.values, "models": board.models, "loss_tangents": {"C1": board.tangent}}
        deck = Deck("A", copper="ideal", **drawn)  # type: ignore[arg-type]
        deck.winding(henries, Q, hz, leads.henries, leads.ohms)
        natural, read = pole(with_copper(deck, "A", board.copper_ohms), hz)
        seen = read * (1 + 3e-4 * rng.standard_normal())
        free = FreeRing.from_natural(natural, seen, 1e-5, 3e-4)
        tank = tank_of_one(free, told.capacitor("A"), told.loading(on_posts=way == "posts"))
        true = Q * natural / hz * (henries + leads.henries) / henries
        out[way] = (bool(tank.q.low <= true <= tank.q.high), tank.q.value / true - 1)
    return out
