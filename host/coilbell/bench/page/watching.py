"""The trend that a page draws: one watching of what is on the leads, kept under the item on the bench."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from coilbell.bench.facts.trend import Change, TrendFacts, Watched
from coilbell.bench.log import Log, add_trend
from coilbell.bench.page.judgedshot import JudgedShot
from coilbell.bench.page.messages import Message, Trend
from coilbell.bench.trend import Buckets
from coilbell.bench.watch import Watch
from coilbell.bench.words.running import change_words, drift_words
from coilbell.errors import InputError

__all__ = ["Watching"]

_DRAWN = 200
"""Buckets drawn: more than a small screen shows apart; assumed."""

_APART_S = 1.0
"""Shortest time between two trends sent [s]; assumed."""

_UNKEPT = "not kept: no item is on the bench (J)"


class Watching:
    """log: None for the usual place; post: hands a message to the pages.

    Another item, capacitor or connection is another watching. Called from several threads.
    """

    def __init__(self, log: Path | None, post: Callable[[Message], None]) -> None:
        self._log, self._post = log, post
        self._lock = threading.Lock()
        self._watch: Watch | None = None
        self._item = ""
        self._told = -_APART_S

    def see(self, shot: JudgedShot, item: str) -> str:
        """Take a shot of the first capacitor; the jumps that it makes certain, in words."""
        with self._lock:
            watch = self._watching(shot, item)
            found = watch.see(shot, shot.struck_at)
            if found or time.monotonic() - self._told >= _APART_S:
                self._tell(watch)
        return "; ".join(map(change_words, found))

    def mark(self, text: str) -> str:
        """Keep what a person did or saw. Raises InputError before the first shot."""
        with self._lock:
            if self._watch is None:
                raise InputError("nothing is watched yet; strike on and on, then mark what was done to it")
            self._watch.mark(text, time.time())
            self._tell(self._watch)
        return f"marked in the trend: {text}"

    def end(self) -> None:
        """Keep what was not yet."""
        with self._lock:
            if self._watch is not None:
                self._watch.close()

    def _watching(self, shot: JudgedShot, item: str) -> Watch:
        where = str(shot.record.connection)
        old = self._watch
        if old is not None and (self._item, old.capacitor, old.connection) == (item, shot.letter, where):
            return old
        if old is not None:
            old.close()
        self._item = item
        self._watch = Watch(shot.struck_at, shot.letter, where, self._keeper(item))
        return self._watch

    def _keeper(self, item: str) -> Callable[[TrendFacts], None] | None:
        def keep(facts: TrendFacts) -> None:
            with Log(self._log) as log, log.together():
                add_trend(log, log.item(item) if log.holds(item) else log.add_item(item), facts)

        return keep if item else None

    def _tell(self, watch: Watch) -> None:
        self._told = time.monotonic()
        trend, store = watch.trend, Buckets(_DRAWN)
        for bucket in trend.buckets:
            store.add(bucket)
        drifts = (drift_words(what, trend.drift(what)) for what in Watched)
        kept = "" if self._item else _UNKEPT
        self._post(
            Trend(
                words="; ".join(filter(None, (f"capacitor {watch.capacitor}", *drifts, kept))),
                minutes=[round(b.time_s / 60, 4) for b in store.kept],
                q=[(b.q, b.q_low, b.q_high) for b in store.kept],
                hertz=[(b.hertz, b.hertz_low, b.hertz_high) for b in store.kept],
                shows=[b.shows for b in store.kept],
                marks=[(round(m.time_s / 60, 4), m.text) for m in trend.marks],
                changes=[(round(c.time_s / 60, 4), _jump(c, watch)) for c in trend.changes],
            )
        )


def _jump(change: Change, watch: Watch) -> str:
    """A jump with its clock time."""
    return f"{datetime.fromtimestamp(watch.begun_s + change.time_s):%H:%M:%S} {change_words(change)}"
