"""Figures of `winding/faults.toml`: how severe faults may be, and how often each is met, with their sources.

::

    value("own_turns.single")          0.88
    span("own_turns.contact_ohms")     (0.03, 300.0)
    listed()                           every figure with its unit, meaning and source
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from coilbell.errors import FileError
from coilbell.winding.odds.kindfile import SOURCE

__all__ = ["SCHEMA", "FaultFigure", "listed", "span", "value"]

SCHEMA = 1
"""Number of the file's layout."""

_FILE = Path(__file__).parents[1] / "faults.toml"


@dataclass(frozen=True, slots=True)
class FaultFigure:
    """One figure; low and high are the same for a single number."""

    name: str
    low: float
    high: float
    unit: str
    words: str
    source: str


def value(name: str) -> float:
    """The single number of that name, such as "own_turns.single"."""
    found = _all()[name]
    assert found.low == found.high, f"{name} is a range"
    return found.low


def span(name: str) -> tuple[float, float]:
    """Lowest and highest of that name, such as "own_turns.contact_ohms"."""
    found = _all()[name]
    return found.low, found.high


def listed() -> tuple[FaultFigure, ...]:
    """Every figure, in the file's order."""
    return tuple(_all().values())


@cache
def _all() -> dict[str, FaultFigure]:
    return {one.name: one for one in _read(_FILE.read_text(encoding="utf-8"))}


def _read(text: str) -> Iterator[FaultFigure]:
    """The figures of a TOML text. Raises FileError, naming the place, for one that does not hold together."""
    table = tomllib.loads(text)
    if table.pop("schema", None) != SCHEMA:
        raise FileError(f"faults.toml: this version knows schema {SCHEMA}; install coilbell again")
    for section, figures in table.items():
        for key, told in figures.items():
            yield _figure(f"{section}.{key}", told)


def _figure(name: str, told: dict[str, object]) -> FaultFigure:
    ends = told.get("range", [told.get("value")] * 2)
    match ends, told:
        case (
            [(int() | float()) as low, (int() | float()) as high],
            {"unit": str(unit), "what": str(words), "source": str(source)},
        ) if (
            0 < low <= high
            and SOURCE.fullmatch(source)
            and len(told) == len(("range", "unit", "what", "source"))
        ):
            return FaultFigure(name, float(low), float(high), unit, words, source)
    raise FileError(f"faults.toml: {name}: give value or a rising range, unit, what and source")
