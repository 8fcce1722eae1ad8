"""Logarithmic decrement, damping, Q and ring count: exact relations, by formula and by fitted rings.

With d the logarithmic decrement: Q = 1/(2 zeta) = sqrt(pi^2/d^2 + 1/4), zeta = d / sqrt(4 pi^2 + d^2),
fd = f0 sqrt(1 - zeta^2). Sources: the handbook form of Q quoted from the Radiotron Designer's Handbook,
chapters 8 and 9 (seen as a quotation); ISO 6721-1, loss factor = d/pi for small damping (from memory).
The figures of `QS` are exact arithmetic from these relations, worked out apart from this program.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilbell.decay import Fit, decrement_from_q, fit, q_from_decrement, ring_count
from coilbell.record import Record

QS = [
    # Q, zeta, decrement, ratio of successive peaks, fd/f0
    (2.0, 0.25, 1.6223115, 0.1974418, 0.9682458),
    (5.0, 0.1, 0.6314839, 0.5318021, math.sqrt(0.99)),
    (10.0, 0.05, 0.3145527, 0.7301154, math.sqrt(0.9975)),
    (30.0, 1 / 60, 0.1047343, math.exp(-0.1047343), math.sqrt(1 - 1 / 3600)),
    (100.0, 0.005, 0.03141632, 0.9690720, 0.9999875),
]
COUNTS = [
    # Q, fraction, cycles until the envelope has fallen to it
    (5.0, 1 / math.e, 1.583572),
    (5.0, 0.10, 3.646309),
    (10.0, 1 / math.e, 3.179118),
    (10.0, 0.25, 4.407193),
    (10.0, 0.10, 7.320189),
    (30.0, 1 / math.e, 9.547970),
    (30.0, 0.25, 13.236297),
    (100.0, 1 / math.e, 31.83059),
]


def ringing(
    decay_per_s: float,
    frequency_hz: float,
    *,
    amplitude: float = 1.0,
    offset: float = 0.0,
    peak_s: float = 0.0,
) -> Fit:
    """Fit of a ring with a peak of the cosine at `peak_s`, noise a hundred-millionth of the amplitude."""
    rate_hz = 40 * frequency_hz
    count = int(min(6000, max(200, 4 * rate_hz / decay_per_s)))
    times = np.arange(count) / rate_hz
    swing = np.exp(-decay_per_s * (times - peak_s)) * np.cos(2 * np.pi * frequency_hz * (times - peak_s))
    noise = 1e-8 * amplitude * np.random.default_rng(1).standard_normal(count)
    samples = offset + amplitude * swing + noise
    return fit(Record(samples=samples, rate_hz=rate_hz, volts_per_count=1.0), start_s=0.0)


def of_q(q: float, frequency_hz: float = 20e3, **more: float) -> Fit:
    zeta = 1 / (2 * q)
    return ringing(2 * np.pi * frequency_hz * zeta / math.sqrt(1 - zeta**2), frequency_hz, **more)


@pytest.mark.parametrize(("q", "zeta", "decrement", "ratio", "drop"), QS)
def test_formulae_against_exact_figures(q, zeta, decrement, ratio, drop):
    assert decrement_from_q(q) == pytest.approx(decrement, rel=1e-6)
    assert q_from_decrement(decrement) == pytest.approx(q, rel=1e-6)
    assert math.exp(-decrement_from_q(q)) == pytest.approx(ratio, rel=1e-6)
    assert decrement / math.sqrt(4 * math.pi**2 + decrement**2) == pytest.approx(zeta, rel=1e-6)


@pytest.mark.parametrize(("q", "zeta", "decrement", "ratio", "drop"), QS)
def test_a_fitted_ring_obeys_them(q, zeta, decrement, ratio, drop):
    mode = of_q(q).main
    assert mode.q.value == pytest.approx(q, rel=1e-6)
    assert mode.log_decrement.value == pytest.approx(decrement, rel=1e-6)
    assert math.exp(-mode.log_decrement.value) == pytest.approx(ratio, rel=1e-6)
    assert mode.frequency_hz.value / mode.natural_frequency_hz == pytest.approx(drop, rel=1e-6)
    assert mode.decay_per_s.value / (2 * np.pi * mode.natural_frequency_hz) == pytest.approx(zeta, rel=1e-6)


@pytest.mark.parametrize(("q", "zeta", "decrement", "ratio", "drop"), QS)
def test_both_definitions_of_q_are_what_they_say(q, zeta, decrement, ratio, drop):
    mode = of_q(q).main
    assert mode.q_damped.value == pytest.approx(math.pi / decrement, rel=1e-6)
    assert mode.q_damped.value == pytest.approx(
        math.pi * mode.frequency_hz.value * mode.tau_s.value, rel=1e-9
    )
    assert mode.q.value**2 - mode.q_damped.value**2 == pytest.approx(0.25, rel=1e-4)


@pytest.mark.parametrize(("q", "fraction", "cycles"), COUNTS)
def test_ring_count_by_formula_and_by_fit(q, fraction, cycles):
    assert ring_count(math.pi / decrement_from_q(q), fraction) == pytest.approx(cycles, rel=1e-6)
    zeta = 1 / (2 * q)
    frequency = 20e3
    decay = 2 * np.pi * frequency * zeta / math.sqrt(1 - zeta**2)
    times = np.arange(4000) / 800e3
    swing = np.exp(-decay * times) * np.cos(2 * np.pi * frequency * times)
    noise = 1e-8 * np.random.default_rng(2).standard_normal(times.size)
    answer = fit(Record(samples=swing + noise, rate_hz=800e3), start_s=0.0, count_to=fraction)
    assert answer.main.ring_count.value == pytest.approx(cycles, rel=1e-6)
    assert answer.main.ring_count_whole == math.floor(cycles) + 1  # the first peak is cycle 0


def test_thirteen_per_cent_at_the_hundredth_cycle():
    """A ring that is down to 13 % at its hundredth peak has lost it in 99 cycles, not 100.

    Problem as set in physicsforums thread 326265; d = ln(100/13)/99 = 0.0206083 and Q 152.44 worked out.
    """
    decrement = math.log(100 / 13) / 99
    assert decrement == pytest.approx(0.0206083, rel=1e-5)
    assert q_from_decrement(decrement) == pytest.approx(152.44, rel=1e-4)
    frequency = 10e3
    times = np.arange(8000) / 400e3
    samples = np.exp(-decrement * frequency * times) * np.cos(2 * np.pi * frequency * times)
    samples += 1e-8 * np.random.default_rng(3).standard_normal(times.size)
    answer = fit(Record(samples=samples, rate_hz=400e3), start_s=0.0, count_to=0.1299)
    assert answer.main.log_decrement.value == pytest.approx(0.0206083, rel=1e-5)
    assert answer.main.ring_count_whole == 100
    assert answer.main.ring_count.value == pytest.approx(99, abs=0.05)


def test_two_maxima_of_an_oscilloscope_trace():
    """3.04 V, then 1.08 V one period of 640 us later: 1617 1/s.

    Students' report on the discharge of a capacitor through a coil, RWTH Aachen 2018 (figures seen).
    """
    period = 640e-6
    decay = math.log(3.04 / 1.08) / period
    mode = ringing(decay, 1 / period, amplitude=3.04).main
    assert mode.decay_per_s.value == pytest.approx(1617, rel=1e-3)
    assert mode.amplitude.value == pytest.approx(3.04, rel=1e-6)


@pytest.mark.parametrize(
    ("first", "second", "decay", "frequency"),
    [
        ((0.5e-3, 3.12), (4.4e-3, 1.76), 150.05, 256.41),
        ((4.4e-3, 1.76), (8.2e-3, 1.04), 143.83, 263.16),
        ((8.2e-3, 1.04), (12.0e-3, 0.56), 174.55, 263.16),
    ],
)
def test_maxima_on_an_offset(first, second, decay, frequency):
    """Maxima of 3.12, 1.76, 1.04, 0.56 V that stand on 0.05 V, which must come off before the logarithm.

    Students' report on oscillations seen on an oscilloscope, RWTH Aachen (figures seen).
    """
    offset, (t1, v1), (t2, v2) = 0.05, first, second
    slope = math.log((v1 - offset) / (v2 - offset)) / (t2 - t1)
    answer = ringing(slope, 1 / (t2 - t1), amplitude=v1 - offset, offset=offset, peak_s=t1)
    assert answer.main.decay_per_s.value == pytest.approx(decay, rel=1e-3)
    assert answer.main.frequency_hz.value == pytest.approx(frequency, rel=1e-3)
    assert answer.offset.value == pytest.approx(offset, rel=1e-4)


def test_no_ring_below_critical_damping():
    with pytest.raises(ValueError, match="does not ring"):
        decrement_from_q(0.5)
