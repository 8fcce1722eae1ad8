"""Power in a resistor, and whether the heat that was felt or measured can come from it.

P = U^2/R = I^2 R. In still air the rise of a power resistor's surface grows nearly in proportion to P and
reaches about 200 K at its rated power; makers' curves lie between 130 and 300 K (from memory, no single
source). A rise far outside that says that a figure is wrong: resistance, voltage, rating or place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbell.errors import InputError
from coilbell.isolate.meter import Reading
from coilbell.isolate.ratio import Ratio

__all__ = ["RISE_AT_RATING_K", "Dissipation", "dissipation"]

RISE_AT_RATING_K = (130.0, 200.0, 300.0)
"""Lowest, usual and highest rise of the surface at rated power [K]; published:
makers' curves (from memory)."""

_AMBIENT_C = 25.0
"""Air where no temperature is given [degree Celsius]; assumed."""

_LEAST_LOAD = 1e-4
"""Least uncertainty of power over rating [1], so that a reading of 0 V is a reading; assumed."""

_SLACK_K = 10.0
"""What a hand or a thermometer may be off besides [K]; assumed."""


@dataclass(frozen=True, slots=True)
class Dissipation:
    """power_w: in the resistor [W]; load: power over rating [1]; rise_k: lowest, usual and highest rise of
    the surface to expect [K]; remarks: what does not fit."""

    power_w: Reading
    load: Ratio
    rise_k: tuple[float, float, float]
    remarks: tuple[str, ...]


def dissipation(
    resistance_ohm: Reading,
    rating_w: float,
    *,
    voltage_v: Reading | None = None,
    current_a: Reading | None = None,
    surface_c: float | None = None,
    ambient_c: float = _AMBIENT_C,
) -> Dissipation:
    """Power by voltage or by current, against the rating.

    surface_c, ambient_c: temperatures of resistor and air [degree Celsius]. Raises InputError unless
    exactly one of voltage and current is given and resistance and rating are above 0.
    """
    if (voltage_v is None) == (current_a is None):
        raise InputError("power needs exactly one of volts and amps")
    if not (resistance_ohm.value > 0 and math.isfinite(rating_w) and rating_w > 0):
        raise InputError("power needs a resistance and a rating above 0")
    power = _power(resistance_ohm, voltage_v, current_a)
    load = power.value / rating_w
    low, usual, high = (load * rise for rise in RISE_AT_RATING_K)
    return Dissipation(
        power,
        Ratio(load, max(power.uncertainty / rating_w, _LEAST_LOAD)),
        (low, usual, high),
        _remarks(load, (low, high), surface_c, ambient_c),
    )


def _power(resistance: Reading, voltage: Reading | None, current: Reading | None) -> Reading:
    if voltage is not None:
        power = voltage.value**2 / resistance.value
        through = 2 * abs(voltage.value) * voltage.uncertainty / resistance.value
    else:
        assert current is not None
        power = current.value**2 * resistance.value
        through = 2 * abs(current.value) * current.uncertainty * resistance.value
    return Reading(power, math.hypot(through, power * resistance.relative))


def _remarks(
    load: float, rise: tuple[float, float], surface_c: float | None, ambient_c: float
) -> tuple[str, ...]:
    found = []
    if load > 1:
        found.append(f"it dissipates {load:.2g} times its rating, which it does not stand for long")
    if surface_c is not None:
        seen = surface_c - ambient_c
        # Halved and doubled once more: a neighbour's heat and moving air are not in the makers' curves.
        if seen > 2 * rise[1] + _SLACK_K:
            found.append(
                f"{surface_c:.0f} C is hotter than this power explains (most {ambient_c + rise[1]:.0f} C); "
                "check resistance, voltage and rating, or it is heated by a neighbour"
            )
        if seen < 0.5 * rise[0] - _SLACK_K:
            found.append(
                f"{surface_c:.0f} C is cooler than this power makes it (least {ambient_c + rise[0]:.0f} C); "
                "check resistance, voltage and rating"
            )
    return tuple(found)
