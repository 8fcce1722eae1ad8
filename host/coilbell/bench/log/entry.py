"""One entry on the bench: record files read, fitted and judged, then kept as a whole or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from coilbell.bench.files import read
from coilbell.bench.log.book import Log
from coilbell.bench.log.kept import Item, KeptJudgement
from coilbell.bench.log.working import fitted, judged, question_of
from coilbell.bench.rung import capacitors_for, captures_of
from coilbell.errors import FileError, InputError
from coilbell.record import Connection, Record
from coilbell.winding import Reference

__all__ = ["Entry", "Rung", "enter", "keep"]


@dataclass(frozen=True, slots=True)
class Entry:
    """What is to be added. details: equipment, part, kind and serial of a new item."""

    name: str
    details: dict[str, str] = field(default_factory=dict)
    files: tuple[str, ...] = ()
    label: str = ""
    note: str = ""
    photos: tuple[Path, ...] = ()
    reference: str | None = None
    """Name on the shelf, or a file."""
    store: str | None = None
    prior: float = 0.5
    unit: str = ""
    direct_ohms: float | None = None
    capacitors: tuple[str, ...] = ()
    tolerance: str = "1"
    channel: str | None = None
    connection: Connection | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Rung:
    """A capture and its fit's facts, ready to be kept."""

    records: tuple[Record, ...]
    label: str
    facts: dict[str, Any]


def enter(log: Log, entry: Entry) -> Item:
    """Read, fit, judge and keep; the computing is done before the log is locked.

    Raises InputError, FileError, ReferenceMismatch, MissingError; then nothing is kept.
    """
    if log.holds(entry.name) and any(entry.details.values()):
        raise InputError(f"{entry.name} is in the log; what it is stays as it was, add a note instead")
    rungs = _captures(entry)
    reference = _reference(entry)
    question = question_of(prior=entry.prior, unit=entry.unit, direct_ohms=entry.direct_ohms)
    with log.together():
        item = log.item(entry.name) if log.holds(entry.name) else log.add_item(entry.name, **entry.details)
        keep(log, item, rungs, reference, question)
        if entry.note:
            log.add_note(item, entry.note)
        for photo in entry.photos:
            log.add_photo(item, photo)
    return item


def keep(
    log: Log,
    item: Item,
    rungs: Sequence[Rung],
    reference: Reference | None = None,
    question: dict[str, Any] | None = None,
) -> KeptJudgement | None:
    """Keep captures with their fits and, when there is a reference, the finding they lead to."""
    facts = None
    if reference is not None and rungs:
        rings = [(rung.facts, rung.records[0]) for rung in rungs]
        facts = judged(question or question_of(), rings, reference, item.name)
    with log.together():
        fits = [log.add_fit(log.add_capture(item, rung.records, rung.label), rung.facts) for rung in rungs]
        if facts is None:
            return None
        return log.add_judgement(item, question or question_of(), facts, fits, reference)


def _captures(entry: Entry) -> list[Rung]:
    found = []
    capacitors = capacitors_for(entry.files, entry.capacitors, entry.tolerance)
    for name, capacitor in zip(entry.files, capacitors, strict=True):
        records = read(name, channel=entry.channel)
        if capacitor is not None:
            records = tuple(replace(record, test_capacitor=capacitor) for record in records)
        if entry.connection is not None:
            records = tuple(replace(record, connection=entry.connection) for record in records)
        groups = captures_of(records)
        for number, shots in enumerate(groups, start=1):
            title = Path(name).name + (f" capture {number}" if len(groups) > 1 else "")
            label = f"{entry.label} ({title})" if entry.label else title
            try:
                found.append(Rung(tuple(shots), label, fitted(shots, label)[1]))
            except FileError:
                raise
            except InputError as error:
                raise FileError(f"{name}: {error}") from error
    return found


def _reference(entry: Entry) -> Reference | None:
    from coilbell.bench.shelf import Shelf, read_reference

    if entry.reference is None:
        return None
    path = Path(entry.reference)
    if path.suffix == ".json" and path.is_file():
        return read_reference(path)
    return Shelf(entry.store).get(entry.reference)
