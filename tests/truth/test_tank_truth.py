"""Tank figures against GTC and the GUM, measured series circuits, ngspice, and Monte Carlo."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from coilbell.record import Capacitor, Loading
from coilbell.winding import (
    FreeRing,
    HealthyTank,
    Load,
    SeveralCapacitorTank,
    TankDoubtKind,
    propagate,
    ring,
    tank_of_one,
    tank_of_several,
)
from golden.spice_faults import circuits
from outside import require

VOLTS, AMPS, PHASE = (4.9990, 0.0032), (19.6610e-3, 0.0095e-3), (1.04446, 0.00075)
CORRELATIONS = {(0, 1): -0.36, (0, 2): 0.86, (1, 2): -0.65}
"""JCGM 100:2008, annex H.2, table H.2."""


def impedance(x: np.ndarray) -> np.ndarray:
    ohms = x[0] / x[1]
    return np.stack([ohms * np.cos(x[2]), ohms * np.sin(x[2]), ohms])


class TestPropagation:
    def covariance(self) -> np.ndarray:
        spread = np.array([VOLTS[1], AMPS[1], PHASE[1]])
        matrix = np.eye(3)
        for (i, j), r in CORRELATIONS.items():
            matrix[i, j] = matrix[j, i] = r
        return matrix * np.outer(spread, spread)

    def test_gum_h2_as_published(self) -> None:
        """R 127.732 (0.070), X 219.847 (0.296), Z 254.260 (0.237) ohm."""
        values = np.array([VOLTS[0], AMPS[0], PHASE[0]])
        value, covariance = propagate(impedance, values, self.covariance())
        np.testing.assert_allclose(value, [127.732, 219.847, 254.260], rtol=5e-6)
        spread = np.sqrt(np.diag(covariance))
        np.testing.assert_allclose(spread, [0.070, 0.296, 0.237], rtol=1e-2)
        # Table H.4 (from memory), which rests on inputs with more digits than it prints.
        found = covariance / np.outer(spread, spread)
        np.testing.assert_allclose(
            [found[0, 1], found[0, 2], found[1, 2]], [-0.588, -0.485, 0.993], atol=6e-3
        )

    def test_gum_h2_by_gtc(self) -> None:
        require("GTC")
        from GTC import cos, get_correlation, multiple_ureal, set_correlation, sin

        pairs = (VOLTS, AMPS, PHASE)
        v, i, phase = inputs = multiple_ureal([p[0] for p in pairs], [p[1] for p in pairs], 5)
        for (a, b), r in CORRELATIONS.items():
            set_correlation(r, inputs[a], inputs[b])
        theirs = [v / i * cos(phase), v / i * sin(phase), v / i]
        value, covariance = propagate(impedance, np.array([p[0] for p in pairs]), self.covariance())
        for k, quantity in enumerate(theirs):
            assert value[k] == pytest.approx(quantity.x, rel=1e-12)
            assert math.sqrt(covariance[k, k]) == pytest.approx(quantity.u, rel=1e-9)
        ours = covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1])
        assert ours == pytest.approx(get_correlation(theirs[0], theirs[1]), rel=1e-9)


FREQUENCY, QUALITY, CROSS = (21.59e3, 2.0), (123.7, 0.4), -0.3
CAPACITOR = Capacitor(22e-9, 0.01, loss_tangent=3e-4)
LOADING = Loading(1e-6, 40e-12, 5e-8, 5e-12)


class TestOneCapacitorByGTC:
    """The same formulae in GTC's uncertain numbers, written out again from w0, Q and C."""

    def theirs(self) -> dict[str, tuple[float, float]]:
        require("GTC")
        from GTC import multiple_ureal, set_correlation, sqrt, ureal

        hz, q = multiple_ureal([FREQUENCY[0], QUALITY[0]], [FREQUENCY[1], QUALITY[1]], math.inf)
        set_correlation(CROSS, hz, q)
        test, tangent = ureal(22e-9, 22e-11), ureal(3e-4, 1.5e-4)
        siemens, own, stray = ureal(1e-6, 5e-8), ureal(40e-12, 5e-12), ureal(2.1e-9, 1e-10)
        w0 = 2 * math.pi * hz / sqrt(1 - 1 / (4 * q**2))
        c = test + own + stray
        inductance = 1 / (w0**2 * c)
        loss = w0 * c / q - siemens - w0 * test * tangent
        quality = 1 / (1 / q - siemens / (w0 * c) - test / c * tangent)
        named = {
            "inductance_henries": inductance,
            "loss_siemens": loss,
            "q": quality,
            "natural_hz": w0 / (2 * math.pi),
        }
        return {name: (number.x, number.u) for name, number in named.items()}

    def test_values_and_uncertainties(self) -> None:
        found = tank_of_one(
            FreeRing.from_q(*FREQUENCY[:1], QUALITY[0], FREQUENCY[1], QUALITY[1], CROSS),
            CAPACITOR,
            LOADING,
            (2.1e-9, 1e-10),
        )
        for name, (value, uncertainty) in self.theirs().items():
            figure = getattr(found, name)
            assert figure.value == pytest.approx(value, rel=1e-10), name
            assert figure.standard_uncertainty == pytest.approx(uncertainty, rel=1e-6), name


def captures(tank: HealthyTank, *farads: float, tolerance: float = 0.01) -> list[tuple[FreeRing, Capacitor]]:
    """Rings of a winding whose stray capacitance is `tank.farads` with these test capacitors."""
    found = []
    for test in farads:
        rung = ring(tank.with_farads(tank.farads + test))
        hz, q = float(rung.damped_hz), float(rung.q)
        found.append((FreeRing.from_q(hz, q, hz * 2e-5, q * 2e-3, -0.2), Capacitor(test, tolerance)))
    return found


class TestTwoCapacitorsByGTC:
    """Two captures in closed form: 1/w0^2 is a straight line over C, 2 a one over 1/c."""

    @pytest.mark.parametrize(
        "tank",
        [HealthyTank(2.25e-3, 2.12e-9, 0.8, 1.6e-5), HealthyTank(10e-3, 0.3e-9, 90.0, 2e-4)],
        ids=["high Q", "Q near 3"],
    )
    def test_values_and_uncertainties(self, tank: HealthyTank) -> None:
        require("GTC")
        from GTC import log, multiple_ureal, set_correlation, sqrt, ureal

        w, rate, test = [], [], []
        both = captures(tank, 22e-9, 4.7e-9)
        for free, capacitor in both:
            hz, q = multiple_ureal(
                [free.angular_per_s / (2 * math.pi), free.q],
                [free.angular_per_s / (2 * math.pi) * 2e-5, free.q * 2e-3],
                math.inf,
            )
            set_correlation(-0.2, hz, q)
            w.append(2 * math.pi * hz / sqrt(1 - 1 / (4 * q**2)))
            rate.append(w[-1] / q)
            test.append(ureal(capacitor.farads, capacitor.farads * 0.01))
        apparent = (1 / w[0] ** 2 - 1 / w[1] ** 2) / (test[0] - test[1])
        stray = 1 / (w[0] ** 2 * apparent) - test[0]
        c = [t + stray for t in test]
        shunt = (rate[0] - rate[1]) / (1 / c[0] - 1 / c[1])
        over = rate[0] - shunt / c[0]
        henries = apparent / (1 - over * shunt * apparent)
        slope = log(rate[0] * c[0] / (rate[1] * c[1])) / log(w[0] / w[1])
        found = tank_of_several(both)
        for name, theirs in {
            "inductance_henries": henries,
            "stray_farads": stray,
            "series_ohms": over * henries,
            "shunt_siemens": shunt,
            "loss_slope": slope,
        }.items():
            figure = getattr(found, name)
            assert figure.value == pytest.approx(theirs.x, rel=1e-8), name
            assert figure.standard_uncertainty == pytest.approx(theirs.u, rel=1e-6), name


class TestMeasuredSeriesCircuits:
    """Series R-L-C circuits of student laboratories: parts and figures as the reports print them.

    Sources: RWTH Aachen, reports "Schwingung" and GP2; University of Bologna, report of 2021.
    """

    @pytest.mark.parametrize(
        ("decay", "hz", "farads", "henries", "ohms", "band"),
        [
            (132.222, 264.422, 10e-6, 36e-3, 9.52, 1e-5),
            (295.833, 261.046, 10e-6, 36e-3, 21.3, 1e-5),
            (6230.0, 8766.5, 32.0e-9, 10.17e-3, 126.72, 1e-3),
        ],
    )
    def test_decay_and_frequency(
        self, decay: float, hz: float, farads: float, henries: float, ohms: float, band: float
    ) -> None:
        found = tank_of_one(FreeRing(2 * math.pi * hz, decay, np.zeros((2, 2))), Capacitor(farads))
        assert found.inductance_henries.value == pytest.approx(henries, rel=band)
        assert found.series_ohms.value == pytest.approx(ohms, rel=band)

    @pytest.mark.parametrize(
        ("q", "natural_hz", "farads", "henries", "ohms"),
        [
            (9.59, 2027.8, 4.735e-6, 1.301e-3, 1.728),
            (3.52, 1060.1, 4.719e-6, 4.776e-3, 9.039),
            (2.30, 1060.1, 4.719e-6, 4.776e-3, 13.81),
        ],
    )
    def test_quality(self, q: float, natural_hz: float, farads: float, henries: float, ohms: float) -> None:
        damped = natural_hz * math.sqrt(1 - 1 / (4 * q * q))
        found = tank_of_one(FreeRing.from_q(damped, q), Capacitor(farads))
        assert found.inductance_henries.value == pytest.approx(henries, rel=1e-3)
        assert found.series_ohms.value == pytest.approx(ohms, rel=3e-3)


class TestByNgspice:
    """Rings that ngspice gave for a winding of 2.25 mH, 0.8 ohm, 60 kohm (tests/golden/spice_faults)."""

    def free(self, name: str) -> FreeRing:
        figures = json.loads(circuits.FIGURES.read_text())[name]["poles"]
        hz, q = figures["frequency_hz"], figures["q"]
        return FreeRing.from_q(hz, q, hz * 1e-6, q * 1e-5)

    def check(self, found: SeveralCapacitorTank) -> None:
        assert found.inductance_henries.value == pytest.approx(2.25e-3, rel=1e-4)
        assert found.stray_farads.value == pytest.approx(0.0, abs=2e-12)
        assert found.series_ohms.value == pytest.approx(0.8, rel=1e-3)
        assert found.shunt_siemens.value == pytest.approx(1 / 60e3, rel=1e-3)

    def test_two_capacitors(self) -> None:
        pair = [("line-healthy", 24.12e-9), ("line-capacitance", 30.92e-9)]
        self.check(tank_of_several([(self.free(name), Capacitor(c)) for name, c in pair]))

    def test_loading_comes_off(self) -> None:
        """5 kohm across the leads as the tester's loading: what is left is the winding's own."""
        found = tank_of_one(self.free("line-loaded"), Capacitor(24.12e-9), Loading(1 / 5000), (0.0, 0.0))
        plain = tank_of_one(self.free("line-healthy"), Capacitor(24.12e-9), None, (0.0, 0.0))
        assert found.q.value == pytest.approx(plain.q.value, rel=1e-3)
        assert found.loss_siemens.value == pytest.approx(plain.loss_siemens.value, rel=1e-3)


def drawn(
    pairs: list[tuple[FreeRing, Capacitor]], rng: np.random.Generator
) -> list[tuple[FreeRing, Capacitor]]:
    """The captures as they would be measured: rates, and true capacitance against the value on the label."""
    found = []
    for free, capacitor in pairs:
        rates = rng.multivariate_normal([free.angular_per_s, free.decay_per_s], free.covariance)
        label = capacitor.farads * (1 + capacitor.tolerance * rng.standard_normal())
        found.append((FreeRing(*rates, free.covariance), Capacitor(label, capacitor.tolerance)))
    return found


TANK = HealthyTank(2.25e-3, 2.12e-9, 0.8, 1.6e-5)


class TestByMonteCarlo:
    def test_uncertainties_of_two_capacitors(self) -> None:
        rng = np.random.default_rng(20)
        pairs = captures(TANK, 22e-9, 4.7e-9, tolerance=0.005)
        told = tank_of_several(pairs)
        runs = [tank_of_several(drawn(pairs, rng)) for _ in range(400)]
        for name in ("inductance_henries", "stray_farads", "series_ohms", "shunt_siemens", "loss_slope"):
            spread = np.std([getattr(run, name).value for run in runs], ddof=1)
            assert getattr(told, name).standard_uncertainty == pytest.approx(spread, rel=0.12), name

    def test_chi_square_of_four_capacitors(self) -> None:
        rng = np.random.default_rng(21)
        pairs = captures(TANK, 47e-9, 22e-9, 10e-9, 4.7e-9)
        runs = [tank_of_several(drawn(pairs, rng)) for _ in range(150)]
        assert {run.freedom for run in runs} == {4}
        values = np.array([run.chi_square for run in runs])
        # Mean 4, variance 8 of chi-square on 4.
        assert values.mean() == pytest.approx(4.0, abs=4 * math.sqrt(8 / 150))
        alarms = sum(any(d.kind is TankDoubtKind.MODEL_MISFIT for d in run.doubts) for run in runs)
        assert alarms <= 8

    def test_loss_of_no_tank_is_noticed(self) -> None:
        """Series resistance rising with frequency, as skin effect makes it."""
        pairs = []
        for farads in (100e-9, 22e-9, 4.7e-9):
            w = 1 / math.sqrt(TANK.henries * farads)
            pairs += captures(
                HealthyTank(TANK.henries, TANK.farads, 0.5 * (w / 1e5) ** 1.5), farads, tolerance=0.002
            )
        kinds = {d.kind for d in tank_of_several(pairs).doubts}
        assert TankDoubtKind.MODEL_MISFIT in kinds


class TestSizesOfErrors:
    """What a capacitor's error does (0.06 nF: a circuit study's figure for 22 and 4.7 nF), and the slope."""

    def test_one_percent_of_the_small_capacitor(self) -> None:
        right = captures(TANK, 22e-9, 4.7e-9)
        wrong = [right[0], (right[1][0], Capacitor(4.7e-9 * 1.01))]
        good, off = tank_of_several(right), tank_of_several(wrong)
        assert abs(off.stray_farads.value - good.stray_farads.value) == pytest.approx(0.06e-9, abs=0.01e-9)
        assert good.loss_slope is not None
        assert off.loss_slope is not None
        # c1/c2 = (w2/w1)^2 whatever the labels say.
        assert off.loss_slope.value == pytest.approx(good.loss_slope.value, abs=1e-9)

    @pytest.mark.parametrize(("tank", "slope"), [("load", 0.0), ("copper", -2.0)])
    def test_slope_tells_where_the_loss_sits(self, tank: str, slope: float) -> None:
        kinds = {"load": HealthyTank(2.25e-3, 2e-9, 0.0, 1e-4), "copper": HealthyTank(2.25e-3, 2e-9, 5.0)}
        found = tank_of_several(captures(kinds[tank], 22e-9, 4.7e-9))
        assert found.loss_slope is not None
        assert found.loss_slope.value == pytest.approx(slope, abs=1e-6)

    def test_a_load_across_the_leads_is_the_shunt(self) -> None:
        found = tank_of_several(
            [
                (FreeRing.from_q(float(r.damped_hz), float(r.q), 1.0, 0.1), Capacitor(c))
                for c in (22e-9, 4.7e-9)
                for r in [ring(TANK.with_farads(TANK.farads + c), Load(10e3))]
            ]
        )
        assert found.shunt_siemens.value == pytest.approx(TANK.shunt_siemens + 1e-4, rel=1e-9)
