"""Isolation worksheets in an archive: their entries in types, checked, and how they are kept.

An entry is what `coilbell.bench.worksheet.sheet` keeps. Somebody else's worksheet is opened and put in words
before it is kept, so that nothing comes into the log that could not be shown.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from typing import Any

import msgspec

from coilbell.bench.log.book import Log, check_words
from coilbell.bench.worksheet.sheet import SCHEMA, opened
from coilbell.bench.worksheet.words import worksheet_facts, worksheet_text
from coilbell.errors import CoilbellError, FileError

__all__ = ["Entry", "check_worksheet", "keep_worksheet"]

_MOST_ENTRIES = 1000
"""Entries of one item's worksheet."""

_MOST_BEGUN = 20
"""Worksheets of one item, begun one after the other; each is opened to see that it can be."""

_LONGEST_KIND = 500_000
"""Characters of a kind of equipment; `coilbell.isolate.decode` has its own limit below."""

_FURTHEST = 1e9
"""Log-likelihood beyond which sums lose their meaning."""


class _Begin(msgspec.Struct, forbid_unknown_fields=True, tag_field="what", tag="begin"):
    schema: int
    utc: str
    kind: str
    digest: str
    toml: str
    qualified: str


class _Observe(msgspec.Struct, forbid_unknown_fields=True, tag_field="what", tag="observe"):
    schema: int
    utc: str
    step: str
    typed: list[str]
    words: str
    source: str
    remarks: list[str]
    log_likelihoods: dict[str, float | None]


class _Withdraw(msgspec.Struct, forbid_unknown_fields=True, tag_field="what", tag="withdraw"):
    schema: int
    utc: str
    entry: int
    why: str


Entry = _Begin | _Observe | _Withdraw


class _Arrived:
    """Keeper of entries that are not in the log yet."""

    def __init__(self, entries: Sequence[Entry]) -> None:
        self.arrived = entries

    def entries(self) -> list[tuple[int, dict[str, Any]]]:
        return [(n, msgspec.to_builtins(entry)) for n, entry in enumerate(self.arrived, 1)]

    def append(self, entry: dict[str, Any]) -> int:
        raise FileError(f"an archive's worksheet is only read; {entry.get('what')!r} was not added")


def check_worksheet(entries: Sequence[Entry]) -> None:
    """Every word and number of an item's entries, and that each worksheet in them can be shown.

    The times are left to the caller. Raises FileError, InputError.
    """
    starts = [k for k, entry in enumerate(entries) if isinstance(entry, _Begin)]
    if len(entries) > _MOST_ENTRIES or len(starts) > _MOST_BEGUN:
        raise FileError("a worksheet holds more entries than any")
    if entries and starts[:1] != [0]:
        raise FileError("a worksheet does not start with its kind of equipment")
    for entry in entries:
        _check_entry(entry)
    for end in (*starts[1:], *([len(entries)] if entries else [])):
        try:
            worksheet_text(worksheet_facts(opened(_Arrived(entries[:end]))))
        except CoilbellError as error:
            raise FileError(f"a worksheet cannot be shown: {error}") from error


def _check_entry(entry: Entry) -> None:
    if entry.schema != SCHEMA:
        raise FileError(f"has worksheet schema {entry.schema}, this version knows {SCHEMA}; update coilbell")
    for text in _texts(entry):
        check_words(text, "worksheet", 10_000)
    if isinstance(entry, _Begin):
        check_words(entry.toml.replace("\r\n", "\n"), "kind of equipment", _LONGEST_KIND)
    if isinstance(entry, _Observe):
        for value in entry.log_likelihoods.values():
            if value is not None and not (math.isfinite(value) and abs(value) <= _FURTHEST):
                raise FileError(f"a worksheet holds the log-likelihood {value:g}")


def _texts(entry: Entry) -> Iterator[str]:
    if isinstance(entry, _Begin):
        yield from (entry.kind, entry.digest, entry.qualified)
    elif isinstance(entry, _Observe):
        yield from (entry.step, entry.words, entry.source)
        yield from (*entry.typed, *entry.remarks, *entry.log_likelihoods)
    else:
        yield entry.why


def keep_worksheet(log: Log, item: int, entries: Sequence[Entry]) -> None:
    """Keep checked entries under the item's number, in their order."""
    for entry in entries:
        text = json.dumps(msgspec.to_builtins(entry), sort_keys=True, allow_nan=False)
        log.base.insert("worksheet", item_id=item, added_utc=entry.utc, entry=text)
