"""The sections of a report that tell an item's isolation worksheet."""

from __future__ import annotations

from coilbell.bench.facts.worksheet import WorksheetFacts
from coilbell.bench.report.sheet import Section
from coilbell.bench.worksheet.sentences import (
    NOTHING_CERTAIN,
    NOTHING_FITS,
    NOTHING_LEFT,
    head_words,
    move_words,
    parts_words,
)
from coilbell.figure import percent

__all__ = ["isolation_sections"]

_HEAD = "Isolation worksheet"


def isolation_sections(facts: WorksheetFacts | None, problem: str = "") -> tuple[Section, ...]:
    """Ranked causes with their odds, and what moved them; nothing for an item without a worksheet."""
    if problem:
        return ((_HEAD, (f"cannot be shown: {problem}",)),)
    if facts is None:
        return ()
    if not facts.readings:
        return ((_HEAD, (f"{head_words(facts)}; nothing was read yet", f"next test: {_next(facts)}")),)
    sections = ((_HEAD, _causes(facts)), (f"{_HEAD}: what moved the odds", _moves(facts)))
    return tuple((head, sentences) for head, sentences in sections if sentences)


def _causes(facts: WorksheetFacts) -> tuple[str, ...]:
    lines = [head_words(facts)]
    causes = [
        f"{one.name} {percent(one.probability)} ({percent(one.prior)})"
        for one in facts.hypotheses
        if one.probability >= 0.005 or one.key == "unknown"
    ]
    lines.append(f"may have failed, in brackets before any reading: {'; '.join(causes)}")
    lines.append(parts_words(facts))
    lines += [f"note: {remark}" for remark in facts.remarks]
    lines += [f"ATTENTION: {NOTHING_FITS}"] if facts.nothing_fits else []
    return (*lines, f"next test: {_next(facts)}", NOTHING_CERTAIN)


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


def _next(facts: WorksheetFacts) -> str:
    """The best test by name: a page on paper instructs nobody, so that its cautions stand at the bench."""
    return f"{facts.next[0].name} ({facts.next[0].step})" if facts.next else NOTHING_LEFT
