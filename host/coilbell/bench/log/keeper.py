"""Isolation worksheets in the bench log: where their entries are, and their facts."""

from __future__ import annotations

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.worksheet import WaitingFacts, WorksheetFacts
from coilbell.bench.log.book import Log
from coilbell.bench.log.rows import Item, KeptJudgement
from coilbell.bench.worksheet.entries import FINDING, Entry, Observe, Unreadable, entry_text, read_entry
from coilbell.bench.worksheet.sheet import Worksheet, opened
from coilbell.bench.worksheet.standing import worksheet_facts
from coilbell.isolate import ring_step
from coilbell.record import Connection
from coilbell.terms import Step

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

    def latest(self) -> KeptJudgement | None:
        """The item's latest finding or comparison in the log."""
        judgements = self.log.judgements(self.item)
        return judgements[-1] if judgements else None

    def done(self) -> tuple[Step, ...]:
        """What the latest ring in circuit says was done to the set before it."""
        for head in self.log.capture_heads(self.item, Connection.IN_CIRCUIT):
            return tuple(Step(name) for name in head.done)
        return ()

    def waiting(self, sheet: Worksheet) -> WaitingFacts | None:
        """The latest finding, unless it was entered since it was made or no step asks for such a ring."""
        latest = self.latest()
        if latest is None:
            return None
        facts = latest.facts
        where = str(facts.connection) if isinstance(facts, FindingFacts) else ""  # a comparison has two
        step = ring_step(sheet.kind, facts.kind, where)
        if step is None or self._entered(sheet, latest):
            return None
        said = ", ".join(filter(None, (latest.explanation, where)))
        told = (
            f"the log's latest {latest.question.what} ({said}) is not in the worksheet yet: "
            f"enter it as a reading of {step.key}"
        )
        return WaitingFacts(step=step.key, words=told)

    def _entered(self, sheet: Worksheet, latest: KeptJudgement) -> bool:
        """Whether a reading that stands is the log's finding, entered since this one was made."""
        return any(
            number in sheet.readings
            and isinstance(entry, Observe)
            and entry.typed == (FINDING,)
            and entry.utc >= latest.made_utc
            for number, entry in self.entries()
        )

    def facts(self, sheet: Worksheet, *, pair: tuple[str, str] | None = None) -> WorksheetFacts:
        """What is shown of the item's worksheet. pair: two causes to settle between."""
        waiting, done = self.waiting(sheet), self.done()
        return worksheet_facts(sheet, self.item.name, pair=pair, waiting=waiting, done=done)


def kept_facts(log: Log, item: Item) -> WorksheetFacts | None:
    """The facts of an item's worksheet in the bench log, None where none was begun."""
    keeper = LogKeeper(log, item)
    return worksheet_facts(opened(keeper), item.name, done=keeper.done()) if keeper.entries() else None
