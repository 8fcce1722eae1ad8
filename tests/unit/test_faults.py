"""Fault circuits: what they do by construction, families over severity, and what they refuse."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbell.errors import InputError
from coilbell.winding import (
    AddedCapacitance,
    Circuit,
    CoreChange,
    HealthyTank,
    Load,
    OpenWinding,
    RectifierStack,
    ShortedRectifier,
    ShortedTurns,
    WindingLoad,
    coupling_of,
    fault_curves,
    largest_visible_resistance,
    ring,
    rings,
    shift,
)

TANK = HealthyTank(2.25e-3, 24.12e-9, 0.8, 1 / 60e3)
LEAKY = HealthyTank(2.25e-3, 24.12e-9, 0.8, 1e-6, 1.5e-5, 0.03)


def loss_free(tank: HealthyTank) -> float:
    return 1 / (2 * math.pi * math.sqrt(tank.henries * tank.farads))


class TestHealthyTank:
    @pytest.mark.parametrize("q", [0.7, 1.5, 5.0, 130.0])
    @pytest.mark.parametrize("series", [0.0, 0.35, 1.0])
    def test_from_ring_rings_as_asked(self, q: float, series: float) -> None:
        found = ring(HealthyTank.from_ring(21.6e3, q, 24e-9, series, (1 - series) / 2))
        assert float(found.natural_hz) == pytest.approx(21.6e3, rel=1e-10)
        assert float(found.q) == pytest.approx(q, rel=1e-10)

    def test_series_loss_alone_by_hand(self) -> None:
        found = ring(HealthyTank(36e-3, 10e-6, 9.52))
        assert float(found.decay_per_s) == pytest.approx(9.52 / 72e-3, rel=1e-12)
        assert float(found.natural_hz) == pytest.approx(loss_free(HealthyTank(36e-3, 10e-6)), rel=1e-12)

    def test_without_loss(self) -> None:
        found = ring(HealthyTank(1e-3, 1e-9))
        assert float(found.natural_hz) == pytest.approx(loss_free(HealthyTank(1e-3, 1e-9)), rel=1e-12)
        assert abs(float(found.q)) > 1e12

    @pytest.mark.parametrize(
        "fields",
        [
            {"henries": 0.0},
            {"farads": math.inf},
            {"series_ohms": -1.0},
            {"shunt_siemens": math.nan},
            {"core_siemens": -1e-9},
            {"leakage": 1.0},
        ],
    )
    def test_refuses(self, fields: dict[str, float]) -> None:
        with pytest.raises(InputError, match=next(iter(fields))):
            HealthyTank(**{"henries": 1e-3, "farads": 1e-9, **fields})

    @pytest.mark.parametrize("given", [(0.0, 10.0, 0.0, 0.0), (1e4, 0.5, 0.0, 0.0), (1e4, 9.0, 0.7, 0.4)])
    def test_refuses_impossible_rings(self, given: tuple[float, float, float, float]) -> None:
        with pytest.raises(InputError):
            HealthyTank.from_ring(given[0], given[1], 1e-9, given[2], given[3])


class TestShift:
    def test_load_across_the_leads_moves_along_loss_only(self) -> None:
        tank = HealthyTank(2.25e-3, 24.12e-9, 0.0, 1e-5)
        ohms = np.array([1e5, 1e4, 1e3, 200.0])
        loss, drop = shift(Load(ohms), tank)
        assert np.abs(drop).max() < 1e-12
        np.testing.assert_allclose(loss, math.sqrt(tank.henries / tank.farads) / ohms, rtol=1e-12)

    def test_core_moves_along_drop(self) -> None:
        loss, drop = shift(CoreChange(0.5), HealthyTank(2.25e-3, 24.12e-9, 0.0, 1e-5))
        assert float(drop) == pytest.approx(1.0, rel=1e-12)
        assert float(loss) == pytest.approx(0.0, abs=1e-12)

    def test_capacitance_moves_down(self) -> None:
        _, drop = shift(AddedCapacitance(TANK.farads), TANK)
        assert float(drop) == pytest.approx(-0.5, abs=1e-5)

    def test_open_does_not_ring(self) -> None:
        assert np.isnan(shift(OpenWinding(), TANK)).all()

    def test_tight_turn_lies_between(self) -> None:
        # 46..55 degrees for a turn of the winding itself, by a circuit study of invented parts.
        loss, drop = shift(ShortedTurns(1, 80, 0.03, coupling_of(0.4)), TANK)
        assert 40 < math.degrees(math.atan2(float(drop), float(loss))) < 70

    def test_leaky_turn_looks_like_a_load(self) -> None:
        loss, drop = shift(ShortedTurns(1, 80, 2.0, coupling_of(0.4)), TANK)
        assert math.degrees(math.atan2(float(drop), float(loss))) < 3


class TestFamilies:
    def test_a_family_is_its_members(self) -> None:
        turns = np.array([1.0, 2.0, 5.0])[:, None]
        ohms = np.geomspace(1e-3, 1e2, 7)
        family = shift(ShortedTurns(turns, 80, ohms, 0.8), LEAKY)
        assert family[0].shape == (3, 7)
        for i in range(3):
            for j in range(7):
                one = shift(ShortedTurns(float(turns[i, 0]), 80, float(ohms[j]), 0.8), LEAKY)
                np.testing.assert_allclose([f[i, j] for f in family], one, rtol=1e-9, atol=1e-12)

    def test_no_ring_inside_a_family(self) -> None:
        found = ring(TANK, Load(np.array([1e4, 100.0, 1e3])))
        assert np.isnan(found.q).tolist() == [False, True, False]

    def test_eigenvalues_and_newton_agree(self) -> None:
        # Around the edge of ringing Newton's method hands over to the eigenvalues.
        edge = math.sqrt(TANK.henries / TANK.farads) / 2
        ohms = edge * np.array([1.0 + 1e-3, 1.0 + 1e-5, 1.0 - 1e-3])
        found = ring(HealthyTank(TANK.henries, TANK.farads), Load(ohms))
        expected = ohms[:2] / (2 * edge)
        np.testing.assert_allclose(found.q[:2], expected, rtol=1e-6)
        assert np.isnan(found.q[2])

    @settings(max_examples=200, deadline=None, derandomize=True)
    @given(st.lists(st.floats(-4, 4), min_size=6, max_size=6), st.floats(0, 0.9))
    def test_no_passive_circuit_grows_or_hides_its_ring(self, sizes: list[float], leak: float) -> None:
        series, shunt, core, loop, loop_leak, scale = (10.0**s for s in sizes)
        circuit = Circuit(
            1e-9 * scale,
            1e-3 * scale * (1 - leak),
            1e-3 * scale * leak,
            1e3 * series,
            1e-3 * shunt,
            1e-3 * core,
            1e3 * loop,
            1e-3 * scale * loop_leak,
        )
        found = rings(circuit)
        if not np.isnan(found.q):
            assert float(found.q) > 0.5
            p = complex(-float(found.decay_per_s), 2 * math.pi * float(found.damped_hz))
            z = 1 / (
                1 / (p * circuit.core_henries)
                + circuit.core_siemens
                + 1 / (circuit.loop_ohms + p * circuit.loop_henries)
            )
            terms = [p * circuit.farads, circuit.shunt_siemens]
            terms.append(1 / (circuit.series_ohms + p * circuit.leak_henries + z))
            assert abs(sum(terms)) < 1e-6 * max(abs(t) for t in terms)


class TestQIsNotMonotonic:
    def test_worst_where_resistance_equals_leakage_reactance(self) -> None:
        # Weak coupling, so that the ring stays where it is: loss R/(R^2 + X^2) is largest at R = X.
        k = 0.02
        ohms = np.geomspace(1, 1e4, 4001)
        found = ring(TANK, ShortedTurns(1, 80, ohms, k))
        worst = ohms[np.nanargmin(found.q)]
        slack = TANK.henries * (1 / k**2 - 1) / 80**2
        assert worst == pytest.approx(2 * math.pi * float(ring(TANK).natural_hz) * slack, rel=0.02)
        assert found.q[0] > found.q.min()
        assert found.q[-1] > found.q.min()

    def test_nothing_shows_where_the_healthy_winding_does_not_ring(self) -> None:
        damped = HealthyTank(2.2e-3, 24e-9, 0.0, 1 / 100.0)
        assert largest_visible_resistance(damped, 1, 80, 0.2) is None

    @pytest.mark.parametrize("spread", [0.2, 0.02])
    def test_largest_visible_resistance_is_the_one_that_just_shows(self, spread: float) -> None:
        k = float(coupling_of(0.4))
        ohms = largest_visible_resistance(TANK, 1, 80, spread, k)
        assert ohms is not None
        fall = math.log(float(ring(TANK).q) / float(ring(TANK, ShortedTurns(1, 80, ohms, k)).q))
        assert fall == pytest.approx(3 * spread, rel=2e-3)

    def test_its_usual_size(self) -> None:
        # (w L/N^2) Q0/(3 s) for small 3 s.
        found = largest_visible_resistance(TANK, 1, 80, 0.001)
        expected = 2 * math.pi * 21.6e3 * 2.25e-3 / 80**2 * 129.7 / 0.003
        assert found == pytest.approx(expected, rel=2e-3)

    def test_a_turn_too_loose_never_shows(self) -> None:
        assert largest_visible_resistance(TANK, 1, 80, 0.2, coupling=0.03) is None

    @pytest.mark.parametrize("spread", [0.0, -1.0, math.nan])
    def test_refuses_a_spread(self, spread: float) -> None:
        with pytest.raises(InputError, match="spread"):
            largest_visible_resistance(TANK, 1, 80, spread)


class TestRefusals:
    @pytest.mark.parametrize(
        ("fault", "said"),
        [
            (ShortedTurns(1, 80, 0.1, 0.99), "at most 0.984886"),
            (ShortedTurns(1, 80, 0.1, 0.0), "coupling"),
            (ShortedTurns(0, 80, 0.1, 0.5), "turns over of_turns"),
            (ShortedTurns(1, 80, -0.1, 0.5), "loop ohms -0.1"),
            (ShortedTurns(1, 80, 0.1, 0.5, 0.0), "loop_henries"),
            (WindingLoad(10.0, 0.0, 0.5), "turns_ratio"),
            (Load(np.array([1e3, 0.0])), "load ohms 0.0"),
            (CoreChange(0.02), "inductance_factor"),
            (ShortedRectifier(-1e-12), "reflected_farads"),
        ],
    )
    def test_impossible_faults(self, fault: Load, said: str) -> None:
        with pytest.raises(InputError, match=said):
            ring(LEAKY, fault)

    @pytest.mark.parametrize("fields", [{"farads": 0.0}, {"core_henries": -1.0}, {"series_ohms": math.nan}])
    def test_impossible_circuits(self, fields: dict[str, float]) -> None:
        with pytest.raises(InputError, match=next(iter(fields))):
            Circuit(**{"farads": 1e-9, "core_henries": 1e-3, **fields})


class TestRectifierStack:
    STACK = RectifierStack(3, 10.0, 1e-13, 13.1e-12, 7.2e-12, 2.8e-12, 3e-12)

    def test_one_grounded_section_by_hand(self) -> None:
        # v n across self and head, and diode in series with the anode: n^2 (c + h + d a/(d + a)).
        stack = RectifierStack(1, 10.0, 1e-12, 5e-12, 4e-12, 2e-12, 6e-12, return_grounded=True)
        assert stack.reflected_farads() == pytest.approx(100 * (1 + 4 + 12 / 8) * 1e-12, rel=1e-12)
        assert stack.reflected_farads([1]) == pytest.approx(100 * (1 + 4 + 6) * 1e-12, rel=1e-12)

    def test_shorting_never_takes_capacitance_away(self) -> None:
        for k in (1, 2, 3):
            assert self.STACK.added_farads([k]) > 0
        assert self.STACK.added_farads([1, 2, 3]) > max(self.STACK.added_farads([k]) for k in (1, 2, 3))

    def test_refuses(self) -> None:
        with pytest.raises(InputError, match="no rectifier 4"):
            self.STACK.reflected_farads([4])
        with pytest.raises(InputError, match="sections"):
            RectifierStack(0, 10.0, 1e-13, 1e-12, 1e-12, 1e-12, 1e-12)
        with pytest.raises(InputError, match="diode_farads"):
            RectifierStack(3, 10.0, 1e-13, 1e-12, 1e-12, 0.0, 1e-12)


class TestCurves:
    def test_every_curve_starts_near_the_healthy_point(self) -> None:
        curves = fault_curves(LEAKY, 80)
        assert len({c.name for c in curves}) == 5
        healthy_loss = 1 / float(ring(LEAKY).q)
        for curve in curves:
            assert curve.severity.shape == curve.added_loss.shape == curve.inductance_drop.shape
            assert not curve.added_loss.flags.writeable
            assert abs(curve.added_loss[0]) < 0.3 * healthy_loss
            assert abs(curve.inductance_drop[0]) < 5e-3

    def test_curves_of_a_hardly_ringing_part(self) -> None:
        for curve in fault_curves(HealthyTank.from_ring(1e3, 0.8, 1e-7, 0.3), 500):
            assert curve.added_loss.shape == (200,)
