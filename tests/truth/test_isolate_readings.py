"""Readings as evidence against arithmetic, numerical integration and published rates.

68 ohm and 3.3 ohm that read 3.1, and 0.47 ohm: common practice, no published source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from coilbell.errors import InputError
from coilbell.isolate import (
    LINE_RATES,
    Meter,
    Ratio,
    Reading,
    common_ratio,
    dissipation,
    listen,
    parallel,
    rates_near,
    ratio_evidence,
    reading_over_network,
    shipped,
    tones,
)

KIND = shipped()["CRT monitor"]


def test_parallel_resistance() -> None:
    # 68*3.3/(68+3.3) = 224.4/71.3 = 3.14726..., by hand
    assert parallel([68, 3.3]).value == pytest.approx(224.4 / 71.3, rel=1e-12)
    assert parallel([68, 3.3]).value == pytest.approx(3.1, abs=0.06)
    assert parallel([10, 10], 0.0).value == 5.0
    assert parallel([30, 60, 20]).value == pytest.approx(10.0)


def test_parallel_uncertainty_against_sampling() -> None:
    rng = np.random.default_rng(4)
    parts = np.array([68.0, 3.3])
    sampled = 1 / (1 / (parts * rng.uniform(0.95, 1.05, (200_000, 2)))).sum(axis=1)
    assert parallel(parts.tolist(), 0.05).uncertainty == pytest.approx(sampled.std(), rel=0.02)


def test_resistors_without_sense_are_refused() -> None:
    for parts in ([], [0.0], [-3.0], [math.inf]):
        with pytest.raises(InputError, match="above 0"):
            parallel(parts)
    with pytest.raises(InputError, match="tolerance"):
        parallel([3.3], 0.9)


def test_reading_over_network_takes_leads_and_tolerance_in() -> None:
    ratio = reading_over_network(Reading(3.1, 0.05), Reading(3.1, 0.0))
    # sqrt(0.05^2 + 0.1^2)/3.1
    assert ratio.uncertainty == pytest.approx(math.hypot(0.05, 0.1) / 3.1)


def test_meter_specification() -> None:
    # 1 % of 56 + 2 digits of 1 = 2.56, over sqrt(3)
    assert Meter(1, 2).reading(56, 1).uncertainty == pytest.approx(2.56 / math.sqrt(3))


def test_dissipation() -> None:
    # 2 V across 4 ohm: 1 W. 0.5 A through 4 ohm: 1 W.
    resistor = Reading(4.0, 0.0)
    by_volts = dissipation(resistor, 2.0, voltage_v=Reading(2.0, 0.01))
    assert by_volts.power_w.value == pytest.approx(1.0)
    assert by_volts.power_w.uncertainty == pytest.approx(0.01)  # 2 U u(U)/R
    assert by_volts.load.value == pytest.approx(0.5)
    assert dissipation(resistor, 2.0, current_a=Reading(0.5, 0.0)).power_w.value == pytest.approx(1.0)
    with pytest.raises(InputError, match="exactly one"):
        dissipation(resistor, 2.0)


@pytest.mark.parametrize(
    ("surface", "says"), [(125.0, ""), (400.0, "hotter than"), (26.0, "cooler than"), (180.0, "")]
)
def test_temperature_is_held_against_the_power(surface: float, says: str) -> None:
    # Half its rating: 65..150 K of rise, 90..175 C in air of 25 C.
    found = dissipation(Reading(4.0, 0.0), 2.0, voltage_v=Reading(2.0, 0.01), surface_c=surface)
    assert found.rise_k == pytest.approx((65.0, 100.0, 150.0))
    assert (says in " ".join(found.remarks)) if says else not found.remarks


def test_beyond_the_rating_is_said() -> None:
    found = dissipation(Reading(0.47, 0.0), 5.0, voltage_v=Reading(2.2, 0.01))
    assert "2.1 times its rating" in found.remarks[0]


def test_the_closed_integral_against_quadrature() -> None:
    values, spreads = np.array([0.448, 0.423, 0.439]), np.array([0.03, 0.05, 0.04])
    step = KIND.step_named("rails-loaded")
    evidence = ratio_evidence(step, [Ratio(v, u) for v, u in zip(values, spreads, strict=True)], "")

    def density(rho: float) -> float:
        z = (values - rho) / spreads
        return float(np.prod(np.exp(-0.5 * z**2) / (spreads * math.sqrt(2 * math.pi))))

    for outcome, log in zip(step.outcome, evidence.log_likelihoods, strict=True):
        if outcome.pattern != "common":
            continue
        low, high = outcome.range or (0, 0)
        integral = quad(density, low, high, points=[min(max(0.44, low), high)])[0] / (high - low)
        assert math.exp(log) == pytest.approx(0.99 * integral + 0.01 / 27, rel=1e-6)


def test_one_ratio_and_its_agreement() -> None:
    # Equal weights: mean of 0.40 and 0.44 is 0.42; chi2 = 2 (0.02/0.02)^2 = 2 on 1 degree: p 0.1573 (tables)
    one, tail = common_ratio([Ratio(0.40, 0.02), Ratio(0.44, 0.02)], scatter=0.0)
    assert one.value == pytest.approx(0.42)
    assert one.uncertainty == pytest.approx(0.02 / math.sqrt(2))
    assert tail == pytest.approx(0.1573, abs=1e-4)


def test_published_line_rates() -> None:
    # ITU-R BT.470 and BT.1700 family: 15 625 Hz exactly; 4.5 MHz/286 = 15 734.2657 Hz (63.5556 us)
    rates = {rate.name: rate.hz for rate in LINE_RATES}
    assert rates["625 lines, 50 fields"] == 15625.0
    assert 1e6 / rates["625 lines, 50 fields"] == 64.0
    assert rates["525 lines, 59.94 fields"] == pytest.approx(15734.2657, abs=1e-4)
    assert 1e6 / rates["525 lines, 59.94 fields"] == pytest.approx(63.5556, abs=1e-4)
    assert rates["525 lines, 59.94 fields"] / 525 == pytest.approx(60 / 1.001 / 2, rel=1e-12)


@pytest.mark.parametrize("hz", [15625.0, 4.5e6 / 286])
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_line_rates_are_named_from_sound(hz: float, rate_hz: int) -> None:
    t = np.arange(3 * rate_hz) / rate_hz
    noise = np.random.default_rng(7).normal(0, 0.02, t.size)
    line = listen(0.005 * np.cos(2 * np.pi * hz * t + 1.0) + noise, rate_hz).line
    assert line is not None
    assert line.rates[0][0].hz == hz
    assert abs(line.tone.frequency_hz - hz) < 4 * line.tone.noise_hz < 0.5
    assert line.tone.uncertainty_hz == pytest.approx(hz * 50e-6, rel=0.05), "the clock's, not the noise's"


def test_the_two_television_rates_are_told_apart_and_15750_is_not_one_of_them() -> None:
    assert [r.name for r, _ in rates_near(15625.0, 0.8)] == ["625 lines, 50 fields"]
    assert rates_near(15734.3, 0.8)[0][0].name == "525 lines, 59.94 fields"
    assert rates_near(15750.0, 0.8)[0][0].name == "525 lines, 60 fields"
    assert not rates_near(15900.0, 0.8)


def test_frequency_reaches_its_stated_uncertainty_and_stays_near_the_bound() -> None:
    # Bound of a real sine in white noise, sqrt(24)(s/A) fs/(2 pi sqrt(N(N^2-1))): IEEE 1057 literature.
    rng = np.random.default_rng(11)
    rate, n, amplitude, sigma = 48000.0, 12000, 0.1, 0.1
    bound = math.sqrt(24) * (sigma / amplitude) * rate / (2 * math.pi * math.sqrt(n * (n**2 - 1.0)))
    z, errors = [], []
    for _ in range(100):
        f = 15625.0 + rng.uniform(-2, 2)
        x = amplitude * np.cos(2 * np.pi * f * np.arange(n) / rate + rng.uniform(0, 6.28))
        found = tones(x + rng.normal(0, sigma, n), rate, 7000, 24000, clock_ppm=1e-3)[0]
        errors.append(found.frequency_hz - f)
        z.append(errors[-1] / found.noise_hz)
    assert 1.2 < np.std(errors) / bound < 1.9, "a Hann window costs half as much again"
    assert 0.78 < np.std(z) < 1.22


def test_noise_alone_makes_no_tone() -> None:
    rng = np.random.default_rng(3)
    assert sum(len(tones(rng.normal(0, 1, 24000), 48000, 7000, 24000)) for _ in range(60)) == 0
