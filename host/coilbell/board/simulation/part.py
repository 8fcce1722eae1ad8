"""What a wound part is made of, and the network it makes.

Every coil sits on one core (the star-connected magnetic model): its own leakage inductance and
resistance in series, then an ideal transformer of its turns to the core's node, which carries the volts
per turn. The core is a chain of (inductance parallel to loss resistance) sections: one for ferrite,
several for laminated iron, whose eddy currents push the flux out as frequency rises.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import inf, pi

import numpy as np

from coilbell.board.simulation.appliance import Appliance
from coilbell.board.simulation.network import GROUND, Network

__all__ = ["CORE", "LEAD", "Coil", "Core", "HighVoltage", "Loop", "Part", "Spread", "Surroundings", "build"]

LEAD = "lead"
CORE = "core"

_SKIN = ((1.03014, 7.42206), (1.47847, 29.0656), (4.39849, 116.564))
"""Added resistance over the direct one, and corner frequency over `skin_hz`, of three parallel R-L
sections: fitted to the exact resistance of a round wire (Bessel functions), within 0.2 % up to a radius
of ten skin depths."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Factors by which one unit differs from the nominal part [1]."""

    inductance: float = 1.0
    core_loss: float = 1.0
    resistance: float = 1.0
    capacitance: float = 1.0

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Spread:
        """Log-normal factors with standard deviations 0.10, 0.25, 0.05 and 0.15."""
        factors = np.exp(rng.standard_normal(4) * (0.10, 0.25, 0.05, 0.15))
        return cls(*(float(f) for f in factors))


@dataclass(frozen=True, slots=True)
class Coil:
    """One winding.

    ohms: direct resistance [ohm]; leakage: leakage inductance over the coil's own magnetising
    inductance [1]; skin_hz: frequency where the skin depth is the wire's radius, proximity of other
    turns included in effect [Hz]; farads: capacitance across the coil [F].
    """

    name: str
    turns: float
    ohms: float
    leakage: float
    farads: float
    skin_hz: float = inf


@dataclass(frozen=True, slots=True)
class Core:
    """A core, per turn squared."""

    henries: float
    """Inductance factor [H]."""
    sections: tuple[tuple[float, float], ...]
    """Share of the inductance [1] and loss resistance [ohm] of each section."""


@dataclass(frozen=True, slots=True)
class HighVoltage:
    """A high-voltage winding in sections, a rectifier after each.

    turns, ohms, leakage, self_farads: of one section; eddy_ohms: resistance across half its leakage
    inductance, which damps the winding's own resonances; foot_farads, head_farads: from its two ends to
    ground; diode_farads: across one rectifier that does not conduct, as at a few volts it never does;
    anode_farads: what hangs on the anode lead on the bench; tube_farads: the picture tube's [F].
    """

    sections: int
    turns: float
    ohms: float
    leakage: float
    self_farads: float
    foot_farads: float
    head_farads: float
    diode_farads: float
    anode_farads: float
    eddy_ohms: float
    tube_farads: float = 1.5e-9


@dataclass(frozen=True, slots=True)
class Loop:
    """Turns closed on themselves: direct resistance [ohm] and leakage inductance [H] of the loop."""

    turns: float
    ohms: float
    henries: float
    skin_hz: float = inf


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the set connects to the winding; None where there is nothing of the kind.

    tuning_farads: capacitors and the switching device's output across the winding; yoke: (henries, ohms,
    parallel loss ohms, series farads) plugged across it; heater, rectifier, schottky: names of the coils
    that feed them; filter_farads, filter_ohms: the reservoir behind a rectifier.
    """

    tuning_farads: float | None = None
    yoke: tuple[float, float, float, float] | None = None
    heater: str | None = None
    heater_cold_ohms: float = 1.5
    heater_hot_ohms: float = 10.0
    rectifier: str | None = None
    schottky: str | None = None
    filter_farads: float = 470e-6
    filter_ohms: float = 0.05


@dataclass(frozen=True, slots=True)
class Part:
    """A wound part; `coils[0]` is the winding under test."""

    name: str
    kind: str
    words: str
    core: Core
    coils: tuple[Coil, ...]
    loops: Mapping[str, Loop] = field(default_factory=dict)
    """"turn", "high-voltage turn", "high-voltage part", "external": what may be shorted."""
    high_voltage: HighVoltage | None = None
    damping_ohms: float | None = None
    """Resistor fitted across the winding, where the part has one."""
    surroundings: Surroundings = field(default_factory=Surroundings)
    appliance: Appliance | None = None
    """The set it sits in, with what conducts; None where it is known out of circuit only."""
    spread: Spread = field(default_factory=Spread)

    def spread_by(self, spread: Spread) -> Part:
        """The unit of this part that differs by the given factors."""
        s = spread
        core = Core(
            self.core.henries * s.inductance,
            # An iron core's sections scale with its inductance so that its loss angle stays.
            tuple((share, ohms * s.inductance / s.core_loss) for share, ohms in self.core.sections),
        )
        coils = tuple(
            # Leakage is set by the air between coils, not by the core.
            replace(
                c,
                ohms=c.ohms * s.resistance,
                farads=c.farads * s.capacitance,
                leakage=c.leakage / s.inductance,
            )
            for c in self.coils
        )
        loops = {name: replace(loop, ohms=loop.ohms * s.resistance) for name, loop in self.loops.items()}
        high = self.high_voltage and _spread_high_voltage(self.high_voltage, s)
        return replace(self, core=core, coils=coils, loops=loops, high_voltage=high, spread=spread)

    def coil(self, name: str) -> Coil:
        """The coil of that name; LookupError when there is none."""
        for coil in self.coils:
            if coil.name == name:
                return coil
        raise LookupError(f"{self.name} has no coil {name!r}")

    @property
    def henries(self) -> float:
        """Inductance of the winding under test at low frequency, leakage included [H]."""
        coil = self.coils[0]
        return coil.turns**2 * self.core.henries * (1 + coil.leakage)


def _spread_high_voltage(high: HighVoltage, s: Spread) -> HighVoltage:
    return replace(
        high,
        ohms=high.ohms * s.resistance,
        leakage=high.leakage / s.inductance,
        self_farads=high.self_farads * s.capacitance,
        foot_farads=high.foot_farads * s.capacitance,
        head_farads=high.head_farads * s.capacitance,
    )


def build(part: Part, network: Network, top: str = LEAD) -> None:
    """Add the part's elements to `network`, its winding under test between `top` and node 0."""
    _add_core(part.core, network)
    tops = [top] + [coil.name for coil in part.coils[1:]]
    for coil, node in zip(part.coils, tops, strict=True):
        add_coil(network, part.core, coil, node)
        network.capacitor(node, GROUND, coil.farads)
    if part.damping_ohms is not None:
        network.resistor(top, GROUND, part.damping_ohms)
    if part.high_voltage is not None:
        _add_high_voltage(part.high_voltage, part.core, network)


def add_coil(network: Network, core: Core, coil: Coil, top: str, bottom: str = GROUND) -> None:
    """Add one coil's leakage, resistance with skin effect, and its turns on the core."""
    henries = coil.leakage * coil.turns**2 * core.henries
    _add_wire(network, top, bottom, henries, coil.ohms, coil.skin_hz, coil.turns)


def add_loop(network: Network, loop: Loop, fault_ohms: float, name: str) -> None:
    """Close a loop of turns on the core through `fault_ohms`."""
    node = f"{name}.fault"
    network.resistor(node, GROUND, max(fault_ohms, _CONTACT_OHMS))
    _add_wire(network, node, GROUND, loop.henries, loop.ohms, loop.skin_hz, loop.turns)


_CONTACT_OHMS = 1e-4
"""A dead short is still metal against metal."""


def _add_wire(
    network: Network, top: str, bottom: str, henries: float, ohms: float, skin_hz: float, turns: float
) -> None:
    nodes = [f"{top}.skin{k}" for k in range(1, 4)] if skin_hz < inf else []
    chain = [*nodes, bottom]
    network.inductor(top, chain[0], henries, ohms, CORE, turns)
    for (share, corner), a, b in zip(_SKIN, chain, chain[1:], strict=False):
        network.resistor(a, b, share * ohms)
        network.inductor(a, b, share * ohms / (2 * pi * corner * skin_hz))


def _add_core(core: Core, network: Network) -> None:
    nodes = [CORE, *(f"{CORE}.{k}" for k in range(1, len(core.sections))), GROUND]
    for (share, ohms), a, b in zip(core.sections, nodes[:-1], nodes[1:], strict=True):
        network.inductor(a, b, share * core.henries)
        network.resistor(a, b, ohms)


def _add_high_voltage(high: HighVoltage, core: Core, network: Network) -> None:
    for k in range(1, high.sections + 1):
        foot, head = f"foot{k}", f"head{k}"
        after = f"foot{k + 1}" if k < high.sections else "anode"
        henries = high.leakage * high.turns**2 * core.henries
        network.inductor(foot, f"eddy{k}", henries / 2)
        network.resistor(foot, f"eddy{k}", high.eddy_ohms)
        network.inductor(f"eddy{k}", head, henries / 2, high.ohms, CORE, high.turns)
        network.capacitor(foot, head, high.self_farads)
        network.capacitor(foot, GROUND, high.foot_farads)
        network.capacitor(head, GROUND, high.head_farads)
        network.capacitor(head, after, high.diode_farads)
    network.capacitor("anode", GROUND, high.anode_farads)
