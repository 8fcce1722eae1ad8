"""Numbers -> figures. matplotlib is loaded only when a picture is drawn, and no global state is used.

Colours are blue, orange and greys, told apart by colour-blind people and in grey print; every line also
differs by its stroke or its marks.
"""

from __future__ import annotations

import os
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from coilbell.bench.words.fit import figure, fraction_words
from coilbell.decay import Fit
from coilbell.errors import FileError, InputError
from coilbell.record import Record
from coilbell.whole import whole_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["BLUE", "GREY", "ORANGE", "check_path", "decay_caption", "decay_picture", "save"]

BLUE = "#1f5a9e"
ORANGE = "#d9730d"
GREY = "#7a7a7a"

_ENDINGS = (".png", ".pdf", ".svg")
Array = npt.NDArray[np.float64]


def decay_picture(fit: Fit, record: Record, *, title: str = "", shot: int = 0) -> Figure:
    """Samples with the fit and its envelope above, what the fit leaves over below, figures under both.

    record: the record that is drawn; shot: its position among the records that were fitted together.
    """
    from matplotlib.figure import Figure

    drawing = Figure(figsize=(7.2, 5.4), layout="constrained")
    upper, lower = drawing.subplots(2, 1, sharex=True, height_ratios=(3, 1))
    _draw_samples(upper, fit, record, shot)
    _draw_fit(upper, fit, shot)
    _draw_residual(lower, fit, shot)
    unit = "V" if fit.unit == "V" else ""
    upper.set_ylabel("voltage" if unit else fit.unit)
    lower.set_ylabel("sample - fit")
    lower.set_xlabel("time")
    _engineering(lower.xaxis, "s")
    for axes in (upper, lower):
        _engineering(axes.yaxis, unit)
        axes.grid(visible=True, color="0.88", linewidth=0.6)
        axes.margins(x=0.01)
    upper.legend(loc="upper right", frameon=True, framealpha=0.9, fontsize=9)
    if title:
        upper.set_title(textwrap.shorten(title, 80, placeholder="..."), fontsize=11, loc="left")
    drawing.supxlabel(decay_caption(fit), fontsize=9, x=0.02, ha="left")
    return drawing


def decay_caption(fit: Fit) -> str:
    """The figures of the main mode with their uncertainties, and the doubts by name."""
    if fit.rings:
        mode = fit.main
        first = (
            f"f = {figure(mode.frequency_hz, 'Hz')},  Q = {figure(mode.q)},  "
            f"{figure(mode.ring_count)} rings to {fraction_words(fit.count_to)}"
        )
        first += f";  {len(fit.modes)} modes, figures of the strongest" if len(fit.modes) > 1 else ""
    else:
        first = "no ring found"
    kinds = list(dict.fromkeys(str(doubt.kind) for doubt in fit.doubts))
    return f"{first}\n{textwrap.fill('doubts: ' + ', '.join(kinds), 100)}" if kinds else first


def check_path(path: str | os.PathLike[str]) -> Path:
    """`path` when its ending is one a picture can have; else raises InputError."""
    place = Path(path)
    if place.suffix.lower() not in _ENDINGS:
        raise InputError(
            f"pictures are not written as {place.suffix or 'a name without ending'}; "
            f"use one of: {', '.join(_ENDINGS)}"
        )
    return place


def save(drawing: Figure, path: str | os.PathLike[str]) -> None:
    """Write a picture, whole or not at all; the ending gives the kind. Raises InputError or FileError."""
    place = check_path(path)
    try:
        with whole_file(place) as stream:
            drawing.savefig(stream, dpi=150, format=place.suffix[1:].lower())
    except OSError as error:
        raise FileError(
            f"{path}: cannot be written: {error.strerror or error}; check the folder and its rights"
        ) from error


def _draw_samples(axes: Axes, fit: Fit, record: Record, shot: int) -> None:
    times, samples = record.time_axis, np.asarray(record.samples, dtype=np.float64) * fit.scale
    shown = slice(*_shown(fit, record))
    marks: dict[str, Any] = {"linestyle": "none", "marker": ".", "color": GREY, "zorder": 2}
    size = 5.0 if len(times[shown]) < 600 else 2.5
    axes.plot(times[shown], samples[shown], markersize=size, label="samples", **marks)
    masked = np.isnan(fit.residuals[shot])
    if masked.any():
        at = np.searchsorted(record.time_axis, fit.curve[shot][masked, 0] - 1e-12)
        at = np.minimum(at, len(record) - 1)
        axes.plot(times[at], samples[at], "x", color="black", markersize=5, label="left out", zorder=5)


def _shown(fit: Fit, record: Record) -> tuple[int, int]:
    """First and last sample drawn: the window and a tenth of it on either side."""
    margin = 0.1 * (fit.stop_s - fit.start_s)
    low, high = np.searchsorted(record.time_axis, [fit.start_s - margin, fit.stop_s + margin])
    return int(low), max(int(high), int(low) + 2)


def _draw_fit(axes: Axes, fit: Fit, shot: int) -> None:
    times, values = fit.curve[shot][:, 0], fit.curve[shot][:, 1] * fit.scale
    smooth = "-" if fit.rings else "--"
    axes.plot(times, values, smooth, color=ORANGE, linewidth=1.3, label="fit", zorder=3)
    if fit.rings:
        middle, reach = fit.offset.value, fit.envelope[shot] * fit.scale
        style: dict[str, Any] = {"color": BLUE, "linestyle": (0, (5, 2)), "linewidth": 1.4, "zorder": 4}
        axes.plot(times, middle + reach, label="envelope", **style)
        axes.plot(times, middle - reach, **style)


def _draw_residual(axes: Axes, fit: Fit, shot: int) -> None:
    times, residual = fit.curve[shot][:, 0], fit.residuals[shot] * fit.scale
    axes.axhspan(-2 * fit.noise, 2 * fit.noise, color=BLUE, alpha=0.12, linewidth=0, label="noise, 95 %")
    axes.axhline(0, color="black", linewidth=0.6)
    axes.plot(times, residual, color=ORANGE, linewidth=0.7, marker=".", markersize=2)
    axes.legend(loc="upper right", fontsize=8, framealpha=0.9)


def _engineering(axis: Any, unit: str) -> None:
    from matplotlib.ticker import EngFormatter

    if unit:
        axis.set_major_formatter(EngFormatter(unit=unit, sep=" "))
