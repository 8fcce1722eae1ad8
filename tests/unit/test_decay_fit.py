"""`fit` in use: several shots, uneven times, clipping, glitches, windows, units, wrong options."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from coilbell.decay import DoubtKind, fit
from coilbell.errors import InputError
from coilbell.record import Record

RATE_HZ = 500e3
FREQUENCY_HZ, Q = 21.6e3, 40.0
OMEGA0 = 2 * np.pi * FREQUENCY_HZ / np.sqrt(1 - 1 / (4 * Q * Q))
DECAY = OMEGA0 / (2 * Q)


def ring(times, amplitude=1500.0, phase=0.4, frequency_hz=FREQUENCY_HZ, decay=DECAY):
    return amplitude * np.exp(-decay * times) * np.cos(2 * np.pi * frequency_hz * times + phase)


def record(rng, count=2048, amplitude=1500.0, phase=0.4, sigma=1.5, pretrigger=64, extra=0.0, **settings):
    times = np.arange(count) / RATE_HZ
    clean = np.concatenate([np.zeros(pretrigger), ring(times, amplitude, phase) + extra])
    codes = np.clip(np.round(2048 + clean + sigma * rng.standard_normal(clean.size)), 0, 4095)
    settings = {"rate_hz": RATE_HZ, "full_scale": (0, 4095), "resolution": 1.0} | settings
    return Record(codes.astype(np.int32), pretrigger=pretrigger, **settings)


def within(quantity, truth, sigmas=4.0):
    return abs(quantity.value - truth) <= sigmas * quantity.standard_uncertainty


@pytest.fixture
def rng():
    return np.random.default_rng(20)


def test_one_record(rng):
    answer = fit(record(rng))
    main = answer.main
    assert len(answer.modes) == 1
    assert not answer.doubts
    assert within(main.frequency_hz, FREQUENCY_HZ)
    assert within(main.q, Q)
    assert within(main.amplitude, 1500.0)
    assert within(main.phase_rad, 0.4)
    assert within(answer.offset, 2048.0)
    assert answer.noise == pytest.approx(1.5, rel=0.15)
    assert main.q.low < main.q.value < main.q.high
    assert main.ring_count_whole == 1 + int(main.ring_count.value)
    assert answer.unit == "counts"


def test_an_uncertain_clock_is_in_every_rate_and_in_no_ratio(rng):
    """Clocks off by 0.5 % (standard deviation), each record said to be at the nominal rate."""
    far, sure = [], fit(record(rng)).main
    for _ in range(60):
        off = 5e-3 * rng.standard_normal()
        clocked = record(rng, rate_hz=RATE_HZ * (1 + off), rate_uncertainty=5e-3)
        answer = fit(clocked)
        main = answer.main
        far.append((main.frequency_hz.value - FREQUENCY_HZ) / main.frequency_hz.standard_uncertainty)
        assert main.tau_s.standard_uncertainty > 0.005 * main.tau_s.value
        if not answer.doubts:  # what chance calls a defect, 1 in 500, widens Q
            assert main.q.standard_uncertainty == pytest.approx(sure.q.standard_uncertainty, rel=0.3)
        assert main.frequency_hz.high - main.frequency_hz.low == pytest.approx(
            2 * 1.96 * 0.005 * 21.6e3, rel=0.05
        )
    assert 0.75 < np.std(far) < 1.3


def test_shots_share_their_poles(rng):
    """Eight shots leave 1/sqrt(8) of the standard uncertainty of one."""
    shots = [
        record(rng, amplitude=a, phase=p)
        for a, p in zip(rng.uniform(800, 1700, 8), rng.uniform(0, 6, 8), strict=True)
    ]
    one, all_of_them = fit(shots[0]), fit(shots)
    assert all_of_them.records == 8
    assert within(all_of_them.main.q, Q)
    assert len(all_of_them.main.amplitudes) == 8
    alike = [record(rng) for _ in range(8)]
    ratio = fit(alike[0]).main.q.standard_uncertainty / fit(alike).main.q.standard_uncertainty
    assert ratio == pytest.approx(np.sqrt(8), rel=0.1)
    assert not all_of_them.doubts
    assert one.main.amplitudes[0] == pytest.approx(all_of_them.main.amplitudes[0], rel=0.01)


def test_shots_that_differ_are_doubted(rng):
    warm = [record(rng), record(rng)]
    times = np.arange(2048) / RATE_HZ
    other = 2048 + ring(times, frequency_hz=FREQUENCY_HZ * 1.002)
    samples = np.concatenate([np.full(64, 2048.0), other]) + 1.5 * rng.standard_normal(2112)
    warm.append(Record(np.round(samples).astype(np.int32), rate_hz=RATE_HZ, pretrigger=64, resolution=1.0))
    kinds = {d.kind for d in fit(warm).doubts}
    assert DoubtKind.SHOTS_DISAGREE in kinds


def test_uneven_times_are_used_as_they_are(rng):
    """A fifth of a step of jitter costs nothing when the time stamps tell of it."""
    times = (np.arange(2048) + rng.uniform(-0.2, 0.2, 2048)) / RATE_HZ
    samples = 2048 + ring(times) + 1.5 * rng.standard_normal(times.size)
    answer = fit(Record(samples, times_s=times), start_s=times[0])
    assert within(answer.main.frequency_hz, FREQUENCY_HZ)
    assert within(answer.main.q, Q)
    assert answer.residual.rms == pytest.approx(1.5, rel=0.1)


def test_interleaved_times_unfold_a_fast_ring(rng):
    """400 kHz sampled at 500 kS/s from four starts a quarter step apart is seen where it is."""
    times = np.sort(np.concatenate([(np.arange(512) + m / 4) / RATE_HZ for m in range(4)]))
    samples = ring(times, frequency_hz=400e3, decay=2e4) + rng.standard_normal(times.size)
    assert fit(Record(samples, times_s=times), start_s=0.0).main.frequency_hz.value == pytest.approx(
        400e3, rel=1e-4
    )
    plain = fit(
        Record(ring(np.arange(512) / RATE_HZ, frequency_hz=400e3, decay=2e4), rate_hz=RATE_HZ), start_s=0.0
    )
    assert plain.main.frequency_hz.value == pytest.approx(100e3, rel=1e-3)


@pytest.mark.parametrize("reach", [0.0, 0.1, 0.5, 1.0])
def test_between_rails_that_leave_nothing_no_ring_is_made_up(rng, reach):
    times = np.arange(2048) / RATE_HZ
    seen = np.clip(ring(times) + 5 * rng.standard_normal(times.size) + 10, -reach, max(reach, 0.01))
    answer = fit(Record(seen, rate_hz=RATE_HZ))
    assert not answer.rings
    assert DoubtKind.CLIPPED in [doubt.kind for doubt in answer.doubts]


def test_an_uncertainty_that_cannot_be_computed_is_unknown_not_none(rng):
    times = np.arange(2048) / RATE_HZ
    seen = np.clip(ring(times) + 5 * rng.standard_normal(times.size) + 10, -6, 6)
    answer = fit(Record(seen, rate_hz=RATE_HZ))  # some 250 samples are off the rails, few of them in the ring
    found = [*answer.modes, *answer.tones]
    assert found
    for mode in found:
        for figure in (mode.frequency_hz, mode.amplitude):
            assert figure.standard_uncertainty > 0
            assert figure.low < figure.value < figure.high


def test_clipped_samples_are_masked_by_the_model(rng):
    answer = fit(record(rng, amplitude=4000.0))
    assert {d.kind for d in answer.doubts} == {DoubtKind.CLIPPED}
    assert within(answer.main.q, Q)
    assert within(answer.main.amplitude, 4000.0)
    assert answer.samples_masked > 0


def test_rails_are_recognised_when_nobody_names_them(rng):
    times = np.arange(2048) / RATE_HZ
    samples = np.clip(2048 + ring(times, 3000.0) + 1.5 * rng.standard_normal(times.size), 300, 3700)
    answer = fit(Record(samples, rate_hz=RATE_HZ), start_s=0.0)
    assert DoubtKind.CLIPPED in {d.kind for d in answer.doubts}
    assert answer.main.q.value == pytest.approx(Q, rel=0.01)


def test_glitches_are_masked(rng):
    spoilt = record(rng)
    samples = spoilt.samples.copy()
    samples[[300, 700, 1500]] += 150
    answer = fit(Record(samples, rate_hz=RATE_HZ, pretrigger=64, resolution=1.0, full_scale=(0, 4095)))
    assert [d.kind for d in answer.doubts] == [DoubtKind.GLITCHES]
    assert within(answer.main.q, Q)


def test_a_recovery_is_no_ring(rng):
    times = np.arange(2048) / RATE_HZ
    both = fit(record(rng, extra=400 * np.exp(-times / 3e-4)))
    assert len(both.modes) == 1
    assert within(both.recoveries[0].decay_per_s, 1 / 3e-4)
    assert within(both.recoveries[0].amplitude, 400)
    alone = 2048 + 900 * np.exp(-times / 3e-4) + 1.5 * rng.standard_normal(times.size)
    answer = fit(Record(np.round(alone).astype(int), rate_hz=RATE_HZ), start_s=0.0)
    assert not answer.rings
    assert answer.doubts[0].kind is DoubtKind.BELOW_RING_THRESHOLD
    with pytest.raises(LookupError):
        _ = answer.main


def test_a_candidate_that_is_no_ring_for_another_reason_is_not_said_to_be_too_weak():
    samples = np.random.default_rng(1).normal(0, 1, 4000)
    samples[0] += 300
    (doubt,) = fit(Record(samples, rate_hz=RATE_HZ)).doubts
    assert doubt.kind is DoubtKind.BELOW_RING_THRESHOLD
    assert "strong enough but no ring" in doubt.detail
    (weak,) = fit(Record(samples[1:], rate_hz=RATE_HZ)).doubts
    assert "strong enough" not in weak.detail
    assert weak.statistic < weak.threshold


def test_a_tone_is_kept_apart(rng):
    times = np.arange(2048) / RATE_HZ
    answer = fit(record(rng, extra=40 * np.cos(2 * np.pi * 61e3 * times)))
    assert len(answer.modes) == 1
    assert [t.frequency_hz.value for t in answer.tones] == pytest.approx([61e3], rel=1e-4)
    assert DoubtKind.UNDAMPED_TONE in {d.kind for d in answer.doubts}
    only = fit(Record(2048 + 40 * np.cos(2 * np.pi * 61e3 * times), rate_hz=RATE_HZ), start_s=0.0)
    assert not only.rings


def test_the_start_is_found_when_nobody_names_it(rng):
    """300 samples of baseline, an excitation nobody modelled, then the ring."""
    times = np.arange(2048) / RATE_HZ
    kick = np.linspace(0, 2500, 20)
    whole = np.concatenate([np.zeros(300), kick, ring(times, 1500.0, 0.0)]) + rng.standard_normal(2368)
    answer = fit(Record(whole, rate_hz=RATE_HZ))
    assert within(answer.main.q, Q)
    assert 319 / RATE_HZ <= answer.start_s <= 345 / RATE_HZ


def test_window(rng):
    whole = record(rng, pretrigger=0)
    answer = fit(whole, start_s=2e-4, stop_s=2e-3)
    assert answer.start_s == pytest.approx(2e-4)
    assert answer.stop_s == pytest.approx(2e-3)
    assert answer.samples_used == 901
    assert within(answer.main.q, Q)
    assert within(answer.main.amplitude, 1500 * np.exp(-DECAY * 2e-4))


def test_volts_at_the_winding(rng):
    answer = fit(record(rng, volts_per_count=1e-3, gain=2.0))
    assert answer.unit == "V"
    assert within(answer.main.amplitude, 1500 * 0.5e-3)
    assert answer.envelope[0][0] == pytest.approx(1500, rel=0.01)


def test_next_shot_from_an_earlier_fit(rng):
    first = fit(record(rng))
    second = record(rng)
    warm, cold = fit(second, near=first), fit(second)
    assert warm.main.q.value == pytest.approx(cold.main.q.value, rel=1e-6)
    assert warm.main.q.standard_uncertainty == pytest.approx(cold.main.q.standard_uncertainty, rel=1e-3)


def test_an_earlier_fit_of_something_else_does_no_harm(rng):
    times = np.arange(2112) / RATE_HZ
    other = 2048 + ring(times, frequency_hz=70e3, decay=9e3) + 1.5 * rng.standard_normal(times.size)
    other = fit(Record(other, rate_hz=RATE_HZ), start_s=0.0)
    answer = fit(record(rng), near=other)
    assert len(answer.modes) == 1
    assert within(answer.main.q, Q)


def test_curve_and_residual_add_up(rng):
    one = record(rng)
    answer = fit(one)
    times, curve = answer.curve[0].T
    assert times[0] == pytest.approx(64 / RATE_HZ)
    assert curve + answer.residuals[0] == pytest.approx(one.samples[64:])
    parameters = dict(zip(answer.parameters, np.sqrt(np.diag(answer.covariance)), strict=True))
    assert parameters["decay_per_s[0]"] == pytest.approx(answer.main.decay_per_s.standard_uncertainty)


def test_a_fit_travels_between_processes(rng):
    answer = fit(record(rng))
    back = pickle.loads(pickle.dumps(answer))
    assert back.main == answer.main


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"count_to": 1.5}, "count_to 1.5"),
        ({"max_modes": 0}, "max_modes 0"),
        ({"min_hz": -1.0}, "min_hz -1"),
        ({"start_s": 1.0}, "the window holds 0"),
        ({"start_s": 0.0, "stop_s": 1e-5}, "the window holds 6"),
    ],
)
def test_options_out_of_range(rng, options, words):
    with pytest.raises(InputError, match=words):
        fit(record(rng), **options)


def test_no_record():
    with pytest.raises(InputError, match="no record given"):
        fit([])


def test_a_resting_level_at_the_edge_of_a_code_is_not_noise():
    """It goes between two codes as with much noise; a ring below a step is hidden all the same."""
    rng = np.random.default_rng(44)
    times = np.arange(16384) / 44.1e3
    for edge in (0.45, 0.47, 0.5):
        curve = 128 + edge + 60 * np.exp(-30 * times) * np.cos(2 * np.pi * 302 * times)
        codes = np.rint(curve + 0.09 * rng.standard_normal(times.size)).astype(np.uint8)
        answer = fit(Record(codes, rate_hz=44.1e3, resolution=1.0), start_s=0.0)
        assert not answer.doubts_about(DoubtKind.TIME_SLIP)
        assert answer.main.decay_per_s.value == pytest.approx(30, rel=0.01)
        assert answer.samples_used < 8000


@pytest.mark.parametrize("value", [0.0, 2048.0, -1e6])
def test_a_constant_is_no_ring(value):
    answer = fit(Record(np.full(500, value), rate_hz=RATE_HZ))
    assert not answer.rings


def test_noise_alone_never_raises():
    rng = np.random.default_rng(5)
    for count in (24, 25, 40, 64, 333):
        assert not fit(Record(rng.standard_normal(count), rate_hz=1.0), start_s=0.0).rings
