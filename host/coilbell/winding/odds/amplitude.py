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

__all__ = ["widened"]

_LAW = 0.04 / math.log(400 / 130)
"""Most that ln 1/Q moves for a step of one in ln amplitude [1]; published: see the module."""
_ALIKE = math.log(1.5)
"""Step in ln amplitude up to which two rings count as rung alike [1]; assumed."""


def widened(rings: Sequence[Ring], reference: Reference) -> list[Ring]:
    """The rings, with the uncertainty of ln 1/Q that a reference rung at another amplitude adds.

    Half of what the most dependent core does is taken for one standard uncertainty.
    """
    return [_widened(ring, reference) for ring in rings]


def _widened(ring: Ring, reference: Reference) -> Ring:
    own = [o.amplitude_volts for o in ring.observations if o.rings and o.amplitude_volts]
    known = [
        c.observation.amplitude_volts
        for c in reference.captures
        if c.condition is Condition.GOOD
        and c.observation.amplitude_volts
        and same_capacitor(c.observation.capacitor, ring.capacitor)
    ]
    if not own or not known:
        return ring
    step = abs(math.log(median(own) / median(known)))
    if step < _ALIKE:
        return ring
    return replace(ring, covariance=ring.covariance + np.diag([0.0, (0.5 * _LAW * step) ** 2]))
