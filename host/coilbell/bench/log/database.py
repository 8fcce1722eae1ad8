"""One SQLite file that several processes may share: opening, transactions, and what SQLite's errors mean.

Write-ahead log, foreign keys on, every commit on the disk before it returns. Readers never wait; one
writer at a time, others wait `wait_s` and then say so.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from coilbell.bench.log.schema import APPLICATION, MIGRATIONS, SCHEMA
from coilbell.bench.log.seal import SEALED, seal, unsealed
from coilbell.bench.settings import setting
from coilbell.errors import CoilbellError, FileError, InputError, MissingError

__all__ = ["Database", "OlderLog", "default_path", "meaning"]


def default_path() -> Path:
    """The log's place when none is given: that of the settings, else the user's data folder."""
    named = setting("log")
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("coilbell", appauthor=False) / "bench-log.sqlite"


_BATCH = 500
"""Rows of an older log that are sealed in one transaction; a tenth of a second. Assumed."""


FAULTS = (sqlite3.Error, UnicodeDecodeError)
"""What reading a file may raise: a message of SQLite's that quotes damaged text is no text itself."""


class OlderLog(FileError):
    """A log of an older schema was opened for reading only; opening it for writing brings it up to date."""


class Database:
    """An open log. Raises MissingError, FileError.

    writable: False opens for reading only, which also works in a folder that cannot be written.
    wait_s: longest wait for another writer [s].
    """

    def __init__(self, path: Path, *, writable: bool, wait_s: float = 10.0) -> None:
        self.path = path
        self.wait_s = wait_s
        self.written: list[tuple[str, int]] = []
        """Rows of this transaction that are to be sealed."""
        self._refuse_others()
        self._connection = self._opened(writable)
        try:
            with self.translated():
                self._connection.row_factory = sqlite3.Row
                self._connection.execute("PRAGMA foreign_keys = ON")
                self._connection.execute("PRAGMA synchronous = FULL")
                self._connection.create_function("holds", 2, _holds, deterministic=True)
                if writable:
                    self._use_write_ahead()
                    self._bring_up_to_date()
                else:
                    self._refuse_older()
        except BaseException:
            self._connection.close()
            raise

    def close(self) -> None:
        """Close the file; the last connection to close also merges the write-ahead log into it."""
        with suppress(sqlite3.Error):
            self._connection.close()

    def rows(self, statement: str, *values: Any) -> list[sqlite3.Row]:
        """All rows of a query."""
        with self.translated():
            return self._connection.execute(statement, values).fetchall()

    def each(self, statement: str, *values: Any) -> Iterator[sqlite3.Row]:
        """The rows of a query one by one, for those that do not fit in memory."""
        with self.translated():
            yield from self._connection.execute(statement, values)

    def insert(self, table: str, **values: Any) -> int:
        """Insert one row inside `writing`, which seals it; returns its id."""
        names = ", ".join(values)
        marks = ", ".join("?" * len(values))
        statement = f"INSERT INTO {table} ({names}) VALUES ({marks})"
        with self.translated():
            number = int(self._connection.execute(statement, tuple(values.values())).lastrowid or 0)
        if table in SEALED and table != "run":  # a run is sealed when it ends
            self.written.append((table, number))
        return number

    def execute(self, statement: str, *values: Any) -> None:
        """Run one statement."""
        with self.translated():
            self._connection.execute(statement, values)

    @contextmanager
    def writing(self) -> Iterator[None]:
        """A transaction: kept on the disk when it ends well, undone when it does not."""
        with self.translated():
            self._connection.execute("BEGIN IMMEDIATE")
        self.written.clear()
        try:
            yield
            seal(self, self.written)
            with self.translated():
                self._connection.execute("COMMIT")
            self.written.clear()
        except BaseException:
            with suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")
            raise

    def copy_to(self, place: Path) -> None:
        """A whole copy in another file, which must not exist. Raises FileError, MissingError."""
        if place.exists():
            raise FileError(f"{place} exists and is left as it is; choose another name")
        try:
            with self.translated(place), closing(sqlite3.connect(place)) as copy:
                self._connection.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
        except BaseException:
            place.unlink(missing_ok=True)
            raise

    @contextmanager
    def translated(self, place: Path | None = None) -> Iterator[None]:
        """SQLite's errors as ours."""
        try:
            yield
        except FAULTS as error:
            raise meaning(error, place or self.path, self.wait_s) from error

    def _opened(self, writable: bool) -> sqlite3.Connection:
        exists = self.path.exists()
        if exists and not self.path.is_file():
            raise FileError(f"{self.path} is no file; name one with --log FILE")
        if not exists and not writable:
            raise MissingError(f"no bench log at {self.path} yet; `coilbell log add` begins one")
        if writable:
            _make_folder(self.path.parent)
        if writable:
            return self._connected(["mode=rwc"])
        # Only a connection that may write tidies the write-ahead log away when it closes. Immutable serves
        # folders in which nothing can be made, and would overlook what still stands in a write-ahead log.
        modes = ["mode=rw", "mode=ro", "mode=ro&immutable=1"]
        connection = self._connected(modes[:2] if Path(f"{self.path}-wal").exists() else modes)
        connection.execute("PRAGMA query_only = ON")
        return connection

    def _refuse_others(self) -> None:
        """Raise FileError for what is no log of ours, or a newer one, before anything of it is touched."""
        try:
            if not self.path.is_file() or self.path.stat().st_size == 0:
                return
        except OSError:
            return  # opening says why it cannot be
        # What is read as immutable is neither locked nor given files beside it. Where there is a write-ahead
        # log, that one holds the newest header.
        mode = "mode=ro" if Path(f"{self.path}-wal").exists() else "mode=ro&immutable=1"
        place = f"{self.path.resolve().as_uri()}?{mode}"
        # A file caught in the middle of a change is left to the real opening.
        with suppress(*FAULTS), closing(sqlite3.connect(place, uri=True)) as connection:
            self._schema(connection)

    def _connected(self, modes: list[str]) -> sqlite3.Connection:
        """The first way of opening that can read."""
        for mode in modes:
            uri = f"{self.path.resolve().as_uri()}?{mode}"
            connection: sqlite3.Connection | None = None
            try:
                connection = sqlite3.connect(uri, uri=True, timeout=self.wait_s, isolation_level=None)
                connection.execute("PRAGMA user_version").fetchone()
            except FAULTS as error:
                if connection is not None:
                    connection.close()
                if mode == modes[-1]:
                    raise meaning(error, self.path, self.wait_s) from error
            else:
                return connection
        raise AssertionError("no way of opening was tried")

    def _use_write_ahead(self) -> None:
        """Switch to the write-ahead log; SQLite does not wait by itself while another does the same."""
        until = time.monotonic() + self.wait_s
        while True:
            try:
                self._connection.execute("PRAGMA journal_mode = WAL").fetchone()
            except sqlite3.OperationalError as error:
                if not _named(error).startswith("SQLITE_BUSY") or time.monotonic() > until:
                    raise
                time.sleep(0.02)
            else:
                return

    def _schema(self, connection: sqlite3.Connection | None = None) -> int:
        # In one transaction: of a log that another process is creating, all is seen or nothing.
        number, owner, tables = (
            (connection or self._connection)
            .execute(
                "SELECT user_version, application_id, (SELECT count(*) FROM sqlite_schema) "
                "FROM pragma_user_version, pragma_application_id"
            )
            .fetchone()
        )
        if owner != APPLICATION and (tables or number):
            raise FileError(f"{self.path} belongs to another program; name another file with --log FILE")
        if number > SCHEMA:
            raise FileError(
                f"{self.path}: has log schema {number}, written by a newer coilbell; this version knows "
                f"{SCHEMA}. Update coilbell; the log was not touched"
            )
        return int(number)

    def _refuse_older(self) -> None:
        if self._schema() < SCHEMA:
            raise OlderLog(f"{self.path}: has log schema {self._schema()}, this version wants {SCHEMA}")
        if not self.rows("SELECT 1 FROM sealed"):
            raise OlderLog(f"{self.path}: was not brought up to date to its end")

    def _bring_up_to_date(self) -> None:
        if self._schema() == SCHEMA:
            return
        if self._schema() > 0:
            self._keep_before_migration()
        with self.writing():
            for step in range(self._schema(), SCHEMA):  # asked again: another process may have been first
                for statement in _statements(MIGRATIONS[step]):
                    self._connection.execute(statement)
            self._connection.execute(f"PRAGMA application_id = {APPLICATION}")
            self._connection.execute(f"PRAGMA user_version = {SCHEMA}")

    def seal_all(self, progress: Callable[[int, int], None]) -> None:
        """Seal the rows of an older log, batch by batch; interrupted it goes on where it was.

        progress: called with (rows done, of how many).
        """
        if self.rows("SELECT 1 FROM sealed"):
            return
        done = total = 0
        for table in SEALED:
            total += self.rows(f"SELECT count(*) FROM {table}")[0][0]
        done = self.rows("SELECT count(*) FROM seal")[0][0]
        while batch := unsealed(self, _BATCH):
            with self.writing():
                seal(self, batch)
            done += len(batch)
            progress(done, total)
        with self.writing():
            if not self.rows("SELECT 1 FROM sealed"):
                self.insert("sealed", since_utc=datetime.now(UTC).isoformat(timespec="seconds"))

    def _keep_before_migration(self) -> None:
        place = self.path.with_name(f"{self.path.name}.schema-{self._schema()}.backup")
        if not place.exists():
            self.copy_to(place)


def meaning(error: Exception, path: Path, wait_s: float) -> CoilbellError:
    """What an error of SQLite means for the user."""
    name = _named(error)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return MissingError(
            f"{path}: another coilbell has been writing for more than {wait_s:g} s; "
            "wait until it is done, then try again"
        )
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR", "SQLITE_NOMEM", "SQLITE_TOOBIG")):
        return MissingError(
            f"{path}: the disk refused to keep it ({error}); what was kept before is whole. "
            "Make room, then try again"
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
        return MissingError(
            f"{path}: cannot be written there ({error}); check folder and rights, or choose another place"
        )
    if name == "SQLITE_NOTADB":
        return FileError(f"{path} is not a bench log; name another file with --log FILE")
    if name.startswith("SQLITE_CONSTRAINT"):
        return InputError(f"{path}: refuses that ({error}); add a new row instead")
    return FileError(f"{path}: is damaged ({error}); restore it from a backup (`coilbell log backup`)")


def _named(error: Exception) -> str:
    return str(getattr(error, "sqlite_errorname", ""))


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise MissingError(
            f"{folder}: cannot be made: {error.strerror or error}; name a file with --log FILE"
        ) from error


def _statements(script: str) -> Iterator[str]:
    """The statements of a script, so that they can run inside one transaction."""
    gathered = ""
    for line in script.splitlines(keepends=True):
        gathered += line
        if sqlite3.complete_statement(gathered):
            yield gathered
            gathered = ""


def _holds(text: str, wanted: str) -> bool:
    """Is `wanted` in `text`, whatever the letters' case? SQLite itself folds ASCII only."""
    return wanted.casefold() in text.casefold()
