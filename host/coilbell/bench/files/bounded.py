"""Reading no more of a file than what it is to be can have: checked before it is read, and while it is.

A pipe is read as far as the limit; a device, which may never end, is not read at all.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import BinaryIO

from coilbell.errors import FileError

__all__ = ["bounded", "read_at_most"]

_PIECE = 1 << 20
"""Bytes read at once of what does not tell its size (own choice)."""


def read_at_most(stream: BinaryIO, most: int) -> bytes:
    """The rest of a stream, or its first `most` + 1 bytes where it holds more.

    A single read of so many would take memory for all of them, whatever the file holds.
    """
    size = os.fstat(stream.fileno()).st_size
    content = stream.read(min(size, most) + 1)
    if len(content) <= size:  # a file that did not grow, or that was cut meanwhile
        return content
    found = bytearray(content)  # a pipe, or a file that grows
    while len(found) <= most and (piece := stream.read(min(_PIECE, most + 1 - len(found)))):
        found += piece
    return bytes(found)


def bounded(path: Path, most: int, what: str) -> bytes:
    """The content of a file of at most `most` bytes; what: it is to be, such as "reference".

    Raises FileError for a folder, a device, more than `most` bytes, or what cannot be read.
    """
    try:
        state = path.stat()
        if not (stat.S_ISREG(state.st_mode) or stat.S_ISFIFO(state.st_mode)):
            raise FileError(f"{path}: is a folder or a device; give a file")
        if state.st_size > most:
            raise _larger(path, most, what)
        with path.open("rb") as stream:
            # The very file that was looked at may have been exchanged or grow meanwhile.
            if stat.S_ISCHR(os.fstat(stream.fileno()).st_mode):
                raise FileError(f"{path}: is a device; give a file")
            content = read_at_most(stream, most)
    except OSError as error:
        raise FileError(
            f"{path}: cannot be read: {error.strerror or error}; check the name and its rights"
        ) from error
    if len(content) > most:
        raise _larger(path, most, what)
    return content


def _larger(path: Path, most: int, what: str) -> FileError:
    return FileError(f"{path}: larger than any {what}, {most / 1e6:g} MB; give the right file")
