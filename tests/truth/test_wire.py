"""Inductance and resistance of copper wire against tabulated values.

Nagaoka's coefficient: exact values as in the tables of NBS Circular 74 and Grover (computed from the formula;
tables from memory). Solenoid of 100 turns: Wheeler's formula is within 1 %. Skin depth and resistance of wire
gauges: tables of physics pages. A wire far thicker than its skin: R = R_dc (a/(2 d) + 1/4), textbook.
"""

from __future__ import annotations

import math

import pytest

from coilbell.board.wire import COPPER, loop_henries, solenoid_henries, wire_ohms

NAGAOKA = [
    (0.1, 0.958807),
    (0.2, 0.920093),
    (0.5, 0.818136),
    (1, 0.688423),
    (2, 0.525510),
    (3, 0.429199),
    (5, 0.319825),
    (10, 0.203324),
]
INCH = 25.4e-3


@pytest.mark.parametrize(("ratio", "expected"), NAGAOKA)
def test_nagaokas_coefficient(ratio: float, expected: float) -> None:
    long = 4e-7 * math.pi * 50**2 * math.pi * 0.05**2 / 4 / (0.05 / ratio)
    assert solenoid_henries(50, 0.05, 0.05 / ratio) / long == pytest.approx(expected, abs=2e-6)


def test_solenoids() -> None:
    assert solenoid_henries(50, 50e-3, 50e-3) == pytest.approx(84.931e-6, rel=1e-4)
    assert solenoid_henries(100, INCH, 2 * INCH) == pytest.approx(102.55e-6, rel=1e-4)
    wheeler = 1e-6 * 100**2 / (18 + 40 * 2)
    assert solenoid_henries(100, INCH, 2 * INCH) == pytest.approx(wheeler, rel=0.01)


def test_a_loop_of_one_turn_is_a_short_wide_solenoid_of_its_wire() -> None:
    """A current sheet as long as the geometric mean distance of a ring of current, the wire's radius."""
    length, diameter = 1.0, 1.38e-3
    sheet = solenoid_henries(1, length / math.pi, diameter / 2 / 0.22313)
    assert loop_henries(length, diameter) == pytest.approx(sheet, rel=1e-3)


def test_direct_resistance() -> None:
    assert wire_ohms(304.8, 0.5106e-3, 0) == pytest.approx(25.67, rel=2e-3)
    assert wire_ohms(1, 1e-3, 0, 75) / wire_ohms(1, 1e-3, 0) == pytest.approx(1.21615, rel=1e-5)


@pytest.mark.parametrize(("hertz", "skin_mm"), [(1e3, 2.0898), (15.625e3, 0.52868), (1e6, 0.066085)])
def test_resistance_of_a_thick_wire(hertz: float, skin_mm: float) -> None:
    radius = 40 * skin_mm * 1e-3
    direct = 1 / (COPPER * math.pi * radius**2)
    ratio = wire_ohms(1, 2 * radius, hertz) / direct
    assert ratio == pytest.approx(40 / 2 + 0.25, rel=1e-3)


def test_resistance_of_a_thin_wire_is_the_direct_one() -> None:
    assert wire_ohms(1, 0.1e-3, 10e3) == pytest.approx(wire_ohms(1, 0.1e-3, 0), rel=1e-4)
    # (a/delta)^4/48 beyond, textbook.
    ratio = wire_ohms(1, 0.2e-3, 1e6 * 0.5) / wire_ohms(1, 0.2e-3, 0)
    delta = math.sqrt(2) * 0.066085e-3
    assert ratio - 1 == pytest.approx((0.1e-3 / delta) ** 4 / 48, rel=0.1)
