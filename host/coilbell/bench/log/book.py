"""The bench log: what was on the bench, how it rang, and what was made of it.

    with Log(path) as log:
        item = log.add_item("choke-7", part="filter choke", kind="power inductor")
        capture = log.add_capture(item, records)
        fit = log.add_fit(capture, facts)
        log.add_judgement(item, question, facts, [fit], reference)

Every call that adds is on the disk when it returns, unless it stands in `with log.together():`.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import msgspec

from coilbell.bench.facts.base import facts_of, kept_text
from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.facts.judgement import Judgement, judgement_facts
from coilbell.bench.facts.question import Question
from coilbell.bench.log.database import Database, OlderLog, default_path
from coilbell.bench.log.rows import Item, KeptCapture, KeptFit, KeptJudgement, Note, Photo, versions
from coilbell.bench.log.samples import identity, packed, unpacked
from coilbell.bench.log.seal import SEALED, damage
from coilbell.errors import FileError, InputError, MissingError
from coilbell.record import Record
from coilbell.winding import Reference, decode, digest, encode

__all__ = ["Log", "check_name", "check_words", "file_hash", "utc_now"]

_WAIT_S = 10.0
"""Longest wait for another writer, when none is given [s]."""

_LONGEST_NAME = 80
_LONGEST_WORDS = 100_000


class Log:
    """An open bench log.

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
            with _progress("sealing an older log") as progress:
                self.base.seal_all(progress)
        self._nested = False

    def _bring_up_to_date(self, wait_s: float) -> None:
        with (
            closing(Database(self.path, writable=True, wait_s=wait_s)) as base,
            _progress("sealing an older log") as progress,
        ):
            base.seal_all(progress)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.base.close()

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

    def unheard_of(self, name: str) -> str:
        """That there is no item of that name, and which there are."""
        names = [row["name"] for row in self.base.rows("SELECT name FROM item ORDER BY id DESC LIMIT 8")]
        there = f"there {'are' if names else 'is'}: {', '.join(reversed(names)) or 'none yet'}"
        return f"no item {name[:80]!r} in the log; {there}"

    def name_of(self, number: int) -> str:
        """Name of the item with that id."""
        return str(self.base.rows("SELECT name FROM item WHERE id = ?", number)[0]["name"])

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

    def captures(self, item: Item) -> list[KeptCapture]:
        """The item's captures with their records, oldest first. Raises FileError for a damaged one."""
        return [self.capture(number) for number in self.numbers("capture", item)]

    def numbers(self, table: str, of: Item | KeptCapture) -> list[int]:
        """Ids of an item's rows in a table that stand, or of a capture's fits, oldest first."""
        key = "item_id" if isinstance(of, Item) else "capture_id"
        stands = table if table in ("fit", "worksheet") else f"{table}_now"
        rows = self.base.rows(f"SELECT id FROM {stands} WHERE {key} = ? ORDER BY id", of.id)
        return [row["id"] for row in rows]

    def damage(self, table: str, numbers: Iterable[int]) -> list[tuple[str, int, str]]:
        """Those of the rows that are not as they were kept: table, id, and what is wrong, in words."""
        asked = [(table, number) for number in numbers]
        # What this very transaction wrote is sealed when it ends.
        return list(damage(self.base, [row for row in asked if row not in self.base.written]))

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

    def add_fit(self, capture: KeptCapture | int, facts: FitFacts) -> KeptFit:
        """Figures of a capture; beside any that are there."""
        number = capture if isinstance(capture, int) else capture.id
        with self.together():
            made, by = utc_now(), versions()
            fit = self.base.insert(
                "fit", capture_id=number, made_utc=made, versions=_json(by), facts=kept_text(facts)
            )
        return KeptFit(fit, number, made, by, facts)

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

    def add_note(self, item: Item, words: str) -> Note:
        """Free words on an item."""
        if not words.strip():
            raise InputError("the note is empty; write at least a word")
        check_words(words, "note", _LONGEST_WORDS)
        with self.together():
            note = Note(utc_now(), words)
            self.base.insert("note", item_id=item.id, added_utc=note.added_utc, words=words)
        return note

    def notes(self, item: Item) -> list[Note]:
        """The item's notes, oldest first. Raises FileError for a damaged one."""
        return [self.note(number) for number in self.numbers("note", item)]

    def note(self, number: int) -> Note:
        """One note by its id. Raises FileError for a damaged one."""
        self._check("note", [number])
        return Note(**dict(self.base.rows("SELECT added_utc, words FROM note WHERE id = ?", number)[0]))

    def add_photo(self, item: Item, path: Path, words: str = "") -> Photo:
        """A picture by path and hash; the file itself stays where it is. Raises FileError."""
        check_words(words, "words on a photo", 500)
        sha256, size = file_hash(path)
        photo = Photo(utc_now(), str(path.resolve()), sha256, size, words)
        with self.together():
            values = {name: getattr(photo, name) for name in photo.__dataclass_fields__}
            self.base.insert("photo", item_id=item.id, **values)
        return photo

    def photos(self, item: Item) -> list[Photo]:
        """The item's photos, oldest first. Raises FileError for a damaged one."""
        return [self.photo(number) for number in self.numbers("photo", item)]

    def photo(self, number: int) -> Photo:
        """One photo by its id. Raises FileError for a damaged one."""
        self._check("photo", [number])
        row = self.base.rows("SELECT added_utc, path, sha256, bytes, words FROM photo WHERE id = ?", number)
        return Photo(**dict(row[0]))

    def search(self, words: str) -> list[tuple[Item, str]]:
        """Items that hold all the words, each with where: name, part, a note's line, a finding."""
        wanted = words.split()
        if not wanted:
            raise InputError("nothing to search for; give a word")
        found = []
        for row in self.base.rows(_SEARCHED):
            pieces = [
                row[name] or "" for name in ("name", "equipment", "part", "kind", "serial", "said", "told")
            ]
            text = "\n".join(pieces)
            if all(word.casefold() in text.casefold() for word in wanted):
                found.append((_item(row), _place(pieces, wanted)))
        return found

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
            self.base.execute("DELETE FROM leaving")


_SEARCHED = """
SELECT item.id, item.name, item.equipment, item.part, item.kind, item.serial, item.added_utc,
    (SELECT group_concat(words, char(10)) FROM note_now n WHERE n.item_id = item.id) AS said,
    (SELECT group_concat(explanation, char(10)) FROM judgement_now j WHERE j.item_id = item.id) AS told
FROM item_now AS item ORDER BY item.id
"""


def check_name(name: str) -> None:
    """Raises InputError unless `name` can name an item."""
    check_words(name, "item name", _LONGEST_NAME)
    if not name.strip() or name != name.strip() or name.startswith("-") or "\n" in name:
        raise InputError(
            f"item name {name[:80]!r}; give one line without blanks at its ends, such as choke-7"
        )


def check_words(text: str, what: str, longest: int) -> None:
    """Raises InputError for words that are too long or hold characters that steer a terminal."""
    if len(text) > longest:
        raise InputError(f"{what} of {len(text)} characters; keep it to {longest}")
    strange = next((c for c in text if not (c.isprintable() or c in "\n\t")), None)
    if strange is not None:
        raise InputError(f"{what} holds the character {strange!r}, which cannot be shown; leave it out")


def _place(pieces: Sequence[str], wanted: Sequence[str]) -> str:
    """The line of the pieces in which the most of the words stand."""
    lines = [line for piece in pieces for line in piece.splitlines()]
    return max(lines, key=lambda line: sum(word.casefold() in line.casefold() for word in wanted))


def file_hash(path: Path) -> tuple[str, int]:
    """SHA-256 and size [bytes] of a file. Raises FileError."""
    try:
        with path.open("rb") as stream:
            sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
            return sha256, stream.tell()
    except OSError as error:
        raise FileError(
            f"{path}: cannot be read: {error.strerror or error}; check the name and its rights"
        ) from error


@contextmanager
def _progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """A progress function; it draws a bar on a terminal once it is called."""
    bars: list[Any] = []

    def step(done: int, total: int) -> None:
        if not sys.stderr.isatty():
            return
        if not bars:
            from tqdm import tqdm

            bars.append(tqdm(desc=what, total=total, unit="row", file=sys.stderr, leave=False, ncols=79))
        bars[0].update(done - bars[0].n)

    try:
        yield step
    finally:
        for bar in bars:
            bar.close()


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


def _json(value: Mapping[str, str]) -> str:
    return json.dumps(value, sort_keys=True)


def _versions(text: str) -> dict[str, str]:
    try:
        return msgspec.json.decode(text, type=dict[str, str])
    except (msgspec.DecodeError, UnicodeError) as error:
        raise FileError(f"versions in the log are damaged ({error}); restore it from a backup") from error


def utc_now() -> str:
    """This moment in UTC, ISO 8601 with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
