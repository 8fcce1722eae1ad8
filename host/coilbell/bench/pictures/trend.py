"""A winding that was watched: Q, frequency and odds over time, with what was done to it and what jumped."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from coilbell.bench.facts.trend import TrendFacts, Watched
from coilbell.bench.pictures.decay import BLUE, GREY, ORANGE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["trend_picture"]

_HOUR_S = 3600.0
"""Watched for longer than two of these, time is told in hours [s]."""


def trend_picture(trend: TrendFacts, *, title: str = "") -> Figure:
    """Mean and extremes of each bucket; marks as dotted lines with their words, jumps as solid ones.

    The odds are drawn where something judged the winding.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import EngFormatter

    judged = any(bucket.shows is not None for bucket in trend.buckets)
    drawing = Figure(figsize=(7.2, 5.4 if judged else 4.0), layout="constrained")
    rows = drawing.subplots(3 if judged else 2, 1, sharex=True)
    long = bool(trend.buckets) and trend.buckets[-1].time_s > 2 * _HOUR_S
    unit, name = (_HOUR_S, "h") if long else (60.0, "min")
    at = [bucket.time_s / unit for bucket in trend.buckets]
    _drawn(rows[0], at, [(b.q, b.q_low, b.q_high) for b in trend.buckets], "Q")
    _drawn(rows[1], at, [(b.hertz, b.hertz_low, b.hertz_high) for b in trend.buckets], "frequency")
    rows[1].yaxis.set_major_formatter(EngFormatter(unit="Hz", sep=" "))
    if judged:
        told = [(t, b.shows) for t, b in zip(at, trend.buckets, strict=True) if b.shows is not None]
        rows[2].step(*zip(*told, strict=True), where="post", color=ORANGE, linewidth=1.2)
        rows[2].set_ylim(-0.02, 1.02)
        rows[2].set_ylabel("short shows")
    for place, what in zip(rows, (Watched.Q, Watched.FREQUENCY, None), strict=False):
        for mark in trend.marks:
            place.axvline(mark.time_s / unit, color="black", linestyle=":", linewidth=1)
        for change in trend.changes:
            if change.what is what:
                place.axvline(change.time_s / unit, color=ORANGE, linewidth=1)
    for mark in trend.marks:
        words = textwrap.shorten(mark.text, 24, placeholder="...")
        where = (mark.time_s / unit, 0.97)
        rows[0].text(*where, f" {words}", transform=rows[0].get_xaxis_transform(), fontsize=8, va="top")
    rows[-1].set_xlabel(f"time since {trend.begun_utc[:16].replace('T', ' ')} UTC / {name}")
    if title:
        rows[0].set_title(textwrap.shorten(title, 80, placeholder="..."), fontsize=11, loc="left")
    return drawing


def _drawn(axes: Axes, at: list[float], figures: list[tuple[float, float, float]], label: str) -> None:
    mean, low, high = zip(*figures, strict=True) if figures else ((), (), ())
    axes.plot(at, mean, color=BLUE, linewidth=1.2)
    axes.fill_between(at, low, high, color=GREY, alpha=0.35, linewidth=0)
    axes.set_ylabel(label)
    axes.grid(visible=True, color="0.9", linewidth=0.6)
