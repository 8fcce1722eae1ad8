"""A file that appears whole or not at all: written beside its place, then put there in one step.

It is on the disk before it takes its place, and its name is before the writer goes on, so that a power cut
leaves the old file or the new one (POSIX, fsync and rename).
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

__all__ = ["whole_file"]


@contextmanager
def whole_file(place: Path) -> Iterator[BinaryIO]:
    """What is written replaces `place` at the end; after a fault or a stop half-way `place` is as before.

    The file has the rights of any new one, so that others may read what is handed on. Raises OSError.
    """
    part = place.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with part.open("xb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(place)
        _settle(place.parent)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _settle(folder: Path) -> None:
    """See a folder's names on the disk; Windows opens no folder and keeps names by itself."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
