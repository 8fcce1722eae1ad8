"""What the log gives back: every row checked against its seal before anybody sees it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from types import TracebackType
from typing import Self

import msgspec

from coilbell.bench.facts.base import facts_of
from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.facts.item import NoteFacts, PhotoFacts
from coilbell.bench.facts.judgement import judgement_facts
from coilbell.bench.facts.question import Question
from coilbell.bench.log.database import Database, OlderLog, default_path
from coilbell.bench.log.progress import progress_bar
from coilbell.bench.log.rows import (
    CaptureHead,
    Item,
    KeptCapture,
    KeptFit,
    KeptJudgement,
)
from coilbell.bench.log.samples import told_of, unpacked
from coilbell.bench.log.seal import damage
from coilbell.errors import FileError, InputError, MissingError
from coilbell.winding import Reference, decode

__all__ = ["LogReader"]

_WAIT_S = 10.0
"""Longest wait for another writer, when none is given [s]."""


class LogReader:
    """An open bench log, read.

    path: the file; by default the one COILBELL_LOG names, else the one in the user's data folder.
    writable: False changes nothing that is kept and works where nothing can be written; only a log of an
    older schema is brought up to date first, after a backup.
    Raises MissingError, FileError.
    """

    def __init__(
        self, path: Path | None = None, *, writable: bool = True, wait_s: float | None = None
    ) -> None:
        self.path = path or default_path()
        wait_s = _WAIT_S if wait_s is None else wait_s
        try:
            self.base = Database(self.path, writable=writable, wait_s=wait_s)
        except OlderLog:
            self._bring_up_to_date(wait_s)
            self.base = Database(self.path, writable=False, wait_s=wait_s)
        if writable:
            with progress_bar("sealing an older log") as progress:
                self.base.seal_all(progress)
        self._nested = False

    def _bring_up_to_date(self, wait_s: float) -> None:
        with (
            closing(Database(self.path, writable=True, wait_s=wait_s)) as base,
            progress_bar("sealing an older log") as progress,
        ):
            base.seal_all(progress)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.base.close()

    def items(self) -> list[Item]:
        """All items, oldest first."""
        return [_item(row) for row in self.base.rows("SELECT * FROM item_now ORDER BY id")]

    def holds(self, name: str) -> bool:
        """True when an item has that name, whatever the letters' case."""
        return bool(self.base.rows("SELECT 1 FROM item WHERE name = ?", name))

    def item(self, name: str) -> Item:
        """The item of that name. Raises InputError, with the names there are."""
        rows = self.base.rows("SELECT * FROM item_now WHERE name = ?", name)
        if not rows:
            raise InputError(self.unheard_of(name))
        return _item(rows[0])

    def item_numbered(self, number: int) -> Item:
        """The item with that id."""
        return _item(self.base.rows("SELECT * FROM item_now WHERE id = ?", number)[0])

    def customer(self, item: Item) -> str:
        """For whom the item is, as it was said last; "" where nobody said it."""
        rows = self.base.rows(
            "SELECT id, words FROM customer_now WHERE item_id = ? ORDER BY id DESC LIMIT 1", item.id
        )
        return str(rows[0]["words"]) if rows else ""

    def unheard_of(self, name: str) -> str:
        """That there is no item of that name, and which there are."""
        names = [row["name"] for row in self.base.rows("SELECT name FROM item ORDER BY id DESC LIMIT 8")]
        there = f"there {'are' if names else 'is'}: {', '.join(reversed(names)) or 'none yet'}"
        return f"no item {name[:80]!r} in the log; {there}"

    def name_of(self, number: int) -> str:
        """Name of the item with that id."""
        return str(self.base.rows("SELECT name FROM item WHERE id = ?", number)[0]["name"])

    def captures(self, item: Item) -> list[KeptCapture]:
        """The item's captures with their records, oldest first. Raises FileError for a damaged one."""
        return [self.capture(number) for number in self.numbers("capture", item)]

    def numbers(self, table: str, of: Item | KeptCapture, *, every: bool = False) -> list[int]:
        """Ids of an item's rows in a table that stand, or of a capture's fits, oldest first.

        every: those that were taken back too.
        """
        key = "item_id" if isinstance(of, Item) else "capture_id"
        stands = table if every or table in ("fit", "worksheet") else f"{table}_now"
        rows = self.base.rows(f"SELECT id FROM {stands} WHERE {key} = ? ORDER BY id", of.id)
        return [row["id"] for row in rows]

    def damage(self, table: str, numbers: Iterable[int]) -> list[tuple[str, int, str]]:
        """Those of the rows that are not as they were kept: table, id, and what is wrong, in words."""
        asked = [(table, number) for number in numbers]
        # What this very transaction wrote is sealed when it ends.
        return list(damage(self.base, [row for row in asked if row not in self.base.written]))

    def check_row(self, table: str, number: int) -> None:
        """Raise FileError where the row is not as it was kept."""
        self._check(table, [number])

    def _check(self, table: str, numbers: Iterable[int]) -> None:
        for _, _, words in self.damage(table, numbers):
            raise FileError(f"{words}; restore the log from a backup")

    def capture(self, number: int) -> KeptCapture:
        """One capture by its id. Raises FileError for a damaged one, InputError where there is none."""
        rows = self.base.rows("SELECT * FROM capture WHERE id = ?", number)
        if not rows:
            raise InputError(f"no capture {number} in the log")
        self._check("capture", [number])
        inner = self.base.rows("SELECT id FROM record WHERE capture_id = ?", number)
        self._check("record", [row["id"] for row in inner])
        records = self.base.rows("SELECT * FROM record WHERE capture_id = ? ORDER BY position", number)
        return KeptCapture(**dict(rows[0]), records=tuple(unpacked(dict(row)) for row in records))

    def capture_heads(
        self, item: Item, connection: str | None, *, every: bool = False, oldest_first: bool = False
    ) -> Iterator[CaptureHead]:
        """The item's fitted captures under a connection, None for that of the last one, the newest first.

        every: under any connection. They are read as they are asked for, and no sample of them is unpacked.
        """
        rings = (
            "FROM capture_now AS capture WHERE item_id = ? AND EXISTS (SELECT 1 FROM fit WHERE capture_id = "
            "capture.id)"
        )
        if connection is None and not every:
            last = self.base.rows(f"SELECT connection {rings} ORDER BY id DESC LIMIT 1", item.id)
            connection = last[0]["connection"] if last else ""
        for row in self.base.each(
            "SELECT id, connection, added_utc, (SELECT settings FROM record WHERE capture_id = capture.id "
            f"AND position = 0) AS settings {rings} AND (? OR connection = ?) "
            f"ORDER BY id {'ASC' if oldest_first else 'DESC'}",
            item.id,
            every,
            str(connection),
        ):
            test, done = told_of(row["settings"] or "{}")
            yield CaptureHead(row["id"], row["connection"], row["added_utc"], test, done)

    def capture_like(self, item: Item, sha256: str) -> int | None:
        """Id of the item's capture of these very rings, None without one."""
        rows = self.base.rows("SELECT id FROM capture_now WHERE item_id = ? AND sha256 = ?", item.id, sha256)
        return int(rows[0]["id"]) if rows else None

    def last_judged(self, item: Item) -> int | None:
        """Id of the item's last judgement by a reference, None without one."""
        rows = self.base.rows(
            "SELECT id FROM judgement_now WHERE item_id = ? AND reference_id IS NOT NULL "
            "ORDER BY id DESC LIMIT 1",
            item.id,
        )
        return int(rows[0]["id"]) if rows else None

    def judgements_on(self, fits: Sequence[int]) -> list[int]:
        """Ids of the judgements that rest on any of these fits, the newest first."""
        found: set[int] = set()
        for fit in fits:
            rows = self.base.rows(
                "SELECT judgement_id FROM judgement_fit WHERE fit_id = ? AND "
                "judgement_id IN (SELECT id FROM judgement_now)",
                fit,
            )
            found |= {int(row["judgement_id"]) for row in rows}
        return sorted(found, reverse=True)

    def fits(self, capture: KeptCapture | int) -> list[KeptFit]:
        """All fits of a capture, oldest first. Raises FileError for a damaged one."""
        number = capture if isinstance(capture, int) else capture.id
        rows = self.base.rows("SELECT id FROM fit WHERE capture_id = ? ORDER BY id", number)
        return [self.fit(row["id"]) for row in rows]

    def fit(self, number: int) -> KeptFit:
        """One fit by its id. Raises FileError for a damaged one."""
        self._check("fit", [number])
        return _fit(self.base.rows("SELECT * FROM fit WHERE id = ?", number)[0])

    def capture_of(self, fit: int) -> int:
        """Id of the capture that a fit is of."""
        return int(self.base.rows("SELECT capture_id FROM fit WHERE id = ?", fit)[0]["capture_id"])

    def reference(self, sha256: str) -> Reference:
        """The reference with that hash. Raises FileError, ReferenceMismatch when it is damaged."""
        return decode(self.reference_text(sha256))

    def reference_text(self, sha256: str) -> str:
        """The text of the reference with that hash. Raises MissingError where it is gone, FileError."""
        rows = self.base.rows("SELECT id, body FROM reference WHERE sha256 = ?", sha256)
        if not rows:
            raise MissingError(f"the reference {sha256[:12]} is not in the log; restore it from a backup")
        self._check("reference", [rows[0]["id"]])
        return str(rows[0]["body"])

    def judgements(self, item: Item) -> list[KeptJudgement]:
        """The item's findings and comparisons, oldest first. Raises FileError for a damaged one."""
        return [self.judgement(number) for number in self.numbers("judgement", item)]

    def explanation(self, item: Item) -> str | None:
        """What the item's last finding says, None without one: a comparison tells two rings apart only."""
        rows = self.base.rows(
            "SELECT explanation, question FROM judgement_now WHERE item_id = ? ORDER BY id DESC", item.id
        )
        asked = (
            (row["explanation"], facts_of(row["question"], Question, f"{item.name}, a judgement"))
            for row in rows
        )
        return next((str(said) for said, question in asked if question.what == "finding"), None)

    def judgement(self, number: int) -> KeptJudgement:
        """One finding or comparison by its id. Raises FileError for a damaged one."""
        self._check("judgement", [number])
        row = self.base.rows(
            "SELECT j.*, r.name AS reference_name, r.sha256 AS reference_sha256 FROM judgement j "
            "LEFT JOIN reference r ON r.id = j.reference_id WHERE j.id = ?",
            number,
        )[0]
        fits = self.base.rows(
            "SELECT fit_id FROM judgement_fit WHERE judgement_id = ? ORDER BY position", number
        )
        return KeptJudgement(
            row["id"],
            row["item_id"],
            row["made_utc"],
            _versions(row["versions"]),
            facts_of(row["question"], Question, f"judgement {number} of the log asks"),
            None if row["reference_id"] is None else (row["reference_name"], row["reference_sha256"]),
            row["explanation"],
            judgement_facts(row["facts"], f"judgement {number} of the log"),
            tuple(fit["fit_id"] for fit in fits),
        )

    def notes(self, item: Item) -> list[NoteFacts]:
        """The item's notes, oldest first. Raises FileError for a damaged one."""
        return [self.note(number) for number in self.numbers("note", item)]

    def note(self, number: int) -> NoteFacts:
        """One note by its id. Raises FileError for a damaged one."""
        self._check("note", [number])
        return NoteFacts(**dict(self.base.rows("SELECT added_utc, words FROM note WHERE id = ?", number)[0]))

    def photos(self, item: Item) -> list[PhotoFacts]:
        """The item's photos, oldest first. Raises FileError for a damaged one."""
        return [self.photo(number) for number in self.numbers("photo", item)]

    def photo(self, number: int) -> PhotoFacts:
        """One photo by its id. Raises FileError for a damaged one."""
        self._check("photo", [number])
        row = self.base.rows("SELECT added_utc, path, sha256, bytes, words FROM photo WHERE id = ?", number)
        return PhotoFacts(**dict(row[0]))

    def search(self, words: str) -> list[tuple[Item, str]]:
        """Items that hold all the words, each with where: name, part, a note's line, a finding."""
        wanted = words.split()
        if not wanted:
            raise InputError("nothing to search for; give a word")
        found = []
        for row in self.base.rows(_SEARCHED):
            names = ("name", "equipment", "part", "kind", "serial", "said", "told", "ended")
            pieces = [row[name] or "" for name in names]
            text = "\n".join(pieces)
            if all(word.casefold() in text.casefold() for word in wanted):
                found.append((_item(row), _place(pieces, wanted)))
        return found


_SEARCHED = """
SELECT item.id, item.name, item.equipment, item.part, item.kind, item.serial, item.added_utc,
    (SELECT group_concat(words, char(10)) FROM note_now n WHERE n.item_id = item.id) AS said,
    (SELECT group_concat(explanation, char(10)) FROM judgement_now j WHERE j.item_id = item.id) AS told,
    (SELECT group_concat(cause || ' ' || how, char(10)) FROM outcome_now o WHERE o.item_id = item.id) AS ended
FROM item_now AS item ORDER BY item.id
"""


def _place(pieces: Sequence[str], wanted: Sequence[str]) -> str:
    """The line of the pieces in which the most of the words stand."""
    lines = [line for piece in pieces for line in piece.splitlines()]
    return max(lines, key=lambda line: sum(word.casefold() in line.casefold() for word in wanted))


def _item(row: sqlite3.Row) -> Item:
    return Item(**{name: row[name] for name in Item.__dataclass_fields__})


def _fit(row: sqlite3.Row) -> KeptFit:
    return KeptFit(
        row["id"],
        row["capture_id"],
        row["made_utc"],
        _versions(row["versions"]),
        facts_of(row["facts"], FitFacts, f"fit {row['id']} of the log"),
    )


def _versions(text: str) -> dict[str, str]:
    try:
        return msgspec.json.decode(text, type=dict[str, str])
    except (msgspec.DecodeError, UnicodeError) as error:
        raise FileError(f"versions in the log are damaged ({error}); restore it from a backup") from error
