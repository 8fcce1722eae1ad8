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
from benchmarks.ours import MISMATCH, fitted, judged
from benchmarks.score import efficiency, score
from benchmarks.signals import clipped, domain

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
    hits = np.array([c for _, _, result in sweep for c in result.covered])
    assert len(hits) == 120
    assert (hits.mean(axis=0) > 0.87).all()  # 95 % less four standard errors of 2 %
    assert not hits.all()


def test_sound_records_are_not_flagged(sweep):
    assert sum(result.mismatched for _, _, result in sweep) <= 3


@pytest.mark.parametrize("rho", [0.9, -0.5])
def test_intervals_hold_the_truth_in_coloured_noise(rho):
    results = [judged(domain(SEED, 1, i, rho=rho)) for i in range(40)]
    hits = np.array([c for r in results for c in r.covered])
    assert len(hits) >= 39
    assert (hits.mean(axis=0) > 0.82).all()


def test_clipped_rings_are_as_good_as_their_unclipped_samples():
    cases = [clipped(SEED, i) for i in range(30)]
    results = [judged(case) for case in cases]
    assert not any(r.gross for r in results)
    perfect = [s for case in cases for s in score(case.rings, bounds(case), from_truth(case))]
    flat = [s for r in results for s in r.rings]
    for what in ("frequency", "tau", "q"):
        assert efficiency(flat, what) < 1.05 * efficiency(perfect, what)


@pytest.mark.parametrize(("exponentials", "count"), [(0, 300), (1, 60), (2, 60)])
def test_silence_does_not_ring(exponentials, count):
    assert [text for i in range(count) if (text := rings_in_silence(SEED, exponentials, 0.0, i))] == []


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "control"])
def test_a_broken_model_is_flagged(kind):
    seen = []
    for i in range(16):
        case = mismatched(kind, SEED, i)
        if lack_of_fit(case) >= VISIBLE:
            seen.append(bool({d.kind for d in fitted(case).doubts} & MISMATCH))
    assert len(seen) >= 5
    assert sum(seen) >= len(seen) - 2


def test_a_sound_model_is_not():
    flagged = [
        bool({d.kind for d in fitted(mismatched("control", SEED, i)).doubts} & MISMATCH) for i in range(30)
    ]
    assert sum(flagged) <= 2
