"""The fit reaches the Cramer-Rao bound: 300 runs of two rings and one unmoved sine, by published figures.

The figures of `RINGS` are the exact Fisher information of offset, cosine, sine, decay rate and frequency
for A 1, noise 0.01, 1 MS/s, 1000 samples, f 20 kHz, phase 0.3, worked out apart from this program. The
sine's is the known form sd(f) >= sqrt(24) (s/A) fs / (2 pi sqrt(N (N^2 - 1))) (IEEE 1057/1241
literature, from memory). Own bounds (tests/benchmarks/bound.py) are held against the same figures.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.bound import bounds_of
from benchmarks.signals import Ring
from coilbell.decay import fit
from coilbell.record import Record

RATE_HZ, COUNT, NOISE, FREQUENCY, PHASE = 1e6, 1000, 0.01, 20e3, 0.3
RUNS = 300
TIMES = np.arange(COUNT) / RATE_HZ

RINGS = [
    # Q = pi f tau, sd(f) [Hz], sd(Q)/Q (to a per cent; to four figures it is that of the decay rate)
    (20.0, 1.160, 0.00234),
    (5.0, 8.94, 0.00454),
]


def ring(q_damped: float) -> Ring:
    return Ring(FREQUENCY, np.pi * FREQUENCY / q_damped, 1.0, PHASE)


@pytest.mark.parametrize(("q", "sd_f", "relative_sd_q"), RINGS)
def test_own_bound_against_worked_figures(q, sd_f, relative_sd_q):
    (limit,) = bounds_of(TIMES, (ring(q),), variance=NOISE**2)
    assert limit.frequency_hz == pytest.approx(sd_f, rel=1e-3)
    assert limit.decay_per_s / ring(q).decay_per_s == pytest.approx(relative_sd_q, rel=1e-3)
    assert limit.q / ring(q).q == pytest.approx(relative_sd_q, rel=1e-2)


def test_own_bound_of_an_unmoved_sine():
    """Exact Fisher information at 20.123 kHz, decay held at zero: 0.2473 Hz; the known form: 0.24656 Hz."""
    angle = 2 * np.pi * 20.123e3 * TIMES
    columns = np.column_stack(
        [np.ones(COUNT), np.cos(angle), np.sin(angle), -2 * np.pi * TIMES * np.sin(angle + PHASE)]
    )
    exact = NOISE * np.sqrt(np.linalg.inv(columns.T @ columns)[3, 3])
    known = np.sqrt(24) * NOISE * RATE_HZ / (2 * np.pi * np.sqrt(COUNT * (COUNT**2 - 1)))
    assert known == pytest.approx(0.24656, rel=1e-4)
    assert exact == pytest.approx(0.2473, rel=1e-2)


def test_pure_recovery_and_coloured_noise_widen_the_bound():
    plain = bounds_of(TIMES, (ring(5),), variance=NOISE**2)[0]
    recovering = bounds_of(TIMES, (ring(5),), (30e3,), (0.5,), variance=NOISE**2)[0]
    assert recovering.frequency_hz > plain.frequency_hz
    masked = bounds_of(TIMES, (ring(5),), variance=NOISE**2, used=TIMES > 30e-6)[0]
    assert masked.q > 1.2 * plain.q
    white = bounds_of(TIMES, (ring(5),), variance=NOISE**2, rho=1e-9)[0]
    assert white.q == pytest.approx(plain.q, rel=1e-6)


@pytest.mark.parametrize(("q", "sd_f", "relative_sd_q"), RINGS)
def test_measured_scatter_over_bound(q, sd_f, relative_sd_q):
    rng = np.random.default_rng(2024)
    clean = ring(q).at(TIMES) + 0.1
    found = []
    for _ in range(RUNS):
        samples = clean + NOISE * rng.standard_normal(COUNT)
        answer = fit(Record(samples=samples, rate_hz=RATE_HZ), start_s=0.0)
        assert len(answer.modes) == 1
        mode = answer.main
        found.append((mode.frequency_hz.value, mode.q.value, mode.frequency_hz.standard_uncertainty))
    table = np.array(found)
    truth = ring(q)
    assert 0.9 < np.std(table[:, 0]) / sd_f < 1.15
    assert 0.9 < np.std(table[:, 1]) / truth.q / relative_sd_q < 1.15
    assert abs(table[:, 0].mean() - FREQUENCY) < 4 * sd_f / np.sqrt(RUNS)
    assert abs(table[:, 1].mean() / truth.q - 1) < 4 * relative_sd_q / np.sqrt(RUNS)
    assert np.median(table[:, 2]) == pytest.approx(sd_f, rel=0.05)
