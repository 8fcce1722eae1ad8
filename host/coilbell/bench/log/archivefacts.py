"""What an archive tells, in types, checked word by word, and how it is kept."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from coilbell.bench.log.book import Log, check_name, check_words, utc_now
from coilbell.bench.log.samples import packed
from coilbell.bench.log.words import judgement_text
from coilbell.bench.log.worksheets import Entry, check_worksheet, keep_worksheet
from coilbell.bench.words.fit import facts_table
from coilbell.errors import FileError, InputError
from coilbell.record import Record
from coilbell.whole import whole_file
from coilbell.winding import Explanation, Reference, Relation

__all__ = ["Parcel", "Told", "check_told", "keep_parcel"]

_DEEPEST = 12
_MOST_VALUES = 20_000
"""Values in the figures of one fit or judgement."""


class _Fit(msgspec.Struct, forbid_unknown_fields=True):
    number: int
    made_utc: str
    versions: dict[str, str]
    facts: dict[str, Any]


class _Capture(msgspec.Struct, forbid_unknown_fields=True):
    records: str
    label: str
    added_utc: str
    sha256: str
    fits: list[_Fit]


class _Question(msgspec.Struct, forbid_unknown_fields=True):
    what: str
    prior: float
    kind: str | None = None
    unit: str = ""
    direct_ohms: float | None = None
    count_to: float | None = None
    first: int = 0
    relation: str | None = None
    first_judged: str | None = None


class _Judgement(msgspec.Struct, forbid_unknown_fields=True):
    made_utc: str
    versions: dict[str, str]
    question: _Question
    reference: str | None
    facts: dict[str, Any]
    fits: list[int]


class _Note(msgspec.Struct, forbid_unknown_fields=True):
    added_utc: str
    words: str


class _Photo(msgspec.Struct, forbid_unknown_fields=True):
    added_utc: str
    sha256: str
    bytes: int
    words: str
    name: str
    part: str | None


class _Item(msgspec.Struct, forbid_unknown_fields=True):
    name: str
    equipment: str
    part: str
    kind: str
    serial: str
    added_utc: str
    captures: list[_Capture]
    judgements: list[_Judgement]
    notes: list[_Note]
    photos: list[_Photo]
    worksheet: list[Entry] = []


class Told(msgspec.Struct, forbid_unknown_fields=True):
    """log.json of an archive."""

    items: list[_Item]


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


def _check_item(item: _Item, parcel: Parcel) -> None:
    check_name(item.name)
    _check_moment(item.added_utc)
    for name in ("equipment", "part", "kind", "serial"):
        check_words(getattr(item, name), name, 200)
    numbers: set[int] = set()
    for capture in item.captures:
        check_words(capture.label, "label", 500)
        _check_moment(capture.added_utc)
        for record in parcel.records[capture.records]:
            for text in (record.note, record.source, record.board, *record.extra, *record.extra.values()):
                check_words(text, "record", 10_000)
        for fit in capture.fits:
            _check_figures(fit.facts, fit.made_utc, fit.versions, facts_table)
            numbers.add(fit.number)
    for judgement in item.judgements:
        _check_judgement(judgement, numbers, parcel)
    check_worksheet(item.worksheet)
    for entry in item.worksheet:
        _check_moment(entry.utc)
    for note in item.notes:
        check_words(note.words, "note", 100_000)
        _check_moment(note.added_utc)
    for photo in item.photos:
        _check_photo(photo, parcel)


def _check_judgement(judgement: _Judgement, numbers: set[int], parcel: Parcel) -> None:
    question, facts = judgement.question, judgement.facts
    if question.what not in ("finding", "comparison") or facts.get("what") != question.what:
        raise FileError(f"a judgement asks for {question.what[:40]!r}")
    if not 0 < question.prior < 1 or not math.isfinite(question.direct_ohms or 0):
        raise FileError("a judgement's prior or resistance is impossible")
    if question.count_to is not None and not 0 < question.count_to < 1:
        raise FileError("a judgement counts rings to an impossible fraction")
    if question.relation is not None and question.relation not in tuple(Relation):
        raise FileError(f"a comparison's sides stand as {question.relation[:40]!r}")
    if question.first_judged is not None and question.first_judged not in tuple(Explanation):
        raise FileError(f"a comparison's first side is said to be {question.first_judged[:40]!r}")
    if facts.get("explanation") not in tuple(Explanation):
        raise FileError(f"a judgement says {str(facts.get('explanation'))[:40]!r}")
    if not judgement.fits or not set(judgement.fits) <= numbers or len(judgement.fits) <= question.first:
        raise FileError("a judgement rests on fits that are not there")
    if judgement.reference is not None and judgement.reference not in parcel.references:
        raise FileError(f"a judgement's reference {judgement.reference[:80]!r} is not in the archive")
    check_words(question.kind or "", "kind", 200)
    check_words(question.unit, "unit", 200)
    _check_figures(facts, judgement.made_utc, judgement.versions, judgement_text)


def _check_figures(facts: dict[str, Any], made_utc: str, versions: Mapping[str, str], shown: Any) -> None:
    """Plain, bounded and laid out so that they can be shown."""
    _check_moment(made_utc)
    for text in (*versions, *versions.values()):
        check_words(text, "version", 100)
    for count, text in enumerate(_strings(facts, _DEEPEST)):
        if count > _MOST_VALUES:
            raise FileError("a fit or judgement holds more figures than any")
        check_words(text, "figures", 10_000)
    if facts.get("schema") != 1:
        raise FileError(
            f"has figures of schema {facts.get('schema')!r}, this version knows 1; update coilbell"
        )
    try:
        shown(facts)
    except (
        KeyError,
        TypeError,
        ValueError,
        AttributeError,
        IndexError,
        OverflowError,
        ArithmeticError,
    ) as error:
        raise FileError(f"a fit or judgement cannot be shown: {type(error).__name__} {error}") from error


def _strings(value: Any, depth: int) -> Iterator[str]:
    """Every string in nested figures, and "" for every other value, so that all are counted."""
    if depth == 0:
        raise FileError("figures are nested deeper than any")
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from _strings(inner, depth - 1)
    elif isinstance(value, list):
        for inner in value:
            yield from _strings(inner, depth - 1)
    else:
        yield value if isinstance(value, str) else ""


def _check_photo(photo: _Photo, parcel: Parcel) -> None:
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
        for name, item in zip(names, parcel.told.items, strict=True):
            _keep_item(log, parcel, name, item)
    return names


def _keep_item(log: Log, parcel: Parcel, name: str, told: _Item) -> None:
    texts = {key: getattr(told, key) for key in ("equipment", "part", "kind", "serial", "added_utc")}
    item = log.base.insert("item", name=name, **texts)
    fits: dict[int, int] = {}
    for capture in told.captures:
        fits |= _keep_capture(log, item, capture, parcel.records[capture.records])
    for judgement in told.judgements:
        reference = parcel.references[judgement.reference] if judgement.reference else None
        number = log.base.insert(
            "judgement",
            item_id=item,
            **_made(judgement),
            question=json.dumps(_asked(judgement.question), sort_keys=True),
            explanation=judgement.facts["explanation"],
            reference_id=None if reference is None else log.add_reference(reference),
        )
        for position, fit in enumerate(judgement.fits):
            log.base.insert("judgement_fit", judgement_id=number, position=position, fit_id=fits[fit])
    keep_worksheet(log, item, told.worksheet)
    for note in told.notes:
        log.base.insert("note", item_id=item, added_utc=note.added_utc, words=note.words)
    for photo in told.photos:
        _keep_photo(log, parcel, item, photo)
    log.base.insert("note", item_id=item, added_utc=utc_now(), words=f"taken over from {parcel.origin}")


def _asked(question: _Question) -> dict[str, Any]:
    """The question as the log keeps it: what may be left out only where it was stated."""
    asked: dict[str, Any] = msgspec.to_builtins(question)
    stated = ("relation", "first_judged", "count_to")
    return {name: value for name, value in asked.items() if name not in stated or value is not None}


def _keep_capture(log: Log, item: int, told: _Capture, records: tuple[Record, ...]) -> dict[int, int]:
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
    return {fit.number: log.base.insert("fit", capture_id=number, **_made(fit)) for fit in told.fits}


def _made(told: _Fit | _Judgement) -> dict[str, str]:
    return {
        "made_utc": told.made_utc,
        "versions": json.dumps(told.versions, sort_keys=True),
        "facts": json.dumps(told.facts, sort_keys=True),
    }


def _keep_photo(log: Log, parcel: Parcel, item: int, told: _Photo) -> None:
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
    log.base.insert("photo", item_id=item, path=path, **values)
