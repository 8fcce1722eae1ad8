"""Facts of a winding that is watched: buckets of shots, jumps, marks; a stretch of them as it is kept.

Times are seconds since watching began.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import msgspec

from coilbell.bench.facts.base import Chance, Count, Facts, Positive, Spread
from coilbell.errors import FileError

__all__ = ["LONGEST_MARK", "SCHEMA", "Bucket", "Change", "Mark", "TrendFacts", "Watched", "parsed_trend"]

SCHEMA = 1
"""Number of the layout of a kept stretch."""

LONGEST_MARK = 60
"""Letters of a mark; assumed."""


_MANY = msgspec.Meta(max_length=1024)
"""Most buckets, changes or marks of a stretch; assumed."""


class Watched(StrEnum):
    """What is watched of a ring."""

    Q = "Q"
    FREQUENCY = "frequency"


class Change(Facts, frozen=True, kw_only=False):
    """A jump. before, after: the level it left and what is seen since [1] or [Hz]; shots: how many it took
    to be sure."""

    time_s: Spread
    what: Watched
    before: Positive
    after: Positive
    shots: Count


class Mark(Facts, frozen=True, kw_only=False):
    """What a person did or saw: "heated", "cooled", "tapped", or words of their own."""

    time_s: Spread
    text: Annotated[str, msgspec.Meta(max_length=LONGEST_MARK)]


class Bucket(Facts, frozen=True, kw_only=False, array_like=True):
    """Shots put together: the time of the first, mean and extremes of Q [1] and frequency [Hz], and the
    highest probability of a shorted turn that shows, None where nothing judged it."""

    time_s: Spread
    shots: Annotated[int, msgspec.Meta(ge=1)]
    q: Positive
    q_low: Positive
    q_high: Positive
    hertz: Positive
    hertz_low: Positive
    hertz_high: Positive
    shows: Chance | None

    def with_later(self, other: Bucket) -> Bucket:
        """Both as one."""
        shots = self.shots + other.shots
        known = [p for p in (self.shows, other.shows) if p is not None]
        return Bucket(
            self.time_s,
            shots,
            (self.q * self.shots + other.q * other.shots) / shots,
            min(self.q_low, other.q_low),
            max(self.q_high, other.q_high),
            (self.hertz * self.shots + other.hertz * other.shots) / shots,
            min(self.hertz_low, other.hertz_low),
            max(self.hertz_high, other.hertz_high),
            max(known, default=None),
        )


class TrendFacts(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A stretch of what was watched. begun_utc tells one watching from another."""

    begun_utc: str
    capacitor: str
    connection: str
    schema: int = SCHEMA
    what: str = "trend"
    buckets: Annotated[tuple[Bucket, ...], _MANY] = ()
    changes: Annotated[tuple[Change, ...], _MANY] = ()
    marks: Annotated[tuple[Mark, ...], _MANY] = ()

    def __post_init__(self) -> None:
        if self.schema != SCHEMA:
            raise ValueError(f"has trend schema {self.schema}, this version knows {SCHEMA}; update coilbell")


def parsed_trend(text: str, where: str) -> TrendFacts:
    """A kept stretch. Raises FileError, which names where it stood."""
    try:
        return msgspec.json.decode(text, type=TrendFacts)
    except (msgspec.DecodeError, UnicodeError, RecursionError) as error:
        raise FileError(f"{where}: is no trend ({' '.join(str(error).split())[:200]})") from error
