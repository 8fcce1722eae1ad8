"""Resistors in a network: what a meter must show across them when nothing else conducts.

Parallel: 1/R = sum 1/R_i. A tolerance bounds each R_i and is taken as uniform, u_i = t R_i / sqrt(3), so that
u(R)^2 = sum (R/R_i)^4 u_i^2 to first order (JCGM 100:2008, 5.1.2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from coilbell.errors import InputError
from coilbell.isolate.meter import Reading
from coilbell.isolate.ratio import Ratio

__all__ = ["LEAD_OHMS", "parallel", "reading_over_network"]

LEAD_OHMS = 0.1
"""Standard uncertainty of test leads and contacts [ohm]; common practice, no published source."""

_LEAST_OHMS = 1e-6
"""Resistors under this are refused: no part is one [ohm]; assumed."""

_TOLERANCE = 0.05
"""Tolerance of a resistor of which none is given, a fraction [1]; common practice, no published source."""


def parallel(resistors_ohm: Sequence[float], tolerance: float = _TOLERANCE) -> Reading:
    """Resistance of resistors in parallel.

    resistors_ohm: each [ohm]; tolerance: of each, as a fraction [1]. Raises InputError for none, for
    values that are not above 0 and for a tolerance outside 0..0.5.
    """
    if not resistors_ohm or not all(math.isfinite(r) and r > _LEAST_OHMS for r in resistors_ohm):
        raise InputError("resistors in parallel need values above 0, such as 150,22")
    if not 0 <= tolerance <= 0.5:
        raise InputError(f"resistor tolerance {tolerance:g}; give a fraction such as 0.05 for 5 %")
    total = 1 / sum(1 / r for r in resistors_ohm)
    spread = math.sqrt(sum((total / r) ** 4 * (tolerance * r) ** 2 / 3 for r in resistors_ohm))
    return Reading(total, spread)


def reading_over_network(reading: Reading, network: Reading) -> Ratio:
    """Ratio of a meter's reading to the network's resistance, test leads included in its uncertainty."""
    value = reading.value / network.value
    meter = math.hypot(reading.uncertainty, LEAD_OHMS) / network.value
    return Ratio(value, math.hypot(meter, value * network.relative))
