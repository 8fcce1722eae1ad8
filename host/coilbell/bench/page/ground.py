"""The shift plane as numbers to draw: what lies still under the ring that is judged, and the ring itself.

Added loss runs to the right, inductance drop upwards. Both axes are linear near zero and logarithmic beyond,
s(x) = x/l for |x| <= l, else sign(x) (1 + ln(|x|/l)); the page gets places on such axes and the ticks with
their words, so that it computes nothing.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from coilbell.winding import (
    Finding,
    HealthyTank,
    Reference,
    fault_curves,
    shorted_neighbourhoods,
)

__all__ = ["Ground", "ground_of", "ring_drawing"]

Array = npt.NDArray[np.float64]

_LINEAR = (0.01, 0.03)
"""Where the axes of loss and of drop turn from linear to logarithmic [1]."""
_TICKS = ((-0.03, -0.01, 0, 0.01, 0.03, 0.1, 0.3, 1), (-0.3, -0.1, -0.03, 0, 0.03, 0.1, 0.3, 1, 3, 10, 30))
_REACH = ((-0.1, 3.0), (-0.6, 60.0))
_CIRCLE = np.array([np.cos(np.linspace(0, 2 * math.pi, 61)), np.sin(np.linspace(0, 2 * math.pi, 61))])
_WIDE, _HIGH = 3.5, 0.6
"""Room a name takes, in places of the axes."""
_CHI_95 = 5.991
"""95 % point of chi-square with two degrees of freedom (tables)."""


@dataclass(frozen=True, slots=True)
class Ground:
    """A named set of lines and marks; `key` changes when it has to be drawn anew."""

    key: str
    drawing: dict[str, Any]


def ground_of(finding: Finding, reference: Reference, index: int) -> Ground:
    """Curves of faults, contours of healthy units, the reference's own units, for capacitor `index`."""
    by = finding.healthy
    assert by is not None
    key = f"{finding.reference}/{by.capacitors[index].farads}/{finding.connection}"
    lines = [
        *_curves(finding, reference, index),
        *_contours(finding, index),
        *_neighbourhoods(finding, reference, index),
    ]
    drawing = {
        "key": key,
        "title": f"{reference.name}, {by.capacitors[index].farads * 1e9:.3g} nF",
        "ticks": [_ticks(axis) for axis in (0, 1)],
        "reach": [_reach(axis) for axis in (0, 1)],
        "lines": lines,
        "labels": _labels(lines),
        "marks": _marks(finding, reference, index),
    }
    return Ground(key, drawing)


def ring_drawing(finding: Finding, index: int) -> dict[str, Any]:
    """Place of the ring that is judged, and the 95 % ellipse of its own measurement."""
    by = finding.healthy
    assert by is not None
    ring, shift = finding.rings[index], finding.shifts[index]
    centre = by.location[[index, len(by.capacitors) + index]]
    moved = math.sqrt(_CHI_95) * np.linalg.cholesky(ring.covariance) @ _CIRCLE
    loss, drop = _in_plane(moved + (ring.point - centre)[:, None], float(centre[1]))
    return {
        "at": [
            float(_placed(np.array(shift.added_loss), 0)),
            float(_placed(np.array(shift.inductance_drop), 1)),
        ],
        "ellipse": _listed(loss, drop),
        "words": f"added loss {shift.added_loss:+.3f}, inductance drop {shift.inductance_drop:+.3f}",
    }


def _placed(values: Array, axis: int) -> Array:
    linear = _LINEAR[axis]
    size = np.maximum(np.abs(values) / linear, 1e-300)
    return np.asarray(np.where(size <= 1, values / linear, np.sign(values) * (1 + np.log(size))))


def _listed(loss: Array, drop: Array) -> list[list[float | None]]:
    """Places of (loss, drop) as two lists; None where nothing rings."""
    return [
        [None if not math.isfinite(v) else round(v, 4) for v in _placed(values, axis).tolist()]
        for axis, values in enumerate((loss, drop))
    ]


def _ticks(axis: int) -> list[list[float | str]]:
    return [[round(float(_placed(np.array(float(t)), axis)), 4), f"{t:g}"] for t in _TICKS[axis]]


def _in_plane(moved: Array, healthy_log_loss: float) -> tuple[Array, Array]:
    """(g, b) of rings moved by (ln f, ln d), (2, n)."""
    ratio, loss0 = np.exp(moved[0]), math.exp(healthy_log_loss)
    return ratio * loss0 * np.exp(moved[1]) - loss0, ratio**2 - 1


def _curves(finding: Finding, reference: Reference, index: int) -> list[dict[str, Any]]:
    by, kind = finding.healthy, reference.kind
    assert by is not None
    farads = by.capacitors[index].farads + by.tank.stray_farads
    tank = HealthyTank(by.tank.henries, farads, by.tank.series_ohms, by.tank.shunt_siemens)
    curves = fault_curves(
        tank,
        math.sqrt(math.prod(kind.turns)),
        math.sqrt(math.prod(kind.turn_leakage)),
        2 * math.sqrt(math.prod(kind.leakage)),
    )
    return [
        {"kind": "fault", "name": c.name, "points": _listed(c.added_loss[::4], c.inductance_drop[::4])}
        for c in curves
    ]


def _contours(finding: Finding, index: int) -> list[dict[str, Any]]:
    """Where half and where 95 % of healthy units ring."""
    from scipy.stats import f as f_distribution

    by = finding.healthy
    assert by is not None
    m = len(by.capacitors)
    factor = np.linalg.cholesky(by.scale[np.ix_([index, m + index], [index, m + index])])
    found = []
    for share in (0.5, 0.95):
        radius = math.sqrt(2 * f_distribution.ppf(share, 2, by.freedom))
        points = _in_plane(radius * factor @ _CIRCLE, float(by.location[m + index]))
        found.append({"kind": "healthy", "name": f"{share:.0%} of healthy units", "points": _listed(*points)})
    return found


def _neighbourhoods(finding: Finding, reference: Reference, index: int) -> list[dict[str, Any]]:
    """Where half of the shorts like the deliberate ones ring."""
    from scipy.stats import f as f_distribution

    by = finding.healthy
    assert by is not None
    m = len(by.capacitors)
    rows = [index, m + index]
    radius = math.sqrt(2 * f_distribution.ppf(0.5, 2, by.freedom))
    found = []
    for how, place, scale in shorted_neighbourhoods(by, reference):
        factor = np.linalg.cholesky(scale[np.ix_(rows, rows)])
        moved = radius * factor @ _CIRCLE + (place - by.location)[rows][:, None]
        points = _in_plane(moved, float(by.location[m + index]))
        found.append(
            {
                "kind": "shorted",
                "name": f"half of the shorts like {how}",
                "label": how,
                "points": _listed(*points),
            }
        )
    return found


def _labels(lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """A name beside each line, where no earlier name lies across it if that can be."""
    (left, right), (low, high) = (_reach(axis) for axis in (0, 1))
    found: list[dict[str, Any]] = []
    for line in lines:
        pairs = zip(*line["points"], strict=True)
        inside = [p for p in pairs if None not in p and left <= p[0] <= right and low <= p[1] <= high]
        if not inside:
            continue
        places = _places(line["kind"], inside)
        x, y = next((p for p in places if not _across(p, found)), places[0])
        words = textwrap.shorten(line.get("label", line["name"]), 26, placeholder="...")
        align = "right" if x > left + 0.65 * (right - left) else "left"
        found.append({"kind": line["kind"], "words": words, "at": [x, y], "align": align})
    return found


def _reach(axis: int) -> list[float]:
    return [float(_placed(np.array(end), axis)) for end in _REACH[axis]]


def _places(kind: str, inside: list[Any]) -> list[Any]:
    """Where a name may stand: along a curve from its worst case on, above or below a closed line."""
    if kind == "fault":
        return [inside[int(share * (len(inside) - 1))] for share in (1.0, 0.9, 0.8, 0.7, 0.6, 0.4)]
    top, bottom = (pick(inside, key=lambda p: p[1]) for pick in (max, min))
    return [top, (bottom[0], bottom[1] - _HIGH)]


def _across(place: Any, found: list[dict[str, Any]]) -> bool:
    x, y = place
    return any(abs(x - one["at"][0]) < _WIDE and abs(y - one["at"][1]) < _HIGH for one in found)


def _marks(finding: Finding, reference: Reference, index: int) -> list[dict[str, Any]]:
    """The reference's own units."""
    by = finding.healthy
    assert by is not None
    capacitors = [by.capacitors[index]]
    centre = by.location[[index, len(by.capacitors) + index]]
    good = np.array([unit.point for unit in reference.good_means(capacitors)]).reshape(-1, 2) - centre
    shorted = [(how, point - centre) for _, how, point in reference.shorted_points(capacitors)]
    marks = [
        {"kind": "good", "name": "units known good", "points": _listed(*_in_plane(good.T, float(centre[1])))}
    ]
    if shorted:
        points = np.array([point for _, point in shorted]).T
        marks.append(
            {
                "kind": "shorted",
                "name": "shorted on purpose",
                "points": _listed(*_in_plane(points, float(centre[1]))),
            }
        )
    return marks
