"""Trends: what is called a change, what is a drift, and that hours stay in bounded memory."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilbell.bench.facts.trend import Watched
from coilbell.bench.trend import MOST_BUCKETS, MOST_EVENTS, Seen, Trend

RATE_HZ = 5.0


def watch(
    ln_q: np.ndarray, ln_f: np.ndarray | None = None, *, stated: float = 0.0, trend: Trend | None = None
) -> Trend:
    trend = trend or Trend()
    ln_f = np.full(ln_q.shape, math.log(21e3)) if ln_f is None else ln_f
    for n, (q, f) in enumerate(zip(np.exp(ln_q), np.exp(ln_f), strict=True)):
        trend.see(Seen(n / RATE_HZ, q, stated * q, f, 1e-5 * f))
    return trend


def noise(shots: int, spread: float, seed: int) -> np.ndarray:
    return math.log(80) + np.random.default_rng(seed).normal(0, spread, shots)


@pytest.mark.parametrize("spread", [0.0, 0.002, 0.01, 0.02])
def test_a_drop_of_ten_percent_is_found_within_five_shots(spread: float) -> None:
    for seed in range(20):
        ln_q = noise(200, spread, seed)
        ln_q[150:] += math.log(0.9)
        (change,) = watch(ln_q).changes
        assert change.what is Watched.Q
        assert 150 <= change.time_s * RATE_HZ <= 154
        assert change.before == pytest.approx(80, rel=0.02)
        assert 1 <= change.shots <= 5


def test_a_jump_of_frequency_is_found_and_named() -> None:
    ln_f = np.full(100, math.log(21e3))
    ln_f[60:] += 0.01
    (change,) = watch(noise(100, 1e-3, 1), ln_f).changes
    assert change.what is Watched.FREQUENCY
    assert change.after / change.before == pytest.approx(math.exp(0.01))


def test_a_fault_that_comes_and_goes_is_told_each_time() -> None:
    ln_q = noise(600, 0.003, 3)
    for start in (100, 300, 500):
        ln_q[start : start + 100] += math.log(0.5)
    found = watch(ln_q).changes
    assert [round(c.time_s * RATE_HZ / 100) for c in found] == [1, 2, 3, 4, 5]
    assert [c.after < c.before for c in found] == [True, False, True, False, True]


@pytest.mark.parametrize("seed", range(3))
def test_warming_and_clips_that_move_are_no_change(seed: int) -> None:
    """Half an hour of 0.2 K a minute (copper 0.39, ungapped ferrite 0.63 %/K), 5 milliohm at the clips."""
    shots = int(1800 * RATE_HZ)
    rng = np.random.default_rng(seed)
    kelvin = 0.2 * np.arange(shots) / RATE_HZ / 60
    clips = rng.uniform(-0.008, 0.008, shots)[np.cumsum(rng.random(shots) < 1 / 300)]
    ln_q = math.log(60) - np.log1p(0.0039 * kelvin) + clips + rng.normal(0, 0.003, shots)
    ln_f = math.log(21e3) - 0.5 * np.log1p(0.0063 * kelvin) + rng.normal(0, 3e-5, shots)
    trend = watch(ln_q, ln_f)
    assert trend.changes == []
    drift = trend.drift(Watched.FREQUENCY)
    assert drift is not None
    assert drift.per_minute == pytest.approx(-0.5 * 0.2 * 0.0063, rel=0.1)
    assert drift.standard_uncertainty < 1e-5


def test_a_ring_whose_fit_is_unsure_is_held_to_that() -> None:
    """The fit's own uncertainty counts, even where a few shots happen to agree."""
    ln_q = noise(40, 1e-4, 5)
    ln_q[30:] += math.log(0.8)
    assert watch(ln_q).changes
    assert not watch(ln_q[:33], stated=0.2).changes


def test_hours_stay_in_bounded_memory_and_keep_every_shot_and_extreme() -> None:
    ln_q = noise(20_000, 0.01, 6)
    trend = watch(ln_q)
    assert MOST_BUCKETS / 2 <= len(trend.buckets) <= MOST_BUCKETS
    assert sum(b.shots for b in trend.buckets) == trend.shots == 20_000
    assert min(b.q_low for b in trend.buckets) == pytest.approx(math.exp(ln_q.min()))
    assert max(b.q_high for b in trend.buckets) == pytest.approx(math.exp(ln_q.max()))
    for _ in range(MOST_EVENTS + 7):
        trend.mark(1.0, "tapped")
    assert len(trend.marks) == MOST_EVENTS
    assert trend.forgotten == 7


@pytest.mark.parametrize("q", [math.nan, 0.0, -1.0, math.inf])
def test_what_does_not_ring_is_counted_and_changes_nothing(q: float) -> None:
    trend = watch(noise(20, 1e-3, 7))
    assert trend.see(Seen(99.0, q, 1.0, 21e3, 1.0)) == ()
    assert (trend.shots, trend.silent) == (21, 1)
    assert sum(b.shots for b in trend.buckets) == 20


def test_no_drift_is_told_from_too_little() -> None:
    assert Trend().drift(Watched.Q) is None
    assert watch(noise(5, 1e-3, 8)).drift(Watched.Q) is None
