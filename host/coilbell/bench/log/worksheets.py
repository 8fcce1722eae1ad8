"""Isolation worksheets in an archive: their entries in types, checked, and how they are kept.

Somebody else's worksheet is opened and put in words
before it is kept, so that nothing comes into the log that could not be shown.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coilbell.bench.log.admission import check_words
from coilbell.bench.log.book import Log
from coilbell.bench.worksheet.entries import Begin, Entry, Observe, Unreadable, entry_text
from coilbell.bench.worksheet.sheet import opened
from coilbell.bench.worksheet.standing import worksheet_facts
from coilbell.errors import CoilbellError, FileError

__all__ = ["check_worksheet", "keep_worksheet"]

_MOST_ENTRIES = 1000
"""Entries of one item's worksheet."""

_MOST_BEGUN = 20
"""Worksheets of one item, begun one after the other; each is opened to see that it can be."""

_LONGEST_KIND = 500_000
"""Characters of a kind of equipment; `coilbell.isolate.decode` has its own limit below."""


class _Arrived:
    """Keeper of entries that are not in the log yet."""

    def __init__(self, entries: Sequence[Entry]) -> None:
        self.arrived = entries

    def entries(self) -> list[tuple[int, Entry | Unreadable]]:
        return list(enumerate(self.arrived, 1))

    def append(self, entry: Entry) -> int:
        del entry
        raise FileError("an archive's worksheet is only read; nothing was added to it")


def check_worksheet(entries: Sequence[Entry]) -> None:
    """Every word and number of an item's entries, and that each worksheet in them can be shown.

    The times are left to the caller. Raises FileError, InputError.
    """
    starts = [k for k, entry in enumerate(entries) if isinstance(entry, Begin)]
    if len(entries) > _MOST_ENTRIES or len(starts) > _MOST_BEGUN:
        raise FileError("a worksheet holds more entries than any")
    if entries and starts[:1] != [0]:
        raise FileError("a worksheet does not start with its kind of equipment")
    for entry in entries:
        _check_entry(entry)
    for end in (*starts[1:], *([len(entries)] if entries else [])):
        try:
            worksheet_facts(opened(_Arrived(entries[:end])))
        except CoilbellError as error:
            raise FileError(f"a worksheet cannot be shown: {error}") from error


def _check_entry(entry: Entry) -> None:
    for text in _texts(entry):
        check_words(text, "worksheet", 10_000)
    if isinstance(entry, Begin):
        check_words(entry.toml.replace("\r\n", "\n"), "kind of equipment", _LONGEST_KIND)


def _texts(entry: Entry) -> Iterator[str]:
    if isinstance(entry, Begin):
        yield from (entry.kind, entry.digest, entry.qualified)
    elif isinstance(entry, Observe):
        yield from (entry.step, entry.words, entry.source)
        yield from (*entry.typed, *entry.remarks, *entry.log_likelihoods)
    else:
        yield entry.why


def keep_worksheet(log: Log, item: int, entries: Sequence[Entry]) -> None:
    """Keep checked entries under the item's number, in their order."""
    for entry in entries:
        log.base.insert("worksheet", item_id=item, added_utc=entry.utc, entry=entry_text(entry))
