"""The log in words: items as facts ready for JSON, and the same facts as text of 80 columns."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import UNSET, UnsetType

from coilbell.bench.facts.base import Plain
from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.item import (
    LOG_SCHEMA,
    ItemFacts,
    ItemFound,
    ItemHead,
    JudgementFacts,
    KeptCaptureFacts,
    KeptFitFacts,
    ReferenceName,
    RetractionFacts,
)
from coilbell.bench.facts.judgement import Judgement
from coilbell.bench.facts.outcome import KeptOutcomeFacts
from coilbell.bench.log.book import Log
from coilbell.bench.log.corrections import corrected, withdrawals
from coilbell.bench.log.held import held
from coilbell.bench.log.marks import marks
from coilbell.bench.log.outcomes import outcomes_of
from coilbell.bench.log.refit import RefitSummary
from coilbell.bench.log.rows import Item, KeptCapture, KeptFit, KeptJudgement
from coilbell.bench.words.finding import comparison_text, finding_text
from coilbell.bench.words.fit import facts_headline, wrapped
from coilbell.bench.words.moment import local_time
from coilbell.bench.words.outcome import outcome_words
from coilbell.errors import FileError
from coilbell.figure import percent
from coilbell.quantities import counted, engineering
from coilbell.record import Connection

__all__ = ["item_facts", "item_found", "item_head", "item_line", "item_text", "judgement_text", "refit_text"]


_MORE = "log show --all"
"""The command that tells the rest."""


def item_head(log: Log, item: Item) -> ItemHead:
    """What a list shows of an item."""
    return ItemHead(**_head(item, log.explanation(item)), ended=_ended(log, item))


def item_found(log: Log, item: Item, place: str) -> ItemFound:
    """The same of an item that was searched for; place: the words as they stand in it."""
    return ItemFound(**_head(item, log.explanation(item)), ended=_ended(log, item), place=place)


def _ended(log: Log, item: Item) -> tuple[str, ...] | UnsetType:
    """Causes of the item's ends that stand."""
    return tuple(one.outcome.cause for one in outcomes_of(log, item)) or UNSET


def _head(item: Item, explanation: str | None) -> Plain:
    names = ("name", "equipment", "part", "kind", "serial", "added_utc")
    told: Plain = {name: getattr(item, name) for name in names}
    return told | {"schema": LOG_SCHEMA, "what": "item", "explanation": explanation}


def item_facts(log: Log, item: Item) -> ItemFacts:
    """Everything the log holds of an item, but for the samples."""
    from coilbell.bench.log.keeper import kept_facts

    kept = held(log, item)
    worksheet, problem = None, ""
    try:
        worksheet = kept_facts(log, item)
    except FileError as error:  # the rest of the item is shown all the same
        problem = str(error)
    return ItemFacts(
        **_head(item, log.explanation(item)),
        worksheet=worksheet,
        worksheet_problem=problem,
        captures=tuple(_capture_facts(capture, fits) for capture, fits in kept.captures),
        judgements=tuple(_judgement_facts(one, marks(log, one)) for one in kept.judgements),
        notes=kept.notes,
        photos=kept.photos,
        corrected=tuple(corrected(log, item)) or UNSET,
        taken_back=tuple(
            RetractionFacts(entry=one.what, added_utc=one.added_utc, why=one.why)
            for one in withdrawals(log, item)
        )
        or UNSET,
        damage=kept.damage or UNSET,
        outcomes=tuple(
            KeptOutcomeFacts(id=one.id, added_utc=one.added_utc, outcome=one.outcome) for one in kept.outcomes
        )
        or UNSET,
    )


def _capture_facts(capture: KeptCapture, fits: Sequence[KeptFit]) -> KeptCaptureFacts:
    return KeptCaptureFacts(
        id=capture.id,
        label=capture.label,
        connection=capture.connection,
        sha256=capture.sha256,
        added_utc=capture.added_utc,
        records=len(capture.records),
        fits=tuple(map(_fit_facts, fits)),
    )


def _fit_facts(fit: KeptFit) -> KeptFitFacts:
    return KeptFitFacts(id=fit.id, made_utc=fit.made_utc, versions=fit.versions, facts=fit.facts)


def _judgement_facts(one: KeptJudgement, marked: tuple[str, ...]) -> JudgementFacts:
    return JudgementFacts(
        id=one.id,
        made_utc=one.made_utc,
        versions=one.versions,
        question=one.question,
        reference=one.reference and ReferenceName(name=one.reference[0], sha256=one.reference[1]),
        explanation=one.explanation,
        facts=one.facts,
        fits=one.fits,
        marks=marked or UNSET,
    )


def item_line(facts: ItemHead) -> str:
    """An item in one line of a list."""
    what = ", ".join(filter(None, (facts.equipment, facts.part or facts.kind, facts.serial)))
    told = facts.explanation or "not judged"
    end = f"; in the end: {', '.join(facts.ended)}" if facts.ended else ""
    return wrapped(f"{facts.added_utc[:10]}  {facts.name}: {what or 'no details'}; {told}{end}", indent=0)


def item_text(facts: ItemFacts, *, everything: bool = False) -> str:
    """An item in words. everything: older fits and findings as well."""
    lines = [wrapped(f"{facts.name}, in the log since {local_time(facts.added_utc)}", indent=0)]
    lines += [wrapped(f"{name}: {words}") for name, words in _details(facts) if words]
    lines += [wrapped(f"before: {words}") for words in facts.corrected or ()]
    lines += [wrapped(f"DAMAGED: {words}") for words in facts.damage or ()]
    lines += [
        wrapped(f"in the end, {one.added_utc[:10]}: {outcome_words(one.outcome)}")
        for one in facts.outcomes or ()
    ]
    for capture in facts.captures:
        lines += _capture_lines(capture, everything)
    shown = facts.judgements if everything else _newest(facts.judgements)
    for one in shown:
        lines += ["", wrapped(_judgement_head(one), indent=0), judgement_text(one.facts, full=everything)]
        lines += [wrapped(f"MARKED: {words}") for words in one.marks or ()]
    if earlier := len(facts.judgements) - len(shown):
        lines.append(wrapped(f"{counted(earlier, 'earlier judgement')}: give --all"))
    lines += _worksheet_lines(facts)
    if facts.notes or facts.photos:
        lines.append("")
    lines += [wrapped(f"{local_time(note.added_utc)}  {note.words}") for note in facts.notes]
    lines += [
        wrapped(f"{local_time(photo.added_utc)}  photo {photo.path} {photo.words}".rstrip())
        for photo in facts.photos
    ]
    lines += [
        wrapped(f"taken back {local_time(one.added_utc)}: {one.entry}{f' ({one.why})' * bool(one.why)}")
        for one in facts.taken_back or ()
    ]
    return "\n".join(lines)


def _details(facts: ItemFacts) -> tuple[tuple[str, str], ...]:
    return (
        ("equipment", facts.equipment),
        ("part", facts.part),
        ("kind", facts.kind),
        ("serial", facts.serial),
    )


def _newest(judgements: Sequence[JudgementFacts]) -> list[JudgementFacts]:
    """The last finding and the last comparison, in their order."""
    last = {one.facts.what: one.id for one in judgements}
    return [one for one in judgements if one.id in last.values()]


def _worksheet_lines(facts: ItemFacts) -> list[str]:
    if facts.worksheet_problem:
        return ["", wrapped(f"isolation worksheet cannot be shown: {facts.worksheet_problem}", indent=0)]
    if facts.worksheet is None:
        return []
    from coilbell.bench.worksheet.words import worksheet_text

    return ["", "isolation worksheet", worksheet_text(facts.worksheet)]


def _capture_lines(capture: KeptCaptureFacts, everything: bool) -> list[str]:
    fits = capture.fits if everything else capture.fits[-1:]
    test = fits[-1].facts.test_capacitor_f if fits else None
    how = [
        engineering(test, "F") if test else "",
        counted(capture.records, "shot") if capture.records > 1 else "",
        "connection not said" if capture.connection == Connection.UNKNOWN else capture.connection,
    ]
    head = f"capture {capture.id}: {capture.label or 'unnamed'} ({', '.join(filter(None, how))})"
    return [
        wrapped(head),
        *(wrapped(f"{facts_headline(fit.facts)}{_by(fit) if everything else ''}", 4) for fit in fits),
    ]


def _judgement_head(one: JudgementFacts) -> str:
    by = f" by {one.reference.name} ({one.reference.sha256[:12]})" if one.reference else ""
    what = "compared" if one.facts.what == "comparison" else "judged"
    odds = one.facts.shorted_turn
    prior = f", from a prior of {percent(odds.prior)}" if odds else ""
    return f"{what} {local_time(one.made_utc)}{by}{prior}{_by(one)}"


def _by(made: KeptFitFacts | JudgementFacts) -> str:
    return f", coilbell {made.versions.get('coilbell', 'unknown')}"


def judgement_text(facts: Judgement, *, full: bool = False) -> str:
    """A finding or comparison in words."""
    if isinstance(facts, FindingFacts):
        return finding_text(facts, full=full, more=_MORE)
    return comparison_text(facts, full=full, more=_MORE)


def refit_text(outcome: RefitSummary) -> str:
    """What a run of `again` did."""
    lines = [
        f"{counted(outcome.fits, 'capture')} fitted and {counted(outcome.judgements, 'judgement')} made again"
        + (f", {outcome.resumed} taken over from an interrupted run" if outcome.resumed else ""),
        wrapped(
            f"{counted(outcome.moved, 'fit')} moved out of the old 95 % interval"
            if outcome.moved
            else "every fit stays inside its old 95 % interval"
        ),
    ]
    lines += [wrapped(f"changed: {line}") for line in outcome.changed] or ["  no explanation changed"]
    return "\n".join([*lines, *(wrapped(f"problem: {line}") for line in outcome.problems)])
