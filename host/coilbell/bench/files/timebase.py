"""Is a column of time stamps a uniform clock, perhaps rounded when written, or are the steps uneven?

Uneven stamps are kept as they are; nothing is ever resampled. A column is taken as uniform in two cases:

* no stamp is further from the straight line through all than 1/10000 of a step; its rate is the column's;
* the stamps are multiples of a tick and all lie between two parallel lines less than a tick apart, as those
  of a clock of even steps rounded or cut to a tick do, or else none is further than 3/4 of a tick from the
  straight line; while either a tick is at most 0.6 of a step, or stamps repeat (which an instrument that
  takes one sample after another can only write by rounding). The rate is the middle of all those whose
  lines hold the stamps, and how far these spread is its uncertainty: that of the straight line errs by a
  tenth where a record spans two ticks.

The limit of 0.6 keeps a gap from passing for rounding: one lost sample bends the stamps away from any line
by half a step or more, and half a step is then more than 3/4 of a tick.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from coilbell.bench.files.lines import pieces
from coilbell.errors import FileError
from coilbell.quantities import engineering

__all__ = ["Timebase", "timebase"]

Array = npt.NDArray[np.float64]

_SHORTEST_STEP_S = 1e-12
"""A Record's rate goes up to 1 THz."""

_SURE_ENOUGH = 0.01
"""Stamps that leave more than this part of the rate uncertain are refused: frequencies would be guesses."""

_EXACT_ENOUGH = 1e-6
"""A smaller part is not told: quartz clocks err by more."""


@dataclass(frozen=True, slots=True, eq=False)
class Timebase:
    """When the samples were taken: a rate and the first one's time, or every stamp."""

    first_s: float
    rate_hz: float | None
    times_s: Array | None
    words: str
    """How the column was understood."""
    rate_uncertainty: float = 0.0
    """Relative standard uncertainty of `rate_hz` that rounded stamps leave; 0 where it is nothing to tell."""


def timebase(times_s: Array, last_place_s: float, lines: Sequence[int] | npt.NDArray[Any]) -> Timebase:
    """The time base of (n,) stamps [s] whose last written decimal place weighs `last_place_s` [s].

    lines: (n,) lines of the file, for messages. Raises FileError where time stands still or runs back and
    rounding does not explain it.
    """
    if times_s.size < 2 or (times_s[1:] > times_s[:-1]).all():
        tick = _tick(times_s, last_place_s)
        return _uniform(times_s, tick, repeats=False) or Timebase(
            float(times_s[0]), None, times_s, f"{times_s.size} uneven time stamps, used as they are"
        )
    back = np.flatnonzero(times_s[1:] < times_s[:-1])
    if not back.size:
        rounded = _uniform(times_s, _tick(times_s, last_place_s), repeats=True)
        if rounded:
            return rounded
    where = int((back if back.size else np.flatnonzero(times_s[1:] <= times_s[:-1]))[0]) + 1
    raise FileError(
        f"line {lines[where]}: time {times_s[where]:g} s does not follow {times_s[where - 1]:g} s; "
        "give a file with one record in the order of time"
    )


def _tick(times: Array, last_place: float) -> float:
    """Largest step of which all stamps are multiples, or the last written place [s]."""
    if last_place * 2**52 < _greatest(times):
        return last_place  # finer than a float can tell
    ticks = 0
    for part in pieces(times.size):
        whole = times[max(part.start - 1, 0) : part.stop] / last_place
        counts = np.rint(whole)
        if np.abs(whole - counts).max() > 1e-3:
            return last_place
        ticks = math.gcd(ticks, int(np.gcd.reduce(np.diff(counts.astype(np.int64)))))
    return float(ticks) * last_place


def _greatest(times: Array) -> float:
    return max(float(times.max()), -float(times.min()))


def _counts(part: slice, size: int) -> Array:
    """Numbers of the stamps in a piece, counted from the middle of all."""
    return np.arange(part.start, part.stop, dtype=np.float64) - (size - 1) / 2


def _straight(times: Array) -> tuple[float, float]:
    """Slope of the straight line through all stamps [s a sample], and how far the furthest is from it [s]."""
    middle, size = times.mean(), times.size
    along = math.fsum(float(_counts(part, size) @ (times[part] - middle)) for part in pieces(size))
    step = along / (size * (size**2 - 1) / 12)
    away = max(
        float(np.abs(times[part] - middle - step * _counts(part, size)).max()) for part in pieces(size)
    )
    return step, away


def _uniform(times: Array, tick: float, *, repeats: bool) -> Timebase | None:
    if times.size < 3 or times[-1] - times[0] < _SHORTEST_STEP_S * times.size:
        return None
    step, away = _straight(times)
    first = float(times[0])
    grain = float(np.spacing(_greatest(times)))
    if away <= 1e-4 * step + 4 * grain:
        if grain > _EXACT_ENOUGH * (times[-1] - times[0]):  # counted from a day long past
            return _rounded(times, _slopes(times, 2 * away + grain), grain)
        return Timebase(first, _clean_rate(times), None, f"uniform, {engineering(step, 's')} a sample")
    if tick <= 0.6 * step or repeats:
        # Stamps between lines less than a tick apart were rounded; a stamp wrong by a tick would not fit.
        # The uncertainty of the rate then comes from lines a whole tick apart, because the stamps of a clock
        # that keeps step with the ticks spread that far.
        slopes = None
        if _slopes(times, (1 - 3e-6) * tick):
            slopes = _slopes(times, tick)
        elif away <= 0.75 * tick:
            slopes = _slopes(times, 1.5 * tick)
        return _rounded(times, slopes, tick)
    return None


def _rounded(times: Array, slopes: tuple[float, float] | None, tick: float) -> Timebase | None:
    """The uniform clock between the slopes [s a sample], of stamps rounded to `tick` [s]; None without."""
    if slopes is None:
        return None
    step = (slopes[0] + slopes[1]) / 2
    unsure = (slopes[1] - slopes[0]) / (2 * math.sqrt(3) * step) if slopes[0] > 0 else math.inf
    if unsure > _SURE_ENOUGH:
        part = f"by {100 * unsure:.2g} %" if math.isfinite(unsure) else "altogether"
        raise FileError(
            f"time stamps rounded to {engineering(tick, 's')} leave the sampling rate uncertain {part}; "
            "export finer ones, or give the rate, such as --rate 500k"
        )
    words = f"uniform, {engineering(step, 's', 6)} a sample; time stamps rounded to {engineering(tick, 's')}"
    return Timebase(float(times[0]), 1 / step, None, words, unsure if unsure > _EXACT_ENOUGH else 0.0)


def _slopes(times: Array, band: float) -> tuple[float, float] | None:
    """Least and greatest slope of two parallel lines, `band` apart, that hold all stamps between them.

    The band that the stamps need is a convex function of the slope, made of straight pieces. Newton's steps
    that start outside the solution therefore never jump over its edge, and end on it exactly.
    """
    slack = 1e-6 * band + 8 * float(np.finfo(float).eps * _greatest(times))
    steepest = float(times[-1] - times[0] + 2 * band)
    edges = []
    for side in (-1.0, 1.0):
        slope = side * steepest
        for _ in range(200):
            low, high, height = _extremes(times, slope)
            over = height - band
            if over <= slack:
                break
            if (low - high) * side <= 0:  # past the narrowest band, which is still too wide
                return None
            slope -= over / (low - high)
        else:
            return None
        edges.append(slope)
    return edges[0], edges[1]


def _extremes(times: Array, slope: float) -> tuple[int, int, float]:
    """Which stamps lie lowest and highest above a line of that slope, and the height between them [s]."""
    low = high = 0
    least, most = math.inf, -math.inf
    for part in pieces(times.size):
        across = times[part] - slope * _counts(part, times.size)
        lowest, highest = int(across.argmin()), int(across.argmax())
        if across[lowest] < least:
            low, least = part.start + lowest, float(across[lowest])
        if across[highest] > most:
            high, most = part.start + highest, float(across[highest])
    return low, high, most - least


def _clean_rate(times: Array) -> float:
    """Rate over the whole span; where it is a whole number but for rounding, that number [Hz]."""
    rate = float((times.size - 1) / (times[-1] - times[0]))
    near = round(rate)
    return float(near) if near and abs(rate - near) < 1e-9 * rate else rate
