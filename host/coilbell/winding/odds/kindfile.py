"""A kind of winding as a TOML file: what it holds, and the rules that loading checks.

::

    schema, name                      schema 1; name in small letters
    secondary, high_voltage,          true for what the kind has (false when left out): other windings on its
    rectifiers_inside, iron           core, one of high voltage, rectifiers in that one, an iron core
    remark                            what has to be said of every ring of this kind
    [typical]                         of a healthy one, see `TYPICAL`
    [spread]                          standard deviations of natural logarithms, see `SPREAD`

Each figure is a table of one number or of its lowest and highest, and of where it comes from::

    series_share = { value = 0.35, source = "assumed" }
    turns = { range = [60, 110], source = "common practice" }

A source begins with "published", "simulated", "common practice" (of the trade, nothing published) or
"assumed", the first two with a colon and where. To add a kind, copy a shipped file, change it, and check it
with `coilbell reference kinds FILE`; it enters with the first unit of a reference, which then carries it.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from coilbell.errors import FileError

__all__ = ["FLAGS", "SCHEMA", "SOURCE", "SPREAD", "TYPICAL", "Entry", "figures", "table_of", "written"]

SCHEMA = 1
"""Number of the layout of a kind's file."""

_LARGEST = 20_000
"""Longest text read [characters]: ten times what a kind has."""

_LONGEST_REMARK = 500
"""Longest remark [characters]."""

_NAME = re.compile(r"[a-z0-9][a-z0-9 -]{1,59}")
SOURCE = re.compile(
    r"common practice|assumed|(?:published|simulated): \S.{0,200}|(?:common practice|assumed): \S.{0,200}"
)

FLAGS = ("secondary", "high_voltage", "rectifiers_inside", "iron")


@dataclass(frozen=True, slots=True)
class Entry:
    """One figure of a kind: its unit, what it is, and the values it may have.

    lowest, highest: bounds, which are possible themselves; ranged: given by its lowest and highest.
    """

    unit: str
    words: str
    lowest: float
    highest: float
    ranged: bool = False
    optional: bool = False


TYPICAL: dict[str, Entry] = {
    "turns": Entry("1", "turns of the winding under test", 1, 1e6, ranged=True),
    "wire_ohms": Entry("ohm", "resistance of the winding under test", 1e-6, 1e6, ranged=True),
    "stray_farads": Entry("F", "its own and reflected capacitance", 1e-15, 1e-3, ranged=True),
    "leakage": Entry(
        "1", "leakage inductance of a whole winding over its inductance", 1e-6, 0.33, ranged=True
    ),
    "turn_leakage": Entry("1", "the same of a single turn", 1e-6, 0.999, ranged=True),
    "series_share": Entry("1", "part of the loss that copper makes", 0, 0.999),
    "healthy_q": Entry("1", "usual Q of a healthy one with usual_farads", 0.5, 1e5, ranged=True),
    "usual_farads": Entry("F", "test capacitor that healthy_q holds for", 1e-12, 1e-3),
    "warming": Entry("1/K", "d ln L/dT that its core makes", 0, 0.1, ranged=True, optional=True),
    "bare_q": Entry("1", "usual Q without the resistors often fitted across it", 0.5, 1e5, optional=True),
}
"""Figures of [typical]; bounds refuse slips of the pen, and are assumed. The leakage ends at a third, since a
shorted winding is given up to three times as much (`whole_winding.leakage` of faults.toml)."""

SPREAD: dict[str, Entry] = {
    "inductance": Entry("ln", "of the inductance, unit to unit", 1e-6, 3),
    "core_loss": Entry("ln", "of the core's loss, unit to unit", 1e-6, 3),
    "resistance": Entry("ln", "of the copper's resistance, unit to unit", 1e-6, 3),
    "capacitance": Entry("ln", "of the stray capacitance, unit to unit", 1e-6, 3),
    "loss_slope": Entry("ln", "of 1/Q at each test capacitor by itself", 1e-6, 3),
    "own_frequency": Entry("ln", "of the frequency at each test capacitor by itself", 1e-6, 3),
    "fitted_resistance": Entry("ln", "of a resistor that belongs to the part", 1e-6, 3),
    "repeat_frequency": Entry("ln", "of the frequency of one unit rung again", 1e-6, 3),
    "repeat_loss": Entry("ln", "of 1/Q of one unit rung again", 1e-6, 3),
    "weight": Entry("units", "how many good units these spreads are worth", 3, 1000, optional=True),
}
"""Figures of [spread]; bounds likewise assumed: a variance is known from more than two units."""

Value = float | tuple[float, float]
Sources = tuple[tuple[str, str], ...]
Figures = tuple[str, str, dict[str, bool], dict[str, Value], dict[str, float], Sources]


def table_of(text: str) -> dict[str, Any]:
    """The table in a TOML text, not checked yet. Raises FileError for a text that is none."""
    if len(text) > _LARGEST:
        raise FileError(f"holds {len(text)} characters, more than a kind of winding has")
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise FileError(f"is no TOML text: {str(error) or 'nested too deep'}; see a shipped kind") from error


def figures(table: Mapping[str, object]) -> Figures:
    """Name, remark, flags, typical figures, spreads and sources of a kind's table.

    Raises FileError, naming the place, for a table that does not hold together.
    """
    if table.get("schema") != SCHEMA:
        raise FileError(f"has schema {table.get('schema')!r}, this version knows {SCHEMA}; update coilbell")
    _known("", table, ("schema", "name", "remark", "typical", "spread", *FLAGS))
    name, remark = table.get("name"), table.get("remark", "")
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise FileError(f"name {name!r}: give 2 to 60 small letters, digits, blanks or '-'")
    if not isinstance(remark, str) or len(remark) > _LONGEST_REMARK or not remark.isprintable():
        raise FileError(f"remark: give one line of at most {_LONGEST_REMARK} letters")
    flags = {flag: _flag(flag, table.get(flag, False)) for flag in FLAGS}
    if flags["rectifiers_inside"] and not flags["high_voltage"]:
        raise FileError("rectifiers_inside goes with high_voltage; set both, or neither")
    typical, whence = _section("typical", table.get("typical"), TYPICAL)
    spread, whence_spread = _section("spread", table.get("spread"), SPREAD)
    numbers = {key: one for key, one in spread.items() if isinstance(one, float)}
    return name, remark, flags, typical, numbers, whence + whence_spread


def _flag(name: str, value: object) -> bool:
    if not isinstance(value, bool):
        raise FileError(f"{name} is {value!r}; give true or false")
    return value


def _section(name: str, section: object, entries: Mapping[str, Entry]) -> tuple[dict[str, Value], Sources]:
    if not isinstance(section, Mapping):
        raise FileError(f"has no section [{name}]; copy that of a shipped kind")
    _known(f"{name}.", section, tuple(entries))
    missing = [key for key, entry in entries.items() if key not in section and not entry.optional]
    if missing:
        raise FileError(f"[{name}] lacks {', '.join(missing)}; copy them from a shipped kind")
    keys = [key for key in entries if key in section]
    found = {key: _figure(f"{name}.{key}", section[key], entries[key]) for key in keys}
    return found, tuple((f"{name}.{key}", section[key]["source"]) for key in keys)


def _known(place: str, found: Mapping[str, object], names: tuple[str, ...]) -> None:
    for key in found:
        if key not in names:
            raise FileError(f"{place}{key!s:.40} is not known; choose from: {', '.join(names)}")


def _figure(place: str, found: object, entry: Entry) -> Value:
    key = "range" if entry.ranged else "value"
    if not isinstance(found, Mapping) or set(found) != {key, "source"}:
        shape = "range = [1, 2]" if entry.ranged else "value = 1"
        raise FileError(f'{place}: write {{ {shape}, source = "assumed" }}')
    source = found["source"]
    if not isinstance(source, str) or not SOURCE.fullmatch(source):
        raise FileError(
            f"{place}: source {source!r:.60} must be 'common practice' or 'assumed', or begin with "
            "'published: ' or 'simulated: ' and say where"
        )
    if not entry.ranged:
        return _number(place, found[key], entry)
    pair = found[key]
    if not isinstance(pair, list | tuple) or len(pair) != 2:
        raise FileError(f"{place}: a range is its lowest and highest, such as [60, 110]")
    low, high = (_number(place, one, entry) for one in pair)
    if not low < high:
        raise FileError(f"{place}: range [{low:g}, {high:g}] must rise")
    return low, high


def _number(place: str, value: object, entry: Entry) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool)
    # Compared before it is made a float: an integer may be too long for one.
    if not good or not entry.lowest <= value <= entry.highest or not math.isfinite(value):  # type: ignore[operator, arg-type]
        shown = f"{value!s:.20}"
        raise FileError(
            f"{place}: {shown} does not lie between {entry.lowest:g} and {entry.highest:g} {entry.unit}"
        )
    return float(value)  # type: ignore[arg-type]


def written(table: Mapping[str, Any]) -> str:
    """A kind's table as TOML text; JSON writes its strings, numbers, lists and truth values as TOML does."""
    lines = [
        f"{key} = {json.dumps(value, ensure_ascii=False)}"
        for key, value in table.items()
        if not isinstance(value, Mapping)
    ]
    for section in ("typical", "spread"):
        lines += ["", f"[{section}]"]
        for key, figure in table[section].items():
            parts = ", ".join(
                f"{name} = {json.dumps(value, ensure_ascii=False)}" for name, value in figure.items()
            )
            lines.append(f"{key} = {{ {parts} }}")
    return "\n".join(lines) + "\n"
