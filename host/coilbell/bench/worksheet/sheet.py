"""Isolation worksheets kept: entries that are only ever added, in the bench log or in a file of their own.

The entries after the last "begin" make the worksheet; odds are computed from them anew each time. A reading
is kept as what it said of the outcomes of its step, so that neither files nor meters are needed again.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

import msgspec

from coilbell.bench.files.bounded import bounded
from coilbell.bench.worksheet.entries import (
    Begin,
    Entry,
    Observe,
    Unreadable,
    Withdraw,
    entry_text,
    read_entry,
)
from coilbell.errors import FileError, InputError, MissingError
from coilbell.isolate import Equipment, Evidence, Live, decode, shipped

__all__ = [
    "Keeper",
    "SheetFile",
    "Worksheet",
    "begin",
    "observe",
    "opened",
    "withdraw",
]

_LIMIT = 20_000_000
"""Largest worksheet file read [bytes]."""


@dataclass(frozen=True, slots=True)
class Worksheet:
    """A worksheet as it stands.

    readings: number of the entry -> evidence, without those withdrawn; withdrawn: number and reason;
    remarks: what is odd about the sheet itself.
    """

    kind: Equipment
    qualified: Live
    readings: dict[int, Evidence]
    withdrawn: dict[int, str]
    remarks: tuple[str, ...]

    @property
    def evidence(self) -> tuple[Evidence, ...]:
        """All evidence in the order it came."""
        return tuple(self.readings.values())


class Keeper(Protocol):
    """Where the entries of one item's worksheet are."""

    def entries(self) -> list[tuple[int, Entry | Unreadable]]:
        """Number and content of every entry, oldest first; one that is damaged says why it cannot be read."""

    def append(self, entry: Entry) -> int:
        """Add an entry; returns its number."""


class SheetFile:
    """A worksheet in a file of its own, one JSON object a line."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def entries(self) -> list[tuple[int, Entry | Unreadable]]:
        """Number (from 1) and content of every line. Raises FileError."""
        if not self.path.exists():
            return []
        try:
            lines = bounded(self.path, _LIMIT, "worksheet").decode("utf-8").splitlines()
        except UnicodeDecodeError as error:
            raise FileError(f"{self.path}: is not text, so no worksheet") from error
        return [(n, read_entry(line, f"{self.path}: line {n}")) for n, line in enumerate(lines, 1)]

    def append(self, entry: Entry) -> int:
        """Add a line and see it on the disk; one that does not fit leaves the file as it was.

        Raises FileError.
        """
        number = len(self.entries()) + 1
        before = self.path.stat().st_size if number > 1 else None
        try:
            with self.path.open("ab", buffering=0) as file:
                line = f"{entry_text(entry)}\n".encode()
                while line:
                    line = line[file.write(line) :]
                os.fsync(file.fileno())
        except OSError as error:
            self._cut_back(before)
            raise FileError(f"{self.path}: cannot be written: {error.strerror or error}") from error
        return number

    def _cut_back(self, size: int | None) -> None:
        """Take away what was half written; None where there was no file before."""
        with suppress(OSError):
            if size is None:
                self.path.unlink()
            else:
                os.truncate(self.path, size)


@dataclass(frozen=True, slots=True)
class Learned:
    """Priors of a worksheet's causes by outcomes, as its beginning keeps them."""

    priors: dict[str, float]
    outcomes: float
    bounded: bool


def begin(
    keeper: Keeper,
    kind: Equipment,
    qualified: Live,
    *,
    toml: str = "",
    again: bool = False,
    learned: Learned | None = None,
) -> Worksheet:
    """Begin a worksheet. toml: text of a kind that does not ship; learned: priors of its causes by outcomes.

    Raises InputError when one is there already, unless `again`.
    """
    if keeper.entries() and not again:
        raise InputError("there is a worksheet already; observe, or begin afresh with --again")
    head = Begin(utc=_now(), kind=kind.name, digest=kind.digest, toml=toml, qualified=qualified)
    if learned is not None:
        told = {"priors": learned.priors, "outcomes": learned.outcomes, "bounded": learned.bounded}
        head = msgspec.structs.replace(head, **told)
    keeper.append(head)
    return opened(keeper)


def observe(keeper: Keeper, sheet: Worksheet, evidence: Evidence, typed: Sequence[str]) -> int:
    """Keep a reading; returns its number."""
    step = sheet.kind.step_named(evidence.step)
    likelihoods = {
        o.key: None if x == -math.inf else x
        for o, x in zip(step.outcome, evidence.log_likelihoods, strict=True)
    }
    return keeper.append(
        Observe(
            utc=_now(),
            step=evidence.step,
            typed=tuple(typed),
            words=evidence.words,
            source=evidence.source,
            remarks=evidence.remarks,
            log_likelihoods=likelihoods,
        )
    )


def withdraw(keeper: Keeper, sheet: Worksheet, number: int, why: str) -> None:
    """Take a reading back; the entry stays and is no longer counted. Raises InputError for no such one."""
    if number not in sheet.readings:
        have = ", ".join(map(str, sheet.readings)) or "none"
        raise InputError(f"no reading {number} to withdraw; there are: {have}")
    keeper.append(Withdraw(utc=_now(), entry=number, why=why))


def opened(keeper: Keeper) -> Worksheet:
    """The worksheet as its entries make it. Raises MissingError where none was begun, FileError for a
    damaged entry."""
    entries = keeper.entries()
    unread = [(k, entry.problem) for k, (_, entry) in enumerate(entries) if isinstance(entry, Unreadable)]
    starts = [k for k, (_, entry) in enumerate(entries) if isinstance(entry, Begin)]
    for place, problem in unread:
        if place > max(starts, default=-1):
            raise FileError(f"{problem}; or begin it afresh with --again")
    if not starts:
        raise MissingError("no worksheet yet; begin one with `coilbell isolate new`")
    head = entries[starts[-1]][1]
    assert isinstance(head, Begin)
    try:
        kind, remarks = _with_priors(head, *_kind(head))
        readings: dict[int, Evidence] = {}
        withdrawn: dict[int, str] = {}
        for number, entry in entries[starts[-1] + 1 :]:
            if isinstance(entry, Observe):
                readings[number] = _evidence(kind, entry)
            elif isinstance(entry, Withdraw):
                readings.pop(entry.entry, None)
                withdrawn[entry.entry] = entry.why
        return Worksheet(kind, head.qualified, readings, withdrawn, remarks)
    except InputError as error:
        if isinstance(error, FileError):
            raise
        raise FileError(f"the worksheet is damaged ({error}); begin it afresh with --again") from error


def _with_priors(head: Begin, kind: Equipment, remarks: tuple[str, ...]) -> tuple[Equipment, tuple[str, ...]]:
    """The kind with the priors that the worksheet was begun with, and what they rest on."""
    priors = head.priors
    if not priors:
        return kind, remarks
    whole = abs(sum(priors.values()) - 1) < _ROUNDING and all(0 < one < 1 for one in priors.values())
    if set(priors) != set(kind.keys) or not whole:
        return kind, (
            *remarks,
            "its kind's causes have changed since it was begun; the priors are those that ship",
        )
    causes = tuple(msgspec.structs.replace(one, prior=priors[one.key]) for one in kind.hypothesis)
    bound = ", as they do here" if head.bounded else ""
    told = (
        f"priors rest on this bench's outcomes ({max(round(head.outcomes), 1)}) beside the trade's; "
        f"only repaired sets have outcomes, so that no odds are moved more than a few times{bound}"
    )
    return msgspec.structs.replace(kind, hypothesis=causes), (*remarks, told)


_ROUNDING = 1e-6
"""How far priors may miss their sum of 1 [1]; assumed: rounding."""


def _kind(head: Begin) -> tuple[Equipment, tuple[str, ...]]:
    if head.toml:
        return decode(head.toml), ()
    kinds = shipped()
    if head.kind not in kinds:
        raise FileError(f"the worksheet is of a kind {head.kind[:80]!r} that this version does not ship")
    kind = kinds[head.kind]
    if kind.digest == head.digest:
        return kind, ()
    return kind, ("the kind's chances have changed since this worksheet was begun; the odds are today's",)


def _evidence(kind: Equipment, entry: Observe) -> Evidence:
    step, kept = kind.step_named(entry.step), entry.log_likelihoods
    found = (kept.get(outcome.key) for outcome in step.outcome)
    logs = tuple(-math.inf if value is None else value for value in found)
    return Evidence(step.key, logs, entry.words, entry.source, entry.remarks)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
