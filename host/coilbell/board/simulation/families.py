"""Families of parts with their sets, drawn by number: "line-set-12", "switch-set-3".

A family is a design, all sizes of part and set drawn from the trade's ranges (common practice, no published
source); its units spread as `part.Spread` says, and each unit sits in a set of its own.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from coilbell.board.simulation.appliance import Appliance, drawn_line_set, drawn_switch_set
from coilbell.board.simulation.part import Coil, Core, HighVoltage, Loop, Part
from coilbell.errors import InputError

__all__ = ["FAMILIES", "family", "in_its_set", "with_set"]

FAMILIES = re.compile(r"(line|switch)-set-(\d{1,6})")
"""Names of families; the number is the seed that draws the design."""

_LINE, _SWITCH, _SET = 1, 2, 3
"""What keeps the streams of designs and sets apart."""


def family(name: str) -> Part:
    """The nominal part of a family, in a nominal set. Raises InputError for a name that is none."""
    found = FAMILIES.fullmatch(name)
    if found is None:
        raise InputError(f"no family {name[:40]!r}; write line-set-NUMBER or switch-set-NUMBER")
    draw = _line if found[1] == "line" else _switch
    rng = np.random.default_rng((_LINE if found[1] == "line" else _SWITCH, int(found[2])))
    return draw(name, rng)


def in_its_set(part: Part, seed: int) -> Part:
    """The unit in a set of its own, drawn by the unit's seed; a part without a set stays as it is."""
    if part.appliance is None:
        return part
    return replace(part, appliance=_set_of(part, np.random.default_rng((_SET, seed))))


def with_set(part: Part, number: int) -> Part:
    """A part of the parts list with a nominal set, drawn by that number."""
    return replace(part, appliance=_set_of(part, np.random.default_rng((_SET, number))))


def _set_of(part: Part, rng: np.random.Generator) -> Appliance:
    named = {coil.name for coil in part.coils}
    if part.high_voltage is not None:
        around = drawn_line_set(rng, part.henries, "low", "rail" if "rail" in named else "low")
    else:
        around = drawn_switch_set(rng, "low")
    return replace(around, rails=tuple(rail for rail in around.rails if rail.coil in named))


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(low * (high / low) ** rng.random())


def _line(name: str, rng: np.random.Generator) -> Part:
    henries, turns = _between(rng, 1.2e-3, 5e-3), round(_between(rng, 60, 100))
    per_turn = henries / turns**2
    sections = int(rng.choice([1, 2, 3, 4]))
    high = 2400 / sections
    part = Part(
        name,
        "diode-split transformer" if sections > 1 else "line-output transformer",
        f"line-output transformer of the drawn family {name}",
        Core(per_turn, ((1.0, per_turn * _between(rng, 1.2e7, 2.6e7)),)),
        (
            Coil("primary", turns, _between(rng, 0.5, 1.6), _between(rng, 0.01, 0.02), 1.2e-10, 1e4),
            Coil("low", turns / 8, _between(rng, 0.04, 0.16), _between(rng, 0.015, 0.03), 1e-10),
            Coil("rail", turns * 0.7, _between(rng, 0.6, 1.5), _between(rng, 0.015, 0.03), 6e-11),
            Coil("heater", 4, 0.02, 0.02, 5e-11),
        ),
        _loops(rng, per_turn, turns, (0.1, 0.4))
        | {
            "high-voltage turn": Loop(1, _between(rng, 0.3, 0.8), 0.3 * per_turn),
            "high-voltage part": Loop(200, _between(rng, 40, 120), 200**2 * per_turn * 0.09),
        },
        HighVoltage(
            sections,
            high,
            _between(rng, 250, 450) / sections,
            _between(rng, 0.04, 0.08),
            3e-13 * sections,
            _between(rng, 6e-12, 1.4e-11),
            _between(rng, 2e-12, 7e-12),
            _between(rng, 8e-13, 3e-12),
            3e-12,
            _between(rng, 1e5, 3e5),
        ),
    )
    return replace(part, appliance=drawn_line_set(rng, henries, "low", "rail"))


def _switch(name: str, rng: np.random.Generator) -> Part:
    henries, turns = _between(rng, 0.35e-3, 4e-3), round(_between(rng, 30, 80))
    per_turn = henries / turns**2
    leakage = _between(rng, 0.004, 0.02)
    part = Part(
        name,
        "switch-mode transformer",
        f"switch-mode transformer of the drawn family {name}",
        Core(per_turn, ((1.0, per_turn * _between(rng, 0.6e7, 1.8e7)),)),
        (
            Coil("primary", turns, _between(rng, 0.15, 0.9), leakage, 1.1e-10, 6e4),
            Coil("low", max(3, round(turns / 9)), _between(rng, 0.005, 0.02), leakage, 8e-11),
            Coil("aux", max(4, round(turns / 5)), _between(rng, 0.1, 0.4), 2 * leakage, 5e-11),
        ),
        _loops(rng, per_turn, turns, (0.05, 0.2)),
    )
    return replace(part, appliance=drawn_switch_set(rng, "low"))


def _loops(
    rng: np.random.Generator, per_turn: float, turns: int, leakage: tuple[float, float]
) -> dict[str, Loop]:
    """A turn, a section of 3 to 15 % of the winding, and a loop of wire round the core."""
    share, section = _between(rng, *leakage), max(2, round(turns * _between(rng, 0.03, 0.15)))
    return {
        "turn": Loop(1, _between(rng, 0.006, 0.025), share * per_turn),
        "section": Loop(section, section * _between(rng, 0.006, 0.02), section**2 * per_turn * share / 2),
        "external": Loop(1, _between(rng, 0.0015, 0.004), _between(rng, 0.15, 0.3) * per_turn),
    }
