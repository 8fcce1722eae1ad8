"""Odds by the kind alone, for people without a good unit: from Q against what is usual for the kind.

Healthy units of a kind lie inside its usual range of Q or above it, shorts that show below it (simulated:
43 of 43 and 49 of 52, kinds but iron and vertical yokes). With x = ln Q and the range lo..hi

    healthy  x ~ t4 about the middle, a third of the range wide       short  evenly from ln 0.6 to lo, and a
    loaded   as a short, as often as a part is loaded                 share of 1/17 fading out over lo..hi

Nothing is said of f, since kinds have no usual inductance. Iron and vertical yokes stay undecided: their
usual Q is that of a short.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.observation import Ring

__all__ = ["KindOdds", "odds_by_kind"]

_INSIDE = 3 / 52
"""Share of shorts that show whose Q lies inside the usual range (simulated)."""

_LOADED = 0.25
"""How often a part without a short is loaded or damped (assumed, as in `hypothesis`)."""

_LEAST_Q = 0.6
"""Q under which nothing can be followed as a ring (simulated)."""

_ANY = 50.0
"""Ratio of the ends of a range of usual Q from which it says nothing [1]; assumed."""

_PER_LOG = 0.35
"""How far the usual Q may move for each unit of ln of the test capacitor [1] (simulated: Q falls by a third
from 22 to 2.2 nF where the core loses most, and rises where copper does)."""


@dataclass(frozen=True, slots=True)
class KindOdds:
    """Of a short that shows and of a resistance, with the usual range of Q they rest on."""

    shows: float
    loaded: float
    usual: tuple[float, float]


def odds_by_kind(ring: Ring, kind: Kind, prior: float = 0.5) -> KindOdds | None:
    """The odds, or None where the kind alone tells nothing or nothing rang."""
    if kind.iron or kind.bare_q or kind.healthy_q[1] > _ANY * kind.healthy_q[0] or not ring.rings:
        return None
    away = abs(math.log(ring.capacitor.farads / kind.usual_farads))
    low, high = math.log(kind.healthy_q[0]), math.log(kind.healthy_q[1])
    widened = _PER_LOG * away
    low, high = low - widened, high + widened
    x = -float(ring.point[1])
    healthy = _t4(x, (low + high) / 2, (high - low) / 3, float(ring.covariance[1, 1]) ** 0.5)
    if x >= (low + high) / 2:  # above the range is healthier still
        healthy = max(healthy, _t4((low + high) / 2, (low + high) / 2, (high - low) / 3, 0.0))
    short = _short(x, low, high)
    weights = (
        prior * short,
        (1 - prior) * _LOADED * short,
        (1 - prior) * (1 - _LOADED) * healthy,
    )
    total = sum(weights)
    usual = (math.exp(low), math.exp(high))
    return KindOdds(weights[0] / total, weights[1] / total, usual)


_FADED = 0.02
"""Least density at the top of the usual range, over that at its foot [1]; assumed."""

_T4 = (0.375, -2.5)
"""Gamma(5/2)/(sqrt(4 pi) Gamma(2)) and -(4 + 1)/2, of Student's t; computed."""


def _short(x: float, low: float, high: float) -> float:
    """Density of ln Q of a short that shows."""
    if x < low:
        return (1 - _INSIDE) / (low - math.log(_LEAST_Q))
    fade = max(1 - (x - low) / (high - low), _FADED)
    return 3 * _INSIDE / (high - low) * fade**2


def _t4(x: float, middle: float, spread: float, error: float) -> float:
    """Density of a t of four degrees of freedom."""
    width = math.hypot(spread, error)
    return _T4[0] / width * math.pow(1 + ((x - middle) / width) ** 2 / 4, _T4[1])
