"""Odds and expected information against arithmetic done by hand.

The kind below has round chances, so that every figure beside a check can be followed with pencil and paper.
The outline (Bayes' rule, mutual information) is that of any textbook; the figures were worked out here.
"""

from __future__ import annotations

import math

import pytest

from coilbell.isolate import (
    Equipment,
    Evidence,
    decode,
    information,
    odds,
    plan,
    ratio_of_ring,
    seen,
    settling,
)
from coilbell.isolate import chances as chances_of
from lamp import LAMP


def kind(slip: float = 0.0) -> Equipment:
    return decode(LAMP.replace("SLIP", f"{slip}"))


def close(value: float) -> object:
    return pytest.approx(value, abs=1e-12)


def test_one_sight_by_hand() -> None:
    # broken: 0.5*0.9 = 0.45, 0.3*0.1 = 0.03, 0.2*0.5 = 0.10; sum 0.58
    lamp = kind()
    now = odds(lamp, [seen(lamp.step_named("filament"), "broken")])
    assert now.probabilities == {"bulb": close(45 / 58), "unknown": close(10 / 58), "fuse": close(3 / 58)}
    assert now.leader == "bulb"
    assert now.parts["bulb"] == close(45 / 58)


def test_a_slip_takes_its_share() -> None:
    # slip 0.2 of two outcomes: likelihoods 0.8*1 + 0.2*0.5 = 0.9 of broken and 0.1 of whole.
    # bulb 0.9*0.9+0.1*0.1 = 0.82, fuse 0.1*0.9+0.9*0.1 = 0.18, unknown 0.5
    lamp = kind(0.2)
    now = odds(lamp, [seen(lamp.step_named("filament"), "broken")])
    total = 0.5 * 0.82 + 0.3 * 0.18 + 0.2 * 0.5
    assert now.probabilities["bulb"] == close(0.41 / total)
    assert now.probabilities["fuse"] == close(0.054 / total)


def test_an_unsure_eye_by_hand() -> None:
    # 75 % sure of broken: bulb 0.75*0.9+0.25*0.1 = 0.70, fuse 0.75*0.1+0.25*0.9 = 0.30, unknown 0.5
    lamp = kind()
    now = odds(lamp, [seen(lamp.step_named("filament"), "broken", 0.75)])
    assert now.probabilities["bulb"] == close(0.35 / (0.35 + 0.09 + 0.10))


def test_a_ring_enters_by_its_own_likelihood_ratio() -> None:
    # log10 ratio 1: shorted is 10 times likelier. bulb and fuse 0.8*1+0.2*10 = 2.8, unknown 0.4+6 = 6.4
    lamp = kind()
    now = odds(lamp, [ratio_of_ring(lamp.step_named("ring"), 1.0)])
    assert now.probabilities["unknown"] == close(0.2 * 6.4 / (0.8 * 2.8 + 0.2 * 6.4))


def test_two_steps_multiply_and_order_does_not_matter() -> None:
    lamp = kind()
    both = [seen(lamp.step_named("filament"), "broken"), seen(lamp.step_named("ring"), "shorted")]
    # 0.45*0.2 = 0.09, 0.03*0.2 = 0.006, 0.10*0.6 = 0.06; sum 0.156
    assert odds(lamp, both).probabilities["bulb"] == close(0.09 / 0.156)
    assert odds(lamp, both[::-1]).probabilities == odds(lamp, both).probabilities


def test_two_readings_of_one_state_are_no_two_states() -> None:
    # The state is broken or whole once: with slip 0.2, twice broken gives 0.9^2 and 0.1^2.
    lamp = kind(0.2)
    step = lamp.step_named("filament")
    now = odds(lamp, [seen(step, "broken"), seen(step, "broken")])
    bulb, fuse, unknown = (0.5 * (0.9 * 0.81 + 0.1 * 0.01), 0.3 * (0.1 * 0.81 + 0.9 * 0.01), 0.2 * 0.41)
    assert now.probabilities["bulb"] == close(bulb / (bulb + fuse + unknown))


def test_what_moved_the_odds_is_the_factor_against_the_rest() -> None:
    # broken: bulb 0.9; the rest (0.3*0.1 + 0.2*0.5)/0.5 = 0.26
    lamp = kind()
    (move,) = odds(lamp, [seen(lamp.step_named("filament"), "broken")]).moves
    assert move.factors["bulb"] == close(0.9 / 0.26)
    assert move.reason == "it is the bulb"
    assert move.source == "physics"


def test_information_by_hand() -> None:
    # Two even hypotheses, outcomes 0.9/0.1 and 0.1/0.9: 1 - h(0.1) = 0.531004406 bit.
    entropy = -(0.1 * math.log2(0.1) + 0.9 * math.log2(0.9))
    import numpy as np

    chance = np.array([[0.9, 0.1], [0.1, 0.9]])
    assert information(np.array([0.5, 0.5]), chance, 0.0) == close(1 - entropy)
    # A slip of 0.2 makes it 0.82/0.18.
    entropy = -(0.18 * math.log2(0.18) + 0.82 * math.log2(0.82))
    assert information(np.array([0.5, 0.5]), chance, 0.2) == close(1 - entropy)
    assert information(np.array([0.5, 0.5]), np.array([[0.3, 0.7], [0.3, 0.7]]), 0.0) == close(0.0)


def test_the_next_test_weighs_effort_and_risk() -> None:
    # filament: 2 min; ring: 4 min + 5 min for risk 1
    lamp = kind()
    first, second = plan(lamp, odds(lamp, []), [])
    assert (first.step, second.step) == ("filament", "ring")
    assert first.effort == 2.0
    assert second.effort == 9.0
    assert first.worth == close(60 * first.bits / 2)


def test_settling_looks_at_two_alone() -> None:
    lamp = kind()
    found = settling(lamp, [], ("bulb", "fuse"))
    entropy = -(0.1 * math.log2(0.1) + 0.9 * math.log2(0.9))
    assert found[0].step == "filament"
    assert found[0].bits == close(1 - entropy)
    assert [p.step for p in found] == ["filament"], "the ring knows no difference between the two"


def test_contradictions_are_told() -> None:
    lamp = kind()
    step = lamp.step_named("filament")
    now = odds(lamp, [seen(step, "broken", 0.99), seen(step, "whole", 0.99)])
    assert [c.step for c in now.contradictions] == ["filament"]
    assert not odds(lamp, [seen(step, "broken", 0.99)] * 2).contradictions


def test_evidence_that_says_nothing_moves_nothing() -> None:
    lamp = kind(0.02)
    flat = Evidence("filament", (0.0, 0.0), "nothing", "computed")
    now = odds(lamp, [flat])
    assert now.probabilities["bulb"] == close(0.5)
    assert chances_of(lamp, lamp.step_named("filament")).sum(axis=1) == close(1.0)
