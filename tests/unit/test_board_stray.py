"""The tester's own capacitance from rings: formulae, uncertainties, rows, what is kept."""

from __future__ import annotations

import math
from dataclasses import replace

import GTC
import numpy as np
import pytest

from coilbell.board import Identity, Known, Row, Rung, Tester, examined
from coilbell.board.limits import limit_of, limited
from coilbell.board.stray import by_coil, by_two
from scripted import ScriptedBoard

HENRIES, STRAY = 1e-3, 1.3e-9
PARTS = {"A": 22e-9, "B": 2.2e-9, "-": 0.0}


@pytest.fixture(scope="module")
def identity() -> Identity:
    """A with 1 %, B with 2 %."""
    return Tester(ScriptedBoard()).hello()


def _hertz(farads: float, henries: float = HENRIES) -> float:
    return 1 / (2 * math.pi * math.sqrt(henries * farads))


def _rings(letters: str = "AB-", added: float = 0.0, stray: float = STRAY) -> dict[str, Rung]:
    return {x: Rung(_hertz(PARTS[x] + stray + added), 1.0, "rings") for x in letters}


def _named(rows: list[Row]) -> dict[str, Row]:
    return {row.name: row for row in rows}


# --- formulae, against an uncertainty calculator from outside: GTC ---


def test_one_ring_of_a_known_coil() -> None:
    hertz, coil, known = GTC.ureal(85e3, 40.0), GTC.ureal(1e-3, 8e-6), GTC.ureal(2.2e-9, 22e-12)
    wanted = 1 / ((2 * math.pi * hertz) ** 2 * coil) - known
    found = by_coil(Rung(85e3, 40.0), Known(1e-3, 8e-6), Known(2.2e-9, 22e-12))
    assert found.value == pytest.approx(wanted.x, rel=1e-12)
    assert found.uncertainty == pytest.approx(wanted.u, rel=1e-9)


def test_two_test_capacitors_and_any_coil() -> None:
    slow, quick = GTC.ureal(33e3, 60.0), GTC.ureal(85e3, 150.0)
    large, small = GTC.ureal(22e-9, 220e-12), GTC.ureal(2.2e-9, 22e-12)
    wanted = (large * slow**2 - small * quick**2) / (quick**2 - slow**2)
    found = by_two(Rung(33e3, 60.0), Known(22e-9, 220e-12), Rung(85e3, 150.0), Known(2.2e-9, 22e-12))
    assert found is not None
    assert found.value == pytest.approx(wanted.x, rel=1e-12)
    assert found.uncertainty == pytest.approx(wanted.u, rel=1e-9)


def test_rings_in_the_wrong_order_tell_nothing() -> None:
    assert by_two(Rung(85e3, 1.0), Known(22e-9, 0), Rung(33e3, 1.0), Known(2.2e-9, 0)) is None


# --- rows ---


def test_a_known_coil_gives_stray_coil_and_the_switches(identity: Identity) -> None:
    rows, constants = examined(_rings(), identity, Known(HENRIES, 1e-5), None)
    named = _named(rows)
    assert list(named) == ["stray capacitance", "reference coil", "A to B", "stray, all open"]
    stray = named["stray capacitance"]
    assert stray.value == pytest.approx(STRAY, rel=1e-9)
    # 1 % of 3.5 nF by the coil, 2 % of 2.2 nF by B, 25 pF that the coil may bring along.
    assert stray.uncertainty == pytest.approx(math.hypot(35e-12, 44e-12, 25e-12), rel=0.01)
    assert named["stray, all open"].value == pytest.approx(STRAY, rel=1e-9)
    assert named["reference coil"].value == pytest.approx(HENRIES, rel=1e-9)
    assert all(row.passed for row in rows)
    assert constants == {"stray_ff": 1_300_000, "stray_uncertainty_ff": round(stray.uncertainty * 1e15)}


def test_without_a_known_coil_the_test_capacitors_do_it(identity: Identity) -> None:
    rows, constants = examined(_rings(), identity, None, None)
    named = _named(rows)
    assert list(named) == ["stray capacitance", "coil", "A to B", "stray, all open"]
    assert named["stray capacitance"].value == pytest.approx(STRAY, rel=1e-9)
    assert "two test capacitors" in named["stray capacitance"].note
    assert named["coil"].value == pytest.approx(HENRIES, rel=1e-9)
    # The coil may be any winding, with any capacitance of its own.
    assert constants == {}
    assert "kept of a known coil only" in named["stray capacitance"].note


def test_a_known_capacitor_beside_the_coil_is_taken_off(identity: Identity) -> None:
    added = Known(10e-9, 100e-12)
    rows, _ = examined(_rings(added=10e-9), identity, Known(HENRIES, 1e-5), added)
    named = _named(rows)
    assert named["stray capacitance"].value == pytest.approx(STRAY, rel=1e-9)
    assert named["stray capacitance"].uncertainty == pytest.approx(
        math.hypot(135e-12, 44e-12, 100e-12, 25e-12), rel=0.01
    )
    assert named["reference coil"].value == pytest.approx(HENRIES, rel=1e-9)


@pytest.mark.parametrize("label", [1.5e-3, 0.5e-3])
def test_a_coil_with_the_wrong_label_is_found_out_and_nothing_is_kept(
    identity: Identity, label: float
) -> None:
    rows, constants = examined(_rings(), identity, Known(label, label / 100), None)
    coil = _named(rows)["reference coil"]
    assert coil.passed is False
    assert coil.value == pytest.approx(HENRIES, rel=1e-9)
    assert constants == {}


def test_a_stray_below_nothing_by_less_than_its_uncertainty_is_kept_as_none(identity: Identity) -> None:
    rings = {"B": Rung(_hertz(2.2e-9 - 30e-12), 1.0)}
    rows, constants = examined(rings, identity, Known(HENRIES, 1e-5), None)
    assert rows[0].value == pytest.approx(-30e-12, rel=1e-6)
    assert rows[0].passed
    assert constants["stray_ff"] == 0


def test_what_is_lacking_is_said(identity: Identity) -> None:
    rows, constants = examined(_rings("A"), identity, None, None)
    named = _named(rows)
    assert named["stray capacitance"].value is None
    assert "no ring with capacitor B" in named["stray capacitance"].note
    # The coil then rests on the stray capacitance that the board keeps: 25 pF here.
    assert named["coil"].value == pytest.approx(HENRIES * (22e-9 + STRAY) / (22e-9 + 25e-12), rel=1e-9)
    assert constants == {}
    rows, _ = examined(_rings("B-"), identity, None, None)
    assert [row.value for row in rows] == [None]


@pytest.mark.parametrize("known_coil", [True, False])
def test_the_truth_lies_within_the_uncertainty_as_often_as_it_should(
    identity: Identity, known_coil: bool
) -> None:
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        truth = {
            x: PARTS[x] * (1 + t * rng.standard_normal()) for x, t in (("A", 0.01), ("B", 0.02), ("-", 0))
        }
        label = HENRIES * (1 + 0.01 * rng.standard_normal())
        own = 25e-12 * rng.standard_normal()
        rings = {x: Rung(_hertz(truth[x] + STRAY + own) + rng.standard_normal(), 1.0) for x in "AB-"}
        rows, _ = examined(rings, identity, Known(label, label / 100) if known_coil else None, None)
        row = rows[0]
        assert row.value is not None
        assert row.uncertainty is not None
        held += abs(row.value - STRAY) < 1.96 * row.uncertainty
    assert 0.92 < held / 400 < 0.98


def test_the_first_board_has_limits_of_its_own(identity: Identity) -> None:
    """Open leads of the breadboard rest at 2.13 V at the converter (its table of readings, simulated)."""
    code = 2.131 / 3.3 * 4096
    first = replace(identity, constants={**identity.constants, "design": 1})
    assert limited("offset", code, limit=limit_of("offset", first)).passed
    assert not limited("offset", code, limit=limit_of("offset", identity)).passed
