"""One entry on the bench: record files read, fitted and judged, then kept as a whole or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.facts.question import Question, question_of
from coilbell.bench.files.captures import capacitors_for, captures_of
from coilbell.bench.files.records import read
from coilbell.bench.log.book import Log
from coilbell.bench.log.derivation import fitted, judged
from coilbell.bench.log.rows import Item, KeptJudgement
from coilbell.errors import FileError, InputError
from coilbell.record import Connection, Record, Temperature
from coilbell.terms import Step
from coilbell.winding import Reference

__all__ = [
    "Addition",
    "FittedCapture",
    "Reading",
    "add_to_log",
    "fitted_captures",
    "keep",
    "keep_captures",
    "sides_words",
]


@dataclass(frozen=True, slots=True)
class Reading:
    """How record files are to be read.

    capacitors: one for all files, or one each, as typed; tolerance: their standard uncertainty, as typed
    [%]; connection: replaces what the records say; presumed: for records that do not say. done, across and
    temperature likewise replace what the records say, where they are given.
    """

    capacitors: tuple[str, ...] = ()
    tolerance: str = "1"
    channel: str | None = None
    connection: Connection | None = None
    presumed: Connection | None = None
    label: str = ""
    done: tuple[Step, ...] = ()
    across: str = ""
    temperature: Temperature | None = None

    @property
    def restates(self) -> bool:
        """True where something is said of the ring that its record may say otherwise."""
        return bool(self.capacitors or self.connection or self.done or self.across or self.temperature)


@dataclass(frozen=True, slots=True)
class Addition:
    """What is to be added. details: equipment, part, kind and serial of a new item."""

    name: str
    details: dict[str, str] = field(default_factory=dict)
    files: tuple[str, ...] = ()
    reading: Reading = Reading()
    note: str = ""
    photos: tuple[Path, ...] = ()
    reference: Reference | None = None
    prior: float | None = None
    unit: str = ""
    direct_ohms: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class FittedCapture:
    """A capture and its fit's facts. capture, fit: their numbers in the log, None until they are kept."""

    records: tuple[Record, ...]
    label: str
    facts: FitFacts
    capture: int | None = None
    fit: int | None = None


def add_to_log(log: Log, entry: Addition) -> Item:
    """Read, fit, judge and keep; the computing is done before the log is locked.

    Raises InputError, FileError, ReferenceMismatch, MissingError; then nothing is kept.
    """
    if log.holds(entry.name) and any(entry.details.values()):
        raise InputError(f"{entry.name} is in the log; correct what it is by `coilbell log set {entry.name}`")
    rungs = fitted_captures(entry.files, entry.reading)
    question = question_of(prior=entry.prior, unit=entry.unit, direct_ohms=entry.direct_ohms)
    with log.together():
        item = log.item(entry.name) if log.holds(entry.name) else log.add_item(entry.name, **entry.details)
        keep(log, item, rungs, entry.reference, question)
        if entry.note:
            log.add_note(item, entry.note)
        for photo in entry.photos:
            log.add_photo(item, photo)
    return item


def keep(
    log: Log,
    item: Item,
    rungs: Sequence[FittedCapture],
    reference: Reference | None = None,
    question: Question | None = None,
) -> KeptJudgement | None:
    """Keep captures with their fits and, when there is a reference, the finding they lead to."""
    asked, facts = question or question_of(), None
    if reference is not None and rungs:
        facts = judged(asked, [(rung.facts, rung.records[0]) for rung in rungs], reference, item.name)
    with log.together():
        fits = [rung.fit for rung in keep_captures(log, item, rungs) if rung.fit is not None]
        return None if facts is None else log.add_judgement(item, asked, facts, fits, reference)


def keep_captures(log: Log, item: Item, rungs: Sequence[FittedCapture]) -> list[FittedCapture]:
    """Keep those captures and fits that are new; returns all with their numbers in the log.

    Raises InputError when a capture without a number is in the item already.
    """
    held = []
    with log.together():
        for rung in rungs:
            capture = rung.capture or log.add_capture(item, rung.records, rung.label).id
            fit = rung.fit or log.add_fit(capture, rung.facts).id
            held.append(replace(rung, capture=capture, fit=fit))
    return held


def sides_words(first: FittedCapture, second: FittedCapture) -> str:
    """The two sides of a comparison by their first rings; by their numbers too where the labels are alike."""
    sides = (first, second)
    alike = first.label == second.label
    told = [
        f"{rung.label} (capture {rung.capture})" if alike and rung.capture else rung.label for rung in sides
    ]
    return " -> ".join(told)


def fitted_captures(files: Sequence[str], reading: Reading) -> list[FittedCapture]:
    """The captures in record files, fitted. Raises InputError, FileError."""
    found = []
    capacitors = capacitors_for(files, reading.capacitors, reading.tolerance)
    for name, capacitor in zip(files, capacitors, strict=True):
        records = [_connected(record, reading) for record in read(name, channel=reading.channel)]
        if capacitor is not None:
            records = [replace(record, test_capacitor=capacitor) for record in records]
        groups = captures_of(records)
        for number, shots in enumerate(groups, start=1):
            title = Path(name).name + (f" capture {number}" if len(groups) > 1 else "")
            label = f"{reading.label} ({title})" if reading.label else title
            try:
                found.append(FittedCapture(tuple(shots), label, fitted(shots, label)[1]))
            except FileError:
                raise
            except InputError as error:
                raise FileError(f"{name}: {error}") from error
    return found


def _connected(record: Record, reading: Reading) -> Record:
    stated = reading.presumed if record.connection is Connection.UNKNOWN else None
    return replace(
        record,
        connection=reading.connection or stated or record.connection,
        done=reading.done or record.done,
        across=reading.across or record.across,
        temperature=reading.temperature or record.temperature,
    )
