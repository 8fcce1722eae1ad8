"""What a length of copper wire is by calculation: a hobbyist's standard of inductance and of loss.

Formulas are those of textbooks (from memory; checked in tests/truth/test_wire.py against tabulated values):

    current sheet    L = mu0 N^2 pi D^2/(4 l) K,  K = 4/(3 pi k') ((k'^2/k^2)(K(k) - E(k)) + E(k) - k)
                     with k^2 = D^2/(D^2 + l^2): Lorenz's form of Nagaoka's coefficient
    one round turn   L = mu0 r (ln(8 r/a) - 2), the current in the wire's skin
    round wire       R = Re(k rho J0(k a) / (2 pi a J1(k a))) per length, k = (1 - j)/delta,
                     delta = sqrt(rho/(pi f mu0)): alone, far from other wires
"""

from __future__ import annotations

import math

__all__ = ["COPPER", "loop_henries", "solenoid_henries", "wire_ohms"]

_MU0 = 4e-7 * math.pi
COPPER = 58e6
"""Conductivity of copper at 20 degC [S/m]: 100 % IACS (IEC 60028)."""
_PER_KELVIN = 0.00393
"""Rise of copper's resistance at 20 degC [1/K] (IEC 60028)."""


def solenoid_henries(turns: float, diameter: float, length: float) -> float:
    """Inductance of a single layer as a current sheet [H]; mean diameter and length of the winding [m]."""
    from scipy.special import ellipe, ellipk

    m = diameter**2 / (diameter**2 + length**2)
    k, other = math.sqrt(m), math.sqrt(1 - m)
    whole, second = float(ellipk(m)), float(ellipe(m))
    nagaoka = 4 / (3 * math.pi * other) * ((1 - m) / m * (whole - second) + second - k)
    return _MU0 * turns**2 * math.pi * diameter**2 / (4 * length) * nagaoka


def loop_henries(length: float, diameter: float) -> float:
    """Inductance of one round turn of that length of wire and wire diameter [m] at high frequency [H]."""
    radius = length / (2 * math.pi)
    return _MU0 * radius * (math.log(16 * radius / diameter) - 2)


def wire_ohms(length: float, diameter: float, hertz: float, celsius: float = 20.0) -> float:
    """Resistance of round copper wire at that frequency [ohm], lengths in m; 0 Hz for direct current."""
    siemens = COPPER / (1 + _PER_KELVIN * (celsius - 20))
    direct = length / (siemens * math.pi * diameter**2 / 4)
    if hertz <= 0:
        return direct
    import numpy as np
    from scipy.special import jve

    k = (1 - 1j) * math.sqrt(math.pi * hertz * _MU0 * siemens)
    x = np.array([k * diameter / 2])
    # Both Bessel functions scaled alike, so that thick wires do not overflow.
    ratio = x / 2 * jve(0, x) / jve(1, x)
    return direct * float(ratio.real[0])
