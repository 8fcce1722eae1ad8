"""What may come into the log: names, words and files, and the moment it comes."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path

from coilbell.errors import FileError, InputError

__all__ = ["LONGEST_WORDS", "check_name", "check_words", "file_hash", "utc_now"]

_LONGEST_NAME = 80
"""Longest name of an item [characters]; that of the table's own check."""

LONGEST_WORDS = 100_000
"""Longest note [characters]; assumed."""


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


def utc_now() -> str:
    """This moment in UTC, ISO 8601 with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
