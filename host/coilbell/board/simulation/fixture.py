"""The tester's own parts across the winding: test capacitor, input, clamp and current pulse."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

from coilbell.board.simulation.network import GROUND, Network
from coilbell.board.simulation.part import LEAD

__all__ = ["Fixture"]

_RELAXATIONS_HZ = (1e3, 1e4, 1e5, 1e6)


@dataclass(frozen=True, slots=True)
class Fixture:
    """What the tester puts across the winding.

    The pulse comes through a diode in series, so between pulses its source is not there at all.
    """

    pulse_amps: float = 5e-3
    """Current while the pulse lasts [A]."""
    input_ohms: float = 1e6
    """Bias and input resistance [ohm]."""
    stray_farads: float = 25e-12
    """Leads and input capacitance [F]."""
    loss_tangent: float = 1e-4
    """Of the test capacitor's dielectric, constant within 12 % from 1 kHz to 1 MHz [1]."""
    clamp: bool = False
    """True fits two silicon junctions in series each way across the winding."""

    def build(self, network: Network, capacitor_farads: float) -> None:
        """Add the tester to `network`, with the chosen test capacitor [F]."""
        network.capacitor(LEAD, GROUND, capacitor_farads)
        network.capacitor(LEAD, GROUND, self.stray_farads)
        network.resistor(LEAD, GROUND, self.input_ohms)
        if self.loss_tangent > 0:
            self._dielectric(network, capacitor_farads)
        if self.clamp:
            network.junction(LEAD, GROUND, 4e-9, 4.0, 1e-12)
            network.junction(GROUND, LEAD, 4e-9, 4.0, 1e-12)

    def _dielectric(self, network: Network, farads: float) -> None:
        # One relaxation a decade, each C_r x/(1 + x^2): their sum averages C_r (pi/2)/ln 10.
        share = self.loss_tangent * farads * log(10) * 2 / pi
        for k, corner in enumerate(_RELAXATIONS_HZ, 1):
            node = f"dielectric{k}"
            network.resistor(LEAD, node, 1 / (2 * pi * corner * share))
            network.capacitor(node, GROUND, share)
