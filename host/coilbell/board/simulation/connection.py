"""What a fault or the set connects to a part: each function adds its elements to the network.

Which conditions use which connection is in condition.py; a condition that fits a part finds everything
here that it needs, so a LookupError means that the two lists disagree.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import pi
from typing import TypeVar

from coilbell.board.simulation.network import GROUND, Network
from coilbell.board.simulation.part import LEAD, HighVoltage, Part, add_loop
from coilbell.terms import Step

__all__ = [
    "Attachment",
    "Removable",
    "across_coil",
    "across_leads",
    "diodes",
    "heater",
    "high_voltage_return",
    "load",
    "loop",
    "schottky",
    "shorted_rectifier",
    "tube",
    "tuning",
    "yoke",
]

T = TypeVar("T")
Attachment = Callable[[Network, Part], None]


@dataclass(frozen=True, slots=True)
class Removable:
    """A connection that a step of a technician takes off."""

    step: Step
    attach: Attachment

    def __call__(self, network: Network, part: Part) -> None:
        """Add its elements."""
        self.attach(network, part)


_DEAD_OHMS = 1e-3
"""A soldered bridge [ohm]."""
_FAILED_DIODE_OHMS = 1.0
"""A high-voltage rectifier stack that has failed short [ohm]."""


def loop(name: str, ohms: float) -> Attachment:
    """The part's loop of that name, closed on the core through a fault resistance [ohm]."""
    return lambda network, part: add_loop(network, part.loops[name], ohms, name.replace(" ", "-"))


def across_coil(name: str) -> Attachment:
    """A dead short across a coil's pins."""
    return lambda network, part: network.resistor(part.coil(name).name, GROUND, _DEAD_OHMS)


def across_leads(network: Network, part: Part) -> None:
    """A dead short at the test leads, clips included."""
    network.resistor(LEAD, GROUND, 0.05)


def load(times: float) -> Attachment:
    """A resistor across the last coil, `times` its reactance at 20 kHz."""

    def attach(network: Network, part: Part) -> None:
        coil = part.coils[-1]
        reactance = 2 * pi * 20e3 * part.core.henries * coil.turns**2
        network.resistor(LEAD if coil is part.coils[0] else coil.name, GROUND, times * reactance)

    return attach


def diodes(which: str) -> Attachment:
    """High-voltage rectifiers shorted: "first", "middle", "last" or "all"."""

    def attach(network: Network, part: Part) -> None:
        last = _high_voltage(part).sections
        chosen = {"first": [1], "middle": [(last + 1) // 2], "last": [last], "all": range(1, last + 1)}[which]
        for k in chosen:
            network.resistor(f"head{k}", f"foot{k + 1}" if k < last else "anode", _FAILED_DIODE_OHMS)

    return attach


def tube(network: Network, part: Part) -> None:
    """The picture tube's capacitance at the anode."""
    network.capacitor("anode", GROUND, _high_voltage(part).tube_farads)


def high_voltage_return(network: Network, part: Part) -> None:
    """The foot of the high-voltage winding grounded."""
    network.resistor("foot1", GROUND, 1.0)


def tuning(network: Network, part: Part) -> None:
    """Tuning capacitor and switching device across the winding."""
    network.capacitor(LEAD, GROUND, _given(part.surroundings.tuning_farads))


def _yoke(network: Network, part: Part) -> None:
    henries, ohms, loss_ohms, series_farads = _given(part.surroundings.yoke)
    network.inductor(LEAD, "yoke", henries, ohms)
    network.resistor(LEAD, "yoke", loss_ohms)
    network.capacitor("yoke", GROUND, series_farads)


yoke = Removable(Step.YOKE_OFF, _yoke)
"""The yoke with its series capacitor across the winding."""


def heater(hot: bool) -> Attachment:
    """The tube's heater across its coil."""

    def attach(network: Network, part: Part) -> None:
        around = part.surroundings
        ohms = around.heater_hot_ohms if hot else around.heater_cold_ohms
        network.resistor(_given(around.heater), GROUND, ohms)

    return Removable(Step.TUBE_BASE_OFF, attach)


def shorted_rectifier(network: Network, part: Part) -> None:
    """A secondary rectifier failed short: the coil feeds its reservoir directly."""
    around = part.surroundings
    network.resistor(_given(around.rectifier), "reservoir", around.filter_ohms)
    network.capacitor("reservoir", GROUND, around.filter_farads)


def schottky(network: Network, part: Part) -> None:
    """A Schottky rectifier between a coil and its discharged reservoir."""
    around = part.surroundings
    network.junction(_given(around.schottky), "reservoir", 3e-8, 1.05, 200e-12)
    network.capacitor("reservoir", GROUND, around.filter_farads)
    network.resistor("reservoir", GROUND, 1e4)


def _given(value: T | None) -> T:
    if value is None:
        raise LookupError("the part's surroundings lack what this condition connects")
    return value


def _high_voltage(part: Part) -> HighVoltage:
    if part.high_voltage is None:
        raise LookupError(f"{part.name} has no high-voltage winding")
    return part.high_voltage
