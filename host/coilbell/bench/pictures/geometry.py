"""Where things lie in the shift plane, for the printed picture and the live page alike.

A ring at (ln f, ln d), healthy ones around (ln f0, ln d0), d = 1/Q, lies at

    added loss  g = r d - d0        inductance drop  b = r^2 - 1        r = f / f0
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError
from coilbell.winding import (
    Finding,
    Healthy,
    Reference,
    fault_curves,
    shorted_neighbourhoods,
)

__all__ = ["SHARES", "Line", "Marks", "RingPlace", "marks_of", "ring_place", "still_lines"]

Array = npt.NDArray[np.float64]

SHARES = (0.5, 0.95)
"""Parts of all healthy units that the two contours hold [1]."""

_ROUND = 121
"""Points of a closed line."""

_CHI_95 = 5.991
"""95 % point of chi-square with two degrees of freedom (tables)."""


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A line that lies still under the ring.

    kind: a computed way of a fault, a contour of healthy units, or where half of the shorts like a
    deliberate one ring; name: the fault, the share, or what was shorted; loss, drop: (n,) [1], nan where
    nothing rings.
    """

    kind: Literal["fault", "healthy", "shorted"]
    name: str
    loss: Array
    drop: Array


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """The reference's own units: names of what was shorted, "" for good ones; loss, drop: (n,) [1]."""

    kind: Literal["good", "shorted"]
    names: tuple[str, ...]
    loss: Array
    drop: Array


@dataclass(frozen=True, slots=True, eq=False)
class RingPlace:
    """The ring that is judged [1], and the 95 % ellipse of its own measurement, (n,) each [1]."""

    loss: float
    drop: float
    ellipse_loss: Array
    ellipse_drop: Array


def still_lines(finding: Finding, reference: Reference, index: int) -> tuple[Line, ...]:
    """Ways of faults, contours, neighbourhoods, for the finding's capacitor `index`.

    Raises InputError for a finding without a reference.
    """
    by = _healthy(finding)
    return (*_faults(by, reference, index), *_contours(by, index), *_neighbourhoods(by, reference, index))


def marks_of(finding: Finding, reference: Reference, index: int) -> tuple[Marks, ...]:
    """Units known good, then those shorted on purpose; a kind without units is left out."""
    by = _healthy(finding)
    capacitors = [by.capacitors[index]]
    good = [unit.point for unit in reference.good_means(capacitors)]
    shorted = reference.shorted_points(capacitors)
    found = []
    if good:
        found.append(Marks("good", ("",) * len(good), *_units(by, good, index)))
    if shorted:
        names = tuple(how for _, how, _ in shorted)
        found.append(Marks("shorted", names, *_units(by, [point for *_, point in shorted], index)))
    return tuple(found)


def ring_place(finding: Finding, index: int) -> RingPlace:
    """The ring of the finding's capacitor `index`."""
    by, ring, shift = _healthy(finding), finding.rings[index], finding.shifts[index]
    rows = _rows(by, index)
    moved = math.sqrt(_CHI_95) * np.linalg.cholesky(ring.covariance) @ _circle()
    ellipse = _in_plane(moved + (ring.point - by.location[rows])[:, None], by, index)
    return RingPlace(shift.added_loss, shift.inductance_drop, *ellipse)


def _healthy(finding: Finding) -> Healthy:
    if finding.healthy is None or not finding.shifts:
        raise InputError("nothing to draw in the shift plane: it needs a ring and a reference")
    return finding.healthy


def _faults(by: Healthy, reference: Reference, index: int) -> Iterator[Line]:
    kind = reference.kind
    tank = by.tank.with_farads(by.capacitors[index].farads + by.tank.farads)
    turns, leak, whole = (math.sqrt(math.prod(p)) for p in (kind.turns, kind.turn_leakage, kind.leakage))
    for curve in fault_curves(tank, turns, leak, 2 * whole):
        yield Line("fault", curve.name, curve.added_loss, curve.inductance_drop)


def _contours(by: Healthy, index: int) -> Iterator[Line]:
    """Exact contours of the predictive density."""
    rows = _rows(by, index)
    factor = np.linalg.cholesky(by.scale[np.ix_(rows, rows)])
    for share in SHARES:
        points = _in_plane(_radius(share, by.freedom) * factor @ _circle(), by, index)
        yield Line("healthy", f"{100 * share:.0f} % of healthy units", *points)


def _neighbourhoods(by: Healthy, reference: Reference, index: int) -> Iterator[Line]:
    rows, radius = _rows(by, index), _radius(0.5, by.freedom)
    for how, place, scale in shorted_neighbourhoods(by, reference):
        factor = np.linalg.cholesky(scale[np.ix_(rows, rows)])
        moved = radius * factor @ _circle() + (place - by.location)[rows][:, None]
        yield Line("shorted", how, *_in_plane(moved, by, index))


def _units(by: Healthy, points: list[Array], index: int) -> tuple[Array, Array]:
    moved = np.array(points) - by.location[_rows(by, index)]
    return _in_plane(moved.T, by, index)


def _rows(by: Healthy, index: int) -> list[int]:
    return [index, len(by.capacitors) + index]


def _radius(share: float, freedom: float) -> float:
    from scipy.stats import f as f_distribution

    return math.sqrt(2 * float(f_distribution.ppf(share, 2, freedom)))


def _circle() -> Array:
    angle = np.linspace(0, 2 * math.pi, _ROUND)
    return np.array([np.cos(angle), np.sin(angle)])


def _in_plane(moved: Array, by: Healthy, index: int) -> tuple[Array, Array]:
    """(g, b) of rings moved by (ln f, ln d) from the healthy ones, (2, n)."""
    loss0 = math.exp(float(by.location[len(by.capacitors) + index]))
    ratio = np.exp(moved[0])
    return ratio * loss0 * np.exp(moved[1]) - loss0, ratio**2 - 1
