"""The shift plane as numbers to draw: what lies still under the ring that is judged, and the ring itself.

Added loss runs to the right, inductance drop upwards. Both axes are linear near zero and logarithmic beyond,
s(x) = x/l for |x| <= l, else sign(x) (1 + ln(|x|/l)); the page gets places on such axes and the ticks with
their words, so that it computes nothing. Each line has a letter; its name stands in a key under the plane,
where names have room at any size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.bench.page.messages import Fault, GroundLines, Letter, Marked, Name, Places, Ring
from coilbell.bench.pictures.geometry import Line, marks_of, ring_place, still_lines
from coilbell.quantities import concise
from coilbell.winding import Finding, Reference

__all__ = ["Ground", "ground_key", "ground_of", "ring_drawing"]

Array = npt.NDArray[np.float64]

_FIRST = 0
"""The plane is that of the finding's first capacitor, whichever was struck last."""
_LINEAR = (0.01, 0.03)
"""Where the axes of loss and of drop turn from linear to logarithmic [1]."""
_TICKS = ((-0.03, -0.01, 0, 0.01, 0.03, 0.1, 0.3, 1), (-0.3, -0.1, -0.03, 0, 0.03, 0.1, 0.3, 1, 3, 10, 30))
_REACH = ((-0.1, 3.0), (-0.6, 60.0))
_WIDE, _HIGH = 0.7, 0.9
"""Room a letter takes on a small screen, in places of the axes."""
_STEP = {"fault": 4, "healthy": 2, "shorted": 2}
"""Every so manieth point of a line is drawn."""
_ALONG = (0.9, 0.8, 0.95, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 1.0)
"""Where along the seen part of a line its letter is tried, in this order [1]."""
_MARKS = {"good": "units known good", "shorted": "units shorted on purpose"}
_RING = "the ring that is judged, with the 95 % ellipse of its measurement; small: the shots before it"


@dataclass(frozen=True, slots=True)
class Ground:
    """A named set of lines and marks; `key` changes when it has to be drawn anew."""

    key: str
    drawing: GroundLines


def ground_key(finding: Finding) -> str:
    """Same for two findings over the same ground."""
    assert finding.healthy is not None
    return f"{finding.reference}/{finding.healthy.capacitors[_FIRST].farads}/{finding.connection}"


def ground_of(finding: Finding, reference: Reference) -> Ground:
    """Curves of faults, contours of healthy units, the reference's own units."""
    lines = still_lines(finding, reference, _FIRST)
    drawn = [_drawn(line) for line in lines]
    marks = [
        Marked(kind=one.kind, points=_listed(one.loss, one.drop))
        for one in marks_of(finding, reference, _FIRST)
    ]
    letters = _letters(drawn)
    key = ground_key(finding)
    drawing = GroundLines(
        key=key,
        ticks=[_ticks(axis) for axis in (0, 1)],
        reach=[_reach(axis) for axis in (0, 1)],
        lines=drawn,
        letters=letters,
        marks=marks,
        names=[
            Name(kind="ring", words=_RING),
            *(Name(kind=one.kind, words=_MARKS[one.kind]) for one in marks),
            *(_name(line, one) for line, one in zip(lines, letters, strict=True)),
        ],
    )
    return Ground(key, drawing)


def ring_drawing(finding: Finding) -> Ring:
    """Place of the ring that is judged, and the 95 % ellipse of its own measurement."""
    ring = ring_place(finding, _FIRST)
    loss, drop = _listed(np.array([ring.loss]), np.array([ring.drop]))
    return Ring(
        at=[loss[0], drop[0]],
        ellipse=_listed(ring.ellipse_loss[::2], ring.ellipse_drop[::2]),
        words=_place_words(finding),
    )


def _place_words(finding: Finding) -> str:
    """Where the ring lies, with the uncertainty that its measurement and the reference's units leave."""
    shift = finding.shifts[_FIRST]
    values = (("added loss", shift.added_loss), ("inductance drop", shift.inductance_drop))
    return ", ".join(
        f"{name} {'+' * (value >= 0)}{concise(value, math.sqrt(shift.covariance[k][k]))}"
        for k, (name, value) in enumerate(values)
    )


def _placed(values: Array, axis: int) -> Array:
    linear = _LINEAR[axis]
    size = np.maximum(np.abs(values) / linear, 1e-300)
    return np.asarray(np.where(size <= 1, values / linear, np.sign(values) * (1 + np.log(size))))


def _listed(loss: Array, drop: Array) -> Places:
    """Places of (loss, drop) as two lists; None where nothing rings."""
    return tuple(
        [None if not math.isfinite(v) else round(v, 4) for v in _placed(values, axis).tolist()]
        for axis, values in enumerate((loss, drop))
    )


def _ticks(axis: int) -> list[tuple[float, str]]:
    return [(round(float(_placed(np.array(float(t)), axis)), 4), f"{t:g}") for t in _TICKS[axis]]


def _reach(axis: int) -> list[float]:
    return [float(_placed(np.array(end), axis)) for end in _REACH[axis]]


def _drawn(line: Line) -> Fault:
    step = _STEP[line.kind]
    return Fault(kind=line.kind, points=_listed(line.loss[::step], line.drop[::step]))


def _letters(lines: Sequence[Fault]) -> list[Letter]:
    """A letter on each line where no earlier letter stands, if there is such a place; `at` None outside."""
    (left, right), (low, high) = (_reach(axis) for axis in (0, 1))
    found: list[Letter] = []
    for number, line in enumerate(lines):
        inside = [
            [x, y]
            for x, y in zip(*line.points, strict=True)
            if x is not None and y is not None and left + 0.2 <= x <= right - 0.2 and low <= y <= high
        ]
        places = [inside[round(share * (len(inside) - 1))] for share in _ALONG] if inside else []
        at = next((p for p in places if not _across(p, found)), places[0] if places else None)
        found.append(Letter(kind=line.kind, letter=chr(ord("a") + number), at=at))
    return found


def _across(place: list[float], found: Sequence[Letter]) -> bool:
    taken = [one.at for one in found if one.at]
    return any(abs(place[0] - x) < _WIDE and abs(place[1] - y) < _HIGH for x, y in taken)


def _name(line: Line, letter: Letter) -> Name:
    words = f"half of the shorts like {line.name}" if line.kind == "shorted" else line.name
    return Name(kind=line.kind, letter=letter.letter, words=words)
