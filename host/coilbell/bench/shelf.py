"""The shelf: references kept as files in one folder, one file each.

The folder is, in this order: the one named by the caller, that of the settings, the user's data folder. A
file appears whole or not at all, and one that cannot be read is never replaced. Writers change a reference
one after the other, each inside `alone`.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from coilbell.bench.files.bounded import bounded
from coilbell.bench.settings import setting
from coilbell.errors import CoilbellError, FileError, InputError, MissingError, ReferenceMismatch
from coilbell.whole import whole_file
from coilbell.winding import Reference, decode, encode

__all__ = ["Shelf", "read_reference", "write_reference"]

_ENDING = ".reference.json"
_WAIT_S = 60.0
"""Longest wait for another writer, when none is given [s]; assumed: eight writers on a busy computer."""

_POLL_S = 0.005
"""How often a waiting writer looks whether it is its turn [s]; assumed: far below one change."""

_LIMIT = 10_000_000
"""Largest file read [bytes]: some 12,000 captures; assumed."""

_RESERVED = {"con", "prn", "aux", "nul", *(f"{d}{k}" for d in ("com", "lpt") for k in range(1, 10))}
"""Names that some systems keep for devices."""


class Shelf:
    """References in one folder."""

    def __init__(self, folder: str | os.PathLike[str] | None = None, wait_s: float = _WAIT_S) -> None:
        self.folder = Path(folder or setting("references") or _user_folder())
        self._wait_s = wait_s

    def path(self, name: str) -> Path:
        """The file of the reference `name`; raises InputError when it cannot be a file's name."""
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", name) or name.lower() in _RESERVED:
            raise InputError(
                f"reference name {name[:70]!r}; use letters, digits, '.', '-' and '_', such as tarn-21-line"
            )
        return self.folder / f"{name}{_ENDING}"

    def names(self) -> tuple[str, ...]:
        """Names of all references here, sorted."""
        if not self.folder.is_dir():
            return ()
        found = (p.name.removesuffix(_ENDING) for p in self.folder.glob(f"*{_ENDING}") if p.is_file())
        return tuple(sorted(found))

    def holds(self, name: str) -> bool:
        """True when there is a file of that name, readable or not."""
        return self.path(name).exists()

    def get(self, name: str) -> Reference:
        """The reference. Raises MissingError when there is none, FileError when its file is damaged.

        A file that was copied or renamed still holds the old name, and what is put would go to that one: it
        is refused likewise.
        """
        path = self.path(name)
        if not path.exists():
            have = ", ".join(self.names()) or "none yet"
            raise MissingError(
                f"no reference {name!r} in {self.folder} (there: {have}); "
                "make one with `coilbell reference add`"
            )
        found = read_reference(path)
        if found.name != name:
            raise FileError(
                f"{path}: holds the reference {found.name!r}; rename the file back, or take it over by "
                f"`coilbell reference import FILE --name {name}`"
            )
        return found

    @contextmanager
    def alone(self, name: str) -> Iterator[None]:
        """Nobody else changes the reference of that name inside: what is read is what is changed.

        Raises MissingError when another writer does not end, or the folder cannot be made.
        """
        from filelock import FileLock, Timeout

        self._make_folder()
        place = self.path(name).with_name(f".{name}.lock")
        try:
            with FileLock(place).acquire(timeout=self._wait_s, poll_interval=_POLL_S):
                yield
            time.sleep(4 * _POLL_S)  # those that wait look again before this writer's next change
        except Timeout as error:
            raise MissingError(
                f"reference {name}: another coilbell has been changing it for more than {self._wait_s:g} s; "
                "wait until it is done, then try again"
            ) from error

    def put(self, reference: Reference) -> Path:
        """Write or replace the reference; a damaged file in its place is left alone and raises FileError."""
        path = self.path(reference.name)
        if path.exists():
            self.get(reference.name)
        self._make_folder()
        write_reference(reference, path)
        return path

    def _make_folder(self) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise MissingError(
                f"{self.folder}: cannot be made: {error.strerror or error}; give another folder by --store"
            ) from error


def read_reference(path: Path) -> Reference:
    """The reference in a file; raises FileError or ReferenceMismatch, with the file's name."""
    try:
        # Editors of some systems begin a text with a mark of its encoding.
        text = bounded(path, _LIMIT, "reference").decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError(f"{path}: is not text; restore it from an export") from error
    if not text.strip():
        raise FileError(f"{path}: is empty; restore it from an export, or add its captures again")
    try:
        return decode(text)
    except FileError as error:
        raise FileError(f"{path}: {error}") from error
    except ReferenceMismatch as error:
        raise ReferenceMismatch(f"{path}: {error}") from error
    except RecursionError as error:
        raise FileError(f"{path}: is nested too deeply for a reference; restore it from an export") from error
    except CoilbellError as error:
        raise FileError(f"{path}: {error}") from error


def write_reference(reference: Reference, path: Path) -> None:
    """Write a reference so that the file appears whole or not at all; raises FileError."""
    try:
        with whole_file(path) as stream:
            stream.write(encode(reference).encode())
    except OSError as error:
        raise FileError(
            f"{path}: cannot be written: {error.strerror or error}; check the folder, its rights and its room"
        ) from error


def _user_folder() -> Path:
    from platformdirs import user_data_path

    return user_data_path("coilbell", appauthor=False) / "references"
