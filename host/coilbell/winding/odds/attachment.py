"""What a set connects to a winding, drawn many times: each attachment there or not by itself, of some size.

How often each is met, and its sizes, stand in `winding/faults.toml`, with their sources.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from coilbell.terms import Attached
from coilbell.winding.odds.faultfile import span, value
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.severity import Cases, between
from coilbell.winding.tank.healthytank import HealthyTank
from coilbell.winding.tank.network import Network, ring_of_network

__all__ = [
    "ATTACHED",
    "JUNCTIONS",
    "SEED",
    "SIZES",
    "Draws",
    "chances",
    "conducting",
    "draws",
    "inductance_left",
    "ring_in_set",
    "shares",
]

Array = npt.NDArray[np.float64]

ATTACHED = tuple(Attached)
"""Column of each attachment in `Draws.there`."""

SIZES = dict.fromkeys(Attached, 2) | {
    Attached.TUNING: 1,
    Attached.LOAD: 1,
    Attached.DEVICE: 0,
    Attached.HEATER: 4,
}
"""How many unit coordinates size each attachment [1]; computed: those that `_Parts` reads."""

_SIZES = max(SIZES.values())
"""Unit coordinates kept for each attachment [1]; computed."""

_DRAWN = (0.25, 0.75)
"""Least and most often that an attachment is drawn, however often it is met; assumed."""

SEED = 15
"""Of the draws, beside their number: any whole number; assumed."""


def shares(kind: Kind) -> dict[Attached, float]:
    """How often each attachment is met in a set where nothing was unplugged."""
    return {one: value(f"{_table(kind)}.{one.name.lower()}") for one in Attached}


def _table(kind: Kind) -> str:
    """Which of the tables of shares a kind's sets follow."""
    if kind.high_voltage:
        return "met_line"
    return "met_switch" if kind.secondary and not kind.iron else "met"


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """n states of a set: there (n, k) for each of `ATTACHED`, at (n, k, 4) unit coordinates of its size."""

    there: npt.NDArray[np.bool_]
    at: Array

    def __len__(self) -> int:
        return len(self.there)

    def with_columns(self, other: Draws, columns: Sequence[int]) -> Draws:
        """The same with some columns as in `other`."""
        chosen = list(columns)
        there, at = self.there.copy(), self.at.copy()
        there[:, chosen], at[:, chosen] = other.there[:, chosen], other.at[:, chosen]
        return replace(self, there=there, at=at)


def chances(kind: Kind) -> tuple[Array, Array]:
    """(k,) how often each of `ATTACHED` is met, and how often it is drawn.

    What is rare is drawn more often than it is met, since it competes with a short; the weights undo it.
    """
    met = np.array([shares(kind)[one] for one in ATTACHED])
    return met, np.clip(met, *_DRAWN)


@lru_cache(maxsize=32)
def draws(kind: Kind, n: int, seed: int) -> Draws:
    """n draws by Latin squares of a fixed seed, so that the same question always has the same answer."""
    rng = np.random.default_rng((seed, n, SEED))
    k = len(ATTACHED)
    columns = [(rng.permutation(n) + rng.random(n)) / n for _ in range(k * (1 + _SIZES))]
    u = np.stack(columns, axis=1).reshape(n, k, 1 + _SIZES)
    there = u[:, :, 0] < chances(kind)[1]
    return Draws(there, u[:, :, 1:])


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
    bad_yoke, bad_yoke_l = parts.shorted_yoke()
    coil, coil_l = parts.coil()
    snubber_ohms, snubber_farads = parts.snubber()
    farads = test_farads + tank.farads + at.farads + parts.farads()
    carried = 1 - at.behind * at.farads / farads
    found = ring_of_network(
        Network(
            farads,
            tank.shunt_siemens + at.siemens + parts.siemens(),
            np.broadcast_to(henries, (n,)),
            tank.series_ohms * carried**2,
            np.stack([short_ohms, heater, rectifier, tube], axis=1),
            np.stack([short_henries, heater_l, rectifier_l, tube_l], axis=1),
            np.stack([yoke, coil, bad_yoke], axis=1),
            np.stack([yoke_l, coil_l, bad_yoke_l], axis=1),
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
        for ohms, henries in (parts.yoke(), parts.coil(), parts.shorted_yoke())
    )
    return np.asarray(1 / (1 + coils), dtype=np.float64)


def conducting(
    tank: HealthyTank,
    at: Cases,
    around: Draws,
    present: Collection[Attached],
    test_farads: float,
    ring: tuple[Array, Array],
) -> tuple[Array, Array]:
    """Share of all loss that each junction takes at rest [1], and its V [V], (n, 2) each.

    ring: ln f and ln 1/Q of each case; the share is g/(w C/Q) for conductance g beside all capacitance C.
    """
    parts = _Parts(tank, around, present)
    farads = test_farads + tank.farads + at.farads + parts.farads()
    with np.errstate(invalid="ignore"):
        whole = 2 * math.pi * np.exp(ring[0] + ring[1]) * farads
        found = [np.clip(np.nan_to_num(parts.taken(one) / whole), 0.0, 1.0) for one in JUNCTIONS]
    volts = [parts.size(one, 1, f"{one.name.lower()}_volts") for one in JUNCTIONS]
    return np.stack(found, axis=1), np.stack(volts, axis=1)


JUNCTIONS = (Attached.JUNCTION, Attached.SCHOTTKY)
"""What conducts the more the larger the ring is; common practice."""


class _Parts:
    """Elements of what is around a winding, in ohms, henries and farads; inf ohms where it is not there."""

    def __init__(self, tank: HealthyTank, around: Draws, present: Collection[Attached]) -> None:
        self.tank, self.around, self.present = tank, around, present
        self.second = math.sqrt(tank.henries * (value("ring.usual_farads") + tank.farads))
        """Time in which w t = 1 at the usual ring [s]."""
        self.reactance = tank.henries / self.second

    def on(self, which: Attached) -> npt.NDArray[np.bool_]:
        there = self.around.there[:, ATTACHED.index(which)]
        return there if which in self.present else np.zeros_like(there)

    def u(self, which: Attached, k: int) -> Array:
        return np.asarray(self.around.at[:, ATTACHED.index(which), k], dtype=np.float64)

    def size(self, which: Attached, k: int, name: str) -> Array:
        """Its k-th size, spread over the range of that name in [attached]."""
        return between(*span(f"attached.{name}"), self.u(which, k))

    def farads(self) -> Array:
        """Of the tuning capacitor, and of a clamp behind its shorted diode."""
        found = np.zeros(len(self.around))
        for which in (Attached.TUNING, Attached.CLAMP):
            farads = self.size(which, 0, f"{which.name.lower()}_farads")
            found += np.where(self.on(which), farads, 0.0)
        return found

    def taken(self, which: Attached) -> Array:
        """Conductance of what takes current across the winding, at vanishing amplitude [S]."""
        place = 1 if which is Attached.CLAMP else 0  # its first size is the capacitor's
        g = self.size(which, place, f"{which.name.lower()}_siemens") / self.reactance
        return np.where(self.on(which), g, 0.0)

    def snubber(self) -> tuple[Array, Array]:
        there = self.on(Attached.SNUBBER)
        farads = np.where(there, self.size(Attached.SNUBBER, 0, "snubber_farads"), 0.0)
        return self.size(Attached.SNUBBER, 1, "snubber_ohms"), farads

    def siemens(self) -> Array:
        """Of a loaded rectifier, leaky device or clamp, and of junctions at vanishing amplitude."""
        return np.asarray(
            sum(self.taken(which) for which in (Attached.LOAD, *JUNCTIONS, Attached.CLAMP)), dtype=np.float64
        )

    def yoke(self) -> tuple[Array, Array]:
        return self._coil(Attached.YOKE, "yoke")

    def shorted_yoke(self) -> tuple[Array, Array]:
        return self._coil(Attached.YOKE_SHORTED, "yoke_shorted")

    def coil(self) -> tuple[Array, Array]:
        return self._coil(Attached.COIL, "coil")

    def _coil(self, which: Attached, name: str) -> tuple[Array, Array]:
        henries = self.tank.henries * self.size(which, 0, f"{name}_inductance")
        ohms = henries / self.second / self.size(which, 1, f"{name}_q")
        return np.where(self.on(which), ohms, np.inf), henries

    def heater(self) -> tuple[Array, Array]:
        half = self.u(Attached.HEATER, 0)
        cold = between(*span("attached.heater_cold_ohms"), np.minimum(2 * half, 1.0))
        hot = between(*span("attached.heater_hot_ohms"), np.clip(2 * half - 1, 0.0, 1.0))
        ohms = np.where(half < 0.5, cold, hot)
        turns = self.size(Attached.HEATER, 1, "heater_turns") / self.size(
            Attached.HEATER, 3, "heater_of_turns"
        )
        slack = self.size(Attached.HEATER, 2, "heater_leakage")
        return self._loop(Attached.HEATER, ohms / turns**2 / (1 - slack), slack)

    def rectifier(self) -> tuple[Array, Array]:
        slack = self.size(Attached.RECTIFIER, 0, "rectifier_leakage")
        loop_s = self.size(Attached.RECTIFIER, 1, "rectifier_loop_time") * self.second
        return self._loop(Attached.RECTIFIER, self.tank.henries / loop_s / (1 - slack), slack)

    def tube(self) -> tuple[Array, Array]:
        """All rectifiers of the high voltage shorted, tube on the anode, return grounded: as a shorted
        winding of thin wire."""
        slack = self.size(Attached.TUBE, 0, "tube_leakage")
        loop_s = self.size(Attached.TUBE, 1, "tube_loop_time") * self.second
        return self._loop(Attached.TUBE, self.tank.henries / loop_s / (1 - slack), slack)

    def _loop(self, which: Attached, ohms: Array, slack: Array) -> tuple[Array, Array]:
        return np.where(self.on(which), ohms, np.inf), self.tank.henries * slack / (1 - slack)
