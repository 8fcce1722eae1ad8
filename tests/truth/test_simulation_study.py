"""The tuned parts against the figures of a circuit study.

Source of every expected figure: an ngspice study of line-output transformers, yokes and chokes with
star-connected magnetic models; no hardware was measured. Bands say how near the catalogue comes.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.optimize

from coilbell.board.simulation import TrueMode, Winding, catalogue

LINE = "tarn-line-split"
PULSE_S = 2e-6
LARGE, SMALL = 22e-9, 4.7e-9


def ring(name: str, state: str, farads: float = LARGE) -> TrueMode:
    mode = Winding(catalogue.part(name), state).ring_mode(farads, PULSE_S)
    assert mode is not None
    return mode


def two_capacitors(name: str, state: str) -> tuple[float, float]:
    """Inductance [H] and stray capacitance [F] from two lossless rings, 1/w^2 = L (C + C_s)."""
    first, second = (
        (2 * math.pi * ring(name, state, farads).natural_frequency_hz) ** -2 for farads in (LARGE, SMALL)
    )
    henries = (first - second) / (LARGE - SMALL)
    return henries, first / henries - LARGE


@pytest.mark.parametrize(
    ("name", "state", "hertz", "f_band", "q", "q_band"),
    [
        (LINE, "healthy", 21.6e3, 0.005, 128, 0.01),
        (LINE, "turn-dead", 37.6e3, 0.02, 1.8, 0.02),
        (LINE, "turn-0.1-ohm", 21.9e3, 0.01, 2.5, 0.04),
        (LINE, "turn-1-ohm", None, None, 19, 0.02),
        (LINE, "turn-10-ohm", None, None, 80, 0.02),
        (LINE, "turn-100-ohm", None, None, 121, 0.01),
        (LINE, "external-loop", 46e3, 0.01, 8, 0.01),
        (LINE, "low-voltage-shorted", 111e3, 0.01, 4.8, 0.015),
        (LINE, "high-voltage-turn", 21.6e3, 0.005, 10, 0.01),
        (LINE, "gap-halved", 27.7e3, 0.01, 115, 0.025),
        ("tarn-yoke-line", "healthy", 30e3, 0.005, 45, 0.01),
        ("tarn-yoke-line", "turn-dead", 35.8e3, 0.005, 3.5, 0.01),
        ("tarn-yoke-frame", "healthy", None, None, 14, 0.02),
        ("tarn-yoke-frame-damped", "healthy", None, None, 0.7, 0.03),
    ],
)
def test_typical_sizes(name, state, hertz, f_band, q, q_band):
    mode = ring(name, state)
    if hertz is not None:
        assert mode.frequency_hz == pytest.approx(hertz, rel=f_band)
    assert mode.q == pytest.approx(q, rel=q_band)


def test_two_capacitors_of_the_healthy_part():
    henries, stray = two_capacitors(LINE, "healthy")
    assert henries == pytest.approx(2.25e-3, rel=0.01)
    assert stray == pytest.approx(2.12e-9, rel=0.02)


@pytest.mark.parametrize(
    ("name", "state", "ratio", "low", "high"),
    [
        (LINE, "rectifier-first-shorted", LARGE, 0.96, 0.98),
        (LINE, "rectifier-middle-shorted", LARGE, 0.96, 0.98),
        (LINE, "rectifier-last-shorted", LARGE, 0.997, 0.999),
        (LINE, "rectifier-all-shorted-tube", LARGE, 0.74, 0.76),
        (LINE, "rectifier-all-shorted-tube-returned", LARGE, 4, 7),
        (LINE, "rectifier-first-shorted", 1e-9, 0.82, 0.87),
        (LINE, "rectifier-middle-shorted", 1e-9, 0.82, 0.87),
        (LINE, "rectifier-last-shorted", 1e-9, 0.98, 0.99),
        (LINE, "rectifier-all-shorted", 1e-9, 0.63, 0.67),
        ("tarn-line-single", "rectifier-all-shorted", LARGE, 0.985, 0.995),
    ],
)
def test_shorted_rectifiers_shift_the_ring(name, state, ratio, low, high):
    shift = ring(name, state, ratio).frequency_hz / ring(name, "healthy", ratio).frequency_hz
    assert low <= shift <= high


def test_all_rectifiers_shorted_falls_a_little_short_of_the_study():
    # The study's parts shift by 8 to 9 %; this one by 7.7 %, at the same threefold stray capacitance.
    shift = ring(LINE, "rectifier-all-shorted").frequency_hz / ring(LINE, "healthy").frequency_hz
    assert shift == pytest.approx(0.915, rel=0.012)


@pytest.mark.parametrize(
    ("name", "state", "low", "high"),
    [
        (LINE, "rectifier-first-shorted", 1.46, 1.68),
        (LINE, "rectifier-middle-shorted", 1.46, 1.68),
        (LINE, "rectifier-last-shorted", 1.03, 1.05),
        (LINE, "rectifier-all-shorted", 2.9, 3.1),
        (LINE, "rectifier-all-shorted-tube", 8.0, 10.6),
        ("tarn-line-single", "rectifier-all-shorted", 1.18, 1.22),
    ],
)
def test_shorted_rectifiers_add_stray_capacitance(name, state, low, high):
    # With the tube attached the study has 8 to 10; this part comes to 10.4.
    assert low <= two_capacitors(name, state)[1] / two_capacitors(name, "healthy")[1] <= high


def test_returned_tube_looks_like_a_shorted_winding():
    assert 11 <= ring(LINE, "rectifier-all-shorted-tube-returned").q <= 22


@pytest.mark.parametrize(
    ("state", "ratio", "q_low", "q_high"),
    [
        ("in-circuit", 0.87, 125, 130),
        ("in-circuit-yoke", 1.50, 56, 60),
        ("in-circuit-yoke-heater-cold", 1.50, 2.4, 6.7),
        ("in-circuit-yoke-heater-hot", 1.50, 13, 24),
        ("in-circuit-heater-cold", 0.86, 1.4, 3.6),
        ("in-circuit-rectifier-shorted", 4.9, 3.5, 5.4),
    ],
)
def test_in_circuit(state, ratio, q_low, q_high):
    mode = ring(LINE, state)
    # The study gives 4.6 to 5.2 for the rectifier; natural frequency, as low Q lowers the damped one.
    band = 0.07 if "rectifier" in state else 0.02
    assert mode.natural_frequency_hz / ring(LINE, "healthy").natural_frequency_hz == pytest.approx(
        ratio, rel=band
    )
    assert q_low <= mode.q <= q_high


@pytest.mark.parametrize("state", ["in-circuit-transistor-shorted", "leads-shorted", "open"])
def test_no_ring(state):
    assert Winding(catalogue.part(LINE), state).ring_mode(LARGE) is None


def test_shorted_half_of_a_common_mode_choke_rings_higher_and_longer():
    healthy, shorted = (ring("moss-line-filter", state) for state in ("healthy", "half-shorted"))
    assert shorted.frequency_hz / healthy.frequency_hz == pytest.approx(7, rel=0.01)
    assert shorted.q == pytest.approx(97, rel=0.04)
    assert shorted.q > healthy.q


@pytest.mark.parametrize("name", ["beck-relay", "beck-mains", "beck-motor"])
def test_one_turn_of_many_on_iron_is_not_visible(name):
    farads = 100e-9
    healthy, shorted = (ring(name, state, farads) for state in ("healthy", "turn-dead"))
    assert 0.7 <= healthy.q <= 4
    assert shorted.frequency_hz == pytest.approx(healthy.frequency_hz, rel=0.05)
    assert shorted.q == pytest.approx(healthy.q, rel=0.05)


def loss_slope(name: str, state: str) -> float:
    """d ln G / d ln w between 22 and 4.7 nF, G = w (C + C_s)/Q with the healthy part's stray capacitance."""
    stray = two_capacitors(name, state)[1]
    modes = [(farads, ring(name, state, farads)) for farads in (LARGE, SMALL)]
    loss = [2 * math.pi * m.natural_frequency_hz * (farads + stray) / m.q for farads, m in modes]
    return math.log(loss[1] / loss[0]) / math.log(
        modes[1][1].natural_frequency_hz / modes[0][1].natural_frequency_hz
    )


@pytest.mark.parametrize(
    ("state", "low", "high"),
    [
        ("healthy", -0.75, 0.0),
        ("loaded", -0.3, 0.1),
        ("turn-10-ohm", -0.45, 0.1),
        ("high-voltage-turn", -0.15, 0.1),
        ("external-loop", -2.1, -1.1),
        ("low-voltage-shorted", -2.1, -1.1),
        ("high-voltage-part-shorted", -2.1, -1.1),
    ],
)
def test_loss_against_frequency(state, low, high):
    assert low <= loss_slope(LINE, state) <= high


def test_schottky_secondary_makes_the_decay_depend_on_amplitude():
    # Study: Q 121 at 0.1 V. At 0.8 V it has 0.7; here the first cycle falls as a Q of about 3 would.
    world = Winding(catalogue.part(LINE), "in-circuit-schottky")

    def volts_after(peak_volts: float) -> np.ndarray:
        return world.ring(LARGE, PULSE_S, 1e6, 110, pulse_amps=5e-3 * peak_volts / 0.4)[4:]

    def first_cycle_q(volts: np.ndarray) -> float:
        return math.pi / math.log(volts[:20].max() / volts[30:70].max())

    assert fitted_q(volts_after(0.1), 1e6) == pytest.approx(121, rel=0.02)
    assert first_cycle_q(volts_after(0.8)) < 5


def fitted_q(volts: np.ndarray, rate_hz: float) -> float:
    """Q of the damped sinusoid that fits best, by scipy's least squares."""
    t = np.arange(volts.size) / rate_hz

    def residual(rates: np.ndarray) -> np.ndarray:
        decay = np.exp(-1e3 * rates[0] * t)
        basis = np.stack([decay * np.cos(1e5 * rates[1] * t), decay * np.sin(1e5 * rates[1] * t)], axis=1)
        return basis @ np.linalg.lstsq(basis, volts, rcond=None)[0] - volts

    decay, angular = scipy.optimize.least_squares(residual, [1.0, 1.35]).x
    return math.hypot(1e3 * decay, 1e5 * angular) / (2e3 * decay)
