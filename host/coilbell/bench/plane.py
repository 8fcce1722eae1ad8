"""The picture of a finding: the shift plane with the reference, the ways faults take, and the ring judged.

Added loss runs to the right, inductance drop upwards, both on scales that are linear near zero and
logarithmic beyond. Blue is the reference, orange the ring that is judged, grey what is computed; every
group also has its own mark or stroke, and its name at its side.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from coilbell.bench.pictures import BLUE, GREY, ORANGE
from coilbell.bench.places import Line, Marks, RingPlace, marks_of, ring_place, still_lines
from coilbell.bench.quantities import engineering
from coilbell.bench.sentences import percent
from coilbell.winding import Condition, Explanation, Finding, Reference

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["plane_caption", "plane_picture"]

_LINEAR = 0.03
"""Where both scales turn from linear to logarithmic [1]."""

_STROKES = ("-", "--", "-.", ":", (0, (6, 1.5, 1, 1.5, 1, 1.5)))


def plane_picture(finding: Finding, reference: Reference, *, title: str = "", capacitor: int = 0) -> Figure:
    """The shift plane for one of the finding's capacitors.

    Raises InputError when nothing rang or there was no reference, so that there is no point to draw.
    """
    lines = still_lines(finding, reference, capacitor)
    from matplotlib.figure import Figure

    drawing = Figure(figsize=(7.6, 6.4), layout="constrained")
    axes = drawing.subplots()
    _scales(axes)
    _draw_lines(axes, lines)
    _draw_marks(axes, marks_of(finding, reference, capacitor))
    _draw_ring(axes, ring_place(finding, capacitor))
    axes.set_xlabel("added loss  g = r/Q - 1/Q0")
    axes.set_ylabel("inductance drop  b = r\u00b2 - 1,  r = f/f0")
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.1), ncols=2, fontsize=8, frameon=False)
    if title:
        axes.set_title(textwrap.shorten(title, 80, placeholder="..."), fontsize=11, loc="left")
    drawing.suptitle(plane_caption(finding, capacitor), fontsize=9, x=0.02, ha="left")
    return drawing


def plane_caption(finding: Finding, capacitor: int = 0) -> str:
    """What is said, and how sure."""
    shift, odds = finding.shifts[capacitor], finding.odds
    place = f"g {shift.added_loss:+.3f}, b {shift.inductance_drop:+.3f}"
    test = engineering(finding.rings[capacitor].capacitor.farads, "F")
    first = f"{finding.explanation} with {test}: {place}"
    if odds is None:
        return first
    chance = {e: p for e, p in odds.explanations.items() if p >= 0.01}
    listed = ", ".join(
        f"{'none of these' if e is Explanation.UNDECIDED else e} {percent(p)}"
        for e, p in sorted(chance.items(), key=lambda item: -item[1])
    )
    return f"{first}\n{listed}\nshorted turn {percent(odds.shorted)} from a prior of {percent(odds.prior)}"


def _scales(axes: Axes) -> None:
    from matplotlib.ticker import FixedLocator, FuncFormatter

    axes.set_xscale("symlog", linthresh=_LINEAR / 3, linscale=0.6)
    axes.set_yscale("symlog", linthresh=_LINEAR, linscale=0.6)
    axes.set_xlim(-0.1, 3)
    axes.set_ylim(-1, 60)
    ticks = [-1, -0.3, -0.1, -0.03, -0.01, 0, 0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30]
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(FixedLocator(ticks))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_locator(FixedLocator([]))
    axes.grid(visible=True, color="0.9", linewidth=0.6)
    axes.axhline(0, color="0.6", linewidth=0.8)
    axes.axvline(0, color="0.6", linewidth=0.8)


def _draw_lines(axes: Axes, lines: tuple[Line, ...]) -> None:
    faults, healthy, shorted = (
        [line for line in lines if line.kind == kind] for kind in ("fault", "healthy", "shorted")
    )
    for line, stroke in zip(faults, _STROKES, strict=False):
        label = f"computed: {line.name}"
        axes.plot(line.loss, line.drop, linestyle=stroke, color=GREY, linewidth=1.3, label=label, zorder=2)
    for line, stroke in zip(healthy, ("-", "--"), strict=True):
        axes.fill(line.loss, line.drop, color=BLUE, alpha=0.08, linewidth=0, zorder=1)
        axes.plot(
            line.loss, line.drop, color=BLUE, linestyle=stroke, linewidth=1.2, label=line.name, zorder=3
        )
    for number, line in enumerate(shorted):
        first = None if number else "half of the shorts like it"
        axes.plot(line.loss, line.drop, color=BLUE, linestyle=":", linewidth=1.2, label=first)


def _draw_marks(axes: Axes, marks: tuple[Marks, ...]) -> None:
    style: dict[str, Any] = {"linestyle": "none", "color": BLUE, "zorder": 4}
    for one in marks:
        if one.kind == "good":
            axes.plot(one.loss, one.drop, marker="o", markersize=5, label="good units", **style)
            continue
        label = f"{Condition.SHORTED} on purpose"
        axes.plot(one.loss, one.drop, marker="s", markersize=6, markerfacecolor="none", label=label, **style)
        for how, x, y in zip(one.names, one.loss, one.drop, strict=True):
            axes.annotate(
                textwrap.shorten(how, 28, placeholder="..."),
                (x, y),
                (6, 4),
                textcoords="offset points",
                fontsize=8,
                color=BLUE,
                annotation_clip=True,
            )


def _draw_ring(axes: Axes, ring: RingPlace) -> None:
    """The ring judged, with the 95 % ellipse of its own measurement."""
    axes.plot(ring.ellipse_loss, ring.ellipse_drop, color=ORANGE, linewidth=1.4, zorder=5)
    axes.plot(
        [ring.loss],
        [ring.drop],
        marker="D",
        markersize=7,
        linestyle="none",
        color=ORANGE,
        markeredgecolor="black",
        label="ring judged, with its 95 % ellipse",
        zorder=6,
    )
