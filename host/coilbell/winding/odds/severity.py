"""How severe a cause may be: for each, some hundred cases spread over what is physically possible.

A case is a small circuit on the healthy tank: a coupled loop (inductance and resistance as L2/R2, coupling
as 1 - k^2), a conductance, a capacitance, a factor on the inductance. Cases follow from turns, resistances
and leakages of the kind (`kind.KINDS`); how far a fault may go stands in `winding/faults.toml`.
They lie on an additive recurrence (a low-discrepancy sequence), so that the same question always has
the same answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.winding.odds.faultfile import span, value
from coilbell.winding.odds.kind import Kind
from coilbell.winding.tank.healthytank import HealthyTank

__all__ = ["Cases", "added_capacitance", "changed_inductance", "copper", "load", "points"]

Array = npt.NDArray[np.float64]

CASES = 512
"""Cases for each cause [1]; assumed."""


@dataclass(frozen=True, slots=True, eq=False)
class Cases:
    """n cases of one cause, arrays of (n,).

    slack: 1 - k^2 of the loop [1]; loop_s: L2/R2 [s], 0 for no loop; siemens and farads across the
    winding; behind: 1 where the capacitance lies behind the winding's copper, as that of a rectifier does,
    0 at its leads; factor on its inductance [1]; weight: sums to 1.
    """

    slack: Array
    loop_s: Array
    siemens: Array
    farads: Array
    behind: Array
    factor: Array
    weight: Array

    def __len__(self) -> int:
        return int(self.weight.size)


def points(n: int, dimensions: int) -> Array:
    """(n, dimensions) points in the open unit cube by the additive recurrence of Roberts' constants.

    The constants are powers of 1/phi, phi the positive root of x^(d+1) = x + 1 (from memory).
    """
    phi = 2.0
    for _ in range(60):
        phi = (1 + phi) ** (1 / (dimensions + 1))
    steps = phi ** -np.arange(1, dimensions + 1)
    return np.asarray((0.5 + np.arange(1, n + 1)[:, None] * steps) % 1.0, dtype=np.float64)


def between(low: float, high: float, at: Array) -> Array:
    """Logarithmically spread values from `low` to `high` at unit coordinates `at`."""
    return low * (high / low) ** at


def cases(n: int, **fields: Array | float) -> Cases:
    """Cases with the fields given; the others stand for nothing added."""
    defaults = {"slack": 1.0, "loop_s": 0.0, "siemens": 0.0, "farads": 0.0, "behind": 0.0}
    defaults |= {"factor": 1.0, "weight": 1 / n}
    filled = {name: np.broadcast_to(fields.get(name, value), (n,)) for name, value in defaults.items()}
    return Cases(**filled)


def copper(kind: Kind, tank: HealthyTank) -> Cases:
    """Turns shorted: turns of the winding itself, a whole other winding or a loop, high-voltage turns."""
    parts = [(_own_turns(kind, tank), value("copper.own_beside_others" if kind.secondary else "copper.own"))]
    if kind.secondary:
        parts.append((_whole_winding(kind, tank), value("copper.whole_winding")))
    if not kind.iron:
        parts.append((_outside_loop(kind, tank), value("copper.outside_loop")))
    if kind.high_voltage:
        parts.append((_thin_turns(tank), value("copper.thin_turns")))
    total = sum(share for _, share in parts)
    return _joined([(c, share / total) for c, share in parts])


def load(reactance: float) -> Cases:
    """A resistance across the winding or a secondary, from hardly anything to Q near 1."""
    u = points(CASES // 2, 1)
    return cases(CASES // 2, siemens=between(*span("load.siemens"), u[:, 0]) / reactance)


def changed_inductance() -> Cases:
    """A gap, a crack, a loose clamp (inductance down to a fifth) or a part with more (up to 2.5 times)."""
    n = CASES // 2
    u = points(n, 2)
    down = u[:, 1] < value("core.less")
    step = between(*span("core.step"), u[:, 0])
    return cases(n, factor=np.where(down, np.exp(-step), np.exp(step * value("core.more"))))


def added_capacitance(kind: Kind, tank: HealthyTank, test_farads: float) -> Cases:
    """A capacitor left across the winding, or a rectifier that adds the winding's own capacitance."""
    n = CASES // 2
    u = points(n, 2)
    outside = between(*span("capacitance.outside"), u[:, 0]) * test_farads
    # A first or middle rectifier of two to five sections adds this much; all of them up to ten times more.
    usual = u[:, 1] * 2 % 1 < value("capacitance.usual")
    one, every = (
        between(*span(f"capacitance.{n}_rectifier{'s' * (n == 'all')}"), u[:, 0]) for n in ("one", "all")
    )
    inside = np.where(usual, one, every) * tank.farads
    own = u[:, 1] < value("capacitance.inside_high_voltage" if kind.high_voltage else "capacitance.inside")
    return cases(n, farads=np.where(own, inside, outside), behind=own.astype(np.float64))


def _own_turns(kind: Kind, tank: HealthyTank) -> Cases:
    """n of N turns, each with its share of the wire's resistance, closed through a contact."""
    of_turns, of_fault, of_contact, of_wire, of_leakage = points(CASES, 5).T
    single, dead = value("own_turns.single"), value("own_turns.dead")
    turns = between(*kind.turns, of_turns)
    shorted = np.where(of_fault < single, 1.0, (turns / 2) ** ((of_fault - single) / (1 - single)))
    carbon = between(*span("own_turns.contact_ohms"), (of_contact - dead) / (1 - dead))
    contact = np.where(of_contact < dead, value("own_turns.dead_ohms"), carbon)
    ohms = shorted / turns * between(*kind.wire_ohms, of_wire) + contact
    return cases(
        CASES,
        slack=between(*kind.turn_leakage, of_leakage),
        loop_s=tank.henries * (shorted / turns) ** 2 / ohms,
    )


def _whole_winding(kind: Kind, tank: HealthyTank) -> Cases:
    """A secondary shorted at its pins: much copper, little leakage."""
    n = CASES // 2
    u = points(n, 2)
    least, most_leakage = span("whole_winding.leakage")
    slack = between(least * kind.leakage[0], most_leakage * kind.leakage[1], u[:, 0])
    low, high = (times * _second(tank) for times in span("whole_winding.loop_time"))
    # At most a winding like the one under test, with the least resistance of the kind.
    most = max(high, tank.henries / kind.wire_ohms[0])
    return cases(n, slack=slack, loop_s=between(low, most, u[:, 1]))


def _outside_loop(kind: Kind, tank: HealthyTank) -> Cases:
    """A heavy loop round the core, as used to make a reference, or a conducting block in it.

    Some lose as little as copper can: down to one turn of 1 mohm on a core that gives all this inductance
    with the fewest turns of the kind, which rings nearly as after a changed gap.
    """
    n = CASES // 4
    u = points(n, 2)
    usual = value("outside_loop.usual")
    low, high = (times * _second(tank) for times in span("outside_loop.loop_time"))
    most = max(high, tank.henries / kind.turns[0] ** 2 / value("outside_loop.least_ohms"))
    loop_s = np.where(
        u[:, 1] < usual,
        between(low, high, u[:, 1] / usual),
        between(high, most, (u[:, 1] - usual) / (1 - usual)),
    )
    return cases(n, slack=between(*span("outside_loop.leakage"), u[:, 0]), loop_s=loop_s)


def _thin_turns(tank: HealthyTank) -> Cases:
    """One to some hundred turns of thin wire."""
    n = CASES // 2
    u = points(n, 2)
    loop_s = between(*span("thin_turns.loop_time"), u[:, 1]) * _second(tank)
    return cases(n, slack=between(*span("thin_turns.leakage"), u[:, 0]), loop_s=loop_s)


def _second(tank: HealthyTank) -> float:
    """Time in which w L2/R2 = 1 at the usual ring of the tank."""
    return math.sqrt(tank.henries * (value("ring.usual_farads") + tank.farads))


def _joined(parts: list[tuple[Cases, float]]) -> Cases:
    names = ("slack", "loop_s", "siemens", "farads", "behind", "factor")
    columns = {name: np.concatenate([getattr(c, name) for c, _ in parts]) for name in names}
    weight = np.concatenate([c.weight * share for c, share in parts])
    return Cases(**columns, weight=weight / weight.sum())
