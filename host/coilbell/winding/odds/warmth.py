"""What a difference of temperature does to a healthy ring: the core's permeability follows it.

    d ln L = c dT,  c of the kind (range `warming`, [1/K]: gapped cores hardly, closed ferrite 0.2 to 1 %/K)
    d ln f = -d ln L/2, alike with every test capacitor;  ln 1/Q spreads by `LOSS` for each kelvin

so that with a difference dT of standard uncertainty u, and c of mean m and standard deviation s,

    ln f moves by -m dT/2 with variance (m^2 u^2 + s^2 (dT^2 + u^2))/4

Published: permeability of 177 materials, 15 to 35 Celsius, median +0.63 %/K for power ferrite, 0.44 for high
permeability, 0.70 for nickel-zinc (PyOpenMagnetics 1.7.35, makers' figures). A temperature that was typed is
the part's; one that a tester's chip reads is the die's, and good for differences on that tester alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from coilbell.record import Temperature
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.reference import Condition, Reference

__all__ = ["UNKNOWN_K", "Warmth", "moved_by_warmth", "warmth"]

Array = npt.NDArray[np.float64]

Warmth = tuple[float, float]
"""Warmer than the reference by so much, and its standard uncertainty [K]."""

UNKNOWN_K = 5.0
"""Standard uncertainty of the difference where nobody measured it [K] (assumed: rooms and workshops)."""

LOSS = 0.005
"""Spread of ln 1/Q for each kelvin [1/K] (published: copper 0.39 %/K; ferrite as much, assumed)."""


UNIFORM = math.sqrt(12)
"""Width of a uniform distribution over its standard deviation [1]; published: JCGM 100:2008, 4.3.7."""


def warmth(reference: Reference, rings: Sequence[Ring], unit: str) -> Warmth:
    """How much warmer these rings are than the good ones they are judged by."""
    ours = [o.temperature for r in rings for o in r.observations if o.rings]
    theirs = [
        c.observation.temperature
        for c in reference.captures
        if c.condition is Condition.GOOD and (not unit or c.unit == unit)
    ]
    found, known = _mean(ours), _mean(theirs)
    if found is None or known is None or found[2] != known[2]:
        return 0.0, UNKNOWN_K
    return round(found[0] - known[0], 2), round(math.hypot(found[1], known[1]), 2)


def _mean(seen: Iterable[Temperature | None]) -> tuple[float, float, str] | None:
    """Mean, its uncertainty and whose it is; None where one is unknown or there are several thermometers."""
    told = list(seen)
    whole = [t for t in told if t is not None]
    if not whole or len(whole) < len(told) or len({t.board for t in whole}) > 1:
        return None
    mean = sum(t.celsius for t in whole) / len(whole)
    return mean, max(t.uncertainty for t in whole), whole[0].board


def moved_by_warmth(kind: Kind, capacitors: int, difference: Warmth) -> tuple[Array, Array]:
    """Shift (2 m,) of ln f and ln d, and its covariance (2 m, 2 m)."""
    low, high = kind.warming
    mean, spread = (low + high) / 2, (high - low) / UNIFORM
    kelvin, unsure = difference
    shift = np.zeros(2 * capacitors)
    shift[:capacitors] = -mean * kelvin / 2
    of_f = math.sqrt(mean**2 * unsure**2 + spread**2 * (kelvin**2 + unsure**2)) / 2
    of_d = LOSS * math.hypot(kelvin, unsure)
    rows = np.zeros((2 * capacitors, 2))
    rows[:capacitors, 0], rows[capacitors:, 1] = of_f, of_d
    return shift, np.asarray(rows @ rows.T, dtype=np.float64)
