"""Stated odds against what was found, with binomial intervals, and how many items lie where."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from coilbell.bench.facts.audit import AuditFacts
from coilbell.bench.pictures.decay import BLUE, GREY
from coilbell.errors import InputError
from coilbell.quantities import counted

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["reliability_picture"]


def reliability_picture(facts: AuditFacts, *, title: str = "") -> Figure:
    """Found share over stated odds of a shorted turn; under it the numbers. Raises InputError without any."""
    from matplotlib.figure import Figure

    if not facts.bins:
        raise InputError("no item with an outcome and a finding before it; nothing can be drawn yet")
    drawing = Figure(figsize=(6.4, 6.4), layout="constrained")
    upper, lower = drawing.subplots(2, 1, sharex=True, height_ratios=(4, 1))
    _shares(upper, facts)
    for one in facts.bins:
        place = 50 * (one.low + one.high), one.items
        lower.bar(*place, width=9, color=GREY, alpha=0.6)
        lower.annotate(str(one.items), place, ha="center", va="bottom", fontsize=8)
    lower.set_ylim(0, 1.25 * max(one.items for one in facts.bins))
    lower.set_xlabel("stated odds of a shorted turn [%]")
    lower.set_ylabel("items")
    upper.set_title(textwrap.shorten(title or _title(facts), 80, placeholder="..."), fontsize=10, loc="left")
    return drawing


def _shares(axes: Axes, facts: AuditFacts) -> None:
    axes.plot([0, 100], [0, 100], color=GREY, linewidth=1, label="as stated")
    for one in facts.bins:
        share = one.found
        assert share.share is not None
        found = 100 * share.share
        reach = [[max(found - 100 * share.low, 0)], [max(100 * share.high - found, 0)]]
        axes.errorbar([100 * one.stated], [found], reach, fmt="o", color=BLUE, markersize=5, capsize=3)
    axes.plot([], [], "o-", color=BLUE, markersize=5, label="found, 95 % interval")
    axes.set(xlim=(-2, 102), ylim=(-2, 102), ylabel="found to be shorted [%]")
    axes.grid(visible=True, color="0.9", linewidth=0.6)
    axes.legend(loc="upper left", fontsize=9)


def _title(facts: AuditFacts) -> str:
    few = "" if facts.score else ", too few to tell anything"
    simulated = ", simulated" if facts.simulated else ""
    return f"{counted(sum(one.items for one in facts.bins), 'item')} whose end was told{few}{simulated}"
