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
from coilbell.winding.circuit import Circuit, Rings, rings

__all__ = [
    "AddedCapacitance",
    "CoreChange",
    "Fault",
    "HealthyTank",
    "Load",
    "OpenWinding",
    "ShortedRectifier",
    "ShortedTurns",
    "WindingLoad",
    "coupling_of",
    "largest_visible_resistance",
    "ring",
    "shift",
]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class HealthyTank:
    """The healthy winding with its test capacitor.

    henries: inductance; farads: test capacitor and stray capacitance together; series_ohms: resistance
    in series; shunt_siemens: conductance across the leads; core_siemens: conductance that only the flux
    in the core meets; leakage: share of the inductance whose flux does not pass the core [0..1).
    """

    henries: float
    farads: float
    series_ohms: float = 0.0
    shunt_siemens: float = 0.0
    core_siemens: float = 0.0
    leakage: float = 0.0

    def __post_init__(self) -> None:
        for name in ("henries", "farads"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise InputError(f"tank {name} {value!r}; give a number above 0")
        for name in ("series_ohms", "shunt_siemens", "core_siemens"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise InputError(f"tank {name} {value!r}; give 0 or more")
        if not 0 <= self.leakage < 1:
            raise InputError(f"tank leakage {self.leakage!r}; give a share from 0 to below 1, such as 0.03")

    @classmethod
    def from_ring(
        cls,
        natural_hz: float,
        q: float,
        farads: float,
        series_share: float = 0.0,
        core_share: float = 0.0,
        leakage: float = 0.0,
    ) -> HealthyTank:
        """The tank that rings at this natural frequency w0/(2 pi) [Hz] with this Q = w0/(2 a).

        The decay 2 a is shared out: `series_share` of it to R, `core_share` to the core, the rest across
        the leads. Exact without leakage; with it the core's share comes out smaller by about 2 leakage.
        """
        if not (natural_hz > 0 and q > 0.5):
            raise InputError(f"a ring at {natural_hz!r} Hz with Q {q!r}; give a frequency, and Q above 0.5")
        if not (series_share >= 0 and core_share >= 0 and series_share + core_share <= 1 + 1e-12):
            raise InputError(f"loss shares {series_share!r} and {core_share!r}; together they make 1 at most")
        w0 = 2 * math.pi * natural_hz
        loss = w0 / q
        shunt_share = max(1 - series_share - core_share, 0.0)
        # With R in series to L parallel to G_c, and G across both, u = 1 + R G_c:
        # w0^2 L C u = 1 + R G,  2 a = R/(L u) + G/C + G_c/(C u).
        xu = 1 / (1 - shunt_share * series_share / q**2)
        u = 1 / (1 - series_share * core_share * xu / q**2)
        henries = xu / (u * w0**2 * farads)
        return cls(
            henries,
            farads,
            series_share * loss * henries * u,
            shunt_share * loss * farads,
            core_share * loss * farads * u,
            leakage,
        )

    def with_farads(self, farads: float) -> HealthyTank:
        """The same winding with another total capacitance [F]."""
        return replace(self, farads=farads)

    def circuit(self) -> Circuit:
        """The winding with nothing wrong."""
        return Circuit(
            self.farads,
            self.henries * (1 - self.leakage),
            self.henries * self.leakage,
            self.series_ohms,
            self.shunt_siemens,
            self.core_siemens,
        )


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

    Returns None when no resistance lowers Q that far: such a turn does not show in the loss at all.
    """
    if not (spread_ln_q > 0 and deviations > 0):
        raise InputError(f"spread of ln Q {spread_ln_q!r}; give a number above 0, such as 0.2")
    healthy = ring(tank)
    reactance = 2 * math.pi * float(healthy.natural_hz) * tank.henries
    loop = ShortedTurns(turns, of_turns, 0.0, coupling).circuit(tank)
    slack = reactance * float(np.asarray(loop.loop_henries)) / tank.henries
    needed = math.expm1(deviations * spread_ln_q) / (reactance * float(healthy.q))
    inside = 1 - (2 * needed * slack) ** 2
    if inside < 0:
        return None
    return (1 + math.sqrt(inside)) / (2 * needed) * (turns / of_turns) ** 2


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
