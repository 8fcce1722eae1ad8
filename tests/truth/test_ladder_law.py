"""The fit over a ladder of amplitudes against independent integration of circuits with a junction.

The integration is scipy's solve_ivp on the circuit's own equations: no slow envelope, no Bessel function.
"""

from __future__ import annotations

import json
import math
from functools import cache

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from coilbell.board.simulation import Fixture, Winding, catalogue
from coilbell.decay import Bend, fit, fit_ladder
from coilbell.decay.envelope import Slow, bessel_rise, trajectory
from coilbell.errors import InputError
from coilbell.record import Capacitor, Record, WideCode
from outside import shared

L, C, G = 1.5e-3, 24e-9, 2.2e-5
THERMAL = 0.02585
LSB = 2.7586e-4
PULSES = (0.06, 0.13, 0.27, 0.5, 0.06)
SHOTS = (8, 4, 1, 1, 8)


def records(volts, rng, shots: int) -> list[Record]:
    """Shots of one rung, 12 bits with 1.2 counts of noise."""
    return [
        Record(
            samples=np.clip(np.rint(volts / LSB + 2048 + rng.normal(0, 1.2, volts.size)), 0, 4095).astype(
                int
            ),
            rate_hz=500e3,
            volts_per_count=LSB,
            full_scale=(0, 4095),
            resolution=1.0,
            pretrigger=0,
            test_capacitor=Capacitor(22e-9),
        )
        for _ in range(shots)
    ]


def integrated(amps: float, emission: float, start: float) -> np.ndarray:
    """A parallel tank with one junction across it, from `start` volts, sampled at 500 kHz [V]."""

    def slope(t, y):
        v, i = y
        return [-(i + G * v + amps * math.expm1(v / (emission * THERMAL))) / C, v / L]

    times = np.arange(2048) / 500e3
    found = solve_ivp(slope, (0, times[-1]), [start, 0.0], "DOP853", times, rtol=1e-9, atol=1e-12)
    return np.asarray(found.y[0])


@cache
def ladder(amps: float, emission: float):
    rng = np.random.default_rng(3)
    rungs = [fit(records(integrated(amps, emission, v), rng, n)) for v, n in zip(PULSES, SHOTS, strict=True)]
    return fit_ladder(rungs)


def linear_q(amps: float, emission: float) -> float:
    w = 1 / math.sqrt(L * C)
    return w * C / (G + amps / (emission * THERMAL))


@pytest.mark.parametrize(("amps", "emission"), [(3e-8, 1.8), (2e-7, 1.8), (1e-8, 1.2)])
def test_a_junction_is_named_with_its_voltage_and_the_pole_at_rest(amps, emission):
    found = ladder(amps, emission)
    assert found.bend is Bend.JUNCTION
    true_volts = emission * THERMAL
    assert found.volts is not None
    assert found.volts.value == pytest.approx(true_volts, rel=0.12)
    assert found.q.value == pytest.approx(linear_q(amps, emission), rel=0.006)
    assert abs(found.q.value - linear_q(amps, emission)) < 4 * found.q.standard_uncertainty
    # The junction's own loss at rest, G_j(0) = I_s/(n V_T), apart from the rest.
    assert found.share is not None
    share = amps / true_volts / (G + amps / true_volts)
    assert found.share.value == pytest.approx(share, abs=0.02 + 0.15 * share)


def test_a_plain_exponential_at_full_amplitude_misses_what_the_ladder_finds():
    rng = np.random.default_rng(4)
    plain = fit(records(integrated(2e-7, 1.8, 0.3), rng, 1)).main.q.value
    assert abs(plain / linear_q(2e-7, 1.8) - 1) > 0.01
    assert abs(ladder(2e-7, 1.8).q.value / linear_q(2e-7, 1.8) - 1) < 0.006


def test_a_linear_winding_has_no_law():
    found = ladder(1e-16, 1.0)
    assert found.bend is Bend.NONE
    assert abs(found.rise) < 1e-9
    assert found.q.value == pytest.approx(linear_q(0, 1), rel=1e-3)


def test_a_core_that_rises_with_amplitude_is_not_called_a_junction():
    # de/dt = -a e (1 + k e): the ladder's own equation, integrated in time by scipy.
    a, k, w = 700.0, 0.8, 2 * math.pi * 24e3
    times = np.arange(2048) / 500e3
    rng = np.random.default_rng(5)
    rungs = []
    for start, shots in zip(PULSES, SHOTS, strict=True):
        envelope = solve_ivp(
            lambda t, y: -a * y * (1 + k * y), (0, times[-1]), [start], "DOP853", times, rtol=1e-10
        ).y[0]
        rungs.append(fit(records(envelope * np.cos(w * times), rng, shots)))
    found = fit_ladder(rungs)
    assert found.bend is Bend.CORE
    assert found.core_per_volt is not None
    assert found.core_per_volt.value == pytest.approx(k, rel=0.1)
    assert found.decay_per_s.value == pytest.approx(a, rel=0.01)
    # Told by the reference's ladder, it is taken off and no law is left.
    assert fit_ladder(rungs, core_per_volt=k * a).bend is Bend.NONE


def test_the_law_and_the_trajectory_are_those_of_the_equation():
    # I1 by its integral, (1/pi) int exp(x cos t) cos t dt.
    t = np.linspace(0, math.pi, 20001)
    for x in (0.01, 1.0, 8.0):
        i1 = np.trapezoid(np.exp(x * np.cos(t)) * np.cos(t), t) / math.pi
        assert bessel_rise(np.array([x]))[0] == pytest.approx(2 * i1 / x, rel=1e-6)
    slow = Slow(600.0, 80.0, 0.05, 120.0)
    path = trajectory(slow, 0.5)
    now = np.linspace(0, 4e-3, 9)
    seen, _ = path.at(0.4, now, slow)
    solved = solve_ivp(
        lambda t, y: -y * slow.loss(y), (0, 4e-3), [0.4], "DOP853", now, rtol=1e-10, atol=1e-14
    ).y[0]
    np.testing.assert_allclose(seen, solved, rtol=2e-3)


def test_a_changed_last_rung_is_told():
    rng = np.random.default_rng(6)
    rungs = [fit(records(integrated(1e-16, 1.0, v), rng, 2)) for v in (0.06, 0.13, 0.27)]
    times = np.arange(2048) / 500e3
    other = 0.06 * np.exp(-times / 4e-4) * np.cos(2 * math.pi * 26.5e3 * times)
    found = fit_ladder([*rungs, fit(records(other, rng, 2))])
    assert any("rung again at the end" in words for words in found.doubts)


def test_a_sets_junctions_are_taken_off_a_sound_winding():
    world = Winding(
        catalogue.part("line-set-2", 3),
        "in-set",
        Fixture(stray_farads=1.9e-9),
        ("yoke-off", "tube-base-off", "return-lifted", "coils-off"),
    )
    mode = world.ring_mode(22e-9)
    assert mode is not None
    peak = world.ring(22e-9, 1e-7, 500e3, 64, 8).max()
    pulses = [1e-7 * v / peak for v in (0.06, 0.13, 0.27)]
    rng = np.random.default_rng(1)
    volts = world.ladder(22e-9, pulses, 500e3, 2048)
    # The pulse's own samples are left out: rung records here begin at 20 us.
    found = fit_ladder([fit(records(v[10:], rng, n)) for v, n in zip(volts, (16, 4, 1), strict=True)])
    assert found.q.value == pytest.approx(mode.q, rel=0.01)


def test_what_cannot_be_fitted_is_one_clear_line():
    times = np.arange(600) / 500e3
    rng = np.random.default_rng(2)
    silent = fit(records(np.zeros(600), rng, 1))
    with pytest.raises(InputError, match="no rung of the ladder rings"):
        fit_ladder([silent])
    wave = np.exp(-times / 3e-4) * np.cos(2e5 * times)
    plain = fit(Record(samples=1000 * wave + rng.normal(0, 1, 600), rate_hz=500e3, pretrigger=0))
    with pytest.raises(InputError, match="not in volts"):
        fit_ladder([plain, plain])


def test_ladders_of_sets_of_an_independent_simulation():
    """Zero-amplitude Q of every sound, unaliased set with everything unplugged, Q 20 and more."""
    folder = shared("in-circuit")
    listed = json.loads((folder / "manifest.json").read_text())["captures"]
    groups: dict[tuple, list] = {}
    for row in listed:
        last = row["family_kind"] == "smps" or row["step_index"] == 3
        if row["role"] == "test" and last and row["truth"]["Q"] and row["truth"]["cls"] == "healthy":
            groups.setdefault((row["session"], row["C_t"]), []).append(row)
    worst, seen = [], 0
    for rows in groups.values():
        rungs = []
        for row in sorted(rows, key=lambda r: r["rung_v"]):
            codes = np.load(folder / row["file"])["adc"]
            rungs.append(
                fit(
                    Record(
                        samples=codes.astype(int),
                        rate_hz=row["fs"],
                        volts_per_count=row["lsb_v"],
                        full_scale=(0, 4095),
                        # As a check of the board finds them: three counts more than one, half a count unsure.
                        wide_codes=tuple(WideCode(code, 3.0, 0.5) for code in (512, 1536, 2560, 3584)),
                        resolution=1.0,
                        pretrigger=row["pretrigger"],
                        pulse_s=row["pulse_s"],
                        test_capacitor=Capacitor(row["C_t"]),
                    )
                )
            )
        found = fit_ladder(rungs)
        worst.append(abs(found.q.value / rows[0]["truth"]["Q"] - 1))
        seen += 1
    assert seen >= 10
    assert np.median(worst) < 0.005
    assert max(worst) < 0.03
