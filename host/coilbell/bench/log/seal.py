"""Seals: a hash of every row that a finding rests on, over its content and the seals of its sources.

::

    seal of a row = SHA-256(table, id, every column with its type, seals of its sources)

    capture   its item                        judgement   its item, reference and fits, in their order
    record    its capture                     worksheet, outcome   its item and the entry before
    fit       its capture and its records     note, photo, detail, withdrawal, examination,
                                        customer   their item

    run       what it made again of what, once it is finished; while it goes on it has no seal

A seal is written in the transaction that writes the row. So a row that accident or bit rot has changed is
found, and so are rows that were exchanged or have gone. Seals are no signature: whoever owns the file can
change it and seal it anew.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator
from typing import Protocol

from coilbell.errors import FileError

__all__ = ["SEALED", "Rows", "damage", "seal", "unsealed"]

_ITEM = "SELECT 'item', item_id FROM {table} WHERE id = ?1"
_BEFORE = (
    "SELECT '{table}', max(before.id) FROM {table} AS own JOIN {table} AS before "
    "ON before.item_id = own.item_id AND before.id < own.id WHERE own.id = ?1"
)

_SOURCES: dict[str, tuple[str, ...]] = {
    "item": (),
    "reference": (),
    "capture": (_ITEM,),
    "record": ("SELECT 'capture', capture_id FROM record WHERE id = ?1",),
    "fit": (
        "SELECT 'capture', capture_id FROM fit WHERE id = ?1",
        "SELECT 'record', record.id FROM fit JOIN record ON record.capture_id = fit.capture_id "
        "WHERE fit.id = ?1 ORDER BY position",
    ),
    "judgement": (
        _ITEM,
        "SELECT 'reference', reference_id FROM judgement WHERE id = ?1 AND reference_id IS NOT NULL",
        "SELECT 'fit', fit_id FROM judgement_fit WHERE judgement_id = ?1 ORDER BY position",
    ),
    "worksheet": (_ITEM, _BEFORE),
    "note": (_ITEM,),
    "photo": (_ITEM,),
    "detail": (_ITEM,),
    "withdrawal": (_ITEM,),
    "examination": (_ITEM,),
    "trend": (_ITEM,),
    "outcome": (_ITEM, _BEFORE),
    "customer": (_ITEM,),
    "run": (
        "SELECT 'fit ' || old_fit || ' ' || coalesce(new_fit, '') || ' ' || problem, 0 FROM run_fit "
        "WHERE run_id = ? ORDER BY old_fit",
        "SELECT 'judgement ' || old_judgement || ' ' || coalesce(new_judgement, '') || ' ' || problem, 0 "
        "FROM run_judgement WHERE run_id = ? ORDER BY old_judgement",
    ),
}
"""Queries for the sources of a row, as table and id. A table comes after those it is made from."""

SEALED = tuple(_SOURCES)

_DUE = {"run": "finished_utc IS NOT NULL"}
"""When a row has its seal, where that is not from the beginning."""

_COLUMNS: dict[str, tuple[str, ...]] = {
    "item": ("name", "equipment", "part", "kind", "serial", "added_utc"),
    "reference": ("name", "sha256", "body", "added_utc"),
    "capture": ("item_id", "label", "connection", "sha256", "added_utc"),
    "record": ("capture_id", "position", "settings", "sample_type", "samples", "times", "sha256"),
    "fit": ("capture_id", "made_utc", "versions", "facts"),
    "judgement": ("item_id", "made_utc", "versions", "question", "reference_id", "explanation", "facts"),
    "worksheet": ("item_id", "added_utc", "entry"),
    "note": ("item_id", "added_utc", "words"),
    "photo": ("item_id", "added_utc", "path", "sha256", "bytes", "words"),
    "detail": ("item_id", "added_utc", "name", "words"),
    "withdrawal": ("item_id", "added_utc", "what", "row", "why"),
    "examination": ("item_id", "added_utc", "entry"),
    "trend": ("item_id", "added_utc", "entry"),
    "outcome": ("item_id", "added_utc", "cause", "equipment", "state", "how", "sure"),
    "customer": ("item_id", "added_utc", "words"),
    "run": ("started_utc", "finished_utc", "versions", "last_fit", "last_judgement"),
}
"""Columns of the first layout of each table. One that is added later is sealed only where it is not NULL."""


class Rows(Protocol):
    """What is read from and written to; `coilbell.bench.log.database.Database` has it."""

    def rows(self, statement: str, *values: object) -> list[sqlite3.Row]: ...
    def execute(self, statement: str, *values: object) -> None: ...


def seal(base: Rows, rows: Iterable[tuple[str, int]]) -> None:
    """Seal rows that were just written, sources first, inside the transaction that wrote them."""
    for table, number in sorted(set(rows), key=lambda row: (SEALED.index(row[0]), row[1])):
        base.execute(
            "INSERT OR IGNORE INTO seal (kind, row, sha256) VALUES (?, ?, ?)",
            table,
            number,
            _computed(base, table, number),
        )


def unsealed(base: Rows, most: int) -> list[tuple[str, int]]:
    """Some of the rows that have no seal, sources first; none when all have one."""
    for table in SEALED:
        found = base.rows(
            f"SELECT id FROM {table} WHERE {_DUE.get(table, 'TRUE')} "
            "AND id NOT IN (SELECT row FROM seal WHERE kind = ?) "
            "ORDER BY id LIMIT ?",
            table,
            most,
        )
        if found:
            return [(table, row["id"]) for row in found]
    return []


def damage(base: Rows, rows: Iterable[tuple[str, int]]) -> Iterator[tuple[str, int, str]]:
    """Those of the rows that are not as they were kept: table, id, and what is wrong, in words."""
    for table, number in rows:
        kept = _kept(base, table, number)
        if kept is None:
            due = f"SELECT 1 FROM {table} WHERE id = ? AND {_DUE.get(table, 'TRUE')}"
            if base.rows(f"SELECT 1 FROM {table} WHERE id = ?", number) and not base.rows(due, number):
                continue
            yield table, number, f"{table} {number}: has lost its seal"
            continue
        try:
            if _computed(base, table, number) != kept:
                yield table, number, f"{table} {number}: is not as it was kept"
        except FileError as error:
            yield table, number, f"{table} {number}: cannot be read ({error})"


def _kept(base: Rows, table: str, number: int) -> bytes | None:
    rows = base.rows("SELECT sha256 FROM seal WHERE kind = ? AND row = ?", table, number)
    return bytes(rows[0]["sha256"]) if rows else None


def _computed(base: Rows, table: str, number: int) -> bytes:
    found = hashlib.sha256(f"{table} {number}".encode())
    # Text is taken as its bytes: what is no longer valid text must be found, not stumble the reader.
    columns = ", ".join(f"typeof({name}), CAST({name} AS BLOB)" for name in _COLUMNS[table])
    for row in base.rows(f"SELECT {columns} FROM {table} WHERE id = ?", number):
        for value in row:
            content = value.encode() if isinstance(value, str) else value or b""
            found.update(b"%d:" % len(content) + content)
    for query in _SOURCES[table]:
        for source, row_of in base.rows(query.format(table=table), number):
            if row_of is not None:
                found.update(f"{source} {row_of}".encode() + (_kept(base, source, row_of) or b"none"))
    return found.digest()
