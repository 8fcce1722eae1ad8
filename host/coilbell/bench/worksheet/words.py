"""Facts of an isolation worksheet -> text of 80 columns."""

from __future__ import annotations

from collections.abc import Sequence

from coilbell.bench.facts.worksheet import ProposalFacts, WorksheetFacts
from coilbell.bench.words.fit import quoted, wrapped
from coilbell.bench.worksheet.entries import FINDING
from coilbell.bench.worksheet.sentences import (
    NOTHING_CERTAIN,
    NOTHING_FITS,
    NOTHING_LEFT,
    NOTHING_SEEN,
    barred_words,
    conflict_words,
    head_words,
    how_words,
    move_words,
    parts_words,
    proposal_words,
    settle_words,
)
from coilbell.figure import percent
from coilbell.isolate import apart

__all__ = ["next_text", "worksheet_text"]

_BARS = 24


def worksheet_text(facts: WorksheetFacts) -> str:
    """A worksheet in words; lines of at most 80 columns, no newline at the end."""
    lines = [_head(facts)]
    lines += [wrapped(f"note: {remark}") for remark in facts.remarks]
    lines += _ranking(facts)
    lines += _account(facts)
    lines += _conflicts(facts)
    if facts.nothing_fits:
        lines.append(wrapped(f"ATTENTION: {NOTHING_FITS}"))
    lines.append(wrapped(NOTHING_CERTAIN))
    lines += [*_waiting(facts), *_next_lines(facts, 1)]
    return "\n".join(lines)


def next_text(facts: WorksheetFacts, count: int = 1) -> str:
    """The next best tests in words, with how to do them safely."""
    return "\n".join([_head(facts), *_leaders(facts), *_waiting(facts), *_next_lines(facts, count)])


def _head(facts: WorksheetFacts) -> str:
    return wrapped(head_words(facts), indent=0)


def _ranking(facts: WorksheetFacts) -> list[str]:
    lines = ["  what may have failed:"]
    for one in facts.hypotheses:
        chance = one.probability
        if chance < 0.005 and one.key != "unknown":
            continue
        bar = "=" * round(chance * _BARS)
        label = f"{percent(chance):>6}  {bar:<{_BARS}}  "
        lines.append(_beside(label, one.name))
    lines.append(wrapped(parts_words(facts)))
    return lines


def _beside(label: str, name: str) -> str:
    """`name` wrapped in its own column beside a label."""
    rows = wrapped(name, indent=0, width=80 - len(label)).split("\n")
    return "\n".join((label if k == 0 else " " * len(label)) + row.strip() for k, row in enumerate(rows))


def _account(facts: WorksheetFacts) -> list[str]:
    if not facts.moves:
        return [wrapped(NOTHING_SEEN)]
    leader = facts.hypotheses[0]
    lines = [wrapped(f"what moved the odds of {leader.name}:")]
    for move in facts.moves:
        lines.append(wrapped(f"- {move_words(move, facts)}", indent=4))
        lines.append(wrapped(f"because {move.reason} ({move.source})", indent=8))
        lines += [wrapped(f"note: {remark}", indent=8) for remark in move.remarks]
    return lines


def _conflicts(facts: WorksheetFacts) -> list[str]:
    found = [wrapped(f"- {conflict_words(one)}", indent=4) for one in facts.contradictions]
    return ["  does not fit:", *found] if found else []


def _leaders(facts: WorksheetFacts) -> list[str]:
    first = [f"{h.name} {percent(h.probability)}" for h in facts.hypotheses[:3]]
    return [wrapped(f"now: {', '.join(first)}")]


def _waiting(facts: WorksheetFacts) -> list[str]:
    """The item's latest finding where it is not in the worksheet yet, and what enters it."""
    one = facts.waiting
    if not one:
        return []
    return [wrapped(f"waiting: {one.words}"), wrapped(_enter(facts.title, f"{one.step} {FINDING}"), indent=4)]


def _enter(title: str, typed: str) -> str:
    return f"enter: coilbell isolate observe --item {quoted(title) if title else 'NAME'} {typed}"


def _next_lines(facts: WorksheetFacts, count: int) -> list[str]:
    proposals = facts.next
    if not proposals:
        return [wrapped(f"next: {NOTHING_LEFT}")]
    shown = [(one, "or" if place else "next") for place, one in enumerate(proposals[:count])]
    told = [one.step for one, _ in shown]
    settle = [(one, "settle") for one in facts.settle.next[:1] if one.step not in told]
    lines = _general([one for one, _ in (*shown, *settle)])
    for one, word in shown:
        lines += _proposal_lines(one, word, facts.title)
    lines.append(wrapped(settle_words(facts, told)))
    for one, word in settle:
        lines += _proposal_lines(one, word, facts.title)
    told += [one.step for one, _ in settle]
    barred = barred_words(proposals, told)
    return [*lines, *([wrapped(barred)] if barred else [])]


def _general(proposals: Sequence[ProposalFacts]) -> list[str]:
    """What holds before any of the steps, once."""
    words = dict.fromkeys(caution for one in proposals for caution in apart(one.cautions)[0])
    return [wrapped(f"CAUTION before any step: {' '.join(words)}")] if words else []


def _proposal_lines(one: ProposalFacts, word: str, title: str) -> list[str]:
    """A step: how to do it, and its own hazards right beside that."""
    seen = ", ".join(f"{o.key} ({o.name})" for o in one.outcomes)
    enter = _enter(title, one.enter)
    if "finding=" in enter:
        enter += "; finding=log for what `coilbell judge --item` kept"
    told = (
        how_words(one.how, one.live, instructed=one.instructed),
        *(f"CAUTION: {caution}" for caution in apart(one.cautions)[1]),
        f"may show: {seen}",
        enter,
    )
    return [wrapped(f"{word}: {proposal_words(one)}"), *(wrapped(text, indent=4) for text in told)]
