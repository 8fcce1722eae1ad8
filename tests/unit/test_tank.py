"""Tank figures: ways in, doubts, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilbell.decay import fit
from coilbell.errors import InputError, MeasurementError
from coilbell.record import Capacitor, Loading, Record
from coilbell.winding import (
    FreeRing,
    HealthyTank,
    TankDoubtKind,
    ring,
    tank_of_one,
    tank_of_several,
)

TEST = Capacitor(22e-9, 0.01)
SMALL = Capacitor(4.7e-9, 0.01)


def rung(tank: HealthyTank, test: Capacitor, loading: Loading | None = None) -> tuple[FreeRing, Capacitor]:
    """What a winding (its `farads` the stray capacitance) gives with this capacitor and tester."""
    load = loading or Loading()
    farads = tank.farads + test.farads + load.farads
    siemens, w0 = load.siemens, 1 / math.sqrt(tank.henries * farads)
    for _ in range(40):
        extra = siemens + w0 * test.farads * test.loss_tangent
        whole = HealthyTank(tank.henries, farads, tank.series_ohms, tank.shunt_siemens + extra)
        w0 = 2 * math.pi * float(ring(whole).natural_hz)
    hz, q = float(ring(whole).damped_hz), float(ring(whole).q)
    return FreeRing.from_q(hz, q, 1e-5 * hz, 1e-3 * q), test


def kinds(found: object) -> set[TankDoubtKind]:
    return {doubt.kind for doubt in found.doubts}


class TestFreeRing:
    @pytest.mark.parametrize("q", [0.51, 0.7, 3.0, 130.0])
    def test_there_and_back(self, q: float) -> None:
        free = FreeRing.from_q(20e3, q, 1.0, 0.01 * q)
        assert free.q == pytest.approx(q, rel=1e-12)
        assert free.angular_per_s == pytest.approx(2 * math.pi * 20e3, rel=1e-12)
        assert free.natural_per_s == pytest.approx(free.angular_per_s / math.sqrt(1 - 0.25 / q**2), rel=1e-12)

    def test_from_a_fit_keeps_its_uncertainties_and_correlation(self) -> None:
        rng = np.random.default_rng(4)
        t = np.arange(400) / 1e6
        volts = np.exp(-2 * np.pi * 20e3 * t / 8) * np.cos(2 * np.pi * 20e3 * t + 0.4)
        done = fit(Record(samples=volts + 0.01 * rng.standard_normal(t.size), rate_hz=1e6), start_s=0.0)
        free = FreeRing.from_fit(done)
        mode = done.main
        assert free.q == pytest.approx(mode.q.value, rel=1e-9)
        row = done.parameters.index("decay_per_s[0]")
        column = done.parameters.index("angular_per_s[0]")
        theirs = done.covariance[row, column] / math.sqrt(
            done.covariance[row, row] * done.covariance[column, column]
        )
        ours = free.covariance[0, 1] / math.sqrt(free.covariance[0, 0] * free.covariance[1, 1])
        assert ours == pytest.approx(theirs, abs=1e-9)
        found = tank_of_one(free, Capacitor(22e-9, 0.0))
        assert found.q_measured.standard_uncertainty == pytest.approx(mode.q.standard_uncertainty, rel=0.02)

    def test_no_ring_is_said(self) -> None:
        flat = np.random.default_rng(5).standard_normal(400)
        with pytest.raises(LookupError):
            FreeRing.from_fit(fit(Record(samples=flat, rate_hz=1e6)))

    @pytest.mark.parametrize(
        ("given", "said"),
        [
            ((20e3, 0.5), "Q 0.5"),
            ((20e3, math.nan), "Q nan"),
            ((0.0, 10.0), "frequency"),
            ((20e3, 10.0, 1.0, 1.0, 2.0), "correlation"),
        ],
    )
    def test_refuses(self, given: tuple[float, ...], said: str) -> None:
        with pytest.raises(InputError, match=said):
            FreeRing.from_q(*given)

    def test_refuses_a_broken_covariance(self) -> None:
        with pytest.raises(InputError, match="2 x 2"):
            FreeRing(1e5, 1e3, np.zeros(3))
        with pytest.raises(InputError, match="decay_per_s"):
            FreeRing(1e5, -1e3, np.zeros((2, 2)))


class TestOneCapacitor:
    @pytest.mark.parametrize("q", [0.8, 2.0, 130.0])
    def test_shunt_loss_exactly(self, q: float) -> None:
        healthy = HealthyTank.from_ring(20e3, q, 2e-9, 0.0)
        load = Loading(2e-6, 50e-12)
        found = tank_of_one(*rung(healthy, TEST, load), load, (2e-9, 0.0))
        assert found.inductance_henries.value == pytest.approx(healthy.henries, rel=1e-10)
        assert found.loss_siemens.value == pytest.approx(healthy.shunt_siemens, rel=1e-8)
        assert found.capacitance_farads.value == pytest.approx(24.05e-9, rel=1e-12)

    def test_series_loss_exactly_whatever_the_tester_adds(self) -> None:
        load = Loading(1e-4, 50e-12)
        test = Capacitor(22e-9, 0.01, loss_tangent=0.01)
        found = tank_of_one(*rung(HealthyTank(2.25e-3, 2e-9, 40.0), test, load), load, (2e-9, 0.0))
        assert found.series_ohms.value == pytest.approx(40.0, rel=1e-8)

    @pytest.mark.parametrize("ohms", [0.5, 100.0])
    def test_direct_resistance_shares_out_the_loss(self, ohms: float) -> None:
        healthy = HealthyTank(2.25e-3, 2e-9, ohms, 2e-5)
        found = tank_of_one(*rung(healthy, TEST), None, (2e-9, 0.0), (ohms, 0.01 * ohms))
        assert found.other_siemens is not None
        assert found.copper_share is not None
        assert found.other_siemens.value == pytest.approx(2e-5, rel=1e-7)
        whole = ring(healthy.with_farads(24e-9))
        expected = ohms / healthy.henries / (2 * float(whole.decay_per_s))
        assert found.copper_share.value == pytest.approx(expected, rel=1e-8)

    def test_direct_resistance_changes_nothing_else(self) -> None:
        pair = rung(HealthyTank(2.25e-3, 2e-9, 1.0, 2e-5), TEST)
        low, high = (tank_of_one(*pair, None, (2e-9, 1e-10), (r, 0.0)) for r in (1.0, 1.3))
        for name in ("inductance_henries", "loss_siemens", "series_ohms", "q"):
            assert getattr(low, name) == getattr(high, name)
        assert low.doubts == high.doubts

    def test_without_direct_resistance_nothing_is_shared_out(self) -> None:
        found = tank_of_one(*rung(HealthyTank(2.25e-3, 2e-9, 1.0), TEST))
        assert found.copper_share is None
        assert found.other_siemens is None

    def test_doubts(self) -> None:
        good = HealthyTank(2.25e-3, 2e-9, 0.8, 1.6e-5)
        assert kinds(tank_of_one(*rung(good, TEST), None, (2e-9, 1e-10))) == set()
        assert kinds(tank_of_one(*rung(good, TEST))) == {TankDoubtKind.STRAY_UNKNOWN}
        low = HealthyTank.from_ring(20e3, 1.5, 24e-9, 0.5).with_farads(2e-9)
        assert TankDoubtKind.LOSS_PLACE_UNKNOWN in kinds(tank_of_one(*rung(low, TEST), None, (2e-9, 0.0)))
        heavy = Loading(1e-4, 0.0, 1e-6)
        assert TankDoubtKind.LOADING_TAKES_ALL in kinds(tank_of_one(*rung(good, TEST), heavy, (2e-9, 0.0)))
        taken = tank_of_one(*rung(good, TEST), None, (2e-9, 0.0), (20.0, 0.1))
        assert TankDoubtKind.RESISTANCE_TAKES_ALL in kinds(taken)

    def test_stray_left_out_raises_inductance_by_its_share(self) -> None:
        found = tank_of_one(*rung(HealthyTank(2.25e-3, 2e-9, 0.0, 1e-5), TEST))
        assert found.inductance_henries.value == pytest.approx(2.25e-3 * 24 / 22, rel=1e-9)

    def test_refuses(self) -> None:
        pair = rung(HealthyTank(2.25e-3, 2e-9, 0.8), TEST)
        with pytest.raises(InputError, match="stray capacitance"):
            tank_of_one(*pair, None, (-1e-9, 0.0))
        with pytest.raises(InputError, match="direct resistance of 1e"):
            tank_of_one(*pair, None, (2e-9, 0.0), (1e6, 0.0))
        with pytest.raises(InputError, match="siemens"):
            Loading(-1e-6)


class TestSeveralCapacitors:
    @pytest.mark.parametrize(
        "tank",
        [
            HealthyTank(2.25e-3, 2.12e-9, 0.8, 1.6e-5),
            HealthyTank(10e-3, 0.2e-9, 300.0, 1e-3),
            HealthyTank(0.2e-3, 0.1e-9, 0.0, 1e-5),
            HealthyTank(1.2e-3, 0.15e-9, 2.5),
        ],
    )
    @pytest.mark.parametrize("tests", [(TEST, SMALL), (SMALL, TEST), (TEST, SMALL, Capacitor(10e-9, 0.01))])
    def test_finds_what_was_put_in(self, tank: HealthyTank, tests: tuple[Capacitor, ...]) -> None:
        load = Loading(1e-6, 40e-12)
        lossy = [Capacitor(t.farads, t.tolerance, loss_tangent=2e-4) for t in tests]
        found = tank_of_several([rung(tank, t, load) for t in lossy], load)
        ohms = math.sqrt(tank.henries / TEST.farads)
        assert found.inductance_henries.value == pytest.approx(tank.henries, rel=1e-8)
        assert found.stray_farads.value == pytest.approx(tank.farads, abs=1e-17)
        assert found.series_ohms.value == pytest.approx(tank.series_ohms, abs=1e-7 * ohms)
        assert found.shunt_siemens.value == pytest.approx(tank.shunt_siemens, abs=1e-7 / ohms)
        assert found.freedom == 2 * len(tests) - 4
        assert found.chi_square < 1e-6

    def test_doubt_about_negative_stray(self) -> None:
        exact, wrong = Capacitor(22e-9, 1e-3), Capacitor(5.5e-9, 1e-3)
        tank = HealthyTank(2.25e-3, 10e-12, 0.8, 1.6e-5)
        found = tank_of_several([rung(tank, exact), (rung(tank, SMALL)[0], wrong)])
        assert TankDoubtKind.NEGATIVE_STRAY in kinds(found)

    @pytest.mark.parametrize(
        ("ohms", "siemens", "doubt"),
        [
            ((2.0, 20.0), (0.0, 0.0), TankDoubtKind.NEGATIVE_SERIES),
            ((0.0, 0.0), (1e-5, 1e-4), TankDoubtKind.NEGATIVE_SERIES),
            ((9.0, 2.0), (0.0, 0.0), TankDoubtKind.NEGATIVE_SHUNT),
        ],
    )
    def test_doubt_about_losses_of_no_tank(
        self, ohms: tuple[float, float], siemens: tuple[float, float], doubt: TankDoubtKind
    ) -> None:
        tanks = [HealthyTank(2.25e-3, 2e-9, r, g) for r, g in zip(ohms, siemens, strict=True)]
        found = tank_of_several([rung(tank, t) for tank, t in zip(tanks, (TEST, SMALL), strict=True)])
        assert kinds(found) == {doubt}

    def test_doubt_about_stray_that_is_not_known(self) -> None:
        loose = Capacitor(22e-9, 0.05), Capacitor(15e-9, 0.05)
        found = tank_of_several([rung(HealthyTank(2.25e-3, 0.2e-9, 0.8, 1e-5), t) for t in loose])
        assert TankDoubtKind.CAPACITORS_CLOSE in kinds(found)

    def test_capacitors_off_together_leave_the_slope(self) -> None:
        tank = HealthyTank(2.25e-3, 2.12e-9, 0.8, 1.6e-5)
        pairs = [rung(tank, t) for t in (TEST, SMALL)]
        apart, together = tank_of_several(pairs), tank_of_several(pairs, capacitor_correlation=1.0)
        assert apart.loss_slope is not None
        assert together.loss_slope is not None
        assert together.stray_farads.standard_uncertainty < apart.stray_farads.standard_uncertainty
        # Both capacitors 1 % high: everything scales, L by -1 %.
        assert together.inductance_henries.standard_uncertainty == pytest.approx(2.25e-5, rel=0.02)

    @pytest.mark.parametrize("sizes", [(22e-9,), (22e-9, 22.1e-9), ()])
    def test_refuses_too_few_capacitors(self, sizes: tuple[float, ...]) -> None:
        pairs = [rung(HealthyTank(2.25e-3, 2e-9, 0.8), Capacitor(c)) for c in sizes]
        with pytest.raises(InputError):
            tank_of_several(pairs)

    def test_refuses_exchanged_captures(self) -> None:
        (large, _), (small, _) = (rung(HealthyTank(2.25e-3, 2e-9, 0.8), t) for t in (TEST, SMALL))
        with pytest.raises(InputError, match="exchanged"):
            tank_of_several([(large, SMALL), (small, TEST)])

    def test_another_winding_is_noticed(self) -> None:
        large = rung(HealthyTank(2.25e-3, 2e-9, 0.8), TEST)
        small = rung(HealthyTank(2e-5, 2e-9, 0.8), SMALL)
        assert TankDoubtKind.NEGATIVE_STRAY in kinds(tank_of_several([large, small]))

    def test_refuses_less_than_no_capacitance(self) -> None:
        good = HealthyTank(2.25e-3, 2e-9, 0.8)
        tests = (TEST, SMALL, Capacitor(1e-9), Capacitor(0.5e-9))
        pairs = [rung(good, tests[0]), *(rung(HealthyTank(2e-5, 2e-9, 0.8), t) for t in tests[1:])]
        with pytest.raises(InputError, match="less than nothing"):
            tank_of_several(pairs)

    def test_iron_that_no_winding_gives_is_refused(self) -> None:
        """A simulated relay coil: eddy currents let inductance and loss follow the frequency."""
        heard = ((994.2, 1.612), (2438.5, 1.317), (6968.0, 2.09))
        tests = (Capacitor(100e-9), Capacitor(22e-9), Capacitor(4.7e-9))
        free = [FreeRing.from_q(f, q, 1e-4 * f, 3e-3 * q) for f, q in heard]
        with pytest.raises(MeasurementError, match="no winding was found"):
            tank_of_several(list(zip(free, tests, strict=True)))

    def test_refuses_a_correlation(self) -> None:
        pairs = [rung(HealthyTank(2.25e-3, 2e-9, 0.8), t) for t in (TEST, SMALL)]
        with pytest.raises(InputError, match="correlation"):
            tank_of_several(pairs, capacitor_correlation=1.5)
