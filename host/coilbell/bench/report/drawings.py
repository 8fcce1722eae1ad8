"""The pictures of a report, sized so that their letters can be read in print."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import shorten
from typing import TYPE_CHECKING, Any

import numpy as np

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.log import KeptCapture, Log, finding_of, fitted
from coilbell.bench.pictures.decay import BLUE, GREY, ORANGE, decay_picture
from coilbell.bench.report.sheet import Sheet
from coilbell.bench.words.fit import figure
from coilbell.decay import Fit
from coilbell.errors import FileError
from coilbell.winding import Relation

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Picture", "pictures_of", "stacked"]

_DPI = 200
_LARGER = 1.4
_WIDTH, _HIGH, _LOW, _PLANE = 90.0, 66.0, 45.0, 94.0
"""Width of every picture and the heights there are [mm]."""


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture. png: its bytes; width and height [mm]."""

    name: str
    caption: str
    png: bytes
    width_mm: float
    height_mm: float


def pictures_of(log: Log, sheet: Sheet) -> tuple[tuple[Picture, ...], tuple[str, ...]]:
    """The pictures, and remarks on what differs from the kept figures when it is computed again."""
    if not sheet.fits:
        return (), ()
    judged = set(sheet.judgement.fits) if sheet.judgement else set()
    main = next((pair for pair in sheet.fits if pair[1].id in judged), sheet.fits[-1])
    shown = sheet.compared.alike if sheet.compared else ()
    fresh = {
        fit.id: fitted(capture.records, fit.facts.title, fit.facts.count_to)
        for capture, fit in {pair[1].id: pair for pair in (main, *shown)}.values()
    }
    remarks = [
        f"{capture.label}: fitted again by this version, the figures differ from those kept; "
        "see `coilbell log refit`"
        for capture, kept in {pair[1].id: pair for pair in (*sheet.fits, *shown)}.values()
        if kept.id in fresh and fresh[kept.id][1] != kept.facts
    ]
    plane = _plane(log, sheet)
    low = _LOW if shown else _HIGH
    pictures = [_decay(main[0], fresh[main[1].id][0], low)]
    if sheet.compared:
        sides = [(capture, fresh[fit.id][0]) for capture, fit in shown]
        relation = sheet.compared.facts.relation
        pictures.append(_picture(_both(sides, relation), "both", _BOTH[relation], low))
    return (*pictures, *([plane] if plane else [])), tuple(remarks)


def stacked(pictures: Sequence[Picture]) -> tuple[list[Picture], list[Picture]]:
    """The pictures of the left and of the right column: the shift plane has the right one to itself."""
    return [p for p in pictures if p.name != "plane"], [p for p in pictures if p.name == "plane"]


def _decay(capture: KeptCapture, fit: Fit, height_mm: float) -> Picture:
    drawing = decay_picture(fit, capture.records[0])
    drawing.supxlabel("")
    if fit.rings:
        first = fit.curve[0][0, 0]
        length = min(10 * fit.main.tau_s.value, fit.stop_s - fit.start_s)
        drawing.axes[0].set_xlim(first - 0.1 * length, first + length)
    _shrink(drawing)
    words = f"{capture.label}: samples, fit, envelope and what the fit leaves over"
    return _picture(drawing, "decay", words, height_mm)


def _plane(log: Log, sheet: Sheet) -> Picture | None:
    told = sheet.judgement
    facts = told.facts if told else None
    if told is None or told.reference is None or not isinstance(facts, FindingFacts) or not facts.shifts:
        return None
    from coilbell.bench.pictures.plane import plane_picture

    by_number = {fit.id: (fit.facts, capture.records[0]) for capture, fit in sheet.fits}
    rings = [by_number[number] for number in told.fits if number in by_number]
    if len(rings) < len(told.fits):
        rings = [(fit.facts, log.capture(fit.capture_id).records[0]) for fit in map(log.fit, told.fits)]
    try:
        reference = log.reference(told.reference[1])
    except FileError:  # a page tells the damage in words
        return None
    drawing = plane_picture(finding_of(told.question, rings, reference), reference)
    drawing.suptitle("")
    drawing.set_size_inches(*_inches(_PLANE))
    shift = facts.shifts[0]
    _set_plane(drawing.axes[0], (shift.added_loss or 0.0, shift.inductance_drop or 0.0))
    test = facts.rings[0].capacitor
    words = f"shift plane with {test}: the ring judged against reference {told.reference[0]}"
    return _picture(drawing, "plane", words, _PLANE)


def _set_plane(axes: Axes, ring: tuple[float, float]) -> None:
    """Fewer ticks, and names set anew, since it is printed at half the size of the screen's."""
    from matplotlib.ticker import FixedLocator

    from coilbell.bench.pictures.plane import set_names

    axes.xaxis.set_major_locator(FixedLocator([-0.1, -0.01, 0, 0.01, 0.1, 0.3, 1, 3]))
    axes.yaxis.set_major_locator(FixedLocator([-1, -0.3, -0.1, 0, 0.1, 0.3, 1, 3, 10, 30]))
    _shrink(axes.figure)
    legend = axes.get_legend()
    if legend is not None:
        legend.set_bbox_to_anchor((0.45, -0.13))
    set_names(axes, ring)


def _shrink(drawing: Any) -> None:
    for axes in drawing.axes:
        axes.tick_params(labelsize=8.5)
        axes.xaxis.label.set_size(8.5)
        axes.yaxis.label.set_size(8.5)


_BOTH: dict[str, str] = {
    Relation.CIRCUIT: "the same winding out of circuit and in circuit",
    Relation.TIME: "the same winding before and after",
    Relation.UNITS: "two units of one kind",
    Relation.TWIN: "two like windings on one core",
}


def _both(sides: Sequence[tuple[KeptCapture, Fit]], relation: str) -> Figure:
    """Both rings of a comparison, each over its own first peak.

    From the pulse, where both tell it: fits begin at different instants, and from these the phases differ.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import EngFormatter

    drawing = Figure(layout="constrained")
    axes = drawing.subplots()
    styles: list[dict[str, Any]] = [{"color": BLUE, "linestyle": "-"}, {"color": ORANGE, "linestyle": "--"}]
    struck = [_struck(capture) for capture, _ in sides]
    known = None not in struck
    ends = []
    for (_, fit), name, pulse, style in zip(sides, _names(sides, relation), struck, styles, strict=True):
        curve = fit.curve[0]
        begin = pulse if known and pulse is not None else curve[0, 0]
        middle = fit.offset.value / fit.scale
        peak = float(np.max(np.abs(curve[:, 1] - middle))) or 1.0
        words = f"{name}: {_legend(fit)}"
        axes.plot(curve[:, 0] - begin, (curve[:, 1] - middle) / peak, linewidth=1.1, label=words, **style)
        if fit.rings:
            ends.append(curve[0, 0] - begin + 5 * fit.main.tau_s.value)
    if ends:
        axes.set_xlim(0, max(ends))
    axes.axhline(0, color=GREY, linewidth=0.6)
    axes.xaxis.set_major_formatter(EngFormatter(unit="s", sep=" "))
    axes.set_xlabel("time from the pulse" if known else "time from the start of the fit")
    axes.set_ylabel("over its first peak")
    axes.grid(visible=True, color="0.88", linewidth=0.6)
    axes.legend(loc="best", fontsize=8, framealpha=0.9)
    _shrink(drawing)
    return drawing


def _names(sides: Sequence[tuple[KeptCapture, Fit]], relation: str) -> tuple[str, ...]:
    if relation == Relation.CIRCUIT:
        return tuple(capture.connection for capture, _ in sides)
    if relation == Relation.TIME:
        return ("before", "after")
    return tuple(shorten(capture.label, 28, placeholder="...") for capture, _ in sides)


def _struck(capture: KeptCapture) -> float | None:
    """When the pulse began, on the record's own time axis [s]; None where the record does not tell."""
    record = capture.records[0]
    return None if record.pulse_s is None else float(record.time_axis[record.pretrigger])


def _legend(fit: Fit) -> str:
    """Frequency and Q of a ring, with their uncertainties."""
    return f"{figure(fit.main.frequency_hz, 'Hz')}, Q {figure(fit.main.q)}" if fit.rings else "no ring"


def _inches(height_mm: float) -> tuple[float, float]:
    return _LARGER * _WIDTH / 25.4, _LARGER * height_mm / 25.4


def _picture(drawing: Figure, name: str, caption: str, height_mm: float) -> Picture:
    # Drawn larger than printed: letters of eight and a half points come out at six.
    drawing.set_size_inches(*_inches(height_mm))
    content = io.BytesIO()
    drawing.savefig(content, format="png", dpi=_DPI, metadata={"Software": None})
    return Picture(name, caption, content.getvalue(), _WIDTH, height_mm)
