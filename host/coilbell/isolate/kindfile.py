"""Kinds of equipment from their TOML texts, checked; those that ship along with the package."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from pathlib import Path

import msgspec

from coilbell.errors import FileError
from coilbell.isolate.audit import audit
from coilbell.isolate.equipment import Equipment

__all__ = ["LONGEST_KIND", "decode", "shipped"]

LONGEST_KIND = 200_000
"""Longest text read [characters]: four times the longest kind that ships."""

_DEEP = re.compile(r"(?:[\w\"'-]+[ \t]*\.[ \t]*){20}")
"""A dotted key of twenty parts, which no kind has: reading one takes the square of its length."""

_KINDS = Path(__file__).parent / "kinds"


def decode(text: str) -> Equipment:
    """The kind in a TOML text, checked. Raises FileError that names the place."""
    if len(text) > LONGEST_KIND:
        raise FileError(f"holds {len(text)} characters, more than a kind of equipment has")
    if _DEEP.search(text):
        raise FileError("is no kind of equipment: a key has twenty parts and more; see a shipped kind")
    try:
        found = msgspec.convert(tomllib.loads(text), Equipment)
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        told = "nested too deep" if isinstance(error, RecursionError) else str(error)
        raise FileError(f"is no kind of equipment: {told:.200}; see a shipped kind for the layout") from error
    audit(found)
    return found


@cache
def shipped() -> dict[str, Equipment]:
    """The kinds that ship with the package, by name."""
    found = (decode(path.read_text(encoding="utf-8")) for path in sorted(_KINDS.glob("*.toml")))
    return {kind.name: kind for kind in found}
