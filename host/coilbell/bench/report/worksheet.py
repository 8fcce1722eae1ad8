"""The sections of a report that tell an item's isolation worksheet."""

from __future__ import annotations

from coilbell.bench.facts.worksheet import WorksheetFacts
from coilbell.bench.log import Item, Log
from coilbell.bench.log.keeper import kept_facts
from coilbell.bench.worksheet.words import NOTHING_CERTAIN, NOTHING_FITS, move_words
from coilbell.errors import FileError
from coilbell.figure import percent
from coilbell.quantities import counted

__all__ = ["isolation_sections", "kept_worksheet"]

_HEAD = "Isolation worksheet"

Section = tuple[str, tuple[str, ...]]


def kept_worksheet(log: Log, item: Item) -> tuple[WorksheetFacts | None, str]:
    """The facts of the item's worksheet, None where none was begun, and why they cannot be had."""
    try:
        return kept_facts(log, item), ""
    except FileError as error:  # the rest of the item is reported all the same
        return None, str(error)


def isolation_sections(facts: WorksheetFacts | None, problem: str = "") -> tuple[Section, ...]:
    """Ranked causes with their odds, what moved them, and the next test with its cautions.

    Nothing for an item without a worksheet.
    """
    if problem:
        return ((_HEAD, (f"cannot be shown: {problem}",)),)
    if facts is None:
        return ()
    sections = (
        (_HEAD, _causes(facts)),
        (f"{_HEAD}: what moved the odds", _moves(facts)),
        (f"{_HEAD}: next test", _next(facts)),
    )
    return tuple((head, sentences) for head, sentences in sections if sentences)


def _causes(facts: WorksheetFacts) -> tuple[str, ...]:
    live = "nothing live" if facts.qualified == "none" else f"live work up to {facts.qualified}"
    lines = [f"{facts.kind}, {counted(len(facts.readings), 'reading')}; stated qualification: {live}"]
    lines += [
        f"{percent(one.probability)} {one.name} (before any reading {percent(one.prior)})"
        for one in facts.hypotheses
        if one.probability >= 0.005 or one.key == "unknown"
    ]
    parts = [f"{p.part} {percent(p.probability)}" for p in facts.parts if p.probability >= 0.01]
    lines.append(f"to take out: {', '.join(parts)}")
    lines += [f"note: {remark}" for remark in facts.remarks]
    lines += [f"ATTENTION: {NOTHING_FITS}"] if facts.nothing_fits else []
    return (*lines, NOTHING_CERTAIN)


def _moves(facts: WorksheetFacts) -> tuple[str, ...]:
    """Each step as it moved the odds of the likeliest cause; what does not fit; what was withdrawn."""
    lines = [f"of {facts.hypotheses[0].name}:"] if facts.moves else []
    for move in facts.moves:
        notes = "".join(f"; note: {remark}" for remark in move.remarks)
        lines.append(f"{move_words(move, facts)}, because {move.reason} ({move.source}){notes}")
    lines += [
        f"does not fit: {c.step}: {c.words} ({percent(c.chance)} as likely); check it first"
        for c in facts.contradictions
    ]
    lines += [f"withdrawn: reading {one.entry}: {one.why}" for one in facts.withdrawn]
    return tuple(lines)


def _next(facts: WorksheetFacts) -> tuple[str, ...]:
    """The best test, its cautions before its instruction."""
    if not facts.next:
        return ("no listed test would tell more; replace the likeliest part and see, or look wider",)
    one = facts.next[0]
    how = (
        f"how: {one.how}"
        if one.instructed
        else f"not instructed: live work ({one.live}); what people qualified for it read can be entered"
    )
    return (
        f"{one.name} [{one.step}], expected to tell {one.bits:.2f} bit for "
        f"{one.effort_min:.0f} min of effort, risk included",
        *(f"CAUTION: {caution}" for caution in one.cautions),
        how,
        f"may show: {', '.join(outcome.name for outcome in one.outcomes)}",
    )
