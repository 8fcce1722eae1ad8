"""The estimator's statistics in small: a few dozen records of each kind, fixed seeds, wide limits.

The full table is `python tests/benchmarks/decay.py`; here a break shows within seconds. Each limit is
set so that chance alone crosses it about once in a thousand choices of the seed, for an estimator that
just reaches what the table asks for.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.alarms import rings_in_silence
from benchmarks.bound import bounds
from benchmarks.mismatch import KINDS, VISIBLE, lack_of_fit, mismatched
from benchmarks.oracle import from_truth
from benchmarks.ours import MISMATCH, covers, fitted, judged
from benchmarks.score import efficiency, score
from benchmarks.signals import Ring, captured, clipped, domain, generator, noise_free
from coilbell.decay import fit

SEED = 20


@pytest.fixture(scope="module")
def sweep():
    """20 records each with one, two and three rings: truth, bounds and verdict."""
    cases = [domain(SEED, rings, i) for rings in (1, 2, 3) for i in range(20)]
    return [(case, limits, judged(case, limits)) for case in cases for limits in [bounds(case)]]


def test_no_gross_failure_and_the_right_number_of_modes(sweep):
    for case, _, result in sweep:
        assert not result.gross, (case.name, result.raised)
        assert result.modes == len(case.rings), case.name


@pytest.mark.parametrize("what", ["frequency", "tau", "q"])
def test_errors_are_as_small_as_a_perfect_search_would_leave(sweep, what):
    ours = efficiency([s for _, _, result in sweep for s in result.rings], what)
    perfect = efficiency(
        [s for case, limits, _ in sweep for s in score(case.rings, limits, from_truth(case))], what
    )
    assert ours < 1.05 * perfect
    assert 0.75 < ours < 1.25  # 120 rings: 1 +- 3.5/sqrt(240)


def test_intervals_hold_the_truth(sweep):
    hits = np.array([c[1:] for _, _, result in sweep for c in result.covered])
    assert len(hits) == 120
    assert (hits.mean(axis=0) > 0.87).all()  # 95 % less four standard errors of 2 %
    assert not hits.all()


def test_sound_records_are_not_flagged(sweep):
    assert sum(result.mismatched for _, _, result in sweep) <= 3


@pytest.mark.parametrize(("rho", "frequency"), [(0.9, 8e3), (-0.5, 150e3)])
def test_intervals_hold_the_truth_in_coloured_noise(rho, frequency):
    """AR(1) noise is 3.2 (1.3) times stronger around these rings than white noise of its variance.

    Intervals made for white noise would hold the truth in under half (85 %) of the records.
    """
    truth = Ring.of_q(frequency, 30, 900, 0.5)
    clean = noise_free(2048, (truth,), (), 2048.0)
    hits = []
    for i in range(120):
        record = captured(generator(SEED, 9, i), clean, 2048.0, 6.0, rho)
        answer = fit(record, start_s=float(record.time_axis[record.pretrigger]))
        assert len(answer.modes) == 1
        hits.append(covers(truth, answer, 0))
    share = np.mean(hits, axis=0)
    assert (share > 0.88).all()  # 95 % less 3.5 standard errors of 2 %


def test_clipped_rings_are_as_good_as_their_unclipped_samples():
    cases = [clipped(SEED + k, i) for k in range(4) for i in range(24)]
    results = [judged(case) for case in cases]
    assert not any(r.gross for r in results)
    perfect = [s for case in cases for s in score(case.rings, bounds(case), from_truth(case))]
    flat = [s for r in results for s in r.rings]
    for what in ("frequency", "tau", "q"):
        assert efficiency(flat, what) < 1.05 * efficiency(perfect, what)


@pytest.mark.parametrize(("exponentials", "count"), [(0, 300), (1, 60), (2, 60)])
def test_silence_does_not_ring(exponentials, count):
    assert [text for i in range(count) if (text := rings_in_silence(SEED, exponentials, 0.0, i))] == []


@pytest.fixture(scope="module")
def broken():
    """For each way to break the model: doubts about 16 records, those left out where it hardly shows."""
    found = {}
    for kind in KINDS:
        cases = [mismatched(kind, SEED, i) for i in range(16 if kind != "control" else 30)]
        shown = cases if kind == "control" else [c for c in cases if lack_of_fit(c) >= VISIBLE]
        found[kind] = [frozenset(d.kind for d in fitted(case).doubts) for case in shown]
    return found


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "control"])
def test_a_broken_model_is_flagged(broken, kind):
    assert len(broken[kind]) >= 5
    assert sum(bool(doubts & MISMATCH) for doubts in broken[kind]) >= len(broken[kind]) - 2


@pytest.mark.parametrize("kind", ["non-linearity", "decay 5 %", "decay 30 %", "time slip"])
def test_and_named(broken, kind):
    assert sum(bool(doubts & KINDS[kind]) for doubts in broken[kind]) >= 0.6 * len(broken[kind])


def test_a_sound_model_is_not_flagged(broken):
    assert sum(bool(doubts & MISMATCH) for doubts in broken["control"]) <= 2
