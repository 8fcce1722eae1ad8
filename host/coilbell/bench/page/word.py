"""The random word in a page's address, kept for a port, so that the address stays the same from run to run.

Whoever has it can fire the tester. On POSIX systems its file belongs to its owner and nobody else may read
it, or it is refused; on Windows it lies in the user's own profile, which else only administrators can read.
"""

from __future__ import annotations

import os
import re
import secrets
import stat
from pathlib import Path

import platformdirs

from coilbell.errors import FileError

__all__ = ["folder", "kept_word", "new_word"]

_WORD = re.compile(r"[A-Za-z0-9_-]{24}")
_LONGEST = 200
"""Bytes of the file that are read; a word has 24."""


def new_word() -> str:
    """A word of 144 random bits."""
    return secrets.token_urlsafe(18)


def folder() -> Path:
    """Where the words are."""
    return platformdirs.user_data_path("coilbell") / "page"


def kept_word(port: int) -> str:
    """The word of that port, made at first. Raises FileError where it cannot be kept, or others read it."""
    place = folder() / f"{port}.word"
    try:
        place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        try:
            return _made(place)
        except FileExistsError:
            return _read(place)
    except OSError as error:
        raise FileError(
            f"{place}: the page's word cannot be kept: {error.strerror or error}; leave --keep-address out"
        ) from error


def _made(place: Path) -> str:
    word = new_word()
    with os.fdopen(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(word)
        file.flush()
        os.fsync(file.fileno())
    return word


def _read(place: Path) -> str:
    with os.fdopen(os.open(place, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0)), "rb") as file:
        held = os.fstat(file.fileno())
        if os.name == "posix" and (held.st_uid != os.getuid() or held.st_mode & 0o077):
            raise FileError(
                f"{place}: others may read it (mode {stat.S_IMODE(held.st_mode):03o}), and whoever has "
                "the word can fire the tester; delete it, and the next start makes a new one"
            )
        word = file.read(_LONGEST).decode("utf-8", "replace").strip()
    if not _WORD.fullmatch(word):
        raise FileError(f"{place}: holds no word of a page; delete it, and the next start makes a new one")
    return word
