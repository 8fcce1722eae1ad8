"""Whole examinations in circuit, few of them; tests/benchmarks/incircuit.py runs as many as one likes.

The circuits behind them share no code with the judgement (board/simulation, held to ngspice).
"""

from __future__ import annotations

import pytest

from benchmarks import incircuit
from benchmarks.examinations import contested

NEVER = (
    "sound convicted, all done, rectifiers tested",
    "sound convicted at any other stage",
    "shorts under 0.1 ohm cleared there",
    "leaky turns convicted",
    "leaky turns under 5 ohm cleared",
    "headline and odds disagree",
)


@pytest.fixture(scope="module")
def rows():
    exams = [one for kind in ("line", "switch") for one in contested(kind, range(300, 302), 6, 3)]
    return incircuit.judge_all(exams)[0].rows


@pytest.mark.parametrize("what", NEVER)
def test_what_must_never_happen_does_not(rows, what):
    assert rows[what].n > 0
    assert rows[what].which == []


def test_copper_is_convicted_and_sound_windings_are_cleared_once_all_is_done(rows):
    assert rows["copper shorts convicted there"].hit >= 0.6 * rows["copper shorts convicted there"].n
    cleared = rows["sound cleared there, set leaves the ring alone"]
    assert cleared.n > 0
    assert cleared.hit >= 0.8 * cleared.n


def test_bounds_of_shares_are_those_of_clopper_and_pearson():
    # Rule of three: none of 195 leaves 1.5 % open one-sided, 1.9 % two-sided (Clopper and Pearson 1934,
    # from memory).
    assert incircuit.upper(0, 195)[1] == pytest.approx(1 - 0.025 ** (1 / 195), rel=1e-6)
    low, high = incircuit.upper(143, 158)
    assert 0.84 < low < 143 / 158 < high < 0.95
