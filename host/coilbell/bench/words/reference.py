"""References in words: one line in a list, or units, captures and spreads on a screen."""

from __future__ import annotations

from coilbell.bench.facts.reference import CaptureFacts, ExpectedFacts, ReferenceFacts
from coilbell.bench.words.fit import wrapped
from coilbell.bench.words.moment import local_time
from coilbell.quantities import concise, engineering
from coilbell.winding import Condition, Reference

__all__ = ["reference_line", "reference_text"]


def reference_line(reference: Reference) -> str:
    """Name, kind, units and capacitors in one line."""
    good, shorted = (len(reference.units(c)) for c in (Condition.GOOD, Condition.SHORTED))
    values = ", ".join(engineering(c.farads, "F") for c in reference.capacitors()) or "none"
    return wrapped(
        f"{reference.name}: {reference.kind.name}; {good} good, {shorted} shorted; with {values}", indent=0
    )


def reference_text(facts: ReferenceFacts) -> str:
    """The facts in words; lines of at most 80 columns."""
    lines = [wrapped(f"{facts.name}: {facts.kind}", indent=0)]
    made = local_time(facts.created or "") or "at an unknown time"
    lines.append(f"  made {made}, sha256 {facts.sha256[:16]}...")
    if facts.note:
        lines.append(wrapped(f"note: {facts.note}"))
    who = {one.origin: f", handed on by {one.who} on {one.exported[:10]}" for one in facts.provenance}
    lines += [wrapped(f"merged from {name}{who.get(name, '')}") for name in facts.origins]
    boards = dict.fromkeys(capture.board for capture in facts.captures if capture.board)
    lines += [wrapped(f"rung by {board}") for board in boards]
    rows: list[tuple[str, ...]] = [("unit", "state", "capacitor", "frequency", "Q", "date")]
    rows += [_row(capture) for capture in facts.captures]
    widths = [max(len(row[k]) for row in rows) for k in range(6)]
    lines += [
        ("  " + "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True))).rstrip()
        for row in rows
    ]
    lines += [
        wrapped(f"{capture.unit}: shorted is {capture.how}")
        for capture in {c.how: c for c in facts.captures if c.how}.values()
    ]
    lines += [wrapped(_healthy_words(item)) for item in facts.healthy]
    lines += [wrapped(f"remark: {remark}") for remark in facts.remarks]
    return "\n".join(lines)


def _row(capture: CaptureFacts) -> tuple[str, ...]:
    rang = capture.frequency_hz is not None
    return (
        capture.unit[:24],
        capture.condition,
        engineering(capture.test_capacitor_f, "F"),
        concise(capture.frequency_hz, capture.frequency_standard_uncertainty_hz, "Hz") if rang else "no ring",
        concise(capture.q, capture.q_standard_uncertainty) if rang else "-",
        (capture.utc or "")[:10],
    )


def _healthy_words(item: ExpectedFacts) -> str:
    return (
        f"the next good unit with {engineering(item.test_capacitor_f, 'F')} is expected at "
        f"{engineering(item.frequency_hz, 'Hz')} +-{item.frequency_spread:.1%}, Q {item.q:.3g} "
        f"+-{item.q_spread:.0%}; {item.assumed_share:.0%} of that spread is assumption"
    )
