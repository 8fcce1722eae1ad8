"""Is the log sound? SQLite's own checks, every record against its hash, every row against its neighbours."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from coilbell.bench.log.book import Log, file_hash
from coilbell.bench.log.samples import identity, unpacked
from coilbell.errors import CoilbellError

__all__ = ["problems"]


def problems(log: Log) -> Iterator[str]:
    """What is wrong in the log, a sentence each; nothing when it is sound."""
    yield from _file_problems(log)
    yield from _record_problems(log)
    yield from _json_problems(log)
    for row in log.base.rows("SELECT sha256, name FROM reference"):
        try:
            log.reference(row["sha256"])
        except CoilbellError as error:
            yield f"reference {row['name']}: {error}"
    for photo in log.base.rows("SELECT path, sha256 FROM photo"):
        yield from _photo_problems(Path(photo["path"]), photo["sha256"])


def _file_problems(log: Log) -> Iterator[str]:
    for row in log.base.rows("PRAGMA integrity_check(20)"):
        if row[0] != "ok":
            yield f"file: {row[0]}"
    for row in log.base.rows("PRAGMA foreign_key_check"):
        yield f"table {row['table']}, row {row['rowid']}: points at a row of {row['parent']} that is gone"


def _record_problems(log: Log) -> Iterator[str]:
    for capture in log.base.rows("SELECT id, sha256 FROM capture ORDER BY id"):
        rows = log.base.rows("SELECT * FROM record WHERE capture_id = ? ORDER BY position", capture["id"])
        try:
            records = [unpacked(dict(row)) for row in rows]
        except CoilbellError as error:
            yield f"capture {capture['id']}: {error}"
            continue
        if not records:
            yield f"capture {capture['id']}: has no records"
        elif identity(records) != capture["sha256"]:
            yield f"capture {capture['id']}: its records are not those that were kept"


def _json_problems(log: Log) -> Iterator[str]:
    for table in ("fit", "judgement"):
        for row in log.base.each(f"SELECT id, facts, versions FROM {table}"):
            try:
                whole = isinstance(json.loads(row["facts"]), dict) and json.loads(row["versions"])
            except ValueError:
                whole = False
            if not whole:
                yield f"{table} {row['id']}: its figures cannot be read"


def _photo_problems(path: Path, sha256: str) -> Iterator[str]:
    try:
        found, _ = file_hash(path)
    except CoilbellError as error:
        yield f"photo {error}"
        return
    if found != sha256:
        yield f"photo {path}: is not the picture that was kept"
