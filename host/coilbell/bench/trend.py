"""A winding watched for minutes and hours: its trend in bounded memory, and the moment at which it changed.

A fault that comes with heat or a knock shows as a jump of Q or of the frequency; warming shows as a drift.
Each quantity x (ln Q, ln f) is held against its own recent level m, an exponentially weighted mean with a
time constant of `LEVEL_S`, which follows a drift. The deviations feed a two-sided CUSUM (E. S. Page,
Biometrika 41 (1954) 100)::

    up   = max(0, up + (x - m) - k)        down = max(0, down - (x - m) - k)        a change when one > h
    k = max(s, allowance)                  h = max(6.5 s, limit)

s is the standard deviation from shot to shot, the larger of what the fits say and of what successive
differences show. With k = s and h = 6.5 s two-sided noise alone gives one change in about
(exp(2 k b) - 2 k b - 1) / (4 k^2), b = h + 1.166, some 10^6 shots (D. Siegmund, Sequential Analysis, 1985,
from memory; `tests/benchmarks/trend.py` counts them): at 5 shots a second one in 60 hours.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from coilbell.bench.facts.trend import Bucket, Change, Mark, Watched

__all__ = ["Buckets", "Drift", "Seen", "Trend"]

LEVEL_S = 60.0
"""Time constant of the level that a shot is held against [s]. Assumed: short against warming, long against a
change that is to be seen."""

DRIFT_S = 300.0
"""Time over which a drift is told [s]. Assumed."""

FIRST_SHOTS = 8
"""Shots that make the first level, before anything is called a change. Assumed."""

_NOISE_SHOTS = 50.0
"""Memory of the noise from shot to shot [shots]. Assumed."""

_H_OF_NOISE = 6.5
"""Limit of a CUSUM over the noise, for some 10^6 shots between false alarms; see above."""

MOST_BUCKETS = 1024
"""Buckets kept in memory. Assumed."""

MOST_EVENTS = 200
"""Changes and marks kept; the oldest go first, and how many is told."""

_JUMP_OF_CHANCE = 1.2533
"""sqrt(pi/2): standard deviation of Gaussian noise over the mean of its magnitude."""


Event = TypeVar("Event", Change, Mark)


_ALLOWANCE = {Watched.Q: 0.025, Watched.FREQUENCY: 0.0025}
"""Deviation that never counts [ln]. Clips that move by 5 milliohm change Q by 0.2 % at 2 mH and by 0.8 % at
30 uH (5 milliohm over w L, computed); 1 K moves an ungapped ferrite's frequency by 0.3 % (published: makers'
permeability over temperature), against a level that follows within a minute."""

_LIMIT = {Watched.Q: 0.10, Watched.FREQUENCY: 0.01}
"""Sum of deviations beyond the allowance that is a change [ln]: a drop of Q by 10 % is found with the second
shot, of 5 % with the fifth."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One shot. time_s: [s] on any one clock; q [1] and frequency_hz [Hz] with standard uncertainties;
    shorted: probability of a shorted turn that shows, None where nothing judged it."""

    time_s: float
    q: float
    q_uncertainty: float
    frequency_hz: float
    frequency_uncertainty_hz: float
    shorted: float | None = None

    @property
    def rings(self) -> bool:
        """True where Q and frequency are known."""
        known = all(math.isfinite(v) and v > 0 for v in (self.q, self.frequency_hz))
        return known and math.isfinite(self.time_s)

    @property
    def bucket(self) -> Bucket:
        """It alone, as a bucket."""
        q, hertz = (self.q,) * 3, (self.frequency_hz,) * 3
        return Bucket(self.time_s, 1, *q, *hertz, self.shorted)


@dataclass(frozen=True, slots=True)
class Drift:
    """How fast the level moves, relative [1/min], with the standard uncertainty of a straight line through
    the buckets of the last `DRIFT_S`."""

    per_minute: float
    standard_uncertainty: float


class Buckets:
    """At most so many buckets: when they are full two become one, so that hours are kept whole."""

    def __init__(self, most: int) -> None:
        self.kept: list[Bucket] = []
        self._most, self._size = most, 1

    def add(self, one: Bucket) -> None:
        """Put a later one in."""
        if self.kept and self.kept[-1].shots < self._size:
            self.kept[-1] = self.kept[-1].with_later(one)
            return
        if len(self.kept) == self._most:
            self.kept = [a.with_later(b) for a, b in zip(self.kept[::2], self.kept[1::2], strict=True)]
            self._size *= 2
        self.kept.append(one)


class _Level:
    """The running level of one quantity, its noise, and the two sums."""

    def __init__(self, what: Watched) -> None:
        self.what = what
        self._restart()

    def _restart(self) -> None:
        self._first: list[float] = []
        self._level = math.nan
        self._last: tuple[float, float] | None = None
        self._step = 0.0
        self._up = self._down = 0.0
        self._since = 0
        self._age = FIRST_SHOTS

    def take(self, time_s: float, x: float, stated: float) -> tuple[float, int] | None:
        """A further value [ln] with the uncertainty that its fit states; the level that it left [ln] and the
        shots that it took, where this one makes it a change."""
        self._note_step(x)
        if len(self._first) < FIRST_SHOTS:
            self._first.append(x)
            self._level = sorted(self._first)[len(self._first) // 2]
            self._last = (time_s, x)
            return None
        noise = max(stated, self._step * _JUMP_OF_CHANCE / math.sqrt(2.0))
        away = x - self._level
        allowed = max(noise, _ALLOWANCE[self.what])
        self._up = max(0.0, self._up + away - allowed)
        self._down = max(0.0, self._down - away - allowed)
        self._since = self._since + 1 if max(self._up, self._down) > 0 else 0
        limit = max(_H_OF_NOISE * noise, _LIMIT[self.what])
        if max(self._up, self._down) > limit:
            left, shots = self._level, self._since
            self._restart()
            self._first, self._level, self._last = [x], x, (time_s, x)
            return left, shots
        # Half way to its limit a change may be under way: the level waits, so as not to follow it.
        if max(self._up, self._down) < limit / 2:
            self._follow(time_s, x)
        self._last = (time_s, x)
        return None

    def _note_step(self, x: float) -> None:
        """Mean magnitude of the step from shot to shot [ln]."""
        if self._last is not None:
            step = abs(x - self._last[1])
            weight = 1 / min(_NOISE_SHOTS, len(self._first) + 1.0)
            # A jump is no noise: a step counts for no more than several of those before it.
            usual = self._step or step
            self._step += weight * (min(step, 4 * usual) - self._step)

    def _follow(self, time_s: float, x: float) -> None:
        """Move the level: as a plain mean while it is young, then with its time constant."""
        self._age += 1
        before = self._last[0] if self._last else time_s
        share = max(-math.expm1(-max(0.0, time_s - before) / LEVEL_S), 1 / self._age)
        self._level += share * (x - self._level)


class Trend:
    """All that was seen of one winding since watching began, in bounded memory.

    A shot that does not ring, or whose Q is not known, is counted and changes no level.
    """

    def __init__(self) -> None:
        self._store = Buckets(MOST_BUCKETS)
        self.changes: list[Change] = []
        self.marks: list[Mark] = []
        self.shots = 0
        self.silent = 0
        self.forgotten = 0
        self._levels = {what: _Level(what) for what in Watched}

    @property
    def buckets(self) -> list[Bucket]:
        """All shots that rang, put together."""
        return self._store.kept

    def see(self, shot: Seen) -> tuple[Change, ...]:
        """Take a shot; the changes that it makes certain, usually none."""
        self.shots += 1
        if not shot.rings:
            self.silent += 1
            return ()
        self._store.add(shot.bucket)
        values = {
            Watched.Q: (shot.q, shot.q_uncertainty),
            Watched.FREQUENCY: (shot.frequency_hz, shot.frequency_uncertainty_hz),
        }
        found = []
        for what, (value, doubt) in values.items():
            stated = doubt / value if math.isfinite(doubt) else 0.0
            left = self._levels[what].take(shot.time_s, math.log(value), stated)
            if left is not None:
                found.append(Change(shot.time_s, what, math.exp(left[0]), value, left[1]))
        self.changes = self._bounded([*self.changes, *found])
        return tuple(found)

    def mark(self, time_s: float, text: str) -> None:
        """Keep a mark."""
        self.marks = self._bounded([*self.marks, Mark(time_s, text)])

    def drift(self, what: Watched) -> Drift | None:
        """The drift since the last change, None while there is too little to tell."""
        if not self.buckets:
            return None
        began = max(
            self.buckets[-1].time_s - DRIFT_S,
            *(change.time_s for change in self.changes if change.what is what),
            -math.inf,
        )
        rows = [b for b in self.buckets if b.time_s > began]
        return _slope(
            [b.time_s for b in rows],
            [math.log(b.q if what is Watched.Q else b.hertz) for b in rows],
        )

    def _bounded(self, events: list[Event]) -> list[Event]:
        over = max(0, len(events) - MOST_EVENTS)
        self.forgotten += over
        return events[over:]


def _slope(times: Sequence[float], values: Sequence[float]) -> Drift | None:
    """Least-squares slope [1/min] of values over times [s], with its standard uncertainty."""
    n = len(times)
    if n < FIRST_SHOTS or times[-1] - times[0] < LEVEL_S / 2:
        return None
    middle, mean = sum(times) / n, sum(values) / n
    spread = sum((t - middle) ** 2 for t in times)
    slope = sum((t - middle) * (v - mean) for t, v in zip(times, values, strict=True)) / spread
    left = sum((v - mean - slope * (t - middle)) ** 2 for t, v in zip(times, values, strict=True))
    return Drift(60 * slope, 60 * math.sqrt(left / (n - 2) / spread))
