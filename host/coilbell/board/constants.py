"""A copy of each board's constants on this computer, by the board's unique id.

A board's file system may be lost; then its calibration is still here. Boards in software keep none.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from coilbell.board.identity import Identity
from coilbell.errors import MissingError
from coilbell.whole import whole_file

__all__ = ["folder", "keep", "kept"]

_FORMAT = "coilbell board constants"
_SCHEMA = 1


def folder() -> Path:
    """Where the copies are."""
    from platformdirs import user_data_path

    return user_data_path("coilbell", appauthor=False) / "boards"


def keep(identity: Identity, place: Path | None = None) -> None:
    """Keep a copy when the board has constants of its own that differ from the copy.

    Raises MissingError when the folder cannot be written.
    """
    if identity.virtual or identity.constants_from not in ("file", "backup"):
        return
    if kept(identity.copy_name, place) == dict(identity.constants):
        return
    path = _path(identity.copy_name, place)
    content = {
        "format": _FORMAT,
        "schema": _SCHEMA,
        "board": identity.board,
        "unique_id": identity.unique_id,
        "utc": datetime.now(UTC).isoformat(timespec="seconds"),
        "constants": dict(identity.constants),
    }
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as stream:
            stream.write(json.dumps(content, indent=1).encode())
    except OSError as error:
        raise MissingError(
            f"the copy of the board's constants cannot be written to {path} ({error.strerror}); "
            "see to that folder's rights"
        ) from error


def kept(copy_name: str, place: Path | None = None) -> Mapping[str, int] | None:
    """The constants kept for the board of that `Identity.copy_name`; None when none can be trusted."""
    try:
        content = json.loads(_path(copy_name, place).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(content, dict) or content.get("format") != _FORMAT or content.get("schema") != _SCHEMA:
        return None
    constants = content.get("constants")
    if not isinstance(constants, dict) or not all(type(value) is int for value in constants.values()):
        return None
    return {str(name): value for name, value in constants.items()}


def _path(copy_name: str, place: Path | None) -> Path:
    # The id is the board's word; only what it should consist of may become part of a path.
    name = re.sub(r"[^0-9A-Za-z]", "", copy_name) or "unknown"
    return (place or folder()) / f"{name}.json"
