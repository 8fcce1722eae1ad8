"""Calibration with a hobbyist's means, on boards of drawn parts: what each step buys.

The steps are the program's own (coilbell.board.calibrating), fed with the poles of the simulated circuit. The
truth is what stands in each drawn netlist.
"""

from __future__ import annotations

import json
import math
import sys
from typing import Any

import numpy as np

from circuit import ringpath
from circuit.claims import bench_rows, ringing
from circuit.claims.corrected import identity, input_way, with_copper
from circuit.claims.ringing import NOMINAL, coil_hz, pole
from circuit.netlist import HERE

__all__ = ["KEPT", "bought"]

KEPT = HERE / "hobby.json"
"""What calibration.md quotes: python -m circuit.claims.hobby 60 7, three minutes."""

COIL_HENRIES, COIL_Q = 2.2e-3, 90.0
CONTACT_OHMS = 57e-3
RESISTOR_PART = 0.01
"""Tolerance of an ordinary resistor, evenly drawn within it [1]."""
WIRE = (1.0, 1.38e-3)
"""Length and diameter of solid installation wire, 1.5 mm2 [m]."""
NOISE = 2e-3
"""Relative standard deviation of a fitted Q [1] (simulated: the end-to-end table)."""


def bought(draws: int, seed: int) -> dict[str, float]:
    """Root mean square of the errors over so many boards [1, or ohm for resistances].

    inductance before, after one resistor, after two; ratio of two test capacitors; resistance in series with
    A and with C by the turn of wire.
    """
    rng = np.random.default_rng(seed)
    rows = [_once(rng) for _ in range(draws)]
    return {name: float(np.sqrt(np.mean([row[name] ** 2 for row in rows]))) for name in rows[0]}


def _once(rng: np.random.Generator) -> dict[str, float]:
    from coilbell.board import Known, by_resistor

    told, board = identity(), bench_rows.drawn(rng)
    errors: dict[str, float] = {}
    totals: dict[str, list[float]] = {}
    resistors = []
    for letter in "ABC":
        stated = told.capacitor(letter).farads + told.stray_farads
        alone = _rung(board, letter, rng, None)
        true = 1 / ((2 * math.pi * alone.hertz) ** 2 * (COIL_HENRIES + ringing.LEAD_HENRIES))
        if not resistors:
            ohms = float(f"{alone.q / 2 * math.sqrt(COIL_HENRIES / true):.1g}")
            resistors = [ohms * (1 + RESISTOR_PART * rng.uniform(-1, 1)) for _ in range(2)]
        found = [
            by_resistor(alone, _rung(board, letter, rng, real), Known(ohms, ohms * RESISTOR_PART / 3**0.5))
            for real in resistors
        ]
        totals[letter] = [f.value / true - 1 for f in found if f is not None]
        if letter == "A":
            errors["inductance as it comes"] = stated / true - 1
    one, two = totals["A"]
    errors["inductance by one resistor"] = one
    errors["inductance by two resistors"] = (one + two) / 2
    errors["ratio of A to C"] = totals["A"][0] - totals["C"][0]
    return errors | {f"series resistance of {k}, ohm": _series(board, k, rng) for k in "AC"}


def _rung(board: bench_rows.Board, letter: str, rng: np.random.Generator, ohms: float | None) -> Any:
    """The coil, alone or with a resistor across it."""
    from coilbell.board import Rung

    hz = coil_hz(COIL_HENRIES, NOMINAL[letter] + 1.9e-9)
    deck = bench_rows.built(board, letter, copper="ideal").winding(
        COIL_HENRIES, COIL_Q, hz, ringing.LEAD_HENRIES, CONTACT_OHMS
    )
    if ohms is not None:
        deck.add(f"Rbeside LEAD 0 {ohms:.9g}")
    natural, q = pole(deck, hz)
    return Rung(natural, 1e-5 * natural, "", q * (1 + NOISE * rng.standard_normal()), NOISE * q)


def _series(board: bench_rows.Board, letter: str, rng: np.random.Generator) -> float:
    """Error of what the turn of wire tells of the resistance in series with that capacitor [ohm]."""
    from coilbell.board import Rung, Wire, loop_henries, series

    told = identity()
    way = ringpath.kept()["printed"][letter]
    copper = max(1e-4, way["copper_ohms"] + way["copper_uncertainty_ohms"] * rng.standard_normal())
    length, diameter = (one * (1 + 0.01 * rng.standard_normal()) for one in WIRE)
    henries = loop_henries(length, diameter)
    hz = coil_hz(henries, NOMINAL[letter] + 1.9e-9)
    ohms = Wire(length, diameter).ohms(hz).value * (1 + 0.01 * rng.standard_normal())
    ohms += 0.3e-3 * rng.standard_normal()
    deck = bench_rows.built(board, letter, copper="ideal")
    deck.winding(henries, 2 * math.pi * hz * henries / ohms, hz)
    natural, q = pole(with_copper(deck, letter, copper), hz)
    ring = Rung(natural, 1e-5 * natural, "", q * (1 + NOISE * rng.standard_normal()), NOISE * q)
    rows, _ = series(ring, letter, Wire(*WIRE), told)
    found = next(row for row in rows if row.name.startswith("series"))
    assert found.value is not None
    return found.value - copper - _own(board, letter)


def _own(board: bench_rows.Board, letter: str) -> float:
    """Switch and input of that very board, by a coil of 220 uH without loss elsewhere [ohm]."""
    henries = ringing.KNOWN_HENRIES["A"]
    hz = coil_hz(henries, NOMINAL[letter] + 1.9e-9)
    with_, without = (
        pole(bench_rows.built(one, letter, copper="ideal").winding(henries, ringing.Q, hz), hz)
        for one in (board, bench_rows.nominal())
    )
    total = 1 / ((2 * math.pi * with_[0]) ** 2 * henries)
    moved = 1 / with_[1] - 1 / without[1]
    if letter == "A":
        moved -= (board.tangent - 1e-4) * NOMINAL[letter] / total
    return input_way(letter) + moved * total / (2 * math.pi * with_[0] * NOMINAL[letter] ** 2)


if __name__ == "__main__":
    draws, seed = int(sys.argv[1]), int(sys.argv[2])
    errors = {name: float(f"{value:.4g}") for name, value in bought(draws, seed).items()}
    kept = {"draws": draws, "seed": seed, "root mean square errors": errors}
    KEPT.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
