"""How many cycles a ring has until it is down to a fraction of its first peak, beside a healthy one's count.

N = sqrt(Q^2 - 1/4)/pi ln(1/fraction): a count holds Q and nothing else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbell.errors import InputError
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.observation import Ring

__all__ = ["COUNT_TO", "RingCount", "ring_count"]

COUNT_TO = 0.1
"""Fraction of the first peak to which rings are counted, unless another is asked for [1]; assumed."""


@dataclass(frozen=True, slots=True)
class RingCount:
    """Cycles to `fraction` of the first peak.

    rings: not rounded, 0 where nothing rings; healthy: of the next good unit, None without a reference.
    """

    rings: float
    healthy: float | None
    fraction: float


def ring_count(ring: Ring, by: Healthy | None, fraction: float = COUNT_TO) -> RingCount:
    """The counts of a ring and of the reference. Raises InputError for a fraction outside 0..1."""
    if not 0 < fraction < 1:
        raise InputError(f"count_to {fraction:g} is not a fraction of the first peak; give one such as 0.1")
    rings = _count(-ring.point[1], fraction) if ring.rings else 0.0
    return RingCount(
        rings, None if by is None else _count(-by.location[len(by.capacitors)], fraction), fraction
    )


def _count(log_q: float, fraction: float) -> float:
    q = math.exp(log_q)
    return math.sqrt(max(q * q - 0.25, 0.0)) / math.pi * math.log(1 / fraction)
