"""Isolation worksheets in the bench log: where their entries are, and their facts."""

from __future__ import annotations

from coilbell.bench.facts.worksheet import WorksheetFacts
from coilbell.bench.log.book import Log
from coilbell.bench.log.rows import Item
from coilbell.bench.worksheet.entries import Entry, Unreadable, entry_text, read_entry
from coilbell.bench.worksheet.sheet import opened
from coilbell.bench.worksheet.standing import worksheet_facts

__all__ = ["LogKeeper", "kept_facts"]


class LogKeeper:
    """The worksheet of one item, in the bench log."""

    def __init__(self, log: Log, item: Item) -> None:
        self.log, self.item = log, item

    def entries(self) -> list[tuple[int, Entry | Unreadable]]:
        """Number (from 1 within the item) and content of every entry; a damaged one says what is wrong."""
        query = "SELECT id, entry FROM worksheet WHERE item_id = ? ORDER BY id"
        return [
            (n, self._entry(row["id"], row["entry"], n))
            for n, row in enumerate(self.log.base.rows(query, self.item.id), 1)
        ]

    def _entry(self, number: int, text: str, place: int) -> Entry | Unreadable:
        for _, _, words in self.log.damage("worksheet", [number]):
            return Unreadable(f"{words}; restore the log from a backup")
        return read_entry(text, f"worksheet entry {place}")

    def append(self, entry: Entry) -> int:
        """Add an entry; on the disk when this returns."""
        with self.log.together():
            self.log.base.insert(
                "worksheet", item_id=self.item.id, added_utc=entry.utc, entry=entry_text(entry)
            )
            (row,) = self.log.base.rows("SELECT count(*) AS n FROM worksheet WHERE item_id = ?", self.item.id)
        return int(row["n"])


def kept_facts(log: Log, item: Item) -> WorksheetFacts | None:
    """The facts of an item's worksheet in the bench log, None where none was begun."""
    keeper = LogKeeper(log, item)
    return worksheet_facts(opened(keeper), item.name) if keeper.entries() else None
