"""The shift plane: added loss against inductance drop, and what a case of `severity` does in it.

Against a healthy reference with the same test capacitor, with r = f/f0 (natural frequencies),

    added loss        g = r/Q - 1/Q0
    inductance drop   b = r^2 - 1          (relative rise of 1/L)
    angle             atan2(b, g)

A resistive load moves along g, a changed core along b, a shorted turn in between. Below b = 2 % the angle
means nothing. A case becomes a `circuit.Circuit`, whose ring is exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.decay import Quantity
from coilbell.record import Capacitor
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.severity import Cases, cases
from coilbell.winding.tank.circuit import Circuit, rings
from coilbell.winding.tank.healthytank import HealthyTank
from coilbell.winding.tank.propagation import quantity

__all__ = [
    "ANGLE_FLOOR",
    "Shift",
    "coordinates",
    "loss_slope",
    "moved",
    "ring_of",
    "shift_of",
]

Array = npt.NDArray[np.float64]

ANGLE_FLOOR = 0.02
"""Inductance drop below which the angle means nothing [1]; assumed."""

_BEYOND_CORE = 3.0
"""Inductance drop that no fault of the core makes [1]; assumed."""

_HARDLY = 0.05
"""Added loss over inductance drop below which a core and a very tight short look alike [1]; assumed."""


@dataclass(frozen=True, slots=True)
class Shift:
    """A point of the shift plane with its 2 x 2 covariance, rows g then b."""

    added_loss: float
    inductance_drop: float
    covariance: tuple[tuple[float, float], tuple[float, float]]

    @property
    def beyond_core(self) -> bool:
        """True where more inductance has gone than any fault of the core takes."""
        return self.inductance_drop > _BEYOND_CORE

    @property
    def lossless(self) -> bool:
        """True where inductance has gone and hardly any loss come, as no closed turn of usual wire does."""
        return self.added_loss <= _HARDLY * self.inductance_drop

    @property
    def angle_deg(self) -> float | None:
        """Angle from pure loss [degrees], None where it means nothing."""
        if abs(self.inductance_drop) < ANGLE_FLOOR:
            return None
        return math.degrees(math.atan2(self.inductance_drop, self.added_loss))


def coordinates(frequency_ratio: Array, loss: Array, healthy_loss: Array) -> tuple[Array, Array]:
    """Added loss and inductance drop from f/f0, 1/Q and 1/Q0, arrays of one shape."""
    return frequency_ratio * loss - healthy_loss, frequency_ratio**2 - 1


def shift_of(point: Array, covariance: Array, healthy: Healthy, index: int = 0) -> Shift:
    """The measured point (2,) ln f, ln d at capacitor `index`, with the reference's spread beside its own."""
    m = len(healthy.capacitors)
    ratio = math.exp(point[0] - healthy.location[index])
    loss, healthy_loss = math.exp(point[1]), math.exp(healthy.location[m + index])
    g, b = coordinates(np.array(ratio), np.array(loss), np.array(healthy_loss))
    rows = np.ix_([index, m + index], [index, m + index])
    against = np.array([[-ratio * loss, healthy_loss * -1.0], [-2 * ratio**2, 0.0]])
    measured = np.array([[ratio * loss, ratio * loss], [2 * ratio**2, 0.0]])
    total = against @ healthy.covariance[rows] @ against.T + measured @ covariance @ measured.T
    return Shift(
        float(g),
        float(b),
        ((float(total[0, 0]), float(total[0, 1])), (float(total[1, 0]), float(total[1, 1]))),
    )


def ring_of(tank: HealthyTank, at: Cases, test_farads: float) -> tuple[Array, Array]:
    """Natural ln f and ln d of each case, arrays (n,); nan where it does not ring."""
    henries = tank.henries * at.factor
    with np.errstate(divide="ignore"):
        loop_ohms = henries / ((1 - at.slack) * at.loop_s)
        loop_henries = np.where(at.loop_s > 0, henries * at.slack / (1 - at.slack), 0.0)
    farads = test_farads + tank.farads + at.farads
    # Copper carries only the current of what lies before it: see `faults.ShortedRectifier`.
    carried = 1 - at.behind * at.farads / farads
    found = rings(
        Circuit(
            farads,
            henries,
            series_ohms=tank.series_ohms * carried**2,
            shunt_siemens=tank.shunt_siemens + at.siemens,
            loop_ohms=np.where(at.loop_s > 0, loop_ohms, np.inf),
            loop_henries=loop_henries,
        )
    )
    return np.log(found.natural_hz), -np.log(found.q)


def moved(healthy: Healthy, at: Cases) -> Array:
    """(n, 2 m) shift of (ln f, ln d) that each case makes at each capacitor; nan where it does not ring."""
    columns = [_moved(healthy.tank, at, c) for c in healthy.capacitors]
    return np.stack([c[0] for c in columns] + [c[1] for c in columns], axis=1)


def _moved(tank: HealthyTank, at: Cases, capacitor: Capacitor) -> tuple[Array, Array]:
    frequency, loss = ring_of(tank, at, capacitor.farads)
    still_frequency, still_loss = ring_of(tank, cases(1), capacitor.farads)
    return frequency - still_frequency[0], loss - still_loss[0]


def loss_slope(point: Array, healthy: Healthy, variance: Array | None = None) -> Quantity | None:
    """d ln G / d ln w of the loss conductance G = w (C_t + C_s)/Q between the outer capacitors [1].

    With r = ln f_last - ln f_first it is s = (r + ln(c_last/c_first) + ln d_last - ln d_first)/r, so that
    ds/dr = (1 - s)/r and 1/r for the others, the capacitors' tolerances among them.

    point: (2 m,) ln f then ln d; variance: (2 m,) of them, none when left out. None with one capacitor, or
    where it does not ring faster with the smaller one.
    """
    m = len(healthy.capacitors)
    if m < 2 or point[m - 1] <= point[0]:
        return None
    variance = np.zeros(2 * m) if variance is None else variance
    ends = (healthy.capacitors[0], healthy.capacitors[-1])
    first, last = (c.farads + healthy.tank.farads for c in ends)
    rise = point[m - 1] - point[0]
    slope = float((rise + math.log(last / first) + point[2 * m - 1] - point[m]) / rise)
    tolerance = sum((c.tolerance * c.farads / (c.farads + healthy.tank.farads)) ** 2 for c in ends)
    errors = (
        variance[m] + variance[2 * m - 1] + tolerance + (1 - slope) ** 2 * (variance[0] + variance[m - 1])
    )
    return quantity(slope, float(errors / rise**2))
