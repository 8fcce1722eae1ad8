"""The picture of a finding: the shift plane with the reference, the ways faults take, and the ring judged.

Added loss runs to the right, inductance drop upwards, both on scales that are linear near zero and
logarithmic beyond. Blue is the reference, orange the ring that is judged, grey what is computed; every
group also has its own mark or stroke, and its name at its side.
"""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from coilbell.bench.pictures import BLUE, GREY, ORANGE
from coilbell.bench.quantities import engineering
from coilbell.bench.sentences import percent
from coilbell.errors import InputError
from coilbell.winding import (
    Condition,
    Explanation,
    Finding,
    HealthyTank,
    Reference,
    fault_curves,
    shorted_neighbourhoods,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["plane_caption", "plane_picture"]

Array = npt.NDArray[np.float64]

_LINEAR = 0.03
"""Where both scales turn from linear to logarithmic [1]."""

_STROKES = ("-", "--", "-.", ":", (0, (6, 1.5, 1, 1.5, 1, 1.5)))
_CIRCLE = np.array([np.cos(np.linspace(0, 2 * math.pi, 121)), np.sin(np.linspace(0, 2 * math.pi, 121))])


def plane_picture(finding: Finding, reference: Reference, *, title: str = "", capacitor: int = 0) -> Figure:
    """The shift plane for one of the finding's capacitors.

    Raises InputError when nothing rang or there was no reference, so that there is no point to draw.
    """
    if finding.healthy is None or not finding.shifts:
        raise InputError("nothing to draw in the shift plane: it needs a ring and a reference")
    from matplotlib.figure import Figure

    drawing = Figure(figsize=(7.6, 6.4), layout="constrained")
    axes = drawing.subplots()
    _scales(axes)
    _draw_curves(axes, finding, reference, capacitor)
    _draw_contours(axes, finding, capacitor)
    _draw_reference(axes, finding, reference, capacitor)
    _draw_neighbourhoods(axes, finding, reference, capacitor)
    _draw_ring(axes, finding, capacitor)
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


def _draw_curves(axes: Axes, finding: Finding, reference: Reference, k: int) -> None:
    by = finding.healthy
    assert by is not None
    tank = HealthyTank(
        by.tank.henries,
        by.capacitors[k].farads + by.tank.stray_farads,
        by.tank.series_ohms,
        by.tank.shunt_siemens,
    )
    turns = math.sqrt(reference.kind.turns[0] * reference.kind.turns[1])
    leak = math.sqrt(reference.kind.turn_leakage[0] * reference.kind.turn_leakage[1])
    whole = 2 * math.sqrt(reference.kind.leakage[0] * reference.kind.leakage[1])
    for curve, stroke in zip(fault_curves(tank, turns, leak, whole), _STROKES, strict=False):
        axes.plot(
            curve.added_loss,
            curve.inductance_drop,
            linestyle=stroke,
            color=GREY,
            linewidth=1.3,
            label=f"computed: {curve.name}",
            zorder=2,
        )


def _draw_contours(axes: Axes, finding: Finding, k: int) -> None:
    """Where half and where 95 % of healthy units ring: exact contours of the predictive density."""
    from scipy.stats import f as f_distribution

    by = finding.healthy
    assert by is not None
    m = len(by.capacitors)
    rows = np.ix_([k, m + k], [k, m + k])
    factor = np.linalg.cholesky(by.scale[rows])
    for share, stroke in ((0.5, "-"), (0.95, "--")):
        radius = math.sqrt(2 * f_distribution.ppf(share, 2, by.freedom))
        x, y = _in_plane(radius * factor @ _CIRCLE, by.location[m + k])
        axes.fill(x, y, color=BLUE, alpha=0.08, linewidth=0, zorder=1)
        axes.plot(
            x, y, color=BLUE, linestyle=stroke, linewidth=1.2, label=f"{share:.0%} of healthy units", zorder=3
        )


def _draw_neighbourhoods(axes: Axes, finding: Finding, reference: Reference, k: int) -> None:
    """Where half of the shorts like the deliberate ones ring."""
    from scipy.stats import f as f_distribution

    by = finding.healthy
    assert by is not None
    m = len(by.capacitors)
    rows = [k, m + k]
    radius = math.sqrt(2 * f_distribution.ppf(0.5, 2, by.freedom))
    for number, (_, place, scale) in enumerate(shorted_neighbourhoods(by, reference)):
        factor = np.linalg.cholesky(scale[np.ix_(rows, rows)])
        moved = radius * factor @ _CIRCLE + (place - by.location)[rows][:, None]
        label = "half of the shorts like it" if number == 0 else None
        axes.plot(
            *_in_plane(moved, by.location[m + k]), color=BLUE, linestyle=":", linewidth=1.2, label=label
        )


def _in_plane(moved: Array, healthy_log_loss: float) -> tuple[Array, Array]:
    """(g, b) of rings moved by (ln f, ln d), (2, n)."""
    ratio, loss0 = np.exp(moved[0]), math.exp(healthy_log_loss)
    return ratio * loss0 * np.exp(moved[1]) - loss0, ratio**2 - 1


def _draw_reference(axes: Axes, finding: Finding, reference: Reference, k: int) -> None:
    by = finding.healthy
    assert by is not None
    m = len(by.capacitors)
    centre = by.location[[k, m + k]]
    capacitors = [by.capacitors[k]]
    marks: dict[str, Any] = {"linestyle": "none", "color": BLUE, "zorder": 4}
    good = np.array([u.point for u in reference.good_means(capacitors)]).reshape(-1, 2)
    if good.size:
        axes.plot(
            *_in_plane((good - centre).T, centre[1]), marker="o", markersize=5, label="good units", **marks
        )
    shorted = reference.shorted_points(capacitors)
    if shorted:
        points = np.array([point for _, _, point in shorted]) - centre
        g, b = _in_plane(points.T, centre[1])
        label = f"{Condition.SHORTED} on purpose"
        axes.plot(g, b, marker="s", markersize=6, markerfacecolor="none", label=label, **marks)
        for (_, how, _), x, y in zip(shorted, g, b, strict=True):
            axes.annotate(
                textwrap.shorten(how, 28, placeholder="..."),
                (x, y),
                (6, 4),
                textcoords="offset points",
                fontsize=8,
                color=BLUE,
                annotation_clip=True,
            )


def _draw_ring(axes: Axes, finding: Finding, k: int) -> None:
    """The ring judged, with the 95 % ellipse of its own measurement."""
    by = finding.healthy
    assert by is not None
    m = len(by.capacitors)
    ring = finding.rings[k]
    centre = by.location[[k, m + k]]
    factor = np.linalg.cholesky(ring.covariance)
    circle = math.sqrt(5.991) * factor @ _CIRCLE
    x, y = _in_plane(circle + (ring.point - centre)[:, None], centre[1])
    axes.plot(x, y, color=ORANGE, linewidth=1.4, zorder=5)
    shift = finding.shifts[k]
    axes.plot(
        [shift.added_loss],
        [shift.inductance_drop],
        marker="D",
        markersize=7,
        linestyle="none",
        color=ORANGE,
        markeredgecolor="black",
        label="ring judged, with its 95 % ellipse",
        zorder=6,
    )
