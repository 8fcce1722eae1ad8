"""1/Q over amplitude with the law of a ladder, and the steps by which odds moved."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from coilbell.bench.facts.fit import FitFacts, LadderFacts
from coilbell.bench.pictures.decay import BLUE, GREY, ORANGE
from coilbell.errors import InputError
from coilbell.figure import percent
from coilbell.record import Capacitor
from coilbell.winding import Piece, Reference, core_loss, healthy_of, same_capacitor

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["ladder_caption", "ladder_picture", "odds_picture"]

_MARKS = (0.03, 0.06, 0.13, 0.27, 0.5)
"""Amplitudes written on the axis: the rungs, and half the lowest [V]; assumed."""
_DECADE = (1.0, 2.0, 5.0)
"""Losses written on the axis, in each decade; assumed."""
_ANOTHER = 0.1
"""Distance in frequency from which a rung's strongest mode is not the ring [1]; as `decay.rungs.NEAR`."""
_LABEL = 26
"""Letters in a line of the words beside a bar [1]; assumed."""
_LEAST = 1e-3
"""Odds beyond which a bar is drawn no longer [0..1]; assumed."""


def ladder_picture(
    facts: Sequence[FitFacts], *, reference: Reference | None = None, title: str = ""
) -> Figure:
    """Loss over amplitude: each rung with its 95 % interval, the law through them, healthy ones in grey.

    facts: fits of one winding, one for each test capacitor; reference: whose good units are drawn beside it.
    Raises InputError where none holds a ladder.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import EngFormatter, FixedLocator, FuncFormatter, LogLocator, NullLocator

    laddered = [(one, one.ladder) for one in facts if isinstance(one.ladder, LadderFacts)]
    if not laddered:
        raise InputError("no capture with several amplitudes to draw; take one: coilbell capture --ladder")
    drawing = Figure(figsize=(7.2, 4.6), layout="constrained")
    axes = drawing.subplots()
    strokes = ("-", "--", "-.")
    for (one, ladder), colour, stroke in zip(laddered, (BLUE, ORANGE, GREY), strokes, strict=False):
        _draw(axes, one, ladder, colour, stroke)
        if reference is not None and one.test_capacitor_f:
            _draw_healthy(axes, reference, Capacitor(one.test_capacitor_f), ladder, stroke)
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.xaxis.set_major_locator(FixedLocator(_MARKS))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(EngFormatter(unit="V", sep=" "))
    axes.yaxis.set_major_locator(LogLocator(subs=_DECADE))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.2g}"))
    axes.set_xlabel("first peak at the winding")
    axes.set_ylabel("loss, 1/Q")
    axes.grid(visible=True, which="both", color="0.9", linewidth=0.6)
    axes.legend(loc="best", fontsize=9, framealpha=0.9)
    if title:
        axes.set_title(textwrap.shorten(title, 80, placeholder="..."), fontsize=11, loc="left")
    drawing.supxlabel(
        "\n".join(f"{_name(one)}: {ladder_caption(ladder)}" for one, ladder in laddered),
        fontsize=9,
        x=0.02,
        ha="left",
    )
    return drawing


def ladder_caption(ladder: LadderFacts) -> str:
    """What bends the loss, in a line."""
    rise = "" if ladder.rise is None else f"; 1/Q {ladder.rise:+.1%} from 60 to 270 mV"
    if ladder.volts is None or ladder.volts.value is None:
        return f"what follows the amplitude: {ladder.bend}{rise}"
    spread = ladder.volts.standard_uncertainty or math.nan
    return f"{ladder.bend}, V {ladder.volts.value * 1e3:.3g} mV ({spread * 1e3:.2g}){rise}"


def _draw_healthy(
    axes: Axes, reference: Reference, capacitor: Capacitor, ladder: LadderFacts, stroke: str
) -> None:
    """The good units' loss over amplitude by their own ladders: flat where these say nothing of the core."""
    if not any(same_capacitor(capacitor, one) for one in reference.capacitors()):
        return
    by = healthy_of(reference, [one for one in reference.capacitors() if same_capacitor(capacitor, one)])
    ends = [p.amplitude_v for p in ladder.law] or [rung.amplitude_v for rung in ladder.rungs]
    amplitudes = np.geomspace(min(ends), max(ends), _HEALTHY_POINTS)
    hertz = math.exp(by.location[0])
    loss = math.exp(by.location[1]) + core_loss(by.core_per_volt, hertz, amplitudes)
    name = f"healthy, {capacitor.farads * 1e9:.3g} nF"
    axes.plot(amplitudes, loss, stroke, color=GREY, linewidth=1.0, label=name)


_HEALTHY_POINTS = 30
"""Points of a healthy curve [1]; assumed."""


def _name(one: FitFacts) -> str:
    """What a fit's line is called: its test capacitor."""
    return f"{one.test_capacitor_f * 1e9:.3g} nF" if one.test_capacitor_f else "rungs"


def _draw(axes: Axes, one: FitFacts, ladder: LadderFacts, colour: str, stroke: str) -> None:
    law = [(p.amplitude_v, p.loss) for p in ladder.law]
    axes.plot(*zip(*law, strict=True), stroke, color=colour, linewidth=1.3, label=_name(one))
    for rung in ladder.rungs:
        loss, hertz = rung.loss, rung.frequency_hz.value
        if hertz is None or abs(hertz / (one.main.frequency_hz.value or hertz) - 1) > _ANOTHER:
            continue  # its strongest mode was another one
        if loss.value is None or loss.low is None or loss.high is None:
            continue
        low, high = sorted((loss.low, loss.high))
        reach = [[max(loss.value - low, 0)], [max(high - loss.value, 0)]]
        axes.errorbar([rung.amplitude_v], [loss.value], reach, fmt="o", color=colour, markersize=4, capsize=3)


def odds_picture(pieces: Sequence[Piece], *, sure: float = 0.95, title: str = "") -> Figure:
    """One bar for each piece of evidence, from the odds before it to those after, on the scale of log
    odds."""
    from matplotlib.figure import Figure

    drawing = Figure(figsize=(7.2, 0.9 + 0.42 * len(pieces)), layout="constrained")
    axes = drawing.subplots()
    before = pieces[0].shows or 0.5
    axes.axvspan(_logit(sure), _logit(1 - _LEAST), color=ORANGE, alpha=0.12, linewidth=0)
    axes.axvspan(_logit(_LEAST), _logit(1 - sure), color=BLUE, alpha=0.12, linewidth=0)
    for row, piece in enumerate(pieces):
        if piece.shows is None:
            axes.text(_logit(before), row, "  no odds: ring again", va="center", fontsize=8, color=GREY)
            continue
        start, end = _logit(before), _logit(piece.shows)
        colour = ORANGE if end > start else BLUE
        axes.barh(row, end - start, left=start, height=0.55, color=colour)
        axes.plot([end, end], [row - 0.38, row + 0.38], color="black", linewidth=1.2)
        side, align = (0.12, "left") if end < _logit(0.9) else (-0.12, "right")
        axes.text(end + side, row - 0.42, percent(piece.shows), fontsize=8, ha=align, va="center")
        before = piece.shows
    axes.set_yticks(range(len(pieces)), [textwrap.fill(p.words, _LABEL) for p in pieces], fontsize=9)
    axes.invert_yaxis()
    ticks = [0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99]
    axes.set_xticks([_logit(p) for p in ticks], [f"{100 * p:g} %" for p in ticks], fontsize=8)
    axes.set_xlim(_logit(_LEAST), _logit(1 - _LEAST))
    axes.set_xlabel("odds of a shorted turn that shows")
    axes.grid(visible=True, axis="x", color="0.9", linewidth=0.6)
    if title:
        axes.set_title(textwrap.shorten(title, 80, placeholder="..."), fontsize=11, loc="left")
    return drawing


def _logit(p: float) -> float:
    p = min(max(p, _LEAST), 1 - _LEAST)
    return math.log(p / (1 - p))
