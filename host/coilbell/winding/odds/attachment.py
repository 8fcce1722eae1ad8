"""What a set connects to a winding, drawn many times: each attachment there or not by itself, of some size.

Sizes and shares are the trade's orders of magnitude (common practice, no published source): a flyback tuning
capacitor of 0.3..15 nF with the switching device's own, a deflection yoke of 0.25..1.2 of the transformer's
inductance, a tube heater of a few turns that is 0.8..3 ohm cold and 5..16 ohm hot, a width coil of 0.3..4
times the inductance, a shorted rectifier behind a winding of much copper, a leaky device from 100 ohm up.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from coilbell.terms import Attached
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.severity import Cases, between
from coilbell.winding.tank.healthytank import HealthyTank
from coilbell.winding.tank.network import Network, ring_of_network

__all__ = ["ATTACHED", "Draws", "draws", "inductance_left", "ring_in_set", "shares"]

Array = npt.NDArray[np.float64]

ATTACHED = tuple(Attached)
"""Column of each attachment in `Draws.there`."""

_SIZES = 4
"""Unit coordinates kept for each attachment."""

_DRAWN = (0.25, 0.75)
"""Least and most often that an attachment is drawn, however often it is met."""

_USUAL_F = 22e-9
"""Test capacitor at whose ring loads and loops are sized [F]."""


def shares(kind: Kind) -> dict[Attached, float]:
    """How often each attachment is met in a set where nothing was unplugged (assumed)."""
    driven = kind.secondary and not kind.iron
    return {
        Attached.TUNING: 0.8 if driven else 0.3,
        Attached.YOKE: 0.7,
        Attached.HEATER: 0.6,
        Attached.COIL: 0.2,
        Attached.RECTIFIER: 0.1,
        Attached.LOAD: 0.15,
        Attached.JUNCTION: 0.1,
        Attached.SNUBBER: 0.3 if driven else 0.1,
        Attached.TUBE: 0.04,
        Attached.DEVICE: 0.08,
    }


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """n states of a set: there (n, k) for each of `ATTACHED`, at (n, k, 4) unit coordinates of its size.

    log_weight: (n, k) log of how often that presence is met over how often it is drawn: what is rare is drawn
    more often than it is met, since it competes with a short.
    """

    there: npt.NDArray[np.bool_]
    at: Array
    log_weight: Array

    def __len__(self) -> int:
        return len(self.there)

    def taken(self, rows: npt.NDArray[np.int_]) -> Draws:
        """Those rows."""
        return Draws(self.there[rows], self.at[rows], self.log_weight[rows])

    def with_columns(self, other: Draws, columns: Collection[Attached]) -> Draws:
        """The same with some attachments as in `other`."""
        chosen = [k for k, one in enumerate(ATTACHED) if one in columns]
        there, at = self.there.copy(), self.at.copy()
        there[:, chosen], at[:, chosen] = other.there[:, chosen], other.at[:, chosen]
        return replace(self, there=there, at=at)


@lru_cache(maxsize=32)
def draws(kind: Kind, n: int, seed: int) -> Draws:
    """n draws by Latin squares of a fixed seed, so that the same question always has the same answer."""
    rng = np.random.default_rng((seed, n, 15))
    k = len(ATTACHED)
    columns = [(rng.permutation(n) + rng.random(n)) / n for _ in range(k * (1 + _SIZES))]
    u = np.stack(columns, axis=1).reshape(n, k, 1 + _SIZES)
    met = np.array([shares(kind)[one] for one in ATTACHED])
    drawn = np.clip(met, *_DRAWN)
    there = u[:, :, 0] < drawn
    return Draws(there, u[:, :, 1:], np.log(np.where(there, met / drawn, (1 - met) / (1 - drawn))))


def ring_in_set(
    tank: HealthyTank, at: Cases, around: Draws, present: Collection[Attached], test_farads: float
) -> tuple[Array, Array]:
    """Natural ln f and ln 1/Q of each case with what is around it, arrays (n,); nan where nothing rings.

    present: what may be there at this stage; the rest of `around` is off.
    """
    n = len(at)
    parts = _Parts(tank, around, present)
    with np.errstate(divide="ignore"):
        henries = tank.henries * at.factor
        short_ohms = np.where(at.loop_s > 0, henries / ((1 - at.slack) * at.loop_s), np.inf)
        short_henries = np.where(at.loop_s > 0, henries * at.slack / (1 - at.slack), 1.0)
    heater, heater_l = parts.heater()
    rectifier, rectifier_l = parts.rectifier()
    tube, tube_l = parts.tube()
    yoke, yoke_l = parts.yoke()
    coil, coil_l = parts.coil()
    snubber_ohms, snubber_farads = parts.snubber()
    farads = test_farads + tank.farads + at.farads + parts.tuning()
    carried = 1 - at.behind * at.farads / farads
    found = ring_of_network(
        Network(
            farads,
            tank.shunt_siemens + at.siemens + parts.siemens(),
            np.broadcast_to(henries, (n,)),
            tank.series_ohms * carried**2,
            np.stack([short_ohms, heater, rectifier, tube], axis=1),
            np.stack([short_henries, heater_l, rectifier_l, tube_l], axis=1),
            np.stack([yoke, coil], axis=1),
            np.stack([yoke_l, coil_l], axis=1),
            snubber_ohms,
            snubber_farads,
        )
    )
    silent = parts.on(Attached.DEVICE)
    return np.where(silent, np.nan, found[0]), np.where(silent, np.nan, found[1])


def inductance_left(tank: HealthyTank, around: Draws, present: Collection[Attached]) -> Array:
    """(n,) share that the winding has in what stores the ring's current, beside parallel coils [1]."""
    parts = _Parts(tank, around, present)
    coils = sum(
        np.where(np.isfinite(ohms), tank.henries / henries, 0.0)
        for ohms, henries in (parts.yoke(), parts.coil())
    )
    return np.asarray(1 / (1 + coils), dtype=np.float64)


class _Parts:
    """Elements of what is around a winding, in ohms, henries and farads; inf ohms where it is not there."""

    def __init__(self, tank: HealthyTank, around: Draws, present: Collection[Attached]) -> None:
        self.tank, self.around, self.present = tank, around, present
        self.second = math.sqrt(tank.henries * (_USUAL_F + tank.farads))
        """Time in which w t = 1 at the usual ring [s]."""
        self.reactance = tank.henries / self.second

    def on(self, which: Attached) -> npt.NDArray[np.bool_]:
        there = self.around.there[:, ATTACHED.index(which)]
        return there if which in self.present else np.zeros_like(there)

    def u(self, which: Attached, k: int) -> Array:
        return np.asarray(self.around.at[:, ATTACHED.index(which), k], dtype=np.float64)

    def tuning(self) -> Array:
        return np.where(self.on(Attached.TUNING), between(0.3e-9, 15e-9, self.u(Attached.TUNING, 0)), 0.0)

    def snubber(self) -> tuple[Array, Array]:
        there = self.on(Attached.SNUBBER)
        farads = np.where(there, between(0.1e-9, 3e-9, self.u(Attached.SNUBBER, 0)), 0.0)
        return between(10.0, 1000.0, self.u(Attached.SNUBBER, 1)), farads

    def siemens(self) -> Array:
        """Of a loaded rectifier or leaky device, and of a junction at vanishing amplitude."""
        found = np.zeros(len(self.around))
        for which in (Attached.LOAD, Attached.JUNCTION):
            g = between(2e-3, 2.0, self.u(which, 0)) / self.reactance
            found += np.where(self.on(which), g, 0.0)
        return found

    def yoke(self) -> tuple[Array, Array]:
        return self._coil(Attached.YOKE, (0.25, 1.2), (20.0, 80.0))

    def coil(self) -> tuple[Array, Array]:
        return self._coil(Attached.COIL, (0.3, 4.0), (8.0, 60.0))

    def _coil(
        self, which: Attached, ratio: tuple[float, float], quality: tuple[float, float]
    ) -> tuple[Array, Array]:
        henries = self.tank.henries * between(*ratio, self.u(which, 0))
        ohms = henries / self.second / between(*quality, self.u(which, 1))
        return np.where(self.on(which), ohms, np.inf), henries

    def heater(self) -> tuple[Array, Array]:
        half = self.u(Attached.HEATER, 0)
        cold = between(0.8, 3.0, np.minimum(2 * half, 1.0))
        ohms = np.where(half < 0.5, cold, between(5.0, 16.0, np.clip(2 * half - 1, 0.0, 1.0)))
        turns = between(3.0, 5.0, self.u(Attached.HEATER, 1)) / between(
            60.0, 110.0, self.u(Attached.HEATER, 3)
        )
        slack = between(0.01, 0.08, self.u(Attached.HEATER, 2))
        return self._loop(Attached.HEATER, ohms / turns**2 / (1 - slack), slack)

    def rectifier(self) -> tuple[Array, Array]:
        slack = between(0.006, 0.1, self.u(Attached.RECTIFIER, 0))
        loop_s = between(1.0, 200.0, self.u(Attached.RECTIFIER, 1)) * self.second
        return self._loop(Attached.RECTIFIER, self.tank.henries / loop_s / (1 - slack), slack)

    def tube(self) -> tuple[Array, Array]:
        """All rectifiers of the high voltage shorted, tube on the anode, return grounded: as a shorted
        winding of thin wire."""
        slack = between(0.02, 0.1, self.u(Attached.TUBE, 0))
        loop_s = between(1.0, 30.0, self.u(Attached.TUBE, 1)) * self.second
        return self._loop(Attached.TUBE, self.tank.henries / loop_s / (1 - slack), slack)

    def _loop(self, which: Attached, ohms: Array, slack: Array) -> tuple[Array, Array]:
        return np.where(self.on(which), ohms, np.inf), self.tank.henries * slack / (1 - slack)
