"""Is a column of time stamps a uniform clock, perhaps rounded when written, or are the steps uneven?

Uneven stamps are kept as they are; nothing is ever resampled. A column is taken as uniform in two cases,
with the rate of the straight line through all its stamps:

* no stamp is further from that line than 1/10000 of a step;
* the stamps are multiples of a tick and none is further from the line than 3/4 of a tick, while either a
  tick is at most 0.6 of a step, or stamps repeat (which an instrument that takes one sample after another
  can only write by rounding). A clock of even steps rounded or cut to a tick stays within about one half.

The limit of 0.6 keeps a gap from passing for rounding: one lost sample bends the stamps away from any line
by half a step or more, and half a step is then more than 3/4 of a tick.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.bench.quantities import engineering
from coilbell.errors import FileError

__all__ = ["Timebase", "timebase"]

Array = npt.NDArray[np.float64]

_SHORTEST_STEP_S = 1e-12
"""A Record's rate goes up to 1 THz."""


@dataclass(frozen=True, slots=True, eq=False)
class Timebase:
    """When the samples were taken: a rate and the first one's time, or every stamp."""

    first_s: float
    rate_hz: float | None
    times_s: Array | None
    words: str
    """How the column was understood."""


def timebase(times_s: Array, last_place_s: float, lines: npt.NDArray[np.int64]) -> Timebase:
    """The time base of (n,) stamps [s] whose last written decimal place weighs `last_place_s` [s].

    lines: (n,) lines of the file, for messages. Raises FileError where time stands still or runs back and
    rounding does not explain it.
    """
    steps = np.diff(times_s)
    if times_s.size < 2 or (steps > 0).all():
        tick = _tick(times_s, last_place_s)
        return _uniform(times_s, tick, repeats=False) or Timebase(
            float(times_s[0]), None, times_s, f"{times_s.size} uneven time stamps, used as they are"
        )
    back = np.flatnonzero(steps < 0)
    if not back.size:
        rounded = _uniform(times_s, _tick(times_s, last_place_s), repeats=True)
        if rounded:
            return rounded
    where = int((back if back.size else np.flatnonzero(steps <= 0))[0]) + 1
    raise FileError(
        f"line {lines[where]}: time {times_s[where]:g} s does not follow {times_s[where - 1]:g} s; "
        "give a file with one record in the order of time"
    )


def _tick(times: Array, last_place: float) -> float:
    """Largest step of which all stamps are multiples, or the last written place [s]."""
    if last_place * 2**52 < np.abs(times).max():
        return last_place  # finer than a float can tell
    whole = times / last_place
    if np.abs(whole - np.rint(whole)).max() > 1e-3:
        return last_place
    counts = np.rint(whole).astype(np.int64)
    return float(np.gcd.reduce(np.diff(counts))) * last_place


def _uniform(times: Array, tick: float, *, repeats: bool) -> Timebase | None:
    if times.size < 3 or times[-1] - times[0] < _SHORTEST_STEP_S * times.size:
        return None
    count = np.arange(times.size) - (times.size - 1) / 2
    middle = times.mean()
    step = float(count @ (times - middle) / (count @ count))
    away = float(np.abs(times - middle - step * count).max())
    first = float(times[0])
    if away <= 1e-4 * step + 4 * np.finfo(float).eps * np.abs(times).max():
        return Timebase(first, _clean_rate(times), None, f"uniform, {engineering(step, 's')} a sample")
    if away <= 0.75 * tick and (tick <= 0.6 * step or repeats):
        words = (
            f"uniform, {engineering(step, 's', 6)} a sample; time stamps rounded to {engineering(tick, 's')}"
        )
        return Timebase(first, 1 / step, None, words)
    return None


def _clean_rate(times: Array) -> float:
    """Rate over the whole span; where it is a whole number but for rounding, that number [Hz]."""
    rate = float((times.size - 1) / (times[-1] - times[0]))
    near = round(rate)
    return float(near) if near and abs(rate - near) < 1e-9 * rate else rate
