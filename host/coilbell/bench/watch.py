"""A winding while it is watched: its trend, and stretches of it handed on to be kept.

A stretch has at most `_BUCKETS` buckets. It lasts a minute, and twice as long after each `_DOUBLE` of them: a
day of watching is some hundred rows, and what is lost by a power cut is a small part of what was seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from coilbell.bench.facts.trend import LONGEST_MARK, Change, Mark, TrendFacts
from coilbell.bench.trend import Buckets, Seen, Trend

if TYPE_CHECKING:
    from coilbell.bench.page.judgedshot import JudgedShot

__all__ = ["Watch", "seen_of"]

_BUCKETS = 16
"""Buckets of a stretch; assumed: four seconds each in the first hour."""

_STRETCH_S = 60.0
"""How long a stretch lasts at first [s]; assumed."""

_DOUBLE = 60
"""Stretches after which they last twice as long; assumed."""

Keep = Callable[[TrendFacts], None]


def seen_of(shot: JudgedShot, time_s: float) -> Seen:
    """A shot as a trend takes it; nothing known of one that does not ring."""
    main = shot.fit.main if shot.fit.rings else None
    if main is None:
        return Seen(time_s, math.nan, math.nan, math.nan, math.nan)
    q, hertz = main.q, main.frequency_hz
    shows = shot.finding.verdict.shows if shot.finding is not None else None
    figures = (q.value, q.standard_uncertainty, hertz.value, hertz.standard_uncertainty)
    told = [float(figure) for figure in figures]
    return Seen(time_s, told[0], told[1], told[2], told[3], None if shows is None else float(shows))


def _utc(time_s: float) -> str:
    told = datetime.fromtimestamp(time_s, UTC).isoformat(timespec="milliseconds")
    return told.replace("+00:00", "Z")


class Watch:
    """One watching. begun_s: when it began [s since 1970]; keep: takes a stretch, None for nobody."""

    def __init__(self, begun_s: float, capacitor: str, connection: str, keep: Keep | None = None) -> None:
        self.trend = Trend()
        self.capacitor, self.connection = capacitor, connection
        self.begun_s, self._keep = begun_s, keep
        self._stretches = 0
        self._fresh(0.0)

    def see(self, shot: JudgedShot, now_s: float) -> tuple[Change, ...]:
        """Take a shot; the changes that it makes certain, usually none."""
        seen = seen_of(shot, max(0.0, now_s - self.begun_s))
        found = self.trend.see(seen)
        if seen.rings:
            self._buckets.add(seen.bucket)
        self._changes += found
        if seen.time_s - self._since >= _STRETCH_S * 2.0 ** (self._stretches // _DOUBLE):
            self._stretches += 1
            self.close(seen.time_s)
        return found

    def mark(self, text: str, now_s: float) -> float:
        """Keep what a person did or saw, at once; when it was [s since watching began]."""
        time_s = max(0.0, now_s - self.begun_s)
        self.trend.mark(time_s, text[:LONGEST_MARK])
        self._marks.append(Mark(time_s, text[:LONGEST_MARK]))
        self.close(time_s)
        return time_s

    def close(self, time_s: float = 0.0) -> None:
        """Hand on what was not yet."""
        kept = TrendFacts(
            begun_utc=_utc(self.begun_s),
            capacitor=self.capacitor,
            connection=self.connection,
            buckets=tuple(self._buckets.kept),
            changes=tuple(self._changes),
            marks=tuple(self._marks),
        )
        if self._keep is not None and (kept.buckets or kept.marks):
            self._keep(kept)
        self._fresh(time_s)

    def _fresh(self, time_s: float) -> None:
        self._since = time_s
        self._buckets = Buckets(_BUCKETS)
        self._changes: list[Change] = []
        self._marks: list[Mark] = []
