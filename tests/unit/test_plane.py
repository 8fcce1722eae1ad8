"""The shift plane's picture, for every kind of winding: names stay within the axes and apart."""

from __future__ import annotations

from functools import cache

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Annotation

from coilbell.bench.plane import plane_picture
from coilbell.board.simulation import Winding, catalogue
from coilbell.record import Capacitor
from coilbell.winding import Capture, Condition, Finding, Observation, Reference, find

CAPACITOR = Capacitor(22e-9)
SHORTS = (
    "external-loop",
    "turn-dead",
    "turn-0.1-ohm",
    "turn-1-ohm",
    "low-voltage-shorted",
    "high-voltage-part-shorted",
    "half-shorted",
)


def seen(part: str, seed: int, state: str) -> Observation:
    """What a winding truly rings like, without a capture."""
    mode = Winding(catalogue.part(part, seed), state).ring_mode(CAPACITOR.farads)
    if mode is None:
        return Observation(CAPACITOR, None, None)
    return Observation(CAPACITOR, mode.frequency_hz, mode.q)


@cache
def judged(part: str) -> tuple[Finding, Reference]:
    """A shorted unit that rings, judged by two good units and every short made on purpose that rings."""
    captures = [Capture(f"u{seed}", Condition.GOOD, seen(part, seed, "healthy")) for seed in (1, 2)]
    for state in SHORTS:
        if state in catalogue.states(part) and (ring := seen(part, 1, state)).rings:
            how = "one-turn loop of 1 mm wire" if state == "external-loop" else f"{state} on purpose"
            captures.append(Capture("u1", Condition.SHORTED, ring, how))
    kind = catalogue.part(part).kind
    reference = Reference.begin("r", kind, [c for c in captures if c.observation.rings])
    rings = (seen(part, 3, state) for state in ("turn-dead", "turn-1-ohm", "turn-10-ohm", "turn-100-ohm"))
    return find([next(ring for ring in rings if ring.rings)], reference), reference


def drawn(part: str) -> Figure:
    figure = plane_picture(*judged(part))
    FigureCanvasAgg(figure).draw()
    return figure


@pytest.mark.parametrize("part", catalogue.names())
def test_names_stay_within_the_axes_and_apart(part: str) -> None:
    figure = drawn(part)
    (axes,) = figure.axes
    frame = axes.get_window_extent()
    names = [text for text in axes.texts if isinstance(text, Annotation)]
    boxes = []
    for name in names:
        x, y = axes.transAxes.inverted().transform(axes.transData.transform([name.xy]))[0]
        if not (0 <= x <= 1 and 0 <= y <= 1):
            continue  # its mark lies beyond the picture, and the name is not drawn
        box = name.get_window_extent()
        assert frame.x0 <= box.x0 < box.x1 <= frame.x1, name.get_text()
        assert frame.y0 <= box.y0 < box.y1 <= frame.y1, name.get_text()
        boxes.append((name.get_text(), box))
    for k, (text, box) in enumerate(boxes):
        for other, beside in boxes[:k]:
            assert not box.overlaps(beside), (text, other)


def test_there_are_names_to_look_at() -> None:
    counts = {part: len(judged(part)[1].captures) - 2 for part in catalogue.names()}
    assert sum(count >= 2 for count in counts.values()) >= 8, counts
