"""Constants whose change would be felt only as intervals that are a little wrong."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from coilbell.decay.covariance import _autoregression
from coilbell.decay.onset import onset
from coilbell.decay.prepare import _difference_variance, _floor_variance, trace
from coilbell.decay.settle import settle
from coilbell.decay.tangent import gram_covariance, jacobians
from coilbell.decay.unseen import unseen
from coilbell.record import Record

TIMES = np.arange(1024)
RING = 1500 * np.exp(-TIMES / 200) * np.cos(0.27 * TIMES + 0.4)


def settled(rng, first=0.0):
    samples = np.concatenate([np.zeros(64), RING]) + rng.standard_normal(1088)
    samples[64] += first
    return settle([trace(Record(samples, rate_hz=1.0, pretrigger=64), 64, None, 64)], 4, None, None)


@pytest.mark.parametrize("told", [_difference_variance, _floor_variance])
def test_noise_is_told_in_its_own_size(told):
    rng = np.random.default_rng(1)
    seen = [told(3 * rng.standard_normal(2000)) for _ in range(40)]
    assert np.mean(seen) == pytest.approx(9, rel=0.05)
    beside_a_ring = [told(3 * rng.standard_normal(1024) + RING) for _ in range(20)]
    assert np.mean(beside_a_ring) == pytest.approx(9, rel=0.25)


def test_an_autoregression_has_hardly_more_terms_than_the_noise():
    """Akaike's price of 2 a term takes 0.9 too many on average, half of it would take 2.2."""
    rng, terms = np.random.default_rng(2), []
    for _ in range(150):
        noise = lfilter([1.0], [1.0, -0.6], rng.standard_normal(2100))[100:]
        lags = np.array([noise[k:] @ noise[: noise.size - k] / noise.size for k in range(9)])
        terms.append(_autoregression(lags, noise.size)[0].size - 1)
    assert 1.3 < np.mean(terms) < 2.4


def test_first_samples_are_left_out_when_they_stand_out_and_not_before():
    rng, limit = np.random.default_rng(3), 1.0
    clean = [settled(rng) for _ in range(60)]
    assert sum(onset(s.blocks, s.solution, limit) > 0 for s in clean) <= 1
    weak = [settled(rng, first=2.0) for _ in range(20)]
    assert sum(onset(s.blocks, s.solution, limit) > 0 for s in weak) <= 5
    strong = [settled(rng, first=5.0) for _ in range(20)]
    assert sum(onset(s.blocks, s.solution, limit) > 0 for s in strong) >= 12


def test_an_exponential_that_noise_explains_widens_nothing():
    rng, shares = np.random.default_rng(4), []
    for _ in range(24):
        s = settled(rng)
        tangents = jacobians(s.blocks, s.solution)
        inverse = gram_covariance(s.blocks, s.solution, tangents)
        extra = unseen(s.blocks, s.solution, tangents, inverse)
        shares.append(float((extra.diagonal()[:2] / inverse.diagonal()[:2]).max()))
    assert sum(share == 0.0 for share in shares) >= 3
