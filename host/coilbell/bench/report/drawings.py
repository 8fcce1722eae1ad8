"""The pictures of a report, sized so that their letters can be read in print."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from coilbell.bench.facts.ring import HealthyFacts
from coilbell.bench.facts.trend import TrendFacts
from coilbell.bench.log import KeptCapture, Log, finding_of, fitted, trends_of
from coilbell.bench.pictures.decay import BLUE, GREY, ORANGE, decay_picture
from coilbell.bench.pictures.trend import trend_picture
from coilbell.bench.report.sheet import Basis
from coilbell.bench.words.fit import figure
from coilbell.decay import Fit
from coilbell.errors import FileError
from coilbell.record import Connection
from coilbell.winding import Relation

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Picture", "pictures_of", "stacked"]

_DPI = 200
_LARGER = 1.4
_WIDTH, _WIDE, _HIGH, _LOW, _PLANE = 90.0, 180.0, 66.0, 45.0, 94.0
"""Width of a picture, of one over both columns, and the heights there are [mm]."""


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture. png: its bytes; width and height [mm]."""

    name: str
    caption: str
    png: bytes
    width_mm: float
    height_mm: float


def pictures_of(log: Log, basis: Basis, *, full: bool) -> tuple[tuple[Picture, ...], tuple[str, ...]]:
    """The pictures, and remarks on what differs from the kept figures when it is computed again.

    full: those of the technician's page; else the ring over a healthy one.
    """
    if not basis.fits:
        return (), ()
    main = (basis.judged or basis.fits[-1:])[0]
    shown = basis.compared.alike if basis.compared and full else ()
    fresh = {
        fit.id: fitted(capture.records, fit.facts.title, fit.facts.count_to)
        for capture, fit in {pair[1].id: pair for pair in (main, *shown)}.values()
    }
    remarks = tuple(
        f"{capture.label}: fitted again by this version, the figures differ from those kept; "
        "see `coilbell log refit`"
        for capture, kept in {pair[1].id: pair for pair in (*basis.fits, *shown)}.values()
        if kept.id in fresh and fresh[kept.id][1] != kept.facts
    )
    fit = fresh[main[1].id][0]
    if not full:
        return (_over_healthy(fit, _healthy(basis, main[0])),), remarks
    plane, trend = _plane(log, basis), trends_of(log, basis.kept.item)
    low = _LOW if shown or trend.watched else _HIGH
    pictures = [_decay(main[0], fit, low)]
    if basis.compared:
        sides = [(capture, fresh[fit.id][0]) for capture, fit in shown]
        relation = basis.compared.facts.relation
        names = (capture.label for capture, _ in sides)
        words = _BOTH[relation] + (f": {' and '.join(names)}" if relation == Relation.UNITS else "")
        pictures.append(_picture(_both(sides, relation), "both", words, low))
    pictures += [_trend(one, low) for one in trend.watched[-1:]]
    pictures += _in_circuit(log, basis, low)
    return (*pictures, *([plane] if plane else [])), remarks


def _trend(watched: TrendFacts, height_mm: float) -> Picture:
    drawing = trend_picture(watched)
    _shrink(drawing)
    words = (
        f"watched with capacitor {watched.capacitor}, {watched.connection}: dotted what was done, solid jumps"
    )
    return _picture(drawing, "trend", words, height_mm)


def _in_circuit(log: Log, basis: Basis, height_mm: float) -> list[Picture]:
    """Loss over amplitude of the newest ladders, and what moved the odds where there are several rings."""
    from coilbell.bench.pictures.ladder import ladder_picture, odds_picture
    from coilbell.winding import observe, odds_by_piece

    rings = [(fit.facts, capture.records[0]) for capture, fit in basis.judged]
    told = basis.judgement
    inside = [one for one in rings if one[1].connection is Connection.IN_CIRCUIT]
    if not inside or told is None or told.reference is None:
        return []
    try:
        reference = log.reference(told.reference[1])
    except FileError:  # a page tells the damage in words
        return []
    found = []
    most = max(len(record.done) for _, record in inside)
    last = [facts for facts, record in inside if len(record.done) == most]
    if any(facts.ladder for facts in last):
        drawing = ladder_picture(last, reference=reference)
        drawing.supxlabel("")
        words = "loss over amplitude: rungs, the law through them, and good units in grey"
        found.append(_picture(drawing, "loss", words, height_mm))
    seen = [observe(facts, record) for facts, record in rings if record.test_capacitor]
    if len(seen) > 1:
        drawing = odds_picture(odds_by_piece(seen, reference, prior=told.question.prior))
        drawing.axes[0].tick_params(axis="x", labelsize=7)
        found.append(_picture(drawing, "steps", "how each piece of evidence moved the odds", height_mm))
    return found


def _healthy(basis: Basis, capture: KeptCapture) -> HealthyFacts | None:
    """Where a good unit rings with this capture's test capacitor, None where that is not known."""
    test = capture.records[0].test_capacitor
    rings = basis.facts.rings if basis.facts else ()
    near = [
        ring.healthy
        for ring in rings
        if test and math.isclose(ring.test_capacitor_f, test.farads, rel_tol=0.05) and ring.healthy
    ]
    return near[0] if near else None


_SWINGS = 15
"""Swings of a healthy ring that a customer is shown: each is told apart, and its decay is seen. Assumed."""


def _over_healthy(fit: Fit, healthy: HealthyFacts | None) -> Picture:
    """The ring over a healthy one, each from its first peak."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import EngFormatter

    drawing = Figure(layout="constrained")
    axes = drawing.subplots()
    times, values = fit.curve[0][:, 0], fit.curve[0][:, 1] - fit.offset.value / fit.scale
    first = int(np.argmax(np.abs(values[: max(len(values) // 4, 1)])))
    peak = float(values[first]) or 1.0
    length = float(times[-1] - times[first])
    if healthy is not None:
        length = _SWINGS / healthy.natural_frequency_hz
        clock = np.linspace(0, length, 60 * _SWINGS)
        decay = math.pi * healthy.natural_frequency_hz / healthy.q
        swing = 2 * math.pi * healthy.natural_frequency_hz * math.sqrt(max(1 - 0.25 / healthy.q**2, 0))
        ring = np.exp(-decay * clock) * np.cos(swing * clock)
        axes.plot(clock, ring, color=BLUE, linestyle="--", linewidth=1.2, label="a healthy one")
    elif fit.rings:
        length = min(length, 8 * fit.main.tau_s.value)
    axes.plot(
        times[first:] - times[first], values[first:] / peak, color=ORANGE, linewidth=1.8, label="this part"
    )
    axes.set_xlim(0, length)
    axes.axhline(0, color=GREY, linewidth=0.6)
    axes.xaxis.set_major_formatter(EngFormatter(unit="s", sep=" "))
    axes.set_xlabel("time")
    axes.set_ylabel("swing, over the first one")
    axes.grid(visible=True, color="0.88", linewidth=0.6)
    axes.legend(loc="upper right", fontsize=9, framealpha=0.9)
    _shrink(drawing)
    words = "how this part rings" + (", over a healthy one as the good units ring" if healthy else "")
    return _picture(drawing, "ring", words, _HIGH, width_mm=_WIDE)


def stacked(pictures: Sequence[Picture]) -> tuple[list[Picture], list[Picture]]:
    """The pictures of the left and of the right column: what the odds rest on stands at the right."""
    right = ("plane", "steps")
    return [p for p in pictures if p.name not in right], [p for p in pictures if p.name in right]


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


def _plane(log: Log, basis: Basis) -> Picture | None:
    told, facts = basis.judgement, basis.facts
    if told is None or told.reference is None or facts is None or not facts.shifts:
        return None
    from coilbell.bench.pictures.plane import plane_picture

    by_number = {fit.id: (fit.facts, capture.records[0]) for capture, fit in basis.fits}
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
    return ("first", "second")  # their names stand under the picture, whose letters have no fallback


def _struck(capture: KeptCapture) -> float | None:
    """When the pulse began, on the record's own time axis [s]; None where the record does not tell."""
    record = capture.records[0]
    return None if record.pulse_s is None else float(record.time_axis[record.pretrigger])


def _legend(fit: Fit) -> str:
    """Frequency and Q of a ring, with their uncertainties."""
    return f"{figure(fit.main.frequency_hz, 'Hz')}, Q {figure(fit.main.q)}" if fit.rings else "no ring"


def _inches(height_mm: float, width_mm: float = _WIDTH) -> tuple[float, float]:
    return _LARGER * width_mm / 25.4, _LARGER * height_mm / 25.4


def _picture(drawing: Figure, name: str, caption: str, height_mm: float, width_mm: float = _WIDTH) -> Picture:
    # Drawn larger than printed: letters of eight and a half points come out at six.
    drawing.set_size_inches(*_inches(height_mm, width_mm))
    content = io.BytesIO()
    drawing.savefig(content, format="png", dpi=_DPI, metadata={"Software": None})
    return Picture(name, caption, content.getvalue(), width_mm, height_mm)
