"""What shows and what hides among the differences between units: a turn that leaks, a shorted rectifier."""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from coilbell.errors import InputError
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.plane import moved
from coilbell.winding.odds.severity import cases
from coilbell.winding.tank.faults import ShortedTurns, ring
from coilbell.winding.tank.healthytank import HealthyTank

__all__ = [
    "chance_of_capacitance",
    "largest_visible_resistance",
    "spread_of_capacitance",
    "visible_ohms",
]


def largest_visible_resistance(
    tank: HealthyTank,
    turns: float,
    of_turns: float,
    spread_ln_q: float,
    coupling: float = 1.0,
    deviations: float = 3.0,
) -> float | None:
    """The largest resistance of a shorted turn that still lowers ln Q by `deviations` spreads [ohm].

    Q falls, then rises again as the loop's resistance falls: it is worst where R = w l. On the upper side
    the loop adds the conductance R/(R^2 + (w l)^2) referred to the winding, and the condition is

        w L R/(R^2 + (w l)^2) Q0 = exp(n s) - 1,    n deviations, s spread_ln_q

    which for R far above w l and small n s is R = (w L/N^2) Q0/(n s). Taken at the healthy ring's w,
    for the turn that makes N = of_turns/turns.

    Returns None when no resistance lowers Q that far: such a turn does not show in the loss at all, nor
    does any where the healthy winding does not ring.
    """
    if not (spread_ln_q > 0 and deviations > 0):
        raise InputError(f"spread of ln Q {spread_ln_q!r}; give a number above 0, such as 0.2")
    healthy = ring(tank)
    reactance = 2 * math.pi * float(healthy.natural_hz) * tank.henries
    loop = ShortedTurns(turns, of_turns, 0.0, coupling).circuit(tank)
    slack = reactance * float(np.asarray(loop.loop_henries)) / tank.henries
    needed = math.expm1(deviations * spread_ln_q) / (reactance * float(healthy.q))
    inside = 1 - (2 * needed * slack) ** 2
    if not inside >= 0:  # nan where the healthy winding does not ring
        return None
    return (1 + math.sqrt(inside)) / (2 * needed) * (turns / of_turns) ** 2


@lru_cache(maxsize=32)
def visible_ohms(healthy: Healthy, kind: Kind) -> float | None:
    """Largest resistance of one shorted turn that lowers ln Q by three spreads [ohm], or None."""
    m = len(healthy.capacitors)
    tank = healthy.tank.with_farads(healthy.capacitors[0].farads + healthy.tank.farads)
    slack = math.sqrt(kind.turn_leakage[0] * kind.turn_leakage[1])
    turns = math.sqrt(kind.turns[0] * kind.turns[1])
    return largest_visible_resistance(tank, 1, turns, float(healthy.spreads[m]), math.sqrt(1 - slack))


@lru_cache(maxsize=32)
def chance_of_capacitance(healthy: Healthy, share: float, false: float) -> float:
    """Chance [0..1] that stray capacitance up by `share` stands out from healthy units at that false share.

    With d the shift it makes of (ln f, ln 1/Q) at all capacitors and S the predictive covariance of a healthy
    unit, the best linear test of one normal density against its shifted copy (Neyman and Pearson) finds

        chance = Phi(D - z)        D^2 = d' S^-1 d,   Phi(z) = 1 - false

    The capacitance lies behind the winding's copper, as a rectifier's does. Where a healthy one hardly rings,
    so that nothing can be foreseen, nothing stands out.
    """
    normal = NormalDist()
    shift = moved(healthy, cases(1, farads=share * healthy.tank.farads, behind=1.0))[0]
    if not np.isfinite(shift).all():
        return 0.0
    distance = math.sqrt(float(shift @ np.linalg.solve(healthy.covariance, shift)))
    return normal.cdf(distance - normal.inv_cdf(1 - false))


@lru_cache(maxsize=32)
def spread_of_capacitance(healthy: Healthy) -> float:
    """Standard deviation of ln(stray capacitance) from one healthy unit to the next, as rings tell it [1].

    With v the change of (ln f, ln 1/Q) for one unit of ln C_s and S the predictive covariance, generalised
    least squares leaves ln C_s the variance 1/(v' S^-1 v).
    """
    step = 1e-3
    slope = moved(healthy, cases(1, farads=step * healthy.tank.farads))[0] / step
    return float(1 / math.sqrt(slope @ np.linalg.solve(healthy.covariance, slope)))
