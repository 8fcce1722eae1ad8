"""Several equal shots: what their average shows, what the first samples may spoil, what stays unseen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from coilbell.decay import DoubtKind, fit
from coilbell.record import Record

RATE_HZ = 500e3


def shots(curve, rng, many=8, noise=1.0, before=64, rate_hz=RATE_HZ):
    """Records of one curve in converter codes, each with noise of its own."""
    whole = 2048 + np.concatenate((np.zeros(before), curve))
    return [
        Record(
            np.rint(whole + noise * rng.standard_normal(whole.size)).astype(np.int16),
            rate_hz=rate_hz,
            full_scale=(0, 4095),
            resolution=1.0,
            pretrigger=before,
            pulse_s=0.1 / rate_hz,
            shot=i,
        )
        for i in range(many)
    ]


def ring(frequency_hz, q, amplitude=400.0, count=2048, phase=-1.0, rate_hz=RATE_HZ):
    times = np.arange(count) / rate_hz
    omega0 = 2 * np.pi * frequency_hz / np.sqrt(1 - 1 / (4 * q * q))
    return amplitude * np.exp(-omega0 / (2 * q) * times) * np.cos(2 * np.pi * frequency_hz * times + phase)


def fall(rate_per_s, amplitude, count=2048):
    return amplitude * np.exp(-rate_per_s * np.arange(count) / RATE_HZ)


def off(quantity, truth):
    """Error in standard uncertainties."""
    return (quantity.value - truth) / quantity.standard_uncertainty


def test_shots_that_share_their_poles_show_no_slip():
    """Each shot's residual leans on its own pole directions by chance; that is no lost sample."""
    rng = np.random.default_rng(31)
    doubted = [
        bool(fit(shots(ring(f, q), rng)).doubts)
        for f in (4e3, 9.1e3, 32e3, 90e3)
        for q in (8, 25, 60, 110, 150)
    ]
    assert sum(doubted) == 0


def test_a_ring_common_to_all_shots_is_seen_in_their_average():
    """Gain 8 A^2 / (4 a) = 53 noise variances: below eight shots' price of 67, above one's of 35."""
    rng = np.random.default_rng(32)
    curve = ring(12e3, 50) + ring(70e3, 14, amplitude=0.95)
    together = fit(shots(curve, rng))
    assert [round(m.frequency_hz.value, -3) for m in together.modes] == [12e3, 70e3]
    assert len(fit(shots(curve, rng, many=1)).modes) == 1


def test_noise_of_many_shots_is_no_ring():
    rng = np.random.default_rng(33)
    assert not any(fit(shots(np.zeros(1024), rng, before=16)).rings for _ in range(25))


@pytest.mark.parametrize("phases", [(0.0, np.pi), (0.0, 2.1, 4.2)])
def test_a_ring_that_cancels_in_the_average_is_found(phases):
    """Pulses of either sign, or triggers at random, average to nothing; each shot rings all the same."""
    rng = np.random.default_rng(34)
    every = [s for p in phases for s in shots(ring(12e3, 50, phase=p), rng, many=1)]
    assert off(fit(every).main.frequency_hz, 12e3) == pytest.approx(0, abs=4)


def test_a_tone_in_one_shot_only_is_found():
    rng = np.random.default_rng(35)
    every = shots(ring(12e3, 50), rng, many=7)
    every += shots(ring(12e3, 50) + ring(70e3, 60, amplitude=2.6), rng, many=1)
    assert [round(m.frequency_hz.value, -3) for m in fit(every).modes] == [12e3, 70e3]


@pytest.mark.parametrize("burst", [(-28.0, -15.0, -8.0, -4.0), (0, 0, -5.0, -3.0), (0, 0, -16.0, 4.0)])
def test_what_the_pulse_stirs_does_not_bend_the_ring(burst):
    """A burst far above the sampling rate, gone in a few samples, would bend a sluggish ring."""
    rng = np.random.default_rng(36)
    curve = ring(46e3, 3.1)
    curve[: len(burst)] += burst
    answers = [fit(shots(curve, rng)) for _ in range(8)]
    errors = [(off(a.main.frequency_hz, 46e3), off(a.main.q, 3.1)) for a in answers]
    assert np.square(errors).mean() < 2.5
    assert sum(step.what == "start of the window" for a in answers for step in a.account) >= 3


def test_a_clean_start_is_kept():
    rng = np.random.default_rng(37)
    answers = [fit(shots(ring(46e3, q), rng)) for q in (3.1, 10, 60) for _ in range(6)]
    late = sum(step.what == "start of the window" for a in answers for step in a.account)
    assert late <= 1


def test_an_exponential_too_weak_to_be_seen_widens_the_interval():
    """Left out of the model it moves the figures by more than the noise does; the interval knows."""
    rng = np.random.default_rng(38)
    curve = ring(18.4e3, 3.0) + fall(100e3, 2.5)
    errors = [off(fit(shots(curve, rng)).main.frequency_hz, 18.4e3) for _ in range(30)]
    assert np.abs(errors).max() < 3.5
    clean = [fit(shots(ring(18.4e3, 3.0), rng)).main.frequency_hz.standard_uncertainty for _ in range(20)]
    doubtful = [fit(shots(curve, rng)).main.frequency_hz.standard_uncertainty for _ in range(20)]
    assert np.mean(doubtful) > 1.06 * np.mean(clean)


def test_a_slip_common_to_all_shots_is_still_named():
    rng = np.random.default_rng(39)
    whole = ring(9e3, 80, count=2070)
    curve = np.concatenate((whole[:300], whole[302:]))[:2048]
    assert fit(shots(curve, rng)).doubts_about(DoubtKind.TIME_SLIP)


@pytest.mark.filterwarnings("error")
def test_a_silent_shot_among_ringing_ones_spoils_nothing():
    rng = np.random.default_rng(20)
    loud = shots(ring(21.6e3, 40), rng, many=2)
    silent = Record(
        np.full(len(loud[0]), 2048), rate_hz=RATE_HZ, shot=2, pretrigger=64, pulse_s=0.1 / RATE_HZ
    )
    main = fit([*loud, silent]).main
    assert abs(main.frequency_hz.value - 21.6e3) <= 4 * main.frequency_hz.standard_uncertainty
    assert abs(main.q.value - 40) <= 4 * main.q.standard_uncertainty


def test_copies_of_a_shot_are_counted_once_and_told():
    """Copied eight times a shot agrees with itself, which makes it no surer."""
    rng = np.random.default_rng(40)
    one, other = shots(ring(12e3, 50), rng, many=2)
    alone, copied = fit(one), fit([one, *[replace(one, shot=i, note="again") for i in range(1, 8)]])
    assert copied.main.q.standard_uncertainty == alone.main.q.standard_uncertainty
    assert copied.records == 1
    assert [doubt.statistic for doubt in copied.doubts_about(DoubtKind.REPEATED_SHOTS)] == [7]
    both = fit([one, other, one])
    assert both.main.q.value == fit([one, other]).main.q.value
    assert "1 of 3 shots" in both.doubts_about(DoubtKind.REPEATED_SHOTS)[0].detail
    assert not fit([one, other]).doubts


@pytest.mark.parametrize("curve", [ring(12e3, 50), np.zeros(2048)])
def test_shots_alike_for_want_of_noise_are_no_doubt(curve):
    """Rounding hides what little noise there is: equal shots are then as they should be, and tell as one."""
    rng = np.random.default_rng(41)
    alike, alone = fit(shots(curve, rng, noise=0.0)), fit(shots(curve, rng, many=1, noise=0.0))
    assert not alike.doubts_about(DoubtKind.REPEATED_SHOTS)
    assert alike.samples_used == alone.samples_used


def test_a_faster_ring_folded_under_a_sluggish_one_is_doubted():
    """440 kHz sampled at 500 kHz lies on a ring at 51 kHz; sampled four times as fast it stands apart."""
    rng = np.random.default_rng(42)

    def both(rate_hz):
        fast = ring(440e3, 13.5, amplitude=30.0, phase=3.0, rate_hz=rate_hz)
        return ring(51e3, 2.3, rate_hz=rate_hz) + fast

    answers = [fit(shots(both(RATE_HZ), rng)) for _ in range(12)]
    wrong = [a for a in answers if max(abs(off(a.main.frequency_hz, 51e3)), abs(off(a.main.q, 2.3))) > 3.5]
    assert len(wrong) >= 6
    assert all(a.doubts_about(DoubtKind.FOLDED) for a in wrong)
    faster = fit(shots(both(4 * RATE_HZ), rng, many=2, rate_hz=4 * RATE_HZ))
    assert [round(m.frequency_hz.value, -4) for m in faster.modes] == [50e3, 440e3]
    assert off(faster.main.q, 2.3) == pytest.approx(0, abs=4)
    assert not faster.doubts


@pytest.mark.parametrize("burst", [(1.8, -1.0), (2.5, -1.5), (-2.5, -2.0)])
def test_a_burst_of_two_samples_is_no_ring(burst):
    """Fitted as one it stood at half the sampling rate with amplitudes of thousands, before the ring."""
    rng = np.random.default_rng(1)
    curve = ring(16e3, 2.3)
    curve[2:4] += burst
    for _ in range(6):
        answer = fit(shots(curve, rng))
        assert off(answer.main.frequency_hz, 16e3) == pytest.approx(0, abs=4)
        assert all(m.amplitude.value < 500 for m in answer.modes)
        assert not answer.tones


def test_a_stirred_start_of_a_slow_ring_is_no_doubt():
    rng = np.random.default_rng(43)
    curve = ring(6e3, 2.3)
    curve[2:4] += (2.5, -1.5)
    answers = [fit(shots(curve, rng)) for _ in range(8)]
    assert sum(step.what == "start of the window" for a in answers for step in a.account) >= 3
    assert not any(a.doubts for a in answers)
