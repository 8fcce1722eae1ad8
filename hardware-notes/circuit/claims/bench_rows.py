"""A board on the bench, whatever its parts are: what the meter shows at each point, what `board check` finds.

One simulated board gives the figures of every row; a row passes by the very limits that the notes and the
program state. So it can be said how often a good board passes, and which row a fault fails.
"""

from __future__ import annotations

import json
import math
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from circuit.claims import ringing, signal
from circuit.claims.corrected import identity
from circuit.claims.ringing import NOMINAL
from circuit.deck import Deck
from circuit.netlist import HERE, number, parts, table
from circuit.readings import POINTS, Reading, margin

__all__ = ["OHMS", "Board", "built", "drawn", "failed", "figures", "good", "nominal"]

_METER_OHMS = 10e6
_COIL_HENRIES, _COIL_Q = 1e-3, 80.0
"""The coil that a builder puts on the leads, one of 1 mH as the notes ask for."""
_PULSE_S = {"A": 1.3e-6}
_CELL_VOLTS = 1.5
_OHMMETER_VOLTS = 0.3
OHMS = "red to black post"
_OHMS = (1.03e6, 1.09e6, "D1 to D4, D10, E1, R3, R4, R35, R36, F1, R5, a bridge beside LEAD")
"""Of the table before power in building.md: limits [ohm], what a wrong figure points at."""
_SUPPLY = {"V1 five 0 5": (5.0, 0.03), "V2 three 0 3.3": (3.3, 0.02)}
"""Module's supplies: volts, how far a good one may be off (USB at the port 5 %, less what cables are short;
the module's regulator 2 %: from memory)."""


@dataclass(frozen=True, slots=True)
class Board:
    """values: reference -> value in place of the netlist's; models: text of models.cir; change: what a fault
    does to the lines of the netlist, as (pattern, replacement) of regular expressions, and lines it adds."""

    values: Mapping[str, float]
    models: str
    change: tuple[tuple[str, str], ...] = ()
    add: tuple[str, ...] = ()
    tangent: float = 1e-4


def nominal() -> Board:
    """Every part at its nominal value."""
    return Board({}, (HERE / "models.cir").read_text(encoding="utf-8"))


def drawn(rng: np.random.Generator) -> Board:
    """A good board: resistors and capacitors within their tolerances, evenly; transistors, diodes, supplies
    within what they spread."""

    def even() -> float:
        return float(rng.uniform(-1, 1))

    values = {
        part.ref: number(part.value) * (1 + float(str(table()[part.ref]["tolerance"])) * even())
        for part in parts()
        if part.ref[0] in "RC"
    }
    models = signal.drawn_models(even)
    for line, (volts, off) in _SUPPLY.items():
        assert line in models, line
        models = models.replace(line, f"{line.rsplit(' ', 1)[0]} {volts * (1 + off * even()):.5g}")
    return Board(values, models, tangent=float(rng.uniform(0.5e-4, 2e-4)))


def figures(board: Board) -> dict[str, float]:
    """Every row's figure: the meter's readings by net [V], then the check's. nan where there is none."""
    found = _readings(board) | _ohms(board)
    found |= _lead(board)
    found |= _pulse(board)
    found |= _discharge(board)
    found |= _rings(board)
    return found


def built(
    board: Board, capacitors: str, pulse_s: float = 0.0, *, powered: bool = True, copper: str = "resistive"
) -> Deck:
    """The board with its faults, ready for a winding and an analysis; copper: as `Deck` takes it."""
    models = (
        board.models if powered else re.sub(r"^(V[12] \S+ 0) .*$", r"\1 0", board.models, flags=re.MULTILINE)
    )
    deck = Deck(
        capacitors,
        pulse_s,
        values=board.values,
        models=models,
        powered=powered,
        loss_tangents={"C1": board.tangent},
        copper=copper,
    )
    for pattern, replacement in board.change:
        before = list(deck.lines)
        deck.lines = [re.sub(pattern, replacement, line) for line in deck.lines]
        deck.models = re.sub(pattern, replacement, deck.models, flags=re.MULTILINE)
        assert deck.lines != before or deck.models != models, pattern
    return deck.add(*board.add)


def _readings(board: Board) -> dict[str, float]:
    """The meter at one point after the other."""
    found = {}
    for net, *_ in POINTS:
        deck = built(board, "").add(f"Rmeter {net} 0 {_METER_OHMS:g}")
        found[net] = _resting(deck, [f"v({net})"])[f"v({net.lower()})"]
    return found


def _ohms(board: Board) -> dict[str, float]:
    """What an ohmmeter shows from red to black post before power, testing with less than 1 V [ohm]."""
    deck = built(board, "", powered=False).add(f"Vohms LEAD 0 {_OHMMETER_VOLTS}")
    amps = _resting(deck, ["i(Vohms)"])["i(vohms)"]
    return {OHMS: _OHMMETER_VOLTS / -amps}


def _resting(deck: Deck, save: list[str]) -> dict[str, float]:
    """Voltages at rest, nan where ngspice finds none."""
    try:
        seen = deck.run("op", save)
    except RuntimeError:
        return {name.lower(): math.nan for name in save}
    return {name: float(value[0]) for name, value in seen.items()}


def _lead(board: Board) -> dict[str, float]:
    """Offset of the converter [codes], and what a cell of 1.5 V on the leads reads [V]."""
    found = {}
    constants = _constants()
    for name, volts in (("lead voltage", None), ("cell", _CELL_VOLTS)):
        deck = built(board, "A")
        if volts is not None:
            deck.add(f"Vcell LEAD 0 {volts}")
        seen = _resting(deck, ["v(adc0)", "v(adc1)"])
        code = seen["v(adc1)"] / _code_volts(board)
        found[name] = (code - constants["lead_offset_code_16"] / 16) * constants["lead_uv"] * 1e-6
        if volts is None:
            found["offset"] = seen["v(adc0)"] / _code_volts(board)
    return found


def _code_volts(board: Board) -> float:
    """The converter's scale follows the module's 3.3 V."""
    found = re.search(r"V2 three 0 ([\d.]+)", board.models)
    assert found
    return float(found[1]) / 4096


def _constants() -> dict[str, int]:
    return dict(identity().constants)


def _pulse(board: Board) -> dict[str, float]:
    """Current of a pulse onto open leads with A, as charge over width [A]."""
    seen = _run(built(board, "A", _PULSE_S["A"]), "tran 20n 40u 0 50n")
    if seen is None:
        return {"pulse current": math.nan}
    volts = seen["v(adc0)"]
    late = seen["time"] > 20e-6
    raised = float(np.mean(volts[late]) - volts[0]) / 3
    total = NOMINAL["A"] + _constants()["stray_ff"] * 1e-15
    return {"pulse current": raised * total / _PULSE_S["A"]}


def _discharge(board: Board) -> dict[str, float]:
    """Resistance by the discharge of open leads [ohm], as `board check` takes it."""
    deck = built(board, "A", 0.2e-6)
    seen = _run(deck, "tran 20u 16.1m 0 20u")
    if seen is None:
        return {"input resistance": math.nan}
    grid = np.linspace(*ringing.WINDOW_S, 400)
    volts = np.interp(grid, seen["time"], seen["v(adc0)"] - seen["v(adc0)"][0])
    constants = _constants()
    if volts.min() < 20 * _code_volts(board) * 0.5:
        return {"input resistance": math.nan}
    rate = -float(np.polyfit(grid, np.log(volts), 1)[0]) - constants["coupling_per_ks"] * 1e-3
    siemens = rate * (NOMINAL["A"] + constants["stray_ff"] * 1e-15)
    # Where the leads keep their charge longer than the coupling does there is no leak: the row has no figure.
    return {"input resistance": 1 / siemens if siemens > 0 else math.inf}


def _run(deck: Deck, analysis: str) -> dict[str, np.ndarray] | None:
    """Voltage at the converter over time, None where ngspice gives up."""
    try:
        return deck.run(analysis, ["v(adc0)"])
    except RuntimeError:
        return None


def _rings(board: Board) -> dict[str, float]:
    """One coil with each test capacitor: all capacitance with A over that with B and C; nan for no ring."""
    farads: dict[str, float] = {}
    for letter in "ABC":
        hz = ringing.coil_hz(_COIL_HENRIES, NOMINAL[letter] + 1.9e-9)
        deck = built(board, letter).winding(_COIL_HENRIES, _COIL_Q, hz, ringing.LEAD_HENRIES, 57e-3)
        try:
            natural, _ = ringing.pole(deck, hz)
        except RuntimeError:
            natural = math.nan
        farads[letter] = natural**-2
    return {f"A to {other}": farads["A"] / farads[other] for other in "BC"}


def failed(found: Mapping[str, float]) -> dict[str, str]:
    """Rows that fail, each with what it points at."""
    from coilbell.board import LIMITS, ratio

    out = {}
    for reading in _table():
        volts = found[reading.net]
        if not abs(volts - reading.volts) <= reading.margin:
            out[reading.net] = reading.blame
    limits = LIMITS | {f"A to {other}": ratio(identity(), other) for other in "BC"}
    if not _OHMS[0] <= found[OHMS] <= _OHMS[1]:
        out[OHMS] = _OHMS[2]
    for name, row in limits.items():
        if name in found and not row.low <= found[name] <= row.high:
            out[name] = row.blame
    return out


def _table() -> list[Reading]:
    return (
        _TABLE
        or _TABLE.extend(
            Reading(net, where, volts, margin(volts, tolerance), blame)
            for (net, where, tolerance, blame), volts in zip(
                POINTS, _readings(nominal()).values(), strict=True
            )
        )
        or _TABLE
    )


_TABLE: list[Reading] = []


KEPT = HERE / "bench.json"
"""How many good boards were drawn, by which seed, and the share that passes each row."""


def good(draws: int, seed: int) -> dict[str, object]:
    """Share of good boards that pass each row [1], and the extremes of its figure."""
    rng = np.random.default_rng(seed)
    rows = [figures(drawn(rng)) for _ in range(draws)]
    return summary(rows, seed)


def summary(rows: list[dict[str, float]], seed: int) -> dict[str, object]:
    """What `good` keeps of the figures of many boards."""
    wrong = [failed(row) for row in rows]
    return {
        "draws": len(rows),
        "seed": seed,
        "passed": {name: 1 - sum(name in one for one in wrong) / len(rows) for name in rows[0]},
        "all rows passed": sum(not one for one in wrong) / len(rows),
    }


if __name__ == "__main__":
    KEPT.write_text(json.dumps(good(int(sys.argv[1]), int(sys.argv[2])), indent=1) + "\n", encoding="utf-8")
