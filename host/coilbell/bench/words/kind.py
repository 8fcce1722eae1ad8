"""Kinds of winding in words: one line in a list, or every figure with its unit and its source."""

from __future__ import annotations

import msgspec

from coilbell.bench.facts.base import Facts, Figure
from coilbell.bench.facts.ring import Left
from coilbell.bench.words.fit import wrapped
from coilbell.quantities import engineering
from coilbell.winding import SPREAD, TYPICAL, FaultFigure, Kind

__all__ = ["fault_facts", "fault_line", "kind_facts", "kind_line", "kind_text"]

KIND_FACTS_SCHEMA = 1
"""Number of the layout of `KindFacts` and `FaultFacts`."""

_SECTIONS = {
    "typical": "typical of a healthy one",
    "spread": "spread, standard deviations of natural logarithms",
}

_FLAGS = {
    "secondary": "other windings on its core",
    "high_voltage": "a winding of high voltage",
    "rectifiers_inside": "rectifiers inside the part",
    "iron": "an iron core",
}


class KindFigure(Facts, frozen=True, kw_only=True):
    """A figure, or the lowest and the highest there are; unit "1" for none."""

    lowest: Figure | Left = msgspec.UNSET
    highest: Figure | Left = msgspec.UNSET
    value: Figure | Left = msgspec.UNSET
    unit: str
    what: str
    source: str


class KindFacts(Facts, frozen=True, kw_only=True):
    """Everything that stands in a kind; typical, spread: figures by their names in its file."""

    schema: int = KIND_FACTS_SCHEMA
    what: str = "kind of winding"
    name: str
    has: tuple[str, ...]
    remark: str
    typical: dict[str, KindFigure]
    spread: dict[str, KindFigure]


class FaultFacts(Facts, frozen=True, kw_only=True):
    """One figure of how faults spread."""

    schema: int = KIND_FACTS_SCHEMA
    what: str = "fault figure"
    name: str
    figure: KindFigure


def kind_facts(kind: Kind) -> KindFacts:
    """Everything that stands in a kind: figures with their unit and source."""
    entries = {"typical": TYPICAL, "spread": SPREAD}
    found: dict[str, dict[str, KindFigure]] = {name: {} for name in _SECTIONS}
    for place, source in kind.sources:
        section, _, key = place.partition(".")
        entry = entries[section][key]
        value = getattr(kind if section == "typical" else kind.spread, key)
        low, high = value if isinstance(value, tuple) else (value, value)
        found[section][key] = _figure(low, high, entry.unit, entry.words, source, ranged=entry.ranged)
    has = tuple(words for flag, words in _FLAGS.items() if getattr(kind, flag))
    return KindFacts(
        name=kind.name, has=has, remark=kind.remark, typical=found["typical"], spread=found["spread"]
    )


def _figure(low: float, high: float, unit: str, words: str, source: str, *, ranged: bool) -> KindFigure:
    if ranged:
        return KindFigure(lowest=low, highest=high, unit=unit, what=words, source=source)
    return KindFigure(value=low, unit=unit, what=words, source=source)


def kind_line(facts: KindFacts) -> str:
    """Name, usual Q and what the kind has, in one line."""
    q, farads = facts.typical["healthy_q"], facts.typical["usual_farads"]
    has = "".join(f"; {words}" for words in facts.has)
    return wrapped(f"{facts.name}: usual Q {_told(q)} with {_told(farads)} ({q.source}){has}", indent=0)


def kind_text(facts: KindFacts) -> str:
    """The facts in words; lines of at most 80 columns."""
    lines = [wrapped(f"{facts.name}{': ' * bool(facts.has)}{', '.join(facts.has)}", indent=0)]
    if facts.remark:
        lines.append(wrapped(f"remark: {facts.remark}"))
    for section, head in _SECTIONS.items():
        figures: dict[str, KindFigure] = getattr(facts, section)
        lines.append(f"  {head}:")
        lines += [wrapped(_words(key, one), indent=4) for key, one in figures.items()]
    return "\n".join(lines)


def fault_facts(figure: FaultFigure) -> FaultFacts:
    """One figure of how faults spread."""
    told = _figure(
        figure.low, figure.high, figure.unit, figure.words, figure.source, ranged=figure.low != figure.high
    )
    return FaultFacts(name=figure.name, figure=told)


def fault_line(facts: FaultFacts) -> str:
    """The facts in words."""
    return wrapped(_words(facts.name, facts.figure), indent=0)


def _words(key: str, one: KindFigure) -> str:
    return f"{key} {_told(one)}: {one.what} ({one.source})"


def _told(one: KindFigure) -> str:
    unit = one.unit if one.unit in ("F", "ohm") else ""
    values = [v for v in (one.lowest, one.highest, one.value) if not isinstance(v, msgspec.UnsetType)]
    return " to ".join(engineering(value, unit) if unit else f"{value:g}" for value in values)
