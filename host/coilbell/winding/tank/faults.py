"""What a fault makes of a healthy winding's circuit, in closed form.

Each fault is a value with a method ``circuit(tank)``; its fields may be arrays, so that one value stands
for a whole family of severities. A coupled loop of inductance L2 and resistance R2 reflects

    w^2 M^2 / (R2 + j w L2)    with    M^2 = k^2 L1 L2

into the winding, which `circuit.Circuit` holds as a loop referred to the winding.

Not in these circuits: skin effect in the loop, capacitance inside the winding apart from what is across
its leads, and anything that needs the working voltage (breakdown of insulation or of a rectifier).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError
from coilbell.winding.tank.circuit import Circuit, Rings, rings
from coilbell.winding.tank.healthytank import HealthyTank

__all__ = [
    "AddedCapacitance",
    "CoreChange",
    "Fault",
    "Load",
    "OpenWinding",
    "ShortedRectifier",
    "ShortedTurns",
    "WindingLoad",
    "coupling_of",
    "ring",
    "shift",
]

Array = npt.NDArray[np.float64]


def coupling_of(leak_share: float | Array, leakage: float = 0.0) -> Array:
    """Coupling k of a loop to the whole winding, from the loop's leakage.

        k^2 = (1 - leakage)/(1 + leak_share)

    leak_share: the loop's own leakage inductance over what it has on the core [1]; leakage: the same share
    of the winding, as in `HealthyTank`.
    """
    share = _check("leak_share", leak_share, 0.0, or_equal=True)
    return np.asarray(np.sqrt((1 - leakage) / (1 + share)), dtype=np.float64)


class Fault(Protocol):
    """Anything that changes a healthy winding's circuit."""

    def circuit(self, tank: HealthyTank) -> Circuit:
        """The circuit of `tank` with this fault."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class ShortedTurns:
    """Turns closed on themselves: of the winding itself, of another one, or a loop laid round the core.

    turns of of_turns; loop_ohms: resistance of the loop, wire and contact together [ohm]; coupling: k to
    the whole winding [0..1], at most sqrt(1 - leakage) of the tank. loop_henries: the loop's own
    inductance L2 [H]; None for a loop that encloses the core, M = (1 - leakage) L1 turns/of_turns, whose
    coupling falls short of 1 by leakage alone: L2 = M^2/(k^2 L1).
    """

    turns: float | Array
    of_turns: float | Array
    loop_ohms: float | Array
    coupling: float | Array
    loop_henries: float | Array | None = None

    def circuit(self, tank: HealthyTank) -> Circuit:
        """The tank with the loop; raises InputError where turns or coupling are impossible."""
        ratio = _check("turns over of_turns", np.asarray(self.turns, dtype=np.float64) / self.of_turns, 0.0)
        coupling = np.asarray(self.coupling, dtype=np.float64)
        scale = 1 / ratio**2
        if self.loop_henries is not None:
            henries = _check("loop_henries", self.loop_henries, 0.0)
            scale = tank.henries * (1 - tank.leakage) ** 2 / (coupling**2 * henries)
        return _looped(tank, self.loop_ohms, scale, coupling)


@dataclass(frozen=True, slots=True, eq=False)
class Load:
    """A resistance across the winding's own leads [ohm]."""

    ohms: float | Array

    def circuit(self, tank: HealthyTank) -> Circuit:
        """The tank with the resistance in parallel."""
        ohms = _check("load ohms", self.ohms, 0.0)
        return replace(tank.circuit(), shunt_siemens=tank.shunt_siemens + 1 / ohms)


@dataclass(frozen=True, slots=True, eq=False)
class WindingLoad:
    """A resistance on another winding.

    ohms: with that winding's own resistance [ohm]; turns_ratio: its turns over those of the winding under
    test [1]; coupling: between the two [0..1].
    """

    ohms: float | Array
    turns_ratio: float | Array
    coupling: float | Array

    def circuit(self, tank: HealthyTank) -> Circuit:
        """The tank with the load referred to it."""
        ratio = _check("turns_ratio", self.turns_ratio, 0.0)
        return _looped(tank, self.ohms, 1 / ratio**2, np.asarray(self.coupling, dtype=np.float64))


@dataclass(frozen=True, slots=True, eq=False)
class CoreChange:
    """Another core, gap, crack or clamp: all inductance of the winding times `inductance_factor`.

    Leakage is air's and stays; core loss at the same voltage stays too, times `loss_factor`.
    """

    inductance_factor: float | Array
    loss_factor: float | Array = 1.0

    def circuit(self, tank: HealthyTank) -> Circuit:
        """The tank with the changed core; raises InputError at or below the leakage inductance."""
        factor = _check("inductance_factor", self.inductance_factor, tank.leakage)
        loss = np.asarray(self.loss_factor, dtype=np.float64)
        return replace(
            tank.circuit(),
            core_henries=tank.henries * (factor - tank.leakage),
            core_siemens=tank.core_siemens * loss,
        )


@dataclass(frozen=True, slots=True, eq=False)
class AddedCapacitance:
    """A capacitance across the leads [F] that was not there on the reference, with its conductance [S]."""

    farads: float | Array
    siemens: float | Array = 0.0

    def circuit(self, tank: HealthyTank) -> Circuit:
        """The tank with more capacitance."""
        return replace(
            tank.circuit(),
            farads=tank.farads + np.asarray(self.farads, dtype=np.float64),
            shunt_siemens=tank.shunt_siemens + np.asarray(self.siemens, dtype=np.float64),
        )


@dataclass(frozen=True, slots=True, eq=False)
class ShortedRectifier:
    """A shorted rectifier inside or behind a high-voltage winding.

    The ring never turns a high-voltage rectifier on, so that only the capacitance that the short connects
    shows, times the square of the turns ratio: `reflected_farads` [F], which
    `rectifier.RectifierStack` computes from a stack's parts.

    That capacitance lies behind the winding's resistance and leakage, which then carry only the share
    C/(C + reflected) of the ring's current that they did: the loss falls with that share squared. The
    error of this is of the order 1/Q^2.
    """

    reflected_farads: float | Array

    def circuit(self, tank: HealthyTank) -> Circuit:
        """The tank with the reflected capacitance."""
        farads = tank.farads + _check("reflected_farads", self.reflected_farads, 0.0, or_equal=True)
        share = (tank.farads / farads) ** 2
        healthy = tank.circuit()
        return replace(
            healthy,
            farads=farads,
            series_ohms=healthy.series_ohms * share,
            leak_henries=healthy.leak_henries * share,
        )


@dataclass(frozen=True, slots=True)
class OpenWinding:
    """No current can flow in the winding: nothing rings."""

    def circuit(self, tank: HealthyTank) -> Circuit:
        """The capacitance alone."""
        return Circuit(tank.farads, math.inf, shunt_siemens=tank.shunt_siemens)


def ring(tank: HealthyTank, fault: Fault | None = None) -> Rings:
    """How the tank rings, with the fault or without."""
    return rings(tank.circuit() if fault is None else fault.circuit(tank))


def shift(fault: Fault, reference: HealthyTank) -> tuple[Array, Array]:
    """Where the fault takes the reference in the shift plane.

        added loss        g = r/Q - 1/Q0 = 2 (a - a0)/w0
        inductance drop   b = r^2 - 1                          with r = w/w0, both natural frequencies

    From the natural frequency a resistance across the leads has b = 0 exactly, at any Q.

    Returns
    -------
    (g, b): arrays of the fault's shape [1], nan where nothing rings.
    """
    healthy, faulty = ring(reference), ring(reference, fault)
    ratio = faulty.natural_hz / healthy.natural_hz
    return ratio / faulty.q - 1 / healthy.q, ratio**2 - 1


def _looped(tank: HealthyTank, ohms: float | Array, scale: Array, coupling: Array) -> Circuit:
    """The tank with a coupled loop, referred to the winding by `scale` = (Lm/M)^2, Lm = (1 - leakage) L1.

    What does not couple is (Lm/M)^2 L2 - Lm = Lm ((1 - leakage)/k^2 - 1).
    """
    resistance = _check("loop ohms", ohms, 0.0, or_equal=True)
    most = math.sqrt(1 - tank.leakage)
    if not ((coupling > 0) & (coupling <= most * (1 + 1e-12))).all():
        raise InputError(
            f"coupling {_worst(coupling, most):.6g} to a winding whose leakage is {tank.leakage:g}; "
            f"give more than 0 and at most {most:.6g}"
        )
    core = tank.henries * (1 - tank.leakage)
    slack = np.maximum(core * ((1 - tank.leakage) / coupling**2 - 1), 0.0)  # rounding at k = most
    return replace(tank.circuit(), loop_ohms=resistance * scale, loop_henries=slack)


def _worst(values: Array, most: float) -> float:
    flat = np.asarray(values, dtype=np.float64).ravel()
    wrong = flat[~((flat > 0) & (flat <= most))]
    return float(wrong[0]) if wrong.size else float(flat[0])


def _check(name: str, values: float | Array, low: float, *, or_equal: bool = False) -> Array:
    array = np.asarray(values, dtype=np.float64)
    right = (array >= low) if or_equal else (array > low)
    if not (right & (array < math.inf)).all():
        wrong = array.ravel()[~(right & (array < math.inf)).ravel()]
        raise InputError(
            f"{name} {float(wrong[0])!r}; give a number {'of' if or_equal else 'above'} {low:g}"
            f"{' or more' if or_equal else ''}"
        )
    return array
