"""Judgements of windings whose impedance was measured: four real coils, rung by a circuit that fits them.

Responses: tests/golden/coils, CC0 (SOURCE.md). The circuit of each, R0 + s L0 and two coils with a loss
across them, with capacitance and a conductance beside, was fitted to its impedance; the first test holds it
to that. The ring is the complex root of s C + 1/Z(s) = 0, by numpy's polynomial roots, which the host does
not use.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.polynomial import Polynomial

from coilbell.record import Capacitor, Connection, Temperature
from coilbell.terms import Headline
from coilbell.winding import Capture, Condition, Finding, Observation, Reference, find

FOLDER = Path(__file__).parents[1] / "golden" / "coils"
LOADED_WITH = 10e-9
"""Capacitor of the loaded response [F]; SOURCE.md."""
CAPACITORS = (22e-9, 2.2e-9)
COPPER_PER_K = 0.0039
"""Rise of the wire's resistance [1/K]; published: copper at 20 Celsius."""
CORE_PER_K = 0.0015
"""Rise of the inductance of an open magnetic circuit [1/K]; published: median +0.63 %/K of mu_i of power
ferrite (PyOpenMagnetics 1.7.35), of which an open core shows a part (assumed: a quarter)."""


@dataclass(frozen=True)
class Coil:
    """Circuit in ohms, henries, farads, siemens; loop: L2/R2 of a closed turn [s] and its 1 - k^2."""

    r0: float
    l0: float
    farads: float
    siemens: float
    l1: float
    r1: float
    l2: float
    r2: float
    loop_s: float = 0.0
    slack: float = 1.0

    def at(self, kelvin: float) -> Coil:
        """The same coil warmer by so much."""
        grown = 1 + CORE_PER_K * kelvin
        return replace(
            self,
            r0=self.r0 * (1 + COPPER_PER_K * kelvin),
            l0=self.l0 * grown,
            l1=self.l1 * grown,
            l2=self.l2 * grown,
        )

    def admittance(self) -> tuple[Polynomial, Polynomial]:
        """Numerator and denominator of 1/Z in s, without the capacitance across."""
        s, one, two = Polynomial([0, 1]), Polynomial([self.r1, self.l1]), Polynomial([self.r2, self.l2])
        loop = Polynomial([1, self.loop_s])
        coils = self.l0 * s * one * two + s * self.l1 * self.r1 * two + s * self.l2 * self.r2 * one
        # A loop leaves 1 - k^2 s t/(1 + s t) of every inductance that it encloses.
        below = self.r0 * one * two * loop + coils * Polynomial([1, self.loop_s * self.slack])
        return one * two * loop + self.siemens * below, below

    def impedance(self, s: np.ndarray) -> np.ndarray:
        above, below = self.admittance()
        return 1 / (above(s) / below(s) + s * self.farads)

    def ring(self, farads: float) -> tuple[float, float]:
        """Natural frequency [Hz] and Q with that capacitor across."""
        above, below = self.admittance()
        roots = (above + Polynomial([0, farads + self.farads]) * below).roots()
        root = roots[np.argmax(roots.imag)]
        return abs(root) / 2 / math.pi, abs(root) / (-2 * root.real)


COILS = (
    Coil(9215.36, 2.9533e-3, 146.23e-12, 2.558e-7, 0.8684, 6154.6, 4.5373, 582e3),
    Coil(10778.7, 1.3636e-2, 121.49e-12, 3.809e-7, 2.2367, 19388, 4.7949, 1.0943e6),
    Coil(5887.84, 2.8713, 137.96e-12, 1.117e-6, 0.47906, 1316.6, 0.8663, 17889),
    Coil(17690.8, 5.9566, 169.69e-12, 3.991e-7, 1.2331, 4925.8, 2.591, 44494),
)


@cache
def response(name: str) -> tuple[np.ndarray, np.ndarray]:
    table = np.loadtxt(FOLDER / f"{name}.csv", delimiter=",", skiprows=1)
    return table[:, 0], 10 ** (table[:, 1] / 20) * np.exp(1j * np.deg2rad(table[:, 2]))


@pytest.mark.parametrize("number", range(4))
def test_the_circuit_is_that_of_the_measured_impedance(number: int) -> None:
    hertz, bare = response(f"coil-{number + 1}-bare")
    again, loaded = response(f"coil-{number + 1}-loaded")
    assert np.allclose(hertz, again)
    s = 2j * math.pi * hertz
    measured = (bare / loaded - 1) / (s * LOADED_WITH)
    heard = (hertz > 150) & (hertz < 12e3)
    assert np.median(np.abs(COILS[number].impedance(s) / measured - 1)[heard]) < 0.02


def seen(coil: Coil, capacitors: tuple[float, ...], celsius: float | None = None) -> list[Observation]:
    found = []
    for farads in capacitors:
        natural, q = coil.ring(farads)
        told = None if celsius is None else Temperature(celsius, 0.5)
        damped = natural * math.sqrt(1 - 0.25 / q**2)
        found.append(
            Observation(
                Capacitor(farads, 0.01),
                damped,
                q,
                2e-4,
                3e-3,
                connection=Connection.OUT_OF_CIRCUIT,
                temperature=told,
            )
        )
    return found


def judged(coil: Coil, by: Coil, capacitors: tuple[float, ...], kelvin: float | None = None) -> Finding:
    """Against the coil's own ring at 20 Celsius; kelvin: typed with both, or nothing."""
    told = [None, None] if kelvin is None else [20.0, 20.0 + kelvin]
    good = [Capture("own", Condition.GOOD, o) for o in seen(by, CAPACITORS, told[0])]
    reference = Reference.begin("own", "other winding", good)
    return find(seen(coil, capacitors, told[1]), reference, unit="own")


@pytest.mark.parametrize("coil", COILS)
@pytest.mark.parametrize("kelvin", [-10.0, -5.0, 0.0, 5.0, 10.0])
def test_a_healthy_coil_warmer_or_colder_rings_like_itself(coil: Coil, kelvin: float) -> None:
    for capacitors in (CAPACITORS, CAPACITORS[:1]):
        for typed in (kelvin, None):
            finding = judged(coil.at(kelvin), coil, capacitors, typed)
            assert finding.verdict.headline is Headline.NO_SHORT, (capacitors, typed)
            assert finding.inductance_henries is not None


@pytest.mark.parametrize("coil", COILS)
@pytest.mark.parametrize("loop_s", [3e-4, 1e-3, 3e-3])
@pytest.mark.parametrize("slack", [0.1, 0.3, 0.6])
def test_closed_copper_round_a_real_core_is_never_cleared(coil: Coil, loop_s: float, slack: float) -> None:
    shorted = replace(coil, loop_s=loop_s, slack=slack)
    if shorted.ring(CAPACITORS[0])[1] < 0.6:
        pytest.skip("it does not ring")
    one, two = (judged(shorted, coil, c).verdict for c in (CAPACITORS[:1], CAPACITORS))
    assert Headline.NO_SHORT not in (one.headline, two.headline)
    if one.shows is not None and one.shows >= 0.95:
        assert two.shows is not None
        assert two.shows >= 0.95
