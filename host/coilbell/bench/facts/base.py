"""What all facts share: bounds of figures, and the way to and from JSON.

A number that is unknown or infinite is None, since JSON has neither. Every other number is bounded, so that
whatever was read can be computed with and shown.
"""

from __future__ import annotations

import json
import math
from typing import Annotated, Any, SupportsFloat, TypeVar

import msgspec

from coilbell.errors import FileError

__all__ = [
    "LARGEST",
    "Chance",
    "Count",
    "Facts",
    "Figure",
    "Noted",
    "Part",
    "Plain",
    "Positive",
    "Spread",
    "facts_of",
    "finite",
    "json_line",
    "kept_text",
    "plain",
]

LARGEST = 1e150
"""Largest size of a figure, whatever its unit: its square can still be computed with. Assumed."""

_MOST = 2**53
"""Largest count: whole numbers above it are not exact in the JSON of other programs (RFC 8259, section 6)."""

Figure = Annotated[float, msgspec.Meta(ge=-LARGEST, le=LARGEST)]
Spread = Annotated[float, msgspec.Meta(ge=0, le=LARGEST)]
"""A standard uncertainty, or another figure that is never below 0."""
Positive = Annotated[float, msgspec.Meta(gt=0, le=LARGEST)]
Chance = Annotated[float, msgspec.Meta(ge=0, le=1)]
"""A probability."""
Part = Annotated[float, msgspec.Meta(gt=0, lt=1)]
"""A fraction that is neither nothing nor the whole."""
Count = Annotated[int, msgspec.Meta(ge=0, le=_MOST)]

Plain = dict[str, Any]
"""An object of JSON, on its way into a file or onto a screen."""


class Facts(msgspec.Struct, frozen=True, kw_only=True):
    """Facts of one kind. Their fields stand in JSON in the order in which they are declared."""


class Noted(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="what"):
    """One of several kinds of entries that are only ever added, told apart by `what`."""

    schema: int = 1

    def __post_init__(self) -> None:
        if self.schema != 1:
            raise ValueError(f"has schema {self.schema} of its kind, this version knows 1; update coilbell")


_Told = TypeVar("_Told")


def plain(facts: msgspec.Struct) -> Plain:
    """The facts as JSON's own types."""
    found: Plain = msgspec.to_builtins(facts, enc_hook=_number)
    return found


def _number(value: object) -> float:
    """A figure of numpy's as a plain one."""
    if isinstance(value, SupportsFloat):
        return float(value)
    raise NotImplementedError(f"{type(value).__name__} is no figure")


def json_line(facts: msgspec.Struct, **further: msgspec.Struct | None) -> str:
    """The facts as one line of JSON, with further facts under their names but for those that are None."""
    more = {name: plain(one) for name, one in further.items() if one is not None}
    return json.dumps(plain(facts) | more)


def kept_text(facts: msgspec.Struct) -> str:
    """The facts as they are kept: with sorted names, so that the same facts are the same text.

    Raises ValueError where a number is not finite.
    """
    return json.dumps(plain(facts), sort_keys=True, allow_nan=False)


def facts_of(text: str | bytes, shape: type[_Told], what: str) -> _Told:
    """The facts in a text. Raises FileError, which says of `what` and where something is wrong.

    shape: a struct, or a union of those that their tags tell apart.
    """
    try:
        return msgspec.json.decode(text, type=shape)
    except (msgspec.DecodeError, UnicodeError, RecursionError) as error:
        raise FileError(f"{what}: {' '.join(str(error).split())[:200]}") from error


def finite(value: float | None) -> float | None:
    """The value, None where it is unknown or infinite."""
    return None if value is None or not math.isfinite(value) else float(value)
