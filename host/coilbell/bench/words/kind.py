"""Kinds of winding in words: one line in a list, or every figure with its unit and its source."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coilbell.bench.words.fit import wrapped
from coilbell.quantities import engineering
from coilbell.winding import SPREAD, TYPICAL, FaultFigure, Kind

__all__ = ["KIND_FACTS_SCHEMA", "fault_facts", "fault_line", "kind_facts", "kind_line", "kind_text"]

KIND_FACTS_SCHEMA = 1
"""Number of the layout `kind_facts` gives."""

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


def kind_facts(kind: Kind) -> dict[str, Any]:
    """Everything that stands in a kind, ready for JSON: figures with their unit and source."""
    entries = {"typical": TYPICAL, "spread": SPREAD}
    found: dict[str, dict[str, Any]] = {name: {} for name in _SECTIONS}
    for place, source in kind.sources:
        section, _, key = place.partition(".")
        entry = entries[section][key]
        value = getattr(kind if section == "typical" else kind.spread, key)
        low, high = value if isinstance(value, tuple) else (value, value)
        shape = {"lowest": low, "highest": high} if entry.ranged else {"value": value}
        found[section][key] = shape | {"unit": entry.unit, "what": entry.words, "source": source}
    return {
        "schema": KIND_FACTS_SCHEMA,
        "what": "kind of winding",
        "name": kind.name,
        "has": [words for flag, words in _FLAGS.items() if getattr(kind, flag)],
        "remark": kind.remark,
    } | found


def kind_line(facts: Mapping[str, Any]) -> str:
    """Name, usual Q and what the kind has, in one line; facts: of `kind_facts`."""
    q, farads = (facts["typical"][key] for key in ("healthy_q", "usual_farads"))
    has = "".join(f"; {words}" for words in facts["has"])
    usual = f"{q['lowest']:g} to {q['highest']:g} with {engineering(farads['value'], 'F')}"
    return wrapped(f"{facts['name']}: usual Q {usual} ({q['source']}){has}", indent=0)


def kind_text(facts: Mapping[str, Any]) -> str:
    """The dict of `kind_facts` in words; lines of at most 80 columns."""
    lines = [wrapped(f"{facts['name']}{': ' * bool(facts['has'])}{', '.join(facts['has'])}", indent=0)]
    if facts["remark"]:
        lines.append(wrapped(f"remark: {facts['remark']}"))
    for section, head in _SECTIONS.items():
        lines.append(f"  {head}:")
        lines += [wrapped(_figure(key, one), indent=4) for key, one in facts[section].items()]
    return "\n".join(lines)


def fault_facts(figure: FaultFigure) -> dict[str, Any]:
    """One figure of how faults spread, ready for JSON."""
    shape = (
        {"value": figure.low} if figure.low == figure.high else {"lowest": figure.low, "highest": figure.high}
    )
    told = {"unit": figure.unit, "what": figure.words, "source": figure.source}
    return {"schema": KIND_FACTS_SCHEMA, "what": "fault figure", "name": figure.name, "figure": shape | told}


def fault_line(facts: Mapping[str, Any]) -> str:
    """The dict of `fault_facts` in words."""
    return wrapped(_figure(facts["name"], facts["figure"]), indent=0)


def _figure(key: str, one: Mapping[str, Any]) -> str:
    unit = one["unit"] if one["unit"] in ("F", "ohm") else ""
    values = [one[name] for name in ("lowest", "highest", "value") if name in one]
    told = " to ".join(engineering(value, unit) if unit else f"{value:g}" for value in values)
    return f"{key} {told}: {one['what']} ({one['source']})"
