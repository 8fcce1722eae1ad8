"""What the good units of a reference tell of spreads between units: points, and what names them by
content."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.record import Capacitor
from coilbell.winding.odds.healthy import stated
from coilbell.winding.odds.observation import Observation, same_capacitor
from coilbell.winding.odds.pooled import pooled
from coilbell.winding.odds.reference import Reference
from coilbell.winding.odds.spreads import PartCurve, curve_of

__all__ = ["UnitPoint", "UnitPoints", "ring_keys", "unit_points"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class UnitPoint:
    """One good unit. keys: what tells its rings from any other, see `ring_keys`; stray: ln of the ratio of
    its frequencies with two capacitors, nan where only one of them rang."""

    keys: tuple[str, ...]
    frequency: float
    loss: float
    stray: float


@dataclass(frozen=True, slots=True)
class UnitPoints:
    """The good units of one part. stated: standard deviations of ln f, ln 1/Q and of that ratio by the
    kind."""

    part: str
    kind: str
    stated: tuple[float, float, float]
    units: tuple[UnitPoint, ...]

    def curve(self, without: Collection[str] = ()) -> PartCurve | None:
        """What they tell of the spreads, without units that have one of these keys; None where none is
        left."""
        left = [u for u in self.units if not any(key in without for key in u.keys)]
        if not left:
            return None
        points = np.array([[u.frequency, u.loss, u.stray] for u in left])
        return curve_of(self.part, points, np.array(self.stated))


def ring_keys(seen: Observation) -> tuple[str, ...]:
    """What names a ring by its content: its samples, and its figures, which a new fit may move."""
    figures = f"{seen.capacitor.farads!r} {seen.frequency_hz!r} {seen.q!r}"
    named = hashlib.sha256(figures.encode()).hexdigest()[:16]
    return (seen.samples, named) if seen.samples else (named,)


def unit_points(reference: Reference) -> UnitPoints | None:
    """The good units of a reference by the capacitor that most were rung with; None where there is none."""
    capacitors = reference.capacitors()
    if not capacitors:
        return None
    first = max(capacitors, key=lambda c: len(reference.good_means((c,))))
    alone = stated(reference, (first,))
    names = [m.unit for m in reference.good_means((first,))]
    tester = next(
        (o.capacitor, o.loading, o.board)
        for c in reference.good
        if same_capacitor((o := c.observation).capacitor, first)
    )
    points = pooled(reference, names, (tester,), alone, reference.kind.spread.weight).points
    ratios, spread = _ratios(reference, first, capacitors)
    return UnitPoints(
        reference.name,
        reference.kind.name,
        (math.sqrt(alone[0, 0]), math.sqrt(alone[1, 1]), spread),
        tuple(
            UnitPoint(_keys(reference, name), float(f), float(d), ratios.get(name, math.nan))
            for name, (f, d) in zip(names, points, strict=True)
        ),
    )


def _ratios(
    reference: Reference, first: Capacitor, capacitors: tuple[Capacitor, ...]
) -> tuple[dict[str, float], float]:
    """ln of f with a further capacitor over f with the first, unit by unit, and its stated deviation."""
    others = [c for c in capacitors if c is not first and reference.good_means((first, c))]
    if not others:
        return {}, 1.0
    pair = first, max(others, key=lambda c: len(reference.good_means((first, c))))
    covariance = stated(reference, pair)
    apart = np.array([-1.0, 1.0, 0.0, 0.0])
    found = {m.unit: float(m.point[1] - m.point[0]) for m in reference.good_means(pair)}
    return found, math.sqrt(float(apart @ covariance @ apart))


def _keys(reference: Reference, unit: str) -> tuple[str, ...]:
    keys = (key for c in reference.good if c.unit == unit for key in ring_keys(c.observation))
    return tuple(dict.fromkeys(keys))
