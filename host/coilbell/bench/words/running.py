"""A winding that is watched, as one line of 80 columns that renews itself.

    A  21.63 kHz  Q 128.4(3)  healthy -2 % ....#|....  94 rings  short <1 %  clipped

The bar is Q against the healthy unit on a logarithmic scale, the healthy one at its middle: each cell is a
quarter more or less. What a person who cannot see the bar needs stands beside it in figures.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbell.bench.facts.trend import Change, Watched
from coilbell.bench.trend import Drift
from coilbell.figure import percent
from coilbell.quantities import concise, engineering

__all__ = ["Running", "bar", "change_words", "drift_words", "running_line"]

_CELLS = 5
"""Cells of the bar to either side of its middle."""

_CELL = math.log(1.25)
"""ln of the ratio of Q that a cell stands for."""

_FASTEST = 0.5
"""Drift from which it is none, but a jump among the first shots [1/min]; assumed: no part warms so fast."""

COLUMNS = 79
"""Longest line: a terminal of 80 columns wraps the eightieth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """What one line tells. q, frequency_hz None where nothing rings; count: rings to a tenth; healthy_q:
    where the next good unit is expected, None without a reference; shows: odds of a shorted turn that would
    show, None where none are given; doubt: one word, "" for none."""

    letter: str
    frequency_hz: tuple[float, float] | None
    q: tuple[float, float] | None
    count: float | None
    healthy_q: float | None
    shows: float | None
    doubt: str
    state: str = ""


def running_line(seen: Running) -> str:
    """The line, cut to `COLUMNS`."""
    if seen.q is None or seen.frequency_hz is None:
        parts = [seen.letter, "no ring"]
    else:
        parts = [seen.letter, concise(*seen.frequency_hz, "Hz"), f"Q {concise(*seen.q)}"]
        if seen.healthy_q:
            parts.append(f"healthy {_change(seen.q[0] / seen.healthy_q)} {bar(seen.q[0] / seen.healthy_q)}")
        if seen.count is not None:
            parts.append(f"{seen.count:.0f} rings")
    if seen.shows is not None:
        parts.append(f"short {percent(seen.shows)}")
    parts += [word for word in (seen.doubt, seen.state) if word]
    return "  ".join(parts)[:COLUMNS]


def bar(ratio: float) -> str:
    """Q over the healthy one's as a bar; "<" or ">" at its end where it goes on beyond."""
    cells = math.log(ratio) / _CELL
    whole = min(_CELLS, round(abs(cells)))
    filled = "#" * whole
    if abs(cells) > _CELLS + 0.5:
        filled = f"{filled[1:]}>" if cells > 0 else f"<{filled[1:]}"
    empty = "." * (_CELLS - whole)
    return f"{empty}{filled}|{'.' * _CELLS}" if cells < 0 else f"{'.' * _CELLS}|{filled}{empty}"


def change_words(change: Change) -> str:
    """A jump as a sentence."""
    if change.what is Watched.Q:
        before, after = f"{change.before:.3g}", f"{change.after:.3g}"
    else:
        before, after = (engineering(hertz, "Hz", 5) for hertz in (change.before, change.after))
    ratio = _change(change.after / change.before)
    return f"{change.what} jumped from {before} to {after} ({ratio}), seen over {change.shots} shots"


def drift_words(what: Watched, drift: Drift | None) -> str:
    """A drift that is more than its doubt, else ""."""
    if drift is None or not 2 * drift.standard_uncertainty <= abs(drift.per_minute) < _FASTEST:
        return ""
    return f"{what} drifts by {concise(100 * drift.per_minute, 100 * drift.standard_uncertainty)} % a minute"


def _change(ratio: float) -> str:
    """A ratio as "+3 %" or "-34 %"; tenths where it is small."""
    away = 100 * (ratio - 1)
    return f"{away:+.1f} %" if abs(away) < 1 else f"{away:+.0f} %"
