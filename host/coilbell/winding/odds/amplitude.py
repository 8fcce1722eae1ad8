"""Rings held against a reference that was rung at another amplitude.

A ferrite's loss rises with its flux density: tan d = a + b B, b = 0.4e-3 to 4e-3 per mT (published: open
data of
the makers, materialdatabase and PyOpenMagnetics, as derived in the tests). A small ungapped toroid so moves
by up
to 4 % between 130 and 400 mV, a line-output core hardly. Where both amplitudes are known and differ, the
ring's own uncertainty grows by that; rings with a rung at 130 mV beside are the same on both sides and do
not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from statistics import median

import numpy as np

from coilbell.winding.odds.observation import Ring, same_capacitor
from coilbell.winding.odds.reference import Condition, Reference

__all__ = ["at_other_amplitudes", "widened"]

_LAW = 0.04 / math.log(400 / 130)
"""Most that ln 1/Q moves for a step of one in ln amplitude [1]; published: see the module."""
_ALIKE = math.log(1.5)
"""Step in ln amplitude up to which two rings count as rung alike [1]; assumed."""


def widened(rings: Sequence[Ring], reference: Reference) -> list[Ring]:
    """The rings, with the uncertainty of ln 1/Q that a reference rung at another amplitude adds.

    Half of what the most dependent core does is taken for one standard uncertainty.
    """
    steps = [_step(ring, reference) for ring in rings]
    return [
        replace(ring, covariance=ring.covariance + np.diag([0.0, (0.5 * _LAW * math.log(b / a)) ** 2]))
        if b > a
        else ring
        for ring, (a, b) in zip(rings, steps, strict=True)
    ]


def at_other_amplitudes(rings: Sequence[Ring], reference: Reference) -> list[str]:
    """What the core itself may do to rings that are held against a reference at another amplitude, a sentence
    each."""
    found = []
    for ring in rings:
        low, high = _step(ring, reference)
        if high > low:
            most = 100 * _LAW * math.log(high / low)
            found.append(
                f"with {ring.capacitor.words} one was rung at {1e3 * low:.3g} mV, the other at "
                f"{1e3 * high:.3g} mV: a ferrite's own loss moves by up to {most:.2g} % between them, "
                "which widens the odds"
            )
    return found


def _step(ring: Ring, reference: Reference) -> tuple[float, float]:
    """Lower and higher amplitude of the ring and the reference's [V]; equal where they count as alike."""
    own = [o.amplitude_volts for o in ring.observations if o.rings and o.amplitude_volts]
    known = [
        c.observation.amplitude_volts
        for c in reference.captures
        if c.condition is Condition.GOOD
        and c.observation.amplitude_volts
        and same_capacitor(c.observation.capacitor, ring.capacitor)
    ]
    if not own or not known:
        return 1.0, 1.0
    low, high = sorted((median(own), median(known)))
    return (low, high) if math.log(high / low) >= _ALIKE else (low, low)
