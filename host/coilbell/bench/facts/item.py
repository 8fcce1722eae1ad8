"""Facts of an item of the bench log, and of what was just kept in it."""

from __future__ import annotations

import json

from msgspec import UNSET

from coilbell.bench.facts.base import Count, Facts, plain
from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.facts.judgement import Judgement
from coilbell.bench.facts.outcome import KeptOutcomeFacts
from coilbell.bench.facts.question import Question
from coilbell.bench.facts.ring import Left
from coilbell.bench.facts.worksheet import WorksheetFacts

__all__ = [
    "LOG_SCHEMA",
    "ItemFacts",
    "ItemFound",
    "ItemHead",
    "JudgementFacts",
    "KeptCaptureFacts",
    "KeptFacts",
    "KeptFitFacts",
    "NoteFacts",
    "PhotoFacts",
    "ReferenceName",
    "RetractionFacts",
    "item_json",
]

LOG_SCHEMA = 1
"""Number of the layout of `ItemFacts`; it rises when a field changes its meaning."""


class KeptFitFacts(Facts, frozen=True, kw_only=True):
    """A fit as the log keeps it, and what made it."""

    id: Count
    made_utc: str
    versions: dict[str, str]
    facts: FitFacts


class KeptCaptureFacts(Facts, frozen=True, kw_only=True):
    """Records rung together; records: how many."""

    id: Count
    label: str
    connection: str
    sha256: str
    added_utc: str
    records: Count
    fits: tuple[KeptFitFacts, ...]


class ReferenceName(Facts, frozen=True, kw_only=True):
    """A reference by its name and hash."""

    name: str
    sha256: str


class JudgementFacts(Facts, frozen=True, kw_only=True):
    """A finding or comparison as the log keeps it, with what was asked.

    fits: what it rests on; marks: units of its reference that were withdrawn since, a sentence each.
    """

    id: Count
    made_utc: str
    versions: dict[str, str]
    question: Question
    reference: ReferenceName | None
    explanation: str
    facts: Judgement
    fits: tuple[Count, ...]
    marks: tuple[str, ...] | Left = UNSET


class NoteFacts(Facts, frozen=True, kw_only=True):
    """Free words on an item."""

    added_utc: str
    words: str


class PhotoFacts(Facts, frozen=True, kw_only=True):
    """A picture kept elsewhere."""

    added_utc: str
    path: str
    sha256: str
    bytes: Count
    words: str


class RetractionFacts(Facts, frozen=True, kw_only=True):
    """An entry that was taken back; it stays kept and no longer counts."""

    entry: str
    added_utc: str
    why: str


class ItemHead(Facts, frozen=True, kw_only=True):
    """What a list shows of an item. explanation: of its last finding; ended: what it was in the end."""

    schema: int
    what: str
    name: str
    equipment: str
    part: str
    kind: str
    serial: str
    added_utc: str
    explanation: str | None
    ended: tuple[str, ...] | Left = UNSET


class ItemFound(ItemHead, frozen=True, kw_only=True):
    """An item that was searched for; place: the words as they stand in it."""

    place: str


class ItemFacts(ItemHead, frozen=True, kw_only=True):
    """Everything the log holds of an item, but for the samples.

    worksheet_problem: why its worksheet cannot be shown, or ""; damage: rows that are not as they were kept,
    and are left out, a sentence each.
    """

    worksheet: WorksheetFacts | None
    worksheet_problem: str
    captures: tuple[KeptCaptureFacts, ...]
    judgements: tuple[JudgementFacts, ...]
    notes: tuple[NoteFacts, ...]
    photos: tuple[PhotoFacts, ...]
    corrected: tuple[str, ...] | Left = UNSET
    taken_back: tuple[RetractionFacts, ...] | Left = UNSET
    damage: tuple[str, ...] | Left = UNSET
    outcomes: tuple[KeptOutcomeFacts, ...] | Left = UNSET


class KeptFacts(Facts, frozen=True, kw_only=True):
    """Where a result was kept: the log's file, the item, the numbers of its captures and of the judgement."""

    log: str
    item: str
    new: bool
    captures: tuple[Count | None, ...]
    judgement: Count | None


def item_json(facts: ItemFacts) -> str:
    """The item as one line of JSON; what the log keeps as text keeps the order it has there."""
    found = plain(facts)
    for capture in found["captures"]:
        for fit in capture["fits"]:
            fit["facts"], fit["versions"] = _sorted(fit["facts"]), _sorted(fit["versions"])
    for judgement in found["judgements"]:
        for name in ("facts", "question", "versions"):
            judgement[name] = _sorted(judgement[name])
    return json.dumps(found)


def _sorted(value: object) -> object:
    """The same with the names of every object sorted."""
    if isinstance(value, dict):
        return {name: _sorted(value[name]) for name in sorted(value)}
    return [_sorted(one) for one in value] if isinstance(value, list | tuple) else value
