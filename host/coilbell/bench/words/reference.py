"""References in words: one line in a list, or units, captures and spreads on a screen."""

from __future__ import annotations

import math
from typing import Any

from coilbell.bench.words.fit import wrapped
from coilbell.quantities import concise, engineering
from coilbell.winding import Condition, Healthy, Reference, digest, healthy_of, remarks

__all__ = ["REFERENCE_FACTS_SCHEMA", "reference_facts", "reference_line", "reference_text"]

REFERENCE_FACTS_SCHEMA = 1
"""Number of the layout `reference_facts` gives."""


def reference_line(reference: Reference) -> str:
    """Name, kind, units and capacitors in one line."""
    good, shorted = (len(reference.units(c)) for c in (Condition.GOOD, Condition.SHORTED))
    values = ", ".join(engineering(c.farads, "F") for c in reference.capacitors()) or "none"
    return wrapped(
        f"{reference.name}: {reference.kind.name}; {good} good, {shorted} shorted; with {values}", indent=0
    )


def reference_facts(reference: Reference) -> dict[str, Any]:
    """Everything shown of a reference, ready for JSON."""
    return {
        "schema": REFERENCE_FACTS_SCHEMA,
        "what": "reference",
        "name": reference.name,
        "kind": reference.kind.name,
        "note": reference.note,
        "created": reference.created.isoformat() if reference.created else None,
        "sha256": digest(reference),
        "origins": list(reference.origins),
        "good_units": list(reference.units()),
        "captures": [_capture(c) for c in reference.captures],
        "healthy": [_healthy(healthy_of(reference, [c])) for c in reference.capacitors()],
        "remarks": list(remarks(reference)),
    }


def reference_text(facts: dict[str, Any]) -> str:
    """The dict of `reference_facts` in words; lines of at most 80 columns."""
    lines = [wrapped(f"{facts['name']}: {facts['kind']}", indent=0)]
    made = f"{facts['created'][:16].replace('T', ' ')} UTC" if facts["created"] else "at an unknown time"
    lines.append(f"  made {made}, sha256 {facts['sha256'][:16]}...")
    if facts["note"]:
        lines.append(wrapped(f"note: {facts['note']}"))
    lines += [wrapped(f"merged from {name}") for name in facts["origins"]]
    rows: list[tuple[str, ...]] = [("unit", "state", "capacitor", "frequency", "Q", "date")]
    rows += [_row(capture) for capture in facts["captures"]]
    widths = [max(len(row[k]) for row in rows) for k in range(6)]
    lines += [
        ("  " + "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True))).rstrip()
        for row in rows
    ]
    lines += [
        wrapped(f"{capture['unit']}: shorted is {capture['how']}")
        for capture in {c["how"]: c for c in facts["captures"] if c["how"]}.values()
    ]
    lines += [wrapped(_healthy_words(item)) for item in facts["healthy"]]
    lines += [wrapped(f"remark: {remark}") for remark in facts["remarks"]]
    return "\n".join(lines)


def _capture(capture: Any) -> dict[str, Any]:
    seen = capture.observation
    return {
        "unit": capture.unit,
        "condition": str(capture.condition),
        "how": capture.how,
        "origin": capture.origin,
        "test_capacitor_f": seen.capacitor.farads,
        "frequency_hz": seen.frequency_hz,
        "frequency_standard_uncertainty_hz": _spread(seen.frequency_hz, seen.frequency_uncertainty),
        "q": seen.q,
        "q_standard_uncertainty": _spread(seen.q, seen.q_uncertainty),
        "utc": seen.utc.isoformat() if seen.utc else None,
        "source": seen.source,
        "doubts": list(seen.doubts),
    }


def _spread(value: float | None, relative: float) -> float | None:
    """Standard uncertainty of a value, None where it is unknown."""
    return value * relative if value is not None and math.isfinite(relative) else None


def _row(capture: dict[str, Any]) -> tuple[str, ...]:
    rang = capture["frequency_hz"] is not None
    return (
        capture["unit"][:24],
        capture["condition"],
        engineering(capture["test_capacitor_f"], "F"),
        concise(capture["frequency_hz"], capture["frequency_standard_uncertainty_hz"], "Hz")
        if rang
        else "no ring",
        concise(capture["q"], capture["q_standard_uncertainty"]) if rang else "-",
        (capture["utc"] or "")[:10],
    )


def _healthy(by: Healthy) -> dict[str, Any]:
    return {
        "test_capacitor_f": by.capacitors[0].farads,
        "frequency_hz": math.exp(by.location[0]),
        "q": math.exp(-by.location[1]),
        "frequency_spread": float(by.spreads[0]),
        "q_spread": float(by.spreads[1]),
        "assumed_share": by.prior_share,
        "units": len(by.units),
    }


def _healthy_words(item: dict[str, Any]) -> str:
    return (
        f"the next good unit with {engineering(item['test_capacitor_f'], 'F')} is expected at "
        f"{engineering(item['frequency_hz'], 'Hz')} +-{item['frequency_spread']:.1%}, Q {item['q']:.3g} "
        f"+-{item['q_spread']:.0%}; {item['assumed_share']:.0%} of that spread is assumption"
    )
