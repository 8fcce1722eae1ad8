"""The shift plane's picture, for every kind of winding: names stay within the axes and apart."""

from __future__ import annotations

import re
from functools import cache

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Annotation, Text

from coilbell.bench.pictures.decay import BLUE
from coilbell.bench.pictures.plane import plane_caption, plane_picture
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
        box = Text.get_window_extent(name)  # without the line to its mark
        assert frame.x0 <= box.x0 < box.x1 <= frame.x1, name.get_text()
        assert frame.y0 <= box.y0 < box.y1 <= frame.y1, name.get_text()
        boxes.append((name.get_text(), box))
    for k, (text, box) in enumerate(boxes):
        for other, beside in boxes[:k]:
            assert not box.overlaps(beside), (text, other)


def test_there_are_names_to_look_at() -> None:
    counts = {part: len(judged(part)[1].captures) - 2 for part in catalogue.names()}
    assert sum(count >= 2 for count in counts.values()) >= 8, counts


def test_a_ring_far_out_is_in_the_picture() -> None:
    """At Q 0.8 and five times the frequency the added loss is 6."""
    reference = Reference.begin(
        "r",
        "switch-mode transformer",
        [Capture("u", Condition.GOOD, Observation(CAPACITOR, 34e3, 90.0, 1e-5, 1e-3))],
    )
    finding = find([Observation(CAPACITOR, 170e3, 0.8, 1e-5, 1e-3)], reference)
    (axes,) = plane_picture(finding, reference).axes
    assert finding.shifts[0].added_loss > 3
    assert axes.get_xlim()[0] < finding.shifts[0].added_loss < axes.get_xlim()[1]
    assert axes.get_ylim()[0] < finding.shifts[0].inductance_drop < axes.get_ylim()[1]


@pytest.mark.parametrize("part", ["tarn-line-split", "tarn-line-single", "moss-switcher"])
@pytest.mark.parametrize("state", ["external-loop", "low-voltage-shorted"])
def test_a_name_is_told_whole_and_not_struck_through(part: str, state: str) -> None:
    how = "all turns of the low-voltage winding joined"
    captures = [
        Capture("u1", Condition.GOOD, seen(part, 1, "healthy")),
        Capture("u1", Condition.SHORTED, seen(part, 1, state), how),
    ]
    reference = Reference.begin("r", catalogue.part(part).kind, captures)
    figure = plane_picture(find([seen(part, 3, "turn-1-ohm")], reference), reference)
    FigureCanvasAgg(figure).draw()
    (axes,) = figure.axes
    (name,) = (text for text in axes.texts if isinstance(text, Annotation))
    assert " ".join(name.get_text().split()) == how
    box = Text.get_window_extent(name)  # without the line to its mark
    dotted = [line for line in axes.lines if line.get_linestyle() == ":" and line.get_color() == BLUE]
    assert dotted
    for line in dotted:
        assert not any(box.contains(*axes.transData.transform(point)) for point in line.get_xydata())


def test_each_way_of_a_fault_has_a_look_of_its_own() -> None:
    (axes,) = drawn("tarn-line-split").axes
    ways = [line for line in axes.lines if str(line.get_label()).startswith("computed")]
    looks = {(str(line.get_linestyle()), line.get_linewidth()) for line in ways}
    assert len(looks) == len(ways) == 5


def test_the_caption_has_uncertainties_and_all_capacitors() -> None:
    small = Capacitor(2.2e-9)
    good = [Observation(CAPACITOR, 34e3, 90.0, 1e-5, 1e-3), Observation(small, 104e3, 60.0, 1e-5, 1e-3)]
    reference = Reference.begin(
        "r", "switch-mode transformer", [Capture("u", Condition.GOOD, o) for o in good]
    )
    for seen_now, verdict in ((good, "like healthy"), (good[:1], "like healthy")):
        finding = find(seen_now, reference)
        first, *_, place = plane_caption(finding).splitlines()
        assert first.startswith(verdict)
        assert first.count(verdict) == 1
        assert re.search(r"with 22 nF: g [+-]?[\d.]+\([\d.]+\), b [+-]?[\d.]+\([\d.]+\)", place)
        assert ("judged with 2.2 nF too" in place) is (len(seen_now) == 2)
