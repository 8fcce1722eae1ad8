"""The picture of a finding: the shift plane with the reference, the ways faults take, and the ring judged.

Added loss runs to the right, inductance drop upwards, both on scales that are linear near zero and
logarithmic beyond. Blue is the reference, orange the ring that is judged, grey what is computed; every
group also has its own mark or stroke, and its name at its side.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from coilbell.bench.pictures.decay import BLUE, GREY, ORANGE
from coilbell.bench.pictures.geometry import Line, Marks, RingPlace, marks_of, ring_place, still_lines
from coilbell.figure import percent
from coilbell.quantities import concise, engineering
from coilbell.winding import Condition, Explanation, Finding, Reference

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["plane_caption", "plane_picture", "set_names"]

_LINEAR = 0.03
"""Where both scales turn from linear to logarithmic [1]."""

_LETTERS = 8.0
"""Size of the marks' names [pt]."""

_BESIDE = 8.0
"""Distance of a name from its mark [pt]."""

_STROKES: tuple[tuple[Any, float], ...] = (("-", 1.3), ("--", 1.3), ("-.", 1.3), (":", 1.3), ("-", 3.0))
"""Stroke and width [pt] of each computed way; the last is told by its width, a fifth pattern by nothing."""

_FOLD = 28
"""Letters in a line of a mark's name."""

_AVOIDED = "names keep clear"
"""Tag of the lines that names keep clear of."""


def plane_picture(finding: Finding, reference: Reference, *, title: str = "", capacitor: int = 0) -> Figure:
    """The shift plane for one of the finding's capacitors.

    Raises InputError when nothing rang or there was no reference, so that there is no point to draw.
    """
    lines = still_lines(finding, reference, capacitor)
    from matplotlib.figure import Figure

    drawing = Figure(figsize=(7.6, 6.4), layout="constrained")
    axes = drawing.subplots()
    marks, ring = marks_of(finding, reference, capacitor), ring_place(finding, capacitor)
    _scales(axes)
    _reach(axes, marks, ring)
    _draw_lines(axes, lines)
    _draw_marks(axes, marks)
    _draw_ring(axes, ring)
    set_names(axes, (ring.loss, ring.drop))
    axes.set_xlabel("added loss  g = r/Q - 1/Q0")
    axes.set_ylabel("inductance drop  b = r\u00b2 - 1,  r = f/f0")
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.1), ncols=2, fontsize=8, frameon=False)
    if title:
        axes.set_title(textwrap.shorten(title, 80, placeholder="..."), fontsize=11, loc="left")
    drawing.suptitle(plane_caption(finding, capacitor), fontsize=9, x=0.02, ha="left")
    return drawing


def plane_caption(finding: Finding, capacitor: int = 0) -> str:
    """What is said, how sure, and where the ring lies; with all capacitors that had a part in it."""
    shift, odds = finding.shifts[capacitor], finding.odds
    spread_g, spread_b = (math.sqrt(shift.covariance[k][k]) for k in (0, 1))
    tests = [engineering(ring.capacitor.farads, "F") for ring in finding.rings]
    place = (
        f"with {tests[capacitor]}: g {_signed(shift.added_loss, spread_g)}, "
        f"b {_signed(shift.inductance_drop, spread_b)}"
    )
    others = [test for k, test in enumerate(tests) if k != capacitor]
    if others:
        place += f"; judged with {' and '.join(others)} too, not drawn"
    if odds is None:
        return f"{finding.explanation}\n{place}"
    chance = {e: p for e, p in odds.explanations.items() if p >= 0.01}
    listed = ", ".join(
        f"{'none of these' if e is Explanation.UNDECIDED else e} {percent(p)}"
        for e, p in sorted(chance.items(), key=lambda item: -item[1])
    )
    undecided = "undecided: " if finding.explanation is Explanation.UNDECIDED else ""
    prior = f"shorted turn {percent(odds.shorted)} from a prior of {percent(odds.prior)}"
    return f"{undecided}{listed}\n{prior}\n{place}"


def _signed(value: float, spread: float) -> str:
    return f"{'+' * (value > 0)}{concise(value, spread)}"


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


def _reach(axes: Axes, marks: tuple[Marks, ...], ring: RingPlace) -> None:
    """Widen the axes where the ring or a unit would lie beyond them and be missed."""
    losses = [ring.loss, *(float(x) for one in marks for x in one.loss)]
    drops = [ring.drop, *(float(y) for one in marks for y in one.drop)]
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    axes.set_xlim(min(left, 1.5 * min(losses)), max(right, 1.5 * max(losses)))
    axes.set_ylim(low, max(high, 1.5 * max(drops)))


def _draw_lines(axes: Axes, lines: tuple[Line, ...]) -> None:
    faults, healthy, shorted = (
        [line for line in lines if line.kind == kind] for kind in ("fault", "healthy", "shorted")
    )
    for line, (stroke, width) in zip(faults, _STROKES, strict=False):
        label = f"computed: {line.name}"
        (drawn,) = axes.plot(line.loss, line.drop, linestyle=stroke, color=GREY, label=label)
        drawn.set(linewidth=width, zorder=2, gid=_AVOIDED)
    for line, stroke in zip(healthy, ("-", "--"), strict=True):
        axes.fill(line.loss, line.drop, color=BLUE, alpha=0.08, linewidth=0, zorder=1)
        (drawn,) = axes.plot(line.loss, line.drop, linestyle=stroke, color=BLUE, label=line.name)
        drawn.set(linewidth=1.2, zorder=3, gid=_AVOIDED)
    for number, line in enumerate(shorted):
        first = None if number else "half of the shorts like it"
        axes.plot(line.loss, line.drop, color=BLUE, linestyle=":", linewidth=1.2, label=first, gid=_AVOIDED)


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
                textwrap.fill(how, _FOLD, max_lines=2, placeholder="..."),
                (x, y),
                (_BESIDE, 0),
                textcoords="offset points",
                fontsize=_LETTERS,
                color=BLUE,
                verticalalignment="center",
                annotation_clip=True,
                zorder=7,
                # Lines that pass below a name do not strike it through.
                # A name that had to move away from its mark is joined to it.
                arrowprops={"arrowstyle": "-", "linewidth": 0.6, "color": BLUE, "shrinkA": 0, "shrinkB": 3},
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.9, "pad": 0.6},
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


def set_names(axes: Axes, ring: tuple[float, float]) -> None:
    """Put each mark's name on the side where it stays within the axes, clear of others and of the ring.

    ring: where the judged ring is drawn, in the axes' figures. To be called again when the picture's size
    or its letters were changed.
    """
    from matplotlib.text import Annotation

    names = [text for text in axes.texts if isinstance(text, Annotation)]
    taken = [_box(*_spot(axes, mark), _MARK, _MARK) for mark in (ring, *(name.xy for name in names))]
    strokes = [_box(x, y, _STROKE, _STROKE) for x, y in _strokes(axes)]
    for name in names:
        x, y = _spot(axes, name.xy)
        letters = float(name.get_fontsize())
        lines = name.get_text().split("\n")
        width, height = 0.62 * letters * max(map(len, lines)), 1.3 * letters * len(lines)
        reach = _BESIDE + width / 2
        # The wider side first, then up and down from there, then the other side.
        side = 1 if x < _size(axes)[0] / 2 else -1
        places = [(s * reach, dy * 1.3 * letters) for s in (side, -side) for dy in _STEPS]
        boxes = [_box(x + dx, y + dy, width, height) for dx, dy in places]
        costs = [
            _cost(axes, box, taken, strokes) + abs(dy) for box, (_, dy) in zip(boxes, places, strict=True)
        ]
        best = costs.index(min(costs))
        taken.append(boxes[best])
        dx, dy = places[best]
        name.set_horizontalalignment("left" if dx > 0 else "right")
        name.set_position((math.copysign(_BESIDE, dx), dy))


Box = tuple[float, float, float, float]

_MARK = 10.0
"""Room a mark takes [pt]."""

_STROKE = 4.0
"""Room a point of a line takes [pt]."""

_STEPS = (0, *(sign * lines for lines in range(1, 7) for sign in (1, -1)))
"""Heights at which a name is tried beside its mark [lines]."""


def _cost(axes: Axes, box: Box, taken: Sequence[Box], strokes: Sequence[Box]) -> float:
    """How bad a place is: cut off worse than on another name or mark, that worse than across a line."""
    return 100 * _outside(axes, box) + 10 * _overlap(box, taken) + _overlap(box, strokes)


def _strokes(axes: Axes) -> list[tuple[float, float]]:
    """Places along all lines, close enough together that none is passed over, from the lower left [pt]."""
    found: list[tuple[float, float]] = []
    for line in axes.lines:
        if line.get_gid() != _AVOIDED:
            continue
        points = np.asarray(line.get_xydata(), float)
        points = points[np.isfinite(points).all(axis=1)]
        if len(points) < 2:
            continue  # a way along which nothing rings
        places = np.array([_spot(axes, (x, y)) for x, y in points])
        along = np.concatenate([[0.0], np.hypot(*np.diff(places, axis=0).T).cumsum()])
        steps = np.arange(0, along[-1], _STROKE)
        found += zip(*(np.interp(steps, along, places[:, k]) for k in (0, 1)), strict=True)
    return found


def _box(x: float, y: float, width: float, height: float) -> Box:
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def _size(axes: Axes) -> tuple[float, float]:
    """About the width and height of the axes, which the layout settles only when it is drawn [pt]."""
    whole, inch = axes.figure.bbox, axes.figure.dpi
    return 0.84 * 72 * whole.width / inch, 0.62 * 72 * whole.height / inch


def _spot(axes: Axes, mark: tuple[float, float]) -> tuple[float, float]:
    """Where a mark lies from the axes' lower left corner [pt]."""
    scaled = axes.transScale.transform([mark])
    (x, y), (width, height) = axes.transLimits.transform(scaled)[0], _size(axes)
    return float(x) * width, float(y) * height


def _outside(axes: Axes, box: Box) -> float:
    """Area of a box beyond the axes [pt^2]."""
    width, height = _size(axes)
    whole = (box[2] - box[0]) * (box[3] - box[1])
    return whole - _overlap(box, [(0.0, 0.0, width, height)])


def _overlap(box: Box, others: Sequence[Box]) -> float:
    """Area that a box shares with others [pt^2]."""
    return sum(
        max(0.0, min(box[2], other[2]) - max(box[0], other[0]))
        * max(0.0, min(box[3], other[3]) - max(box[1], other[1]))
        for other in others
    )
