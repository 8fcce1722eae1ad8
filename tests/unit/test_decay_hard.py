"""Records that once misled `fit` or ended it: each must give an answer that a reader can trust, or none."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbell.decay import DoubtKind, certify, fit, result, settle
from coilbell.decay.defects import main_mode
from coilbell.decay.prepare import trace
from coilbell.decay.solve import Structure, solve
from coilbell.decay.tangent import gram_covariance, jacobians
from coilbell.errors import InputError
from coilbell.record import Record, WideCode

RATE_HZ = 500e3


def ring(times, frequency_hz, q, amplitude, phase=0.4):
    decay = 2 * np.pi * frequency_hz / np.sqrt(4 * q * q - 1)
    return amplitude * np.exp(-decay * times) * np.cos(2 * np.pi * frequency_hz * times + phase)


def codes(signal, rng, noise=2.0, pretrigger=64, **settings):
    whole = np.concatenate([np.zeros(pretrigger), signal]) + 2048
    whole = np.clip(np.round(whole + noise * rng.standard_normal(whole.size)), 0, 4095).astype(np.int32)
    settings = {"full_scale": (0, 4095), "resolution": 1.0, "pretrigger": pretrigger} | settings
    return Record(whole, rate_hz=RATE_HZ, **settings)


@pytest.fixture
def rng():
    return np.random.default_rng(16)


def test_the_main_ring_stays_the_same_when_the_converter_is_straightened(rng, monkeypatch):
    """Taken out of the samples the bend may leave another component with more energy."""
    times = np.arange(2048) / RATE_HZ
    both = ring(times, 12e3, 30, 1200) + ring(times, 60e3, 20, 300)
    settled = settle.settle([trace(codes(both, rng), 64, None, 64)], 4, None, None)
    main = main_mode(settled.solution)
    real = result.straightened

    def lent(*given):
        straight = real(*given)
        more = [c.copy() for c in straight.solution.coefficients]
        for one in more:
            one[:, 2 * (1 - main)] *= 100
        return replace(straight, solution=replace(straight.solution, coefficients=more))

    monkeypatch.setattr(result, "straightened", lent)
    law = result._straight(settled)
    assert law.values[1] == pytest.approx(settled.solution.angular(main), rel=1e-3)


def test_wide_codes_and_nothing_that_decays(rng):
    wide = (WideCode(512.0, 3.0, 0.5), WideCode(1536.0, 2.0, 0.5))
    answer = fit(codes(np.zeros(64), rng, wide_codes=wide))
    assert not answer.rings


def test_a_mask_that_leaves_nothing_is_not_fitted():
    """40 samples of a ring beyond both rails: the curve through what is left puts every sample on one."""
    text = (
        "4095 3978 45 0 319 4055 4095 3589 49 0 681 4034 4095 3253 78 0 997 3994 4095 2961 127 0 1269 3938 "
    )
    text += "4095 2708 190 0 1496 3864 4095 2498 269 0 1691 3784 4067 2318 352 155"
    samples = np.array([int(word) for word in text.split()])
    answer = fit(Record(samples, rate_hz=RATE_HZ, full_scale=(0, 4095), resolution=1.0))
    assert DoubtKind.CLIPPED in {d.kind for d in answer.doubts}


def test_no_variance_is_below_zero_where_two_modes_are_one(rng):
    times = np.arange(400) / RATE_HZ
    window = trace(codes(ring(times, 20e3, 30, 1000), rng), 64, None, 64)
    settled = settle.settle([window], 4, None, None)
    solution, blocks = settled.solution, settled.blocks
    theta = np.concatenate((solution.theta, solution.theta * (1 + 1e-13)))
    twice = solve(blocks, theta, Structure(2, 0), settle.Bounds.within(blocks), max_iterations=0)
    variances = gram_covariance(blocks, twice, jacobians(blocks, twice)).diagonal()
    assert (variances > 0).all()


@pytest.mark.parametrize("place", [200, 800, 1200, 1900, 2046])
@pytest.mark.parametrize("level", [0, 4095])
def test_one_sample_on_a_rail_hides_no_ring(rng, place, level):
    spoilt = codes(ring(np.arange(2048) / RATE_HZ, 20e3, 20, 1500), rng)
    samples = spoilt.samples.copy()
    samples[64 + place] = level
    answer = fit(replace(spoilt, samples=samples))
    assert answer.main.q.low < 20 < answer.main.q.high
    assert DoubtKind.GLITCHES in {d.kind for d in answer.doubts}
    assert DoubtKind.CLIPPED not in {d.kind for d in answer.doubts}


def test_a_burst_on_the_rails_behind_the_ring_hides_nothing(rng):
    spoilt = codes(ring(np.arange(2048) / RATE_HZ, 20e3, 20, 1500), rng)
    samples = spoilt.samples.copy()
    samples[1200:1210] = [4095, 0, 4095, 4095, 0, 1800, 4095, 0, 0, 2500]
    answer = fit([spoilt, replace(spoilt, samples=samples, shot=1)])
    assert len(answer.modes) == 1
    assert answer.main.q.low < 20 < answer.main.q.high


def test_a_ring_clipped_for_long_is_found_between_the_rails(rng):
    """The tail behind the last clipped sample holds nothing but noise."""
    times = np.arange(400) / RATE_HZ
    answer = fit(codes(np.clip(ring(times, 40e3, 2.5, 20e3), -2048, 2047), rng, noise=30.0))
    assert answer.main.frequency_hz.value == pytest.approx(40e3, rel=0.05)


@pytest.mark.parametrize("quiet", [0, 64, 500])
def test_a_guessed_start_is_as_good_as_a_told_one(rng, quiet):
    """A fast mode beside a slow one: from the slow one's largest excursion on, nothing of it is left."""
    times = np.arange(2048) / RATE_HZ
    both = ring(times, 3e3, 40, 1000, -1.5) + ring(times, 90e3, 4, 300)
    record = codes(both, rng, pretrigger=quiet)
    told = fit(record, start_s=quiet / RATE_HZ)
    guessed = fit(replace(record, pretrigger=0))
    assert len(told.modes) == 2
    assert abs(guessed.start_s - told.start_s) * RATE_HZ <= 1
    for ours, theirs in zip(guessed.modes, told.modes, strict=True):
        assert abs(ours.q.value - theirs.q.value) < 1.5 * theirs.q.standard_uncertainty


def test_a_wild_sample_before_the_ring_is_not_its_start(rng):
    record = codes(ring(np.arange(2048) / RATE_HZ, 20e3, 20, 1500), rng, pretrigger=300)
    samples = record.samples.copy()
    samples[100] = 4095
    samples[1700] = 0
    answer = fit(replace(record, samples=samples, pretrigger=0))
    assert abs(answer.start_s * RATE_HZ - 300) <= 1
    assert answer.main.q.low < 20 < answer.main.q.high


def test_a_step_in_mid_window_is_no_ring(rng):
    level = np.where(np.arange(2048) < 900, 0.0, 400.0)
    answer = fit(codes(level, rng))
    assert not answer.rings
    assert "unexplained" in answer.doubts[0].detail


def test_a_modulated_tone_is_no_ring(rng):
    times = np.arange(1024) / RATE_HZ
    tone = 800 * (1 + 0.6 * np.cos(2 * np.pi * 400 * times)) * np.cos(2 * np.pi * 60e3 * times)
    assert not fit(codes(tone, rng)).rings


@pytest.mark.parametrize("apart", [0.3, 0.5, 1.0])
def test_a_close_pair_of_modes_is_no_law_of_loss(rng, apart):
    times = np.arange(2048) / RATE_HZ
    both = ring(times, 20e3, 40, 1000) + ring(times, 20e3 * (1 + apart / 40), 45, 500, 2.0)
    answer = fit(codes(both, rng, noise=1.0))
    assert len(answer.modes) == 2
    assert answer.modes[0].q.low < 40 < answer.modes[0].q.high


@pytest.mark.parametrize("power", [0.5, 1.0, 2.0])
def test_a_law_of_loss_nobody_named_is_in_the_interval(power):
    """Loss growing with the envelope's power: Bernoulli's equation in closed form."""
    rng, held, widths = np.random.default_rng(3), 0, []
    times = np.arange(2048) / RATE_HZ
    decay = 2 * np.pi * 20e3 / np.sqrt(4 * 40**2 - 1)
    envelope = (1.3 * np.exp(power * decay * times) - 0.3) ** (-1 / power)
    for _ in range(12):
        answer = fit(codes(1500 * envelope * np.cos(2 * np.pi * 20e3 * times + rng.uniform(0, 6)), rng))
        assert answer.doubts_about(DoubtKind.AMPLITUDE_DEPENDENT)
        held += answer.main.q.low < 40 < answer.main.q.high
        widths.append(answer.main.q.high - answer.main.q.low)
    assert held >= 10
    assert np.median(widths) < 4


def test_what_saturates_is_in_the_interval():
    rng, held = np.random.default_rng(4), 0
    times = np.arange(2048) / RATE_HZ
    for _ in range(12):
        clean = ring(times, 20e3, 40, 1500, rng.uniform(0, 6))
        answer = fit(codes(3000 * np.tanh(clean / 3000), rng))
        assert answer.doubts_about(DoubtKind.CONVERTER_NONLINEARITY)
        held += answer.main.q.low < 40 < answer.main.q.high
    assert held >= 10


def test_a_record_of_a_million_samples_is_thinned_without_loss():
    rng = np.random.default_rng(7)
    rate = 100e6
    times = np.arange(1_000_000) / rate
    samples = 2048 + ring(times, 20e3, 30, 1500) + 2 * rng.standard_normal(times.size)
    long = fit(Record(np.round(samples), rate_hz=rate, resolution=1.0))
    assert long.samples_used < 140_000
    assert len(long.modes) == 1
    assert abs(long.main.q.value - 30) < 4 * long.main.q.standard_uncertainty
    assert long.main.q.standard_uncertainty < 0.002  # the bound of all million samples is 0.0008
    assert long.main.amplitude.value == pytest.approx(1500, rel=1e-3)


def test_what_is_kept_between_fits_is_bounded():
    from coilbell.decay import search, solve, unseen

    rng = np.random.default_rng(8)
    for length in range(40_000, 48_000, 500):
        fit(Record(rng.standard_normal(length), rate_hz=1.0), start_s=0.0)
    kept = sum(map(len, solve._ranges.values())) + sum(b.windows.size for b in search._banks.values())
    assert kept + sum(one.size for one in unseen._kept.values()) <= 3 * solve.MOST_KEPT


def test_a_fit_is_certified_by_the_solver_of_the_certified_data(rng):
    times = np.arange(2048) / RATE_HZ
    answer = fit(codes(ring(times, 20e3, 30, 1500) + ring(times, 71e3, 15, 400), rng))
    first, second = certify(answer)
    assert max(first.apart, second.apart) < 0.01
    assert first.q == pytest.approx(answer.main.q.value, rel=1e-6)
    with pytest.raises(InputError):
        certify(fit(codes(np.zeros(200), rng)))


@settings(max_examples=40, deadline=None)
@given(
    values=st.lists(st.floats(-1e29, 1e29), min_size=24, max_size=160),
    rails=st.booleans(),
    quiet=st.integers(0, 20),
)
def test_no_finite_samples_end_a_fit(values, rails, quiet):
    samples = np.array(values)
    full_scale = (float(samples.min()), float(samples.max())) if rails and np.ptp(samples) > 0 else None
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            answer = fit(Record(samples, rate_hz=1e5, full_scale=full_scale, pretrigger=quiet))
        except InputError:
            return
    assert all(np.isfinite(mode.frequency_hz.value) for mode in (*answer.modes, *answer.tones))


@pytest.mark.parametrize("power", [20, -60])
def test_the_scale_of_the_samples_changes_nothing(rng, power):
    times = np.arange(1024) / RATE_HZ
    samples = ring(times, 20e3, 30, 1500) + ring(times, 71e3, 15, 60) + rng.standard_normal(1024)
    plain = fit(Record(samples, rate_hz=RATE_HZ))
    for scale in (2.0**power, -1.0):
        scaled = fit(Record(samples * scale, rate_hz=RATE_HZ))
        assert len(scaled.modes) == len(plain.modes) == 2
        for one, other in zip(scaled.modes, plain.modes, strict=True):
            apart = abs(one.decay_per_s.value - other.decay_per_s.value)
            assert apart < 1e-9 * other.decay_per_s.standard_uncertainty


def test_the_next_shot_from_an_earlier_fit_finds_what_a_fit_from_nothing_finds(rng):
    times = np.arange(2048) / RATE_HZ
    main = ring(times, 20e3, 30, 1200)
    before = fit(codes(main, rng))
    shot = codes(main + ring(times, 100e3, 30, 8), rng)
    cold, warm = fit(shot), fit(shot, near=before)
    assert len(cold.modes) == len(warm.modes) == 2


@pytest.mark.parametrize("depth", [0.4, 0.8])
def test_a_tone_that_swings_more_slowly_than_the_window_is_no_ring(rng, depth):
    """Seen for less than half a cycle of the swing its envelope falls, as a ring's does at first sight."""
    times = np.arange(1500) / RATE_HZ
    tone = 300 * (1 + depth * np.cos(2 * np.pi * 150 * times)) * np.cos(2 * np.pi * 68e3 * times)
    answer = fit(codes(tone, rng, noise=1.0))
    assert not answer.rings
    assert answer.doubts_about(DoubtKind.UNDAMPED_TONE)


def test_friction_is_in_the_interval():
    """Loss that grows as the ring falls: de/dt = -a (1 + 0.02 e^-0.8) e, which ends in finite time."""
    rng, held = np.random.default_rng(12), 0
    times = np.arange(2048) / RATE_HZ
    decay = 2 * np.pi * 20e3 / np.sqrt(4 * 40**2 - 1)
    left = np.maximum(1.02 * np.exp(-0.8 * decay * times) - 0.02, 0.0)
    for _ in range(8):
        answer = fit(codes(1500 * left**1.25 * np.cos(2 * np.pi * 20e3 * times + rng.uniform(0, 6)), rng))
        assert answer.doubts_about(DoubtKind.AMPLITUDE_DEPENDENT)
        held += answer.main.q.low < 40 < answer.main.q.high
    assert held >= 6


def test_a_pair_that_a_law_explains_nearly_as_well_is_said_to_be_either():
    """0.2 linewidths apart: where little tells them apart, both are said."""
    rng = np.random.default_rng(13)
    times = np.arange(2048) / RATE_HZ
    said = held = 0
    for _ in range(12):
        phase = rng.uniform(-3, 3)
        both = ring(times, 30e3, 40, 1000, phase) + ring(times, 30e3 * (1 + 0.2 / 40), 36, 350, phase + 0.7)
        answer = fit(codes(both, rng, noise=2.0))
        doubts = answer.doubts_about(DoubtKind.AMPLITUDE_DEPENDENT)
        assert len(answer.modes) == 2 or any("two modes" in d.detail for d in doubts)
        said += any("the interval holds both" in d.detail for d in doubts)
        held += any(m.q.low < 40 < m.q.high for m in answer.modes)
    assert held >= 10
    assert said >= 3


def test_a_clock_that_jitters_widens_the_interval_and_makes_no_mode():
    """Noise that goes with the ring's slope weighs on its frequency by half as much again as white noise."""
    rng, held, modes = np.random.default_rng(14), 0, []
    times = np.arange(2048) / RATE_HZ
    for _ in range(16):
        late = times + 20e-9 * rng.standard_normal(times.size)
        answer = fit(codes(ring(late, 70e3, 40, 1200, rng.uniform(0, 6)), rng, noise=0.8))
        modes.append(len(answer.modes))
        held += answer.main.frequency_hz.low < 70e3 < answer.main.frequency_hz.high
    assert held >= 13
    assert modes.count(1) >= 14


def test_noise_larger_at_first_makes_no_mode_and_hides_no_ring():
    rng, held, modes = np.random.default_rng(15), 0, []
    times = np.arange(2048) / RATE_HZ
    size = 1 + 4 * np.exp(-times / 400e-6)
    for _ in range(16):
        noisy = ring(times, 40e3, 20, 1200) + 8 * size * rng.standard_normal(times.size)
        answer = fit(codes(noisy, rng, noise=8.0))
        modes.append(len(answer.modes))
        held += answer.main.q.low < 20 < answer.main.q.high
    assert held >= 13
    assert modes.count(1) >= 15
