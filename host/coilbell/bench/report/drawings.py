"""The pictures of a report, sized so that their letters can be read in print."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from coilbell.bench.log import KeptCapture, KeptFit, Log
from coilbell.bench.log.working import finding_of, fitted
from coilbell.bench.pictures import BLUE, GREY, ORANGE, decay_picture
from coilbell.bench.quantities import engineering
from coilbell.bench.report.sheet import Sheet
from coilbell.decay import Fit
from coilbell.record import Connection

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Picture", "pictures_of"]

_DPI = 220


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
    judged = set(sheet.judgement.fits) if sheet.judgement else set()
    main = next((pair for pair in sheet.fits if pair[1].id in judged), sheet.fits[-1])
    shown = _pair(sheet.fits, main)
    fresh = {pair[1].id: fitted(pair[0].records, pair[0].label, pair[1].facts["count_to"]) for pair in {main[1].id: main, **{p[1].id: p for p in shown}}.values()}
    remarks = [
        f"{capture.label}: fitted again by this version, the figures differ from those kept; see `coilbell log refit`"
        for capture, kept in sheet.fits
        if kept.id in fresh and fresh[kept.id][1] != kept.facts
    ]
    pictures = [_decay(main[0], fresh[main[1].id][0])]
    plane = _plane(log, sheet)
    if plane is not None:
        pictures.append(plane)
    if shown:
        pictures.append(_in_and_out([(capture, fresh[fit.id][0]) for capture, fit in shown]))
    return tuple(pictures), tuple(remarks)


def _pair(
    fits: Sequence[tuple[KeptCapture, KeptFit]], main: tuple[KeptCapture, KeptFit]
) -> list[tuple[KeptCapture, KeptFit]]:
    """The newest in-circuit and the judged out-of-circuit capture, when there are both."""
    inside = [pair for pair in fits if pair[0].connection == Connection.IN_CIRCUIT]
    outside = [pair for pair in fits if pair[0].connection == Connection.OUT_OF_CIRCUIT]
    if not inside or not outside:
        return []
    test = inside[-1][1].facts["test_capacitor_f"]
    alike = [pair for pair in outside if pair[1].facts["test_capacitor_f"] == test]
    return [inside[0], main if main in alike else (alike or outside)[-1]]


def _decay(capture: KeptCapture, fit: Fit) -> Picture:
    drawing = decay_picture(fit, capture.records[0])
    drawing.supxlabel("")
    return _picture(drawing, "decay", f"{capture.label}: samples, fit, envelope and what the fit leaves over")


def _plane(log: Log, sheet: Sheet) -> Picture | None:
    told = sheet.judgement
    if told is None or told.reference is None or not told.facts["shifts"]:
        return None
    from coilbell.bench.plane import plane_picture

    by_number = {fit.id: (fit.facts, capture.records[0]) for capture, fit in sheet.fits}
    rings = [by_number[number] for number in told.fits if number in by_number]
    if len(rings) < len(told.fits):
        rings = [(fit.facts, log.capture(fit.capture_id).records[0]) for fit in map(log.fit, told.fits)]
    reference = log.reference(told.reference[1])
    drawing = plane_picture(finding_of(told.question, rings, reference), reference)
    drawing.suptitle("")
    test = told.facts["rings"][0]["capacitor"]
    return _picture(drawing, "plane", f"shift plane with {test}: the ring judged against reference {told.reference[0]}")


def _in_and_out(pair: Sequence[tuple[KeptCapture, Fit]]) -> Picture:
    """Both rings from their first instant, each over its own first peak."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import EngFormatter

    drawing = Figure(layout="constrained")
    axes = drawing.subplots()
    styles: list[dict[str, Any]] = [{"color": ORANGE, "linestyle": "--"}, {"color": BLUE, "linestyle": "-"}]
    for (capture, fit), style in zip(pair, styles, strict=True):
        curve, span = fit.curve[0], 0.0
        middle = fit.offset.value / fit.scale
        peak = float(np.max(np.abs(curve[:, 1] - middle))) or 1.0
        test = fit_words(capture, fit)
        axes.plot(curve[:, 0] - curve[0, 0], (curve[:, 1] - middle) / peak, linewidth=1.1, label=test, **style)
        span = max(span, _seen(fit))
        axes.set_xlim(0, max(axes.get_xlim()[1] if len(axes.lines) > 1 else 0.0, span))
    axes.axhline(0, color=GREY, linewidth=0.6)
    axes.xaxis.set_major_formatter(EngFormatter(unit="s", sep=" "))
    axes.set_xlabel("time from the start of the fit")
    axes.set_ylabel("over its first peak")
    axes.grid(visible=True, color="0.88", linewidth=0.6)
    axes.legend(loc="upper right", fontsize=8, framealpha=0.9)
    return _picture(drawing, "in and out", "the same winding in circuit and out of circuit")


def fit_words(capture: KeptCapture, fit: Fit) -> str:
    """Connection, frequency and Q of a ring, for a legend."""
    if not fit.rings:
        return f"{capture.connection}: no ring"
    mode = fit.main
    return f"{capture.connection}: {engineering(mode.frequency_hz.value, 'Hz')}, Q {mode.q.value:.3g}"


def _seen(fit: Fit) -> float:
    """Time [s] until a ring has fallen to a twentieth."""
    return 3 * fit.main.tau_s.value if fit.rings else 0.0


def _picture(drawing: Figure, name: str, caption: str, width_mm: float = 92, height_mm: float = 72) -> Picture:
    # Drawn a quarter larger than printed: eight-point letters come out at six and a half.
    drawing.set_size_inches(1.25 * width_mm / 25.4, 1.25 * height_mm / 25.4)
    content = io.BytesIO()
    drawing.savefig(content, format="png", dpi=_DPI, metadata={"Software": None})
    return Picture(name, caption, content.getvalue(), width_mm, height_mm)
