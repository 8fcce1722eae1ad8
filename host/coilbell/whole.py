"""A file that appears whole or not at all: written beside its place, then put there in one step."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from contextlib import contextmanager
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
        part.replace(place)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
