"""What an archive tells, in types, checked word by word, and how it is kept."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from coilbell.bench.facts.base import Count, Facts, Plain, kept_text, plain
from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.facts.judgement import Judgement, judgement_facts
from coilbell.bench.facts.outcome import Outcome
from coilbell.bench.facts.question import Question
from coilbell.bench.log.admission import check_name, check_words, utc_now
from coilbell.bench.log.book import Log
from coilbell.bench.log.history import ROWS, History, check_history, keep_history, taken_back
from coilbell.bench.log.outcomes import KeptOutcome, check_outcome_words, contradiction, keep_outcome
from coilbell.bench.log.samples import packed
from coilbell.bench.log.worksheets import check_worksheet, keep_worksheet
from coilbell.bench.worksheet.entries import Entry
from coilbell.errors import FileError, InputError
from coilbell.record import Record
from coilbell.whole import whole_file
from coilbell.winding import Reference

__all__ = [
    "Parcel",
    "Told",
    "ToldCapture",
    "ToldFit",
    "ToldItem",
    "ToldJudgement",
    "ToldNote",
    "ToldOutcome",
    "ToldPhoto",
    "check_told",
    "keep_parcel",
]

_DEEPEST = 12
_MOST_VALUES = 20_000
"""Values in the figures of one fit or judgement."""


class ToldFit(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A fit; number: what judgements call it by."""

    number: Count
    made_utc: str
    versions: dict[str, str]
    facts: FitFacts


class ToldCapture(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Records rung together; records: the part that holds them."""

    records: str
    label: str
    added_utc: str
    sha256: str
    fits: tuple[ToldFit, ...]


class ToldJudgement(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A finding or comparison; reference: the part that holds what it was judged by."""

    made_utc: str
    versions: dict[str, str]
    question: Question
    reference: str | None
    facts: Plain
    fits: tuple[Count, ...]


class ToldNote(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Free words on an item."""

    added_utc: str
    words: str


class ToldPhoto(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A picture; part: that which holds it, None where it had gone."""

    added_utc: str
    sha256: str
    bytes: Count
    words: str
    name: str
    part: str | None


class ToldOutcome(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What an item was in the end. item, begun_utc: whose it is, which have to be those it stands under."""

    added_utc: str
    item: str
    begun_utc: str
    outcome: Outcome


class ToldItem(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An item with all that hangs on it."""

    name: str
    equipment: str
    part: str
    kind: str
    serial: str
    added_utc: str
    captures: tuple[ToldCapture, ...]
    judgements: tuple[ToldJudgement, ...]
    notes: tuple[ToldNote, ...]
    photos: tuple[ToldPhoto, ...]
    worksheet: tuple[Entry, ...] = ()
    outcomes: tuple[ToldOutcome, ...] = ()
    history: History = History()


class Told(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """log.json of an archive."""

    items: tuple[ToldItem, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Parcel:
    """An archive's content. origin: its file and hash, for the note that each item gets."""

    origin: str
    told: Told
    records: Mapping[str, tuple[Record, ...]]
    references: Mapping[str, Reference]
    photos: Mapping[str, bytes]


def check_told(parcel: Parcel) -> None:
    """Every word, time, number and set of figures in the archive. Raises FileError."""
    for item in parcel.told.items:
        try:
            _check_item(item, parcel)
        except InputError as error:
            raise FileError(f"item {item.name[:80]!r}: {error}") from error


def _check_item(item: ToldItem, parcel: Parcel) -> None:
    check_name(item.name)
    _check_moment(item.added_utc)
    for name in ("equipment", "part", "kind", "serial"):
        check_words(getattr(item, name), name, 200)
    for capture in item.captures:
        _check_capture(capture, parcel)
    numbers = {fit.number for capture in item.captures for fit in capture.fits}
    for judgement in item.judgements:
        _check_judgement(judgement, numbers, parcel)
    check_worksheet(item.worksheet)
    for entry in item.worksheet:
        _check_moment(entry.utc)
    _check_outcomes(item)
    for note in item.notes:
        check_words(note.words, "note", 100_000)
        _check_moment(note.added_utc)
    for photo in item.photos:
        _check_photo(photo, parcel)
    counts = {name: len(rows) for name, rows in _rows(item).items()}
    for utc in check_history(item.history, counts):
        _check_moment(utc)


def _check_capture(capture: ToldCapture, parcel: Parcel) -> None:
    check_words(capture.label, "label", 500)
    _check_moment(capture.added_utc)
    for record in parcel.records[capture.records]:
        for text in (record.note, record.source, record.board, *record.extra, *record.extra.values()):
            check_words(text, "record", 10_000)
    for fit in capture.fits:
        _check_figures(fit.facts, fit.made_utc, fit.versions)


def _rows(item: ToldItem) -> dict[str, tuple[Facts, ...]]:
    """What may be taken back of an item, by the table that keeps it."""
    return {name: getattr(item, f"{name}s") for name in ROWS}


def _check_outcomes(item: ToldItem) -> None:
    """Outcomes that are the item's own, and do not contradict each other."""
    gone = taken_back(item.history, "outcome")
    for k, one in enumerate(item.outcomes):
        if (one.item, one.begun_utc) != (item.name, item.added_utc):
            raise FileError(f"holds an outcome of another item, {one.item[:80]!r}")
        _check_moment(one.added_utc)
        check_outcome_words(one.outcome)
        others = [o for n, o in enumerate(item.outcomes[:k]) if n not in gone and k not in gone]
        for other in others:
            if contradiction(KeptOutcome(0, other.added_utc, other.outcome), one.outcome):
                raise FileError(
                    f"{one.outcome.cause[:40]} and {other.outcome.cause[:40]} contradict each other"
                )


def _check_judgement(judgement: ToldJudgement, numbers: set[int], parcel: Parcel) -> None:
    question, facts = judgement.question, judgement_of(judgement)
    if facts.what != question.what:
        raise FileError(f"a judgement asks for a {question.what} and says a {facts.what}")
    if not judgement.fits or not set(judgement.fits) <= numbers or len(judgement.fits) <= question.first:
        raise FileError("a judgement rests on fits that are not there")
    if judgement.reference is not None and judgement.reference not in parcel.references:
        raise FileError(f"a judgement's reference {judgement.reference[:80]!r} is not in the archive")
    check_words(question.kind or "", "kind", 200)
    check_words(question.unit, "unit", 200)
    _check_figures(facts, judgement.made_utc, judgement.versions)


def judgement_of(told: ToldJudgement) -> Judgement:
    """The finding or comparison that is told. Raises FileError."""
    return judgement_facts(json.dumps(told.facts), "a judgement")


def _check_figures(facts: FitFacts | Judgement, made_utc: str, versions: Mapping[str, str]) -> None:
    """When and by what they were made, and every word in them; figures are bounded by their types."""
    _check_moment(made_utc)
    for text in (*versions, *versions.values()):
        check_words(text, "version", 100)
    for count, text in enumerate(_strings(plain(facts), _DEEPEST)):
        if count > _MOST_VALUES:
            raise FileError("a fit or judgement holds more figures than any")
        check_words(text, "figures", 10_000)


def _strings(value: object, depth: int) -> Iterator[str]:
    """Every string in nested figures, and "" for every other value, so that all are counted."""
    if depth == 0:
        raise FileError("figures are nested deeper than any")
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from _strings(inner, depth - 1)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from _strings(inner, depth - 1)
    else:
        yield value if isinstance(value, str) else ""


def _check_photo(photo: ToldPhoto, parcel: Parcel) -> None:
    check_words(photo.words, "words on a photo", 500)
    check_words(photo.name, "photo's name", 255)
    _check_moment(photo.added_utc)
    if photo.part is None:
        return
    content = parcel.photos.get(photo.part)
    if content is None or hashlib.sha256(content).hexdigest() != photo.sha256:
        raise FileError(f"the photo {photo.name!r} is not the one that was kept")


def _check_moment(utc: str) -> None:
    try:
        moment = datetime.fromisoformat(utc)
    except ValueError as error:
        raise FileError(f"{utc[:40]!r} is no time") from error
    if moment.tzinfo is None or len(utc) > 40:
        raise FileError(f"{utc[:40]!r} is no time in UTC")


def keep_parcel(log: Log, parcel: Parcel, prefix: str) -> list[str]:
    """Keep a checked archive in one transaction; returns the items' names. Raises InputError."""
    names = [prefix + item.name for item in parcel.told.items]
    for name in names:
        check_name(name)
        if log.holds(name):
            raise InputError(f"{name} is in the log already; give --prefix TEXT to put before the names")
    with log.together():
        for reference in parcel.references.values():  # also those that only say what was withdrawn since
            log.add_reference(reference)
        for name, item in zip(names, parcel.told.items, strict=True):
            _keep_item(log, parcel, name, item)
    return names


def _keep_item(log: Log, parcel: Parcel, name: str, told: ToldItem) -> None:
    texts = {key: getattr(told, key) for key in ("equipment", "part", "kind", "serial", "added_utc")}
    item = log.base.insert("item", name=name, **texts)
    fits: dict[int, int] = {}
    captures = [_keep_capture(log, item, one, parcel.records[one.records], fits) for one in told.captures]
    numbers = {
        "capture": captures,
        "judgement": [_keep_judgement(log, parcel, item, one, fits) for one in told.judgements],
        "outcome": [keep_outcome(log, item, one.outcome, one.added_utc) for one in told.outcomes],
        "note": [
            log.base.insert("note", item_id=item, added_utc=one.added_utc, words=one.words)
            for one in told.notes
        ],
        "photo": [_keep_photo(log, parcel, item, one) for one in told.photos],
    }
    keep_worksheet(log, item, told.worksheet)
    keep_history(log, item, told.history, numbers)
    log.base.insert("note", item_id=item, added_utc=utc_now(), words=f"taken over from {parcel.origin}")


def _keep_judgement(log: Log, parcel: Parcel, item: int, told: ToldJudgement, fits: Mapping[int, int]) -> int:
    reference = parcel.references[told.reference] if told.reference else None
    facts = judgement_of(told)
    number = log.base.insert(
        "judgement",
        item_id=item,
        **_made(told, facts),
        question=kept_text(told.question),
        explanation=str(facts.explanation),
        reference_id=None if reference is None else log.add_reference(reference),
    )
    for position, fit in enumerate(told.fits):
        log.base.insert("judgement_fit", judgement_id=number, position=position, fit_id=fits[fit])
    return number


def _keep_capture(
    log: Log, item: int, told: ToldCapture, records: tuple[Record, ...], fits: dict[int, int]
) -> int:
    """Keep a capture; adds the numbers that its fits got here to `fits`."""
    number = log.base.insert(
        "capture",
        item_id=item,
        label=told.label,
        connection=str(records[0].connection),
        sha256=told.sha256,
        added_utc=told.added_utc,
    )
    for position, record in enumerate(records):
        log.base.insert("record", capture_id=number, position=position, **packed(record))
    for fit in told.fits:
        fits[fit.number] = log.base.insert("fit", capture_id=number, **_made(fit, fit.facts))
    return number


def _made(told: ToldFit | ToldJudgement, facts: FitFacts | Judgement) -> dict[str, str]:
    return {
        "made_utc": told.made_utc,
        "versions": json.dumps(told.versions, sort_keys=True),
        "facts": kept_text(facts),
    }


def _keep_photo(log: Log, parcel: Parcel, item: int, told: ToldPhoto) -> int:
    """The picture goes into a folder beside the log under its hash; its sender's name stays mere words."""
    path = told.name
    if told.part is not None:
        folder = log.path.with_name(f"{log.path.name}.photos")
        place = folder / f"{told.sha256}{Path(told.part).suffix}"
        folder.mkdir(exist_ok=True)
        if not place.exists():
            with whole_file(place) as stream:
                stream.write(parcel.photos[told.part])
        path = str(place.resolve())
    values = {name: getattr(told, name) for name in ("added_utc", "sha256", "bytes", "words")}
    return log.base.insert("photo", item_id=item, path=path, **values)
