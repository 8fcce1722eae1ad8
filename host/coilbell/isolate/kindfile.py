"""Kinds of equipment from their TOML texts, checked; those that ship along with the package."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import msgspec

from coilbell.errors import FileError
from coilbell.isolate.audit import audit
from coilbell.isolate.equipment import Equipment

__all__ = ["decode", "shipped"]

_LIMIT = 1_000_000
"""Largest text read [characters]."""

_KINDS = Path(__file__).parent / "kinds"


def decode(text: str) -> Equipment:
    """The kind in a TOML text, checked. Raises FileError that names the place."""
    if len(text) > _LIMIT:
        raise FileError(f"holds {len(text)} characters, more than a kind of equipment has")
    try:
        found = msgspec.toml.decode(text, type=Equipment)
    except msgspec.MsgspecError as error:
        raise FileError(f"is no kind of equipment: {error}; see a shipped kind for the layout") from error
    audit(found)
    return found


@cache
def shipped() -> dict[str, Equipment]:
    """The kinds that ship with the package, by name."""
    found = (decode(path.read_text(encoding="utf-8")) for path in sorted(_KINDS.glob("*.toml")))
    return {kind.name: kind for kind in found}
