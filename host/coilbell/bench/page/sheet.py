"""An isolation worksheet as a page shows it, and what its form for a reading asks. All words are made here.

::

    none       no item is on the bench
    unbegun    an item without a worksheet
    damaged    its worksheet cannot be shown; the words say why
    open       ranked causes, what moved their odds, what does not fit, the next test, the form
"""

from __future__ import annotations

from collections.abc import Collection

from coilbell import terms
from coilbell.bench.facts.worksheet import HypothesisFacts, MoveFacts, ProposalFacts, WorksheetFacts
from coilbell.bench.page.messages import (
    Asks,
    Cause,
    Choices,
    ClosedSheet,
    Form,
    Move,
    NextTest,
    OpenSheet,
)
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
    odds_ratio,
    parts_words,
    proposal_words,
    settle_words,
)
from coilbell.bench.worksheet.sheet import Worksheet
from coilbell.figure import percent
from coilbell.isolate import LEVELS, Equipment, Step, apart, cautions, may, shipped

__all__ = ["closed_message", "latest_words", "open_message"]

_REASONED = 3
"""Causes whose reason is told beside them."""

_NUMBERS = {
    "line rate": "hz=15625 read=15590 uncertainty=2",
    "ring": "log10=-2.1",
}
"""Examples for the form where the kind's own names a file: a page may not name files of this computer."""

_LEVELS = {
    "none": "nothing live",
    "low voltage": "low voltage, powered",
    "mains": "mains, powered",
    "high voltage": "high voltage, powered",
}


def closed_message(item: str, words: str, state: str) -> ClosedSheet:
    """The message where no worksheet can be shown; state: "none", "unbegun" or "damaged"."""
    return ClosedSheet(item=item, state=state, words=words, kinds=_kinds(), levels=_levels())


def open_message(
    sheet: Worksheet, facts: WorksheetFacts, *, finding: bool, done: Collection[terms.Step]
) -> OpenSheet:
    """Everything a page shows of a worksheet. finding: the log holds one that may be entered; done: what was
    done to the set already."""
    best = facts.next[0] if facts.next else None
    told = [best.step] if best else []
    settle = next((one for one in facts.settle.next[:1] if one.step not in told), None)
    return OpenSheet(
        item=facts.title,
        state="open",
        words=head_words(facts),
        kinds=_kinds(),
        levels=_levels(),
        causes=[_cause(one, place) for place, one in enumerate(facts.hypotheses)],
        parts=parts_words(facts),
        certain=NOTHING_CERTAIN,
        nothing_fits=NOTHING_FITS if facts.nothing_fits else "",
        remarks=facts.remarks,
        moves_head=f"What moved the odds of {facts.hypotheses[0].name}",
        moves=[_move(one, facts) for one in facts.moves],
        unmoved="" if facts.moves else NOTHING_SEEN,
        conflicts=[conflict_words(one) for one in facts.contradictions],
        general=_general(sheet.kind),
        next=_test(best) if best else None,
        none_left="" if best else NOTHING_LEFT,
        settle_words=settle_words(facts, told) if best else "",
        settle=_test(settle) if best and settle else None,
        barred=barred_words(facts.next, [*told, settle.step] if settle else told),
        readings=[(one.entry, f"{one.step}: {one.words}") for one in facts.readings],
        withdrawn=[f"{one.entry}: {one.why}" for one in facts.withdrawn],
        waiting=facts.waiting.words if facts.waiting else "",
        form=_form(sheet, facts, finding=finding, done=done),
    )


def latest_words(message: OpenSheet) -> str:
    """Where an open worksheet stands, in a sentence to be read out."""
    first = message.causes[0]
    then = message.next.head.partition(", expected")[0] if message.next else NOTHING_LEFT
    return f"likeliest now: {first.name}, {first.words}; next: {then}"


def _kinds() -> Choices:
    return [(kind.name, f"{kind.name}: {kind.summary}") for kind in shipped().values()]


def _levels() -> Choices:
    return [(level, _LEVELS[level]) for level in LEVELS]


def _cause(one: HypothesisFacts, place: int) -> Cause:
    chance = one.probability
    reason = f"{one.reason} ({one.source})" if place < _REASONED else ""
    return Cause(
        name=one.name,
        words=percent(chance),
        odds=f"odds {odds_ratio(chance)}",
        share=round(chance, 4),
        reason=reason,
    )


def _move(move: MoveFacts, facts: WorksheetFacts) -> Move:
    because = f"because {move.reason} ({move.source})"
    return Move(words=move_words(move, facts), because=because, remarks=move.remarks)


def _general(kind: Equipment) -> tuple[str, ...]:
    """What holds before any step of the kind, once a sheet: the form for a reading offers all of them."""
    words = (caution for step in kind.step for caution in apart(cautions(step.hazards))[0])
    return tuple(dict.fromkeys(words))


def _test(one: ProposalFacts) -> NextTest:
    """A test: how to do it, then its own hazards; what holds before any step stands above once."""
    return NextTest(
        step=one.step,
        head=proposal_words(one),
        how=how_words(one.how, one.live, instructed=one.instructed),
        cautions=apart(one.cautions)[1],
        shows=f"may show: {'; '.join(o.name for o in one.outcomes)}",
    )


def _form(sheet: Worksheet, facts: WorksheetFacts, *, finding: bool, done: Collection[terms.Step]) -> Form:
    """The steps in the order of the plan, then those that are done or tell little, each with what it asks."""
    planned = [one.step for one in facts.next]
    read = {evidence.step for evidence in sheet.evidence}
    order = sorted(sheet.kind.step, key=lambda s: planned.index(s.key) if s.key in planned else len(planned))
    first = facts.waiting.step if facts.waiting else next(iter(planned), order[0].key)
    return Form(
        first=first,
        fresh=bool(facts.waiting),
        steps=[(step.key, _step_words(step, read)) for step in order],
        asks={step.key: _asks(step, sheet, finding=finding, done=done) for step in order},
    )


def _step_words(step: Step, read: Collection[str]) -> str:
    live = "" if step.live == "none" else f" (live: {step.live})"
    return f"{step.name}{live}{', again' if step.key in read else ''}"


def _asks(step: Step, sheet: Worksheet, *, finding: bool, done: Collection[terms.Step]) -> Asks:
    """What the form asks for a step. The first choice of a measured step is its numbers."""
    allowed = may(step.live, sheet.qualified)
    outcomes = [(o.key, o.name) for o in step.outcome]
    ring = [(FINDING, "the item's latest finding in the log")] if step.measure == "ring" and finding else []
    # Nothing is chosen at first: what nobody chose is never entered.
    numbers = [("", "numbers, typed below" if step.measure != "seen" else "choose what it showed")]
    example = _NUMBERS.get(step.measure, step.enter.partition(" ")[2])
    return Asks(
        how=how_words(step.how_after(done), step.live, instructed=allowed),
        cautions=apart(cautions(step.hazards))[1],
        outcomes=[*ring, *numbers, *outcomes],
        example=f"such as {example}" if step.measure != "seen" else "",
    )
