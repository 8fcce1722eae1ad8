"""A ring held against a reference that was rung at another amplitude is held less tightly."""

from __future__ import annotations

import math

import pytest

from coilbell.record import Capacitor, Connection
from coilbell.winding import Capture, Condition, Observation, Reference, find, grouped
from coilbell.winding.odds.amplitude import widened

C = Capacitor(22e-9)


def ring(volts: float | None) -> Observation:
    return Observation(
        C, 20e3, 100.0, 1e-4, 3e-3, amplitude_volts=volts, connection=Connection.OUT_OF_CIRCUIT
    )


def spread(own: float | None, reference: float | None) -> float:
    by = Reference.begin(
        "choke", "common-mode choke", [Capture(f"u{k}", Condition.GOOD, ring(reference)) for k in range(3)]
    )
    return math.sqrt(widened(grouped([ring(own)]), by)[0].covariance[1, 1])


def test_the_same_amplitude_or_none_known_changes_nothing() -> None:
    for own, reference in ((0.13, 0.13), (0.13, 0.15), (None, 0.33), (0.13, None)):
        assert spread(own, reference) == pytest.approx(3e-3)


def test_130_mv_against_400_is_wider_by_half_of_what_a_small_toroid_moves() -> None:
    assert spread(0.13, 0.4) == pytest.approx(math.hypot(3e-3, 0.02), rel=1e-6)
    assert spread(0.4, 0.13) == pytest.approx(spread(0.13, 0.4))


@pytest.mark.parametrize("where", [Connection.OUT_OF_CIRCUIT, Connection.IN_CIRCUIT])
def test_the_finding_names_the_core_s_own_part(where: Connection) -> None:
    by = Reference.begin(
        "choke", "common-mode choke", [Capture(f"u{k}", Condition.GOOD, ring(0.4)) for k in range(3)]
    )
    odds = find([ring(0.13)], by, connection=where).odds
    assert odds is not None
    assert any(
        "130 mV, the other at 400 mV: a ferrite's own loss moves by up to 4 %" in b for b in odds.basis
    )
    alike = find([ring(0.4)], by, connection=where).odds
    assert alike is not None
    assert not any("ferrite" in b for b in alike.basis)
