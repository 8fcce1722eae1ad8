"""What a set connects to a winding, as cases of `severity`, and what to unplug to be rid of it.

Sizes are the trade's orders of magnitude (common practice, no published source): a flyback tuning
capacitor of 3..12 nF, a deflection yoke of 0.3..1 of the transformer's inductance, a tube heater of a few
turns that is 1..2.5 ohm cold and 6..15 ohm hot.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.severity import CASES, Cases, between, cases, points
from coilbell.winding.tank.healthytank import HealthyTank

__all__ = ["Attachment", "attachments", "beside_tuning", "beside_yoke"]

Array = npt.NDArray[np.float64]

_RING = 22e-9


@dataclass(frozen=True, slots=True, eq=False)
class Attachment:
    """A named set of connections.

    unplug: what to take away next; share: how often it is met among what shows [1].
    """

    name: str
    words: str
    unplug: str
    looks: Explanation
    share: float
    cases: Cases
    junction: bool = False


def attachments(kind: Kind, tank: HealthyTank | None = None) -> tuple[Attachment, ...]:
    """The connections that a winding of this kind meets in its set.

    tank: what they are sized for; without it the names and words are the same, the cases those of 1 mH.
    """
    tank = tank or HealthyTank(1e-3, 1e-10, 0.5, 1e-5)
    found = [
        Attachment(
            "tuning capacitor",
            "the set's own capacitor and switching device across the winding",
            "lift one end of the tuning capacitor, or the device's lead",
            Explanation.EXTRA_CAPACITANCE,
            0.2,
            _tuned(),
        )
    ]
    if kind.high_voltage:
        found += _deflection(tank)
    if kind.secondary:
        found += _secondaries(tank)
    return tuple(found)


def beside_tuning(plain: Cases, tank: HealthyTank) -> Cases:
    """The same cases with the set's tuning capacitor across the winding."""
    del tank
    return replace(plain, farads=plain.farads + between(0.5e-9, 15e-9, points(len(plain), 3)[:, 2]))


def beside_yoke(plain: Cases, tank: HealthyTank) -> Cases:
    """The same cases with a yoke and the tuning capacitor across the winding."""
    return replace(_yoke(tank, plain.loop_s, plain.slack), weight=plain.weight)


def _tuned() -> Cases:
    u = points(CASES // 4, 1)
    return cases(CASES // 4, farads=between(0.5e-9, 15e-9, u[:, 0]))


def _deflection(tank: HealthyTank) -> list[Attachment]:
    return [
        Attachment(
            "yoke",
            "deflection yoke plugged and tuning capacitor",
            "unplug the deflection yoke",
            Explanation.DETUNED,
            0.15,
            _yoke(tank, np.zeros(CASES), np.ones(CASES)),
        ),
        Attachment(
            "yoke and tube heater",
            "deflection yoke plugged and the tube's heater on its winding",
            "unplug the tube base, for its heater, and the deflection yoke",
            Explanation.LOADED,
            0.2,
            _heated(tank, yoke=True),
        ),
        Attachment(
            "tube heater",
            "the tube's heater on its winding and tuning capacitor",
            "unplug the tube base, for its heater",
            Explanation.LOADED,
            0.1,
            _heated(tank, yoke=False),
        ),
    ]


def _secondaries(tank: HealthyTank) -> list[Attachment]:
    n = CASES // 2
    u = points(n, 3)
    shorted = cases(
        n,
        slack=between(0.006, 0.1, u[:, 0]),
        loop_s=between(4.0, 200.0, u[:, 1]) * (tank.henries * (_RING + tank.farads)) ** 0.5,
        farads=between(0.01e-9, 3e-9, u[:, 2]),
    )
    return [
        Attachment(
            "shorted rectifier",
            "a rectifier or a rail capacitor on a secondary that conducts both ways",
            "lift the rectifiers of the secondaries, one after the other",
            Explanation.LOADED,
            0.15,
            shorted,
        ),
        Attachment(
            "junction",
            "a semiconductor that the ring itself turns on",
            "lift the rectifiers of the secondaries, or ring at a tenth of the amplitude",
            Explanation.LOADED,
            0.05,
            cases(n, siemens=between(1e-3, 2.0, u[:, 0]) * ((_RING + tank.farads) / tank.henries) ** 0.5),
            junction=True,
        ),
    ]


def _yoke(tank: HealthyTank, loop_s: Array, slack: Array) -> Cases:
    """Cases with a yoke in parallel: less inductance, its own loss as a conductance."""
    n = loop_s.size
    u = points(n, 5)
    ratio = between(0.25, 1.2, u[:, 0])
    quality = between(20.0, 80.0, u[:, 1])
    root = ((_RING + tank.farads) / tank.henries) ** 0.5
    factor = ratio / (1 + ratio)
    # The yoke's loss at the common ring: G = 1/(w L_y Q_y), with w raised by the smaller inductance.
    siemens = root * np.sqrt(factor) / (ratio * quality)
    # (1 + s t)/(s L (1 + s t k')) beside 1/(s L_y) is again one loop on the common inductance.
    return cases(
        n,
        slack=slack * (ratio + 1) / (ratio + slack),
        loop_s=loop_s * (ratio + slack) / (ratio + 1),
        siemens=siemens,
        farads=between(1e-9, 15e-9, u[:, 2]),
        factor=factor,
    )


def _heated(tank: HealthyTank, *, yoke: bool) -> Cases:
    n = CASES
    u = points(n, 5)
    ohms = np.where(u[:, 0] < 0.5, between(0.8, 3.0, 2 * u[:, 0]), between(5.0, 16.0, 2 * u[:, 0] - 1))
    share = between(3.0, 5.0, u[:, 1]) / between(60.0, 110.0, u[:, 3])
    loop_s = tank.henries * share**2 / ohms
    slack = between(0.02, 0.08, u[:, 4])
    if yoke:
        return _yoke(tank, loop_s, slack)
    return cases(n, slack=slack, loop_s=loop_s, farads=between(1e-9, 15e-9, u[:, 2]))
