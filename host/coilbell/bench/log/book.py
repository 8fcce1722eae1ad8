"""The bench log: what was on the bench, how it rang, and what was made of it.

    with Log(path) as log:
        item = log.add_item("choke-7", part="filter choke", kind="power inductor")
        capture = log.add_capture(item, records)
        fit = log.add_fit(capture, facts)
        log.add_judgement(item, question, facts, [fit], reference)

Every call that adds is on the disk when it returns, unless it stands in `with log.together():`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec

from coilbell.bench.facts.base import kept_text, plain
from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.facts.item import NoteFacts, PhotoFacts
from coilbell.bench.facts.judgement import Judgement
from coilbell.bench.facts.question import Question
from coilbell.bench.log.admission import LONGEST_WORDS, check_name, check_words, file_hash, utc_now
from coilbell.bench.log.reader import LogReader
from coilbell.bench.log.rows import (
    Item,
    KeptCapture,
    KeptFit,
    KeptJudgement,
    versions,
)
from coilbell.bench.log.samples import identity, packed
from coilbell.bench.log.seal import SEALED
from coilbell.errors import InputError, MissingError
from coilbell.record import Record
from coilbell.winding import Reference, digest, encode

__all__ = ["Log"]


class Log(LogReader):
    """An open bench log, to be added to; see `LogReader` for what it gives back."""

    @contextmanager
    def together(self) -> Iterator[None]:
        """Everything added inside is kept as a whole or not at all."""
        if self._nested:
            yield
            return
        with self.base.writing():
            self._nested = True
            try:
                yield
            finally:
                self._nested = False

    def add_item(
        self, name: str, *, equipment: str = "", part: str = "", kind: str = "", serial: str = ""
    ) -> Item:
        """A new item. Raises InputError when the name is taken or cannot be one."""
        check_name(name)
        words = {"equipment": equipment, "part": part, "kind": kind, "serial": serial}
        for what, text in words.items():
            check_words(text, what, 200)
        with self.together():
            if self.base.rows("SELECT 1 FROM item WHERE name = ?", name):
                raise InputError(f"{name} is in the log already; choose another name")
            values = {"name": name, **words, "added_utc": utc_now()}
            return Item(id=self.base.insert("item", **values), **values)

    def add_capture(self, item: Item, records: Sequence[Record], label: str = "") -> KeptCapture:
        """Records rung together. Raises InputError when these very records are there already."""
        if not records:
            raise InputError("a capture needs at least one record; give one")
        check_words(label, "label", 500)
        sha256 = identity(records)
        with self.together():
            have = self.base.rows("SELECT id FROM capture WHERE item_id = ? AND sha256 = ?", item.id, sha256)
            if have and self._restored(item, have[0]["id"]):
                return self.capture(have[0]["id"])
            if have:
                raise InputError(
                    f"{label or 'this capture'} is in {item.name} already, as capture {have[0]['id']}"
                )
            values: dict[str, Any] = {
                "item_id": item.id,
                "label": label,
                "connection": str(records[0].connection),
                "sha256": sha256,
                "added_utc": utc_now(),
            }
            number = self.base.insert("capture", **values)
            for position, record in enumerate(records):
                self.base.insert("record", capture_id=number, position=position, **packed(record))
        return KeptCapture(id=number, records=tuple(records), **values)

    def _restored(self, item: Item, capture: int) -> bool:
        """True for a capture that had been taken back and counts again from now on."""
        rows = self.base.rows(
            "SELECT id FROM withdrawal WHERE what = 'capture' AND row = ?1 "
            "AND NOT EXISTS (SELECT 1 FROM capture_now WHERE capture_now.id = ?1)",
            capture,
        )
        for row in rows:
            values = {"what": "withdrawal", "row": row["id"], "why": "added again"}
            self.base.insert("withdrawal", item_id=item.id, added_utc=utc_now(), **values)
        return bool(rows)

    def add_fit(self, capture: KeptCapture | int, facts: FitFacts) -> KeptFit:
        """Figures of a capture; beside any that are there."""
        number = capture if isinstance(capture, int) else capture.id
        with self.together():
            made, by = utc_now(), versions()
            fit = self.base.insert(
                "fit", capture_id=number, made_utc=made, versions=_json(by), facts=kept_text(facts)
            )
        return KeptFit(fit, number, made, by, facts)

    def add_reference(self, reference: Reference) -> int:
        """Keep a reference as it is now; the same one is kept once. Returns its id."""
        sha256 = digest(reference)
        with self.together():
            rows = self.base.rows("SELECT id FROM reference WHERE sha256 = ?", sha256)
            if rows:
                return int(rows[0]["id"])
            return self.base.insert(
                "reference", name=reference.name, sha256=sha256, body=encode(reference), added_utc=utc_now()
            )

    def add_judgement(
        self,
        item: Item | int,
        question: Question,
        facts: Judgement,
        fits: Sequence[KeptFit | int],
        reference: Reference | tuple[str, str] | None = None,
    ) -> KeptJudgement:
        """A finding or comparison; beside the others.

        reference: what was judged by, or name and SHA-256 of one that is in the log.
        """
        numbers = tuple(fit if isinstance(fit, int) else fit.id for fit in fits)
        if isinstance(reference, Reference):
            learned = {"spreads": reference.spreads, "shares": reference.shares}
            question = msgspec.structs.replace(question, **learned)
        with self.together():
            number = self.base.insert(
                "judgement",
                item_id=item if isinstance(item, int) else item.id,
                made_utc=utc_now(),
                versions=_json(versions()),
                question=kept_text(question),
                reference_id=self._reference_id(reference),
                explanation=str(facts.explanation),
                facts=kept_text(facts),
            )
            for position, fit in enumerate(numbers):
                self.base.insert("judgement_fit", judgement_id=number, position=position, fit_id=fit)
        return self.judgement(number)

    def _reference_id(self, reference: Reference | tuple[str, str] | None) -> int | None:
        if reference is None:
            return None
        if isinstance(reference, Reference):
            return self.add_reference(reference)
        rows = self.base.rows("SELECT id FROM reference WHERE sha256 = ?", reference[1])
        if not rows:
            raise MissingError(f"the reference {reference[0]} is not in the log; restore it from a backup")
        return int(rows[0]["id"])

    def add_note(self, item: Item, words: str) -> NoteFacts:
        """Free words on an item."""
        if not words.strip():
            raise InputError("the note is empty; write at least a word")
        check_words(words, "note", LONGEST_WORDS)
        with self.together():
            note = NoteFacts(added_utc=utc_now(), words=words)
            self.base.insert("note", item_id=item.id, **plain(note))
        return note

    def add_photo(self, item: Item, path: Path, words: str = "") -> PhotoFacts:
        """A picture by path and hash; the file itself stays where it is. Raises FileError."""
        check_words(words, "words on a photo", 500)
        sha256, size = file_hash(path)
        photo = PhotoFacts(
            added_utc=utc_now(), path=str(path.resolve()), sha256=sha256, bytes=size, words=words
        )
        with self.together():
            self.base.insert("photo", item_id=item.id, **plain(photo))
        return photo

    def remove(self, item: Item, backup: Path) -> None:
        """Take an item with all that hangs on it out of the log, after a backup to a new file."""
        self.base.copy_to(backup)
        with self.together():
            self.base.insert("leaving", item_id=item.id)
            self.base.execute("DELETE FROM item WHERE id = ?", item.id)
            for table in SEALED:
                self.base.execute(
                    f"DELETE FROM seal WHERE kind = ? AND row NOT IN (SELECT id FROM {table})", table
                )
            # What the runs did to it has gone with it.
            self.base.execute("DELETE FROM seal WHERE kind = 'run'")
            self.base.written += [
                ("run", row["id"])
                for row in self.base.rows("SELECT id FROM run WHERE finished_utc IS NOT NULL")
            ]
            self.base.execute("DELETE FROM leaving")


def _json(value: Mapping[str, str]) -> str:
    return json.dumps(value, sort_keys=True)
