"""What a simple ring counter would have shown, and whether that figure alone would mislead."""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbell.record import Connection
from coilbell.winding.explanation import Explanation
from coilbell.winding.healthy import Healthy
from coilbell.winding.observation import Ring

__all__ = ["COUNT_TO", "RingCount", "ring_count"]

COUNT_TO = 0.025
"""Fraction of the first peak to which a simple counter is taken to count."""

_FEW = 0.6
"""Share of the reference's count below which a count looks bad."""


@dataclass(frozen=True, slots=True)
class RingCount:
    """What a simple counter would have shown, to `fraction` of the first peak.

    rings: not rounded; healthy: of the reference, None without one; misleads: True where that figure
    alone points the wrong way, None where nothing can be said; why: a sentence.
    """

    rings: float
    healthy: float | None
    fraction: float
    misleads: bool | None
    why: str


def ring_count(ring: Ring, by: Healthy | None, explanation: Explanation, where: Connection) -> RingCount:
    """The count, and whether it would mislead here."""
    rings = _count(-ring.point[1]) if ring.rings else 0.0
    if by is None:
        why = "without a reference a count means nothing: healthy windings count from 1 to over 100"
        return RingCount(rings, None, COUNT_TO, None, why)
    usual = _count(-by.location[len(by.capacitors)])
    looks_bad = rings < _FEW * usual
    misleads, why = _misled(looks_bad, rings, usual, explanation, where)
    return RingCount(rings, usual, COUNT_TO, misleads, why)


def _count(log_q: float) -> float:
    q = math.exp(log_q)
    return math.sqrt(max(q * q - 0.25, 0.0)) / math.pi * math.log(1 / COUNT_TO)


def _misled(
    looks_bad: bool, rings: float, usual: float, explanation: Explanation, where: Connection
) -> tuple[bool | None, str]:
    against = f"{rings:.0f} where a healthy one here counts {usual:.0f}"
    if explanation is Explanation.LIKE_HEALTHY and usual < 20:
        return True, f"it misleads: {against}, few because of the kind of part, not because of a fault"
    if explanation in (Explanation.UNDECIDED, Explanation.NO_RING):
        return None, f"{against}: a count cannot say why"
    if looks_bad and where is Connection.IN_CIRCUIT:
        return True, f"it misleads: {against}, but in circuit what is connected takes the rings away"
    if looks_bad and explanation is Explanation.LOADED:
        return None, f"{against}: it says that loss was added, not whether turns or a load add it"
    if where is Connection.IN_CIRCUIT and explanation is not Explanation.LIKE_HEALTHY:
        return None, f"{against}: what is connected shows in the frequency, not in the count"
    if not looks_bad and explanation is not Explanation.LIKE_HEALTHY:
        return True, f"it misleads: {against}, as if healthy; the change shows in the frequency"
    return False, f"it does not mislead here: {against}"
