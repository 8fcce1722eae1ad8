"""Findings and comparisons in words and in JSON: the same figures in both, with uncertainties, said once."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import pytest

from coilbell.bench.facts import finding as judgement
from coilbell.bench.facts.base import plain
from coilbell.bench.facts.comparison import ComparisonFacts, comparison_facts
from coilbell.bench.facts.finding import FindingFacts, finding_facts
from coilbell.bench.facts.judgement import judgement_facts
from coilbell.bench.words import finding as words
from coilbell.record import Capacitor, Connection
from coilbell.winding import (
    Capture,
    Condition,
    Explanation,
    Observation,
    Reference,
    compare,
    find,
    headline_words,
)

finding_text = partial(words.finding_text, full=True)
comparison_text = partial(words.comparison_text, full=True)

A, B = Capacitor(22e-9), Capacitor(4.7e-9)
KIND = "switch-mode transformer"


def seen(hz: float, q: float, capacitor: Capacitor = A, **more: Any) -> Observation:
    return Observation(capacitor, hz, q, 1e-5, 1e-3, 0.4, Connection.OUT_OF_CIRCUIT, **more)


def healthy() -> list[Observation]:
    """A winding of 1 mH with 0.1 nF of its own, by both capacitors."""
    return [seen(1 / (2 * math.pi * math.sqrt(1e-3 * (c.farads + 1e-10))), 90, c) for c in (A, B)]


def moved(times_f: float, times_q: float) -> list[Observation]:
    return [replace(o, frequency_hz=o.frequency_hz * times_f, q=o.q * times_q) for o in healthy()]  # type: ignore[operator]


def reference() -> Reference:
    return Reference.begin("moss", KIND, [Capture("u1", Condition.GOOD, o) for o in healthy()])


def judged(rings: list[Observation]) -> FindingFacts:
    return finding_facts(find(rings, reference()), "part.json")


def compared(rings: list[Observation]) -> ComparisonFacts:
    return comparison_facts(compare(healthy(), rings, kind=KIND), "a.json -> b.json")


def flat(text: str) -> str:
    return " ".join(text.split())


def fields(facts: Any) -> set[str]:
    """Names of all fields, at any depth; explanations are names of their own."""
    if isinstance(facts, list):
        return set().union(*(fields(item) for item in facts))
    if not isinstance(facts, dict):
        return set()
    return set(facts) | set().union(*(fields(v) for k, v in facts.items() if k != "probabilities"))


def test_every_field_is_told_where_the_layout_is() -> None:
    bad = compared(moved(1.5, 0.05))
    told = re.findall(r"\w+", judgement.__doc__ or "")
    untold = fields([judged(moved(1.5, 0.05)), bad, compared(healthy())]) - set(told)
    assert not untold


@pytest.mark.parametrize("facts_of", [judged, compared])
@pytest.mark.parametrize("change", [(1, 1), (1, 0.3), (1.5, 0.05), (2, 1), (0.8, 1), (6, 0.2)])
def test_odds_in_json_are_those_of_the_text(
    facts_of: Callable[[list[Observation]], FindingFacts | ComparisonFacts], change: tuple[float, float]
) -> None:
    said = facts_of(moved(*change))
    facts = json.loads(json.dumps(plain(said), allow_nan=False))
    text = finding_text(said) if isinstance(said, FindingFacts) else comparison_text(said)
    assert max(map(len, text.splitlines())) <= 80
    shorted = facts["shorted_turn"]
    assert math.isfinite(shorted["log10_shows"])
    assert 0 <= shorted["healthy_unit_at_least_this_far"] <= 1
    assert all(0 <= p < 1 for p in facts["probabilities"].values())
    assert "100 %" not in text


def test_the_ratio_of_a_short_that_shows_is_the_one_told() -> None:
    for change in ((1, 0.5), (1.5, 0.05)):
        finding = find(moved(*change), reference())
        assert finding.odds is not None
        facts = finding_facts(finding)
        assert facts.shorted_turn is not None
        assert facts.shorted_turn.log10_shows == finding.odds.log10_shows
        assert facts.shorted_turn.log10_shows != facts.shorted_turn.log10_likelihood_ratio


def test_figures_of_a_ring_carry_their_uncertainties_and_the_healthy_ones() -> None:
    first = plain(judged(moved(1.2, 0.5)))["rings"][0]
    assert first["natural_frequency_standard_uncertainty_hz"] == pytest.approx(
        1e-5 * first["natural_frequency_hz"], rel=0.01
    )
    assert first["q_standard_uncertainty"] == pytest.approx(1e-3 * first["q"], rel=0.01)
    usual = first["healthy"]
    assert usual["natural_frequency_hz"] == pytest.approx(first["natural_frequency_hz"] / 1.2, rel=1e-3)
    assert usual["frequency_spreads_away"] == pytest.approx(
        math.log(1.2) / usual["frequency_spread"], rel=0.01
    )
    assert usual["loss_spreads_away"] == pytest.approx(math.log(2) / usual["loss_spread"], rel=0.05)


def test_stray_capacitance_is_a_figure_too_and_unknown_by_one_capacitor() -> None:
    stray = plain(judged(healthy()))["stray_capacitance_f"]
    assert abs(stray["value"] - 1e-10) < 2 * stray["standard_uncertainty"]
    assert stray["usual"] is not None
    assert judged(healthy()[:1]).stray_capacitance_f is None


def test_a_turn_that_hides_behind_another_name_is_told() -> None:
    facts = judged(moved(1, 0.1)[:1])
    assert facts.probabilities is not None
    assert facts.shorted_turn is not None
    assert facts.probabilities[Explanation.LOADED] > 0.05
    assert facts.shorted_turn.probability > 0.5
    assert "are shorted turns that look loaded (they leak)" in flat(finding_text(facts))
    assert "are shorted turns that look" not in flat(finding_text(judged(moved(1.7, 0.02))))


def test_nothing_is_said_twice() -> None:
    for facts in (judged(moved(1, 0.3)), judged(moved(1.5, 0.05))):
        assert flat(finding_text(facts)).count("of the first peak where a healthy one has") == 1
    text = flat(comparison_text(compared(moved(1, 0.3))))
    assert "all this if the first is whole" in text
    assert text.count("across the winding") == 1
    relay = Reference.begin("relay", "relay coil", [Capture("u1", Condition.GOOD, seen(3e3, 1.6))])
    text = flat(finding_text(finding_facts(find([seen(3e3, 1.6)], relay))))
    assert text.count("one or a few shorted turns among many hundred") == 1


def test_an_impossible_winding_is_told_beside_its_inductance_and_doubted_once() -> None:
    facts = judged([seen(119.1e3, 16, A), seen(135.6e3, 5.5, B)])
    assert facts.impossible
    text = flat(finding_text(facts))
    assert "which the doubts deny" in text
    assert "negative series resistance" in text
    assert "negative series resistance: negative series resistance" not in text
    assert not judged(healthy()).impossible


def test_doubts_of_compared_rings_are_told() -> None:
    weak = [replace(o, doubts=("clipped: the first peak is cut",)) for o in moved(1, 0.9)]
    facts = compared(weak)
    assert facts.doubts[0] == "then, with 22 nF: clipped: the first peak is cut"
    assert "doubts: - then, with 22 nF: clipped" in flat(comparison_text(facts))


def test_a_verdict_is_never_broken_in_two() -> None:
    comparison = compare(healthy(), moved(0.8, 1), kind=KIND)
    facts = comparison_facts(comparison, "out-of-the-set.json capture 1 -> in-the-set.json capture 1")
    first, second = comparison_text(facts).splitlines()[:2]
    assert first == "out-of-the-set.json capture 1 -> in-the-set.json capture 1:"
    assert facts.verdict
    assert headline_words(facts.verdict).startswith(second)


def test_facts_kept_before_they_held_more_are_still_told() -> None:
    """A log keeps facts as they were made."""
    told = plain(judged(moved(1, 0.3)))
    for name in ("stray_capacitance_f", "impossible"):
        del told[name]
    del told["shorted_turn"]["log10_shows"]
    kept = judgement_facts(json.dumps(told), "it")
    assert isinstance(kept, FindingFacts)
    assert finding_text(kept)
    told = plain(compared(moved(1, 0.3)))
    del told["doubts"]
    other = judgement_facts(json.dumps(told), "it")
    assert isinstance(other, ComparisonFacts)
    assert comparison_text(other)
