"""Reading no more of a file than what it is to be can have: checked before it is read, and while it is.

A pipe is read as far as the limit; a device, which may never end, is not read at all.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from coilbell.errors import FileError

__all__ = ["bounded"]


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
            content = stream.read(most + 1)
    except OSError as error:
        raise FileError(
            f"{path}: cannot be read: {error.strerror or error}; check the name and its rights"
        ) from error
    if len(content) > most:
        raise _larger(path, most, what)
    return content


def _larger(path: Path, most: int, what: str) -> FileError:
    return FileError(f"{path}: larger than any {what}, {most / 1e6:g} MB; give the right file")
