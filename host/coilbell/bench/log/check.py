"""Is the log sound? SQLite's own checks, the layout, every row against its seal and its own hash.

Against accident and bit rot, not against an owner who changes a row and seals it anew.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from coilbell.bench.log.admission import file_hash
from coilbell.bench.log.book import Log
from coilbell.bench.log.samples import identity, unpacked
from coilbell.bench.log.schema import MIGRATIONS
from coilbell.bench.log.seal import SEALED
from coilbell.errors import CoilbellError

__all__ = ["problems"]


def problems(log: Log) -> Iterator[str]:
    """What is wrong in the log, a sentence each; nothing when it is sound."""
    yield from _file_problems(log)
    yield from _layout_problems(log)
    broken = set()
    for table, number, words in _damage(log):
        broken.add((table, number))
        yield words
    yield from _resting_on(log, broken)
    yield from _content_problems(log, broken)
    for photo in log.base.rows("SELECT path, sha256 FROM photo"):
        yield from _photo_problems(Path(photo["path"]), photo["sha256"])


def _file_problems(log: Log) -> Iterator[str]:
    for row in log.base.rows("PRAGMA integrity_check(20)"):
        if row[0] != "ok":
            yield f"file: {row[0]}"
    for row in log.base.rows("PRAGMA foreign_key_check"):
        yield f"table {row['table']}, row {row['rowid']}: points at a row of {row['parent']} that is gone"


def _layout_problems(log: Log) -> Iterator[str]:
    """Tables, indexes and guards that are not as this version lays them out."""
    with closing(sqlite3.connect(":memory:")) as wanted:
        for step in MIGRATIONS:
            wanted.executescript(step)
        query = "SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY type, name"
        expected = [tuple(row) for row in wanted.execute(query)]
    found = [tuple(row) for row in log.base.rows(query)]
    for kind, name, *_ in sorted(set(expected) ^ set(found), key=str):
        yield f"file: {kind} {name} is not laid out as it should be"


def _damage(log: Log) -> Iterator[tuple[str, int, str]]:
    """Every row that is not as it was kept, and every row that has gone."""
    for table in SEALED:
        yield from log.damage(
            table, [row["id"] for row in log.base.rows(f"SELECT id FROM {table} ORDER BY id")]
        )
        gone = f"SELECT row FROM seal WHERE kind = ? AND row NOT IN (SELECT id FROM {table})"
        for row in log.base.rows(gone, table):
            yield table, row["row"], f"{table} {row['row']}: has gone"
    for row in log.base.rows("SELECT DISTINCT kind FROM seal"):
        if row["kind"] not in SEALED:
            yield "seal", 0, f"seal: of a table {row['kind'][:40]!r} that there is not"


def _resting_on(log: Log, broken: set[tuple[str, int]]) -> Iterator[str]:
    """Findings and comparisons that are sound themselves but rest on what is not."""
    if not broken:
        return
    told: dict[str, None] = {}
    for row in log.base.rows(
        "SELECT j.id, f.fit_id, fit.capture_id, record.id AS record, j.reference_id FROM judgement j "
        "JOIN judgement_fit f ON f.judgement_id = j.id JOIN fit ON fit.id = f.fit_id "
        "JOIN record ON record.capture_id = fit.capture_id GROUP BY j.id, record.id"
    ):
        sources = {
            ("fit", row["fit_id"]),
            ("capture", row["capture_id"]),
            ("record", row["record"]),
            ("reference", row["reference_id"]),
        }
        for table, number in sorted(sources & broken):
            told[f"judgement {row['id']}: rests on {table} {number}, which is not as it was kept"] = None
    yield from told


def _content_problems(log: Log, broken: set[tuple[str, int]]) -> Iterator[str]:
    """Rows that are as they were kept, and yet cannot be: kept so by a fault, or by another program."""
    yield from _record_problems(log, broken)
    for table, read in (("fit", log.fit), ("judgement", log.judgement)):
        for (number,) in log.base.rows(f"SELECT id FROM {table} ORDER BY id"):
            try:
                if (table, number) not in broken:
                    read(number)
            except CoilbellError as error:
                yield f"{table} {number}: its figures cannot be read ({error})"
    for number, sha256, name in log.base.rows("SELECT id, sha256, name FROM reference"):
        try:
            if ("reference", number) not in broken:
                log.reference(sha256)
        except CoilbellError as error:
            yield f"reference {name}: {error}"


def _record_problems(log: Log, broken: set[tuple[str, int]]) -> Iterator[str]:
    """Captures whose records cannot be read, are none, or are others than were kept."""
    for number, sha256 in log.base.rows("SELECT id, sha256 FROM capture ORDER BY id"):
        rows = log.base.rows("SELECT * FROM record WHERE capture_id = ? ORDER BY position", number)
        if {("capture", number), *(("record", row["id"]) for row in rows)} & broken:
            continue
        try:
            records = [unpacked(dict(row)) for row in rows]
        except CoilbellError as error:
            yield f"capture {number}: {error}"
            continue
        if not records:
            yield f"capture {number}: has no records"
        elif identity(records) != sha256:
            yield f"capture {number}: its records are not those that were kept"


def _photo_problems(path: Path, sha256: str) -> Iterator[str]:
    try:
        found, _ = file_hash(path)
    except CoilbellError as error:
        yield f"photo {error}"
        return
    if found != sha256:
        yield f"photo {path}: is not the picture that was kept"
