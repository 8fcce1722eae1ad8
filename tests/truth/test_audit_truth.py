"""Scores, shares and spreads of the audit against independent libraries and against draws from a known truth.

scikit-learn: brier_score_loss, log_loss, calibration_curve; an outcome of sureness s is two weighted rows.
scipy.stats: binomtest's exact interval (Clopper and Pearson), chi2 for the spreads.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from coilbell.bench.audit.cases import Case, weighed
from coilbell.bench.audit.scores import bins_of, found_share, interval, score_of
from coilbell.bench.audit.shares import compared
from coilbell.bench.audit.spreads import Part, spread_checks
from coilbell.bench.facts.outcome import Outcome
from coilbell.record import Capacitor
from coilbell.terms import FOUND
from coilbell.winding import Capture, Condition, Observation, Reference
from outside import require


def _drawn(n: int, seed: int, sures: tuple[float, ...] = (0.8, 0.9, 1.0)) -> list[Case]:
    """Cases of a perfect judge, by finders who are right as often as they say."""
    rng = np.random.default_rng(seed)
    cases = []
    for number, p in enumerate(rng.beta(0.5, 0.7, n)):
        sure = float(rng.choice(sures))
        # Of sound ones he names a shorted turn as often as such turns are among what is left.
        named = rng.random() < (sure if rng.random() < p else (1 - sure) * BASE)
        cause = "shorted-turn" if named else "sound"
        outcome = Outcome(cause=cause, state=FOUND[cause], sure=sure)
        settings: dict[str, Any] = {"kind": "", "stage": "", "units": 1, "headline": None, "explanation": ""}
        settings |= {"stated": float(p), "outcome": outcome, "simulated": True, "last": True}
        cases.append(Case(str(number), number, "", **settings))
    return weighed(cases)


BASE = 0.5 / 1.2
"""Share of shorted turns that beta(0.5, 0.7) makes."""


@pytest.mark.parametrize("sures", [(1.0,), (0.7, 0.9, 0.99)])
def test_a_perfect_judge_is_told_as_one_however_unsure_the_finders(sures: tuple[float, ...]) -> None:
    """By 200 logs of 120: the gap is under the usual one in 95 %, the share's interval holds so often."""
    inside, held = [], []
    for seed in range(200):
        cases = _drawn(120, seed, sures)
        score = score_of(cases)
        assert score is not None
        assert score.gap_usual is not None
        inside.append(score.gap <= score.gap_usual)
        share = found_share(cases)
        held.append(share.low <= np.mean([case.stated or 0.0 for case in cases]) <= share.high)
    assert abs(np.mean(inside) - 0.95) < 3.5 * np.sqrt(0.95 * 0.05 / 200)
    assert np.mean(held) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 200)


@pytest.mark.parametrize("seed", range(5))
def test_scores_are_those_of_scikit_learn(seed: int) -> None:
    require("sklearn")
    from sklearn.calibration import calibration_curve
    from sklearn.metrics import brier_score_loss, log_loss

    cases = _drawn(400, seed)
    score = score_of(cases)
    assert score is not None
    p = np.array([case.stated for case in cases] * 2)
    y = np.repeat([1, 0], len(cases))
    w = np.concatenate([[c.weight * c.shorted for c in cases], [c.weight * (1 - c.shorted) for c in cases]])
    assert score.brier == pytest.approx(brier_score_loss(y, p, sample_weight=w), rel=1e-12)
    assert score.log == pytest.approx(log_loss(y, p, sample_weight=w) / np.log(2), rel=1e-9)
    sure = [case for case in cases if case.outcome.sure == 1]
    for case in sure:
        assert case.weight == 1
    found, stated = calibration_curve([c.outcome.shorted for c in sure], [c.stated for c in sure], n_bins=10)
    bins = bins_of(weighed(sure))
    assert [one.found.share for one in bins] == pytest.approx(list(found))
    assert [one.stated for one in bins] == pytest.approx(list(stated))


@pytest.mark.parametrize(("k", "n"), [(0, 5), (3, 7), (40, 40), (17, 60), (999, 1000)])
@pytest.mark.parametrize("level", [0.95, 0.99])
def test_intervals_are_exact_binomial_ones(k: int, n: int, level: float) -> None:
    from scipy.stats import binomtest

    exact = binomtest(k, n).proportion_ci(level, method="exact")
    assert interval(k, n, level) == pytest.approx((exact.low, exact.high), abs=1e-12)


def test_a_true_share_is_contradicted_no_oftener_than_its_level() -> None:
    rng = np.random.default_rng(8)
    told = [compared(("", "", ""), "", 0.3, int(k), 50, 0.99) for k in rng.binomial(50, 0.3, 2000)]
    assert np.mean([one.contradicted for one in told]) <= 0.01 + 3 * np.sqrt(0.01 * 0.99 / 2000)


KIND, CAPACITOR = "switch-mode transformer", Capacitor(22e-9, 0.01, "A")


def _part(rng: np.random.Generator, wider: float, units: int) -> Part:
    """A part whose units stray `wider` times as far as their kind's figures say."""
    first = Capture("unit-1", Condition.GOOD, Observation(CAPACITOR, 40e3, 80.0))
    part = Part(Reference.begin("drawn", KIND, [first]), CAPACITOR)
    from coilbell.bench.audit.spreads import _assumed

    spread_f, spread_q = _assumed(part)
    for number in range(units):
        drawn = rng.standard_normal(2) * (spread_f, spread_q) * wider
        part.units[f"unit-{number}"] = (np.log(40e3) + drawn[0], -np.log(80.0) + drawn[1])
    return part


def _contradicted(wider: float, units: int, draws: int, seed: int) -> float:
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(draws):
        told = list(spread_checks([_part(rng, wider, units)], 0.99))
        found += [one.contradicted for one in told if one.name.startswith("spread")]
        assert all(one.low <= one.found <= one.high for one in told)
    return float(np.mean(found))


def test_a_true_spread_is_contradicted_at_the_stated_level_and_a_wrong_one_is_found() -> None:
    draws = 400
    assert abs(_contradicted(1.0, 12, draws, 1) - 0.01) < 3.5 * np.sqrt(0.01 * 0.99 / (2 * draws))
    assert _contradicted(2.5, 12, 60, 2) > 0.95
    assert _contradicted(0.3, 12, 60, 3) > 0.95


def test_the_interval_of_a_spread_is_that_of_chi_square() -> None:
    from scipy.stats import chi2

    part = _part(np.random.default_rng(5), 1.3, 9)
    told = next(spread_checks([part], 0.99))
    f = np.array([point[0] for point in part.units.values()])
    total = ((f - f.mean()) ** 2).sum()
    assert told.found == pytest.approx(f.std(ddof=1))
    assert told.low == pytest.approx(np.sqrt(total / chi2.ppf(0.995, 8)))
    assert told.high == pytest.approx(np.sqrt(total / chi2.ppf(0.005, 8)))
