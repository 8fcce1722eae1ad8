"""Is a unit that somebody calls good one? Its ring against the kind's usual Q and the units already there.

A "good" unit whose Q lies outside its kind's usual range, or that rings far from the good units there, may be
taken all the same: then it carries the warning with its figures, and so does every finding that rests on it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from coilbell.errors import DoubtedUnit
from coilbell.winding.odds.healthy import healthy
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.observation import Observation, grouped
from coilbell.winding.odds.reference import Capture, Condition, Reference

__all__ = ["guarded", "warning"]

_FAR = 4.0
"""Spreads from one good unit to the next beyond which another is doubted [1] (assumed)."""

_SLACK = 0.7
"""How far a Q may lie outside its kind's usual range [ln]: a factor of two, since these are orders of
magnitude (common practice)."""

_NEAR_USUAL = 0.5
"""Distance of the test capacitor from the usual one within which the usual Q holds [ln] (assumed)."""


def guarded(
    kind: Kind, before: Reference | None, captures: Sequence[Capture], *, anyway: bool = False
) -> tuple[Capture, ...]:
    """The captures of one unit, those that are doubted marked; shorted ones as they are.

    Raises DoubtedUnit with the figures for a good unit that is doubted, unless it is taken anyway.
    """
    good = [c.observation for c in captures if c.condition is Condition.GOOD]
    told = warning(kind, before, captures[0].unit, good) if good else ""
    if not told:
        return tuple(captures)
    if not anyway:
        raise DoubtedUnit(f"unit {captures[0].unit}: {told}")
    return tuple(replace(c, mark=told) if c.condition is Condition.GOOD else c for c in captures)


def warning(kind: Kind, before: Reference | None, unit: str, seen: Sequence[Observation]) -> str:
    """Why this is hardly a good unit, with figures; "" where nothing speaks against it."""
    for ring in grouped(seen):
        if not ring.rings:
            continue
        if ring.trouble:
            return f"its ring with {ring.capacitor.words} is not to be trusted: {ring.trouble[0]}"
        q, (low, high) = math.exp(-ring.point[1]), kind.healthy_q
        usual = abs(math.log(ring.capacitor.farads / kind.usual_farads)) < _NEAR_USUAL
        if usual and not low * math.exp(-_SLACK) <= q <= high * math.exp(_SLACK):
            return (
                f"Q {q:.3g} with {ring.capacitor.words}, where a healthy {kind.name} has {low:g} to {high:g}"
            )
        others = _others(before, unit)
        if others is None or not others.good_means((ring.capacitor,)):
            continue
        by = healthy(others, [ring])
        away = np.abs(ring.point - by.location) / by.spreads
        if (away > _FAR).any():
            hertz, usual_q = math.exp(by.location[0]) / 1e3, math.exp(-by.location[1])
            return (
                f"{ring.words} with {ring.capacitor.words}, where {len(by.units)} good "
                f"unit{'s' * (len(by.units) > 1)} there ring{'s' * (len(by.units) == 1)} at {hertz:.4g} kHz, "
                f"Q {usual_q:.3g}"
            )
    return ""


def _others(before: Reference | None, unit: str) -> Reference | None:
    """The good units there besides this one; None where there are none."""
    if before is None:
        return None
    left = tuple(c for c in before.captures if c.unit != unit and c.condition is Condition.GOOD)
    return replace(before, captures=left) if left else None
