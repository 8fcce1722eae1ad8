"""What must hold of every judgement, over the catalogue: headline and odds, order, copies, priors.

Units are drawn by COILBELL_SEED; the circuits that ring share no code with the judgement.
"""

from __future__ import annotations

import math
import os
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from benchmarks.populations import capacitors, observed, reference
from coilbell.board.simulation import CONDITIONS, catalogue
from coilbell.errors import InputError
from coilbell.record import Capacitor, Connection
from coilbell.terms import Cause, Headline, Step
from coilbell.winding import (
    Capture,
    Comparison,
    Condition,
    Finding,
    Observation,
    Reference,
    Relation,
    compare,
    find,
    headline_words,
    recorded_of,
    step_words,
    verdict_lines,
)

SEED = int(os.environ.get("COILBELL_SEED", "1"))
OUT, IN = Connection.OUT_OF_CIRCUIT, Connection.IN_CIRCUIT
NAMES = catalogue.names()


@cache
def made(name: str, good: int) -> tuple[Reference, tuple[float, ...]]:
    rng = np.random.default_rng((SEED, NAMES.index(name), good))
    test = capacitors(name, 2)
    return reference(name, test, good, int(rng.integers(2**31)), shorted=good > 1, rng=rng), test


def rung(name: str, state: str, seed: int = 0, where: Connection = OUT) -> list[Observation]:
    rng = np.random.default_rng((SEED, NAMES.index(name), seed, 9))
    unit = next(catalogue.population(name, state, 1, int(rng.integers(2**31))))
    return [replace(observed(unit, c, rng), connection=where) for c in made(name, 1)[1]]


def check(finding: Finding) -> None:
    """The headline is what its odds say, and every explanation that keeps a tenth is named."""
    verdict = finding.verdict
    if verdict.shows is not None and verdict.headline is not Headline.ANOTHER:
        wanted = (
            Headline.SHORTED
            if verdict.shows >= verdict.sure
            else Headline.NO_SHORT
            if verdict.shows <= 1 - verdict.sure
            else Headline.OPEN
        )
        assert verdict.headline is wanted
    if verdict.headline is Headline.OPEN:
        assert ", or " in headline_words(verdict), "between what and what"
        if verdict.shows is not None:
            named = [a for a in verdict.alternatives if a.words in headline_words(verdict)]
            assert {a.shorted for a in named} == {True, False}
    if verdict.headline is Headline.OPEN and finding.odds is not None:
        named = {a.cause for a in verdict.alternatives}
        for cause in Cause:
            if cause not in (Cause.NOTHING, Cause.HIDDEN) and finding.odds.of(cause) >= 0.1:
                assert cause in named
    assert (verdict.shows is None) or finding.odds is None or verdict.shows == finding.odds.shows
    lines = verdict_lines(verdict, "lot-3", more="--full")
    assert len(lines) <= 10
    assert max(map(len, lines)) <= 80
    for step in verdict.steps:
        assert step.step not in (finding.rings[0].stage.done if finding.rings else ())


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("good", [1, 8])
def test_headline_and_odds_agree_out_of_circuit(name: str, good: int) -> None:
    by, _ = made(name, good)
    for k, state in enumerate(s for s in catalogue.states(name) if not CONDITIONS[s].in_circuit):
        seen = rung(name, state, k)
        for some in (seen, seen[:1]):
            check(find(some, by))


@pytest.mark.parametrize("name", [n for n in NAMES if "in-circuit" in catalogue.states(n)])
def test_headline_and_odds_agree_in_circuit_and_no_surface_says_another(name: str) -> None:
    by, _ = made(name, 3)
    out = rung(name, "healthy", 1)
    for state in [s for s in catalogue.states(name) if s.startswith("in-circuit")][:4]:
        inside = rung(name, state, 1, IN)
        both = find([*out, *inside], by)
        check(find(inside, by))
        check(both)
        compared = compare(out, inside, kind=by.kind.name, relation=Relation.CIRCUIT, reference=by)
        assert compared.verdict == both.verdict


@pytest.mark.parametrize("name", NAMES[::4])
def test_the_order_of_captures_does_not_matter(name: str) -> None:
    by, _ = made(name, 3)
    seen = [*rung(name, "healthy", 2), *rung(name, "turn-dead", 2)[:1]]
    first, second = find(seen, by), find(seen[::-1], by)
    assert first.verdict.headline is second.verdict.headline
    assert first.verdict.shows == second.verdict.shows or (
        first.verdict.shows is not None and first.verdict.shows == pytest.approx(second.verdict.shows)
    )


def test_copies_byte_by_byte_count_once() -> None:
    by, _ = made("moss-switcher", 3)
    one = replace(rung("moss-switcher", "turn-1-ohm", 3)[0], samples="5eed", q_uncertainty=0.1)
    assert find([one] * 8, by).verdict == find([one], by).verdict


def test_more_shots_say_no_less_of_the_truth() -> None:
    """200 seeded draws of noisy shots: the mean log score does not fall from one to eight."""
    by, test = made("tarn-line-split", 3)
    rng = np.random.default_rng((SEED, 8))
    scores = {1: 0.0, 8: 0.0}
    for k in range(200):
        state = ("healthy", "turn-1-ohm")[k % 2]
        unit = next(catalogue.population("tarn-line-split", state, 1, int(rng.integers(2**31))))
        true = observed(unit, test[0], rng)
        assert true.q is not None
        shots = [
            replace(true, q=true.q * math.exp(0.3 * rng.standard_normal()), q_uncertainty=0.3, connection=OUT)
            for _ in range(8)
        ]
        for count in scores:
            odds = find(shots[:count], by).odds
            assert odds is not None
            scores[count] += math.log(odds.shows if k % 2 else 1 - odds.shows)
    assert scores[8] >= scores[1]


@pytest.mark.parametrize("state", ["healthy", "turn-dead", "loaded"])
def test_odds_rise_with_the_prior(state: str) -> None:
    by, _ = made("tarn-line-split", 3)
    seen = rung("tarn-line-split", state, 4)
    shows = [find(seen, by, prior=p).verdict.shows for p in (0.05, 0.3, 0.5, 0.8, 0.95)]
    assert None not in shows
    assert shows == sorted(shows)  # type: ignore[type-var]


def test_a_resistance_that_cleaning_took_off_leaves_the_turn() -> None:
    by, _ = made("tarn-line-split", 3)
    seen = rung("tarn-line-split", "high-voltage-turn", 5)
    before = find(seen, by).verdict
    done = (Step.WINDINGS_OPEN, Step.CLEANED)
    after = find([replace(o, done=done) for o in seen], by).verdict
    assert before.headline is Headline.OPEN
    assert {a.cause for a in before.alternatives} >= {Cause.LEAKY, Cause.LOAD}
    assert before.steps[0].step in done
    assert after.headline is Headline.SHORTED


def test_two_units_under_one_name_are_not_chosen_between() -> None:
    by, _ = made("tarn-line-split", 3)
    verdict = find(
        [rung("tarn-line-split", "healthy", 6)[0], rung("tarn-line-split", "turn-dead", 7)[0]], by
    ).verdict
    assert verdict.headline is Headline.TWO_WINDINGS
    assert verdict.shows is None


def test_a_fit_that_cannot_be_trusted_gets_no_verdict_unless_another_can() -> None:
    by, _ = made("tarn-line-split", 3)
    seen = rung("tarn-line-split", "turn-dead", 8)
    poor = [replace(o, trouble=("the fit did not settle",)) for o in seen]
    again = find(poor, by).verdict
    assert again.headline is Headline.AGAIN
    assert again.why == "the fit did not settle"
    assert again.shows is None
    assert "longer pulse" in again.steps[0].words
    assert find([poor[0], seen[1]], by).verdict.headline is not Headline.AGAIN


def test_other_pins_than_the_references_ask_before_they_accuse() -> None:
    good = [
        Capture(f"u{k}", Condition.GOOD, Observation(Capacitor(22e-9), 21.6e3 * f, 120, across="3-5"))
        for k, f in enumerate((0.99, 1.0, 1.01))
    ]
    by = Reference.begin("line", "line-output transformer", good)
    seen = Observation(Capacitor(22e-9), 60e3, 8.0, connection=OUT, across="7-8")
    verdict = find([seen], by).verdict
    assert verdict.headline is Headline.ANOTHER
    assert "7-8" in verdict.why
    assert find([replace(seen, across="3-5")], by).verdict.headline is not Headline.ANOTHER


def test_a_step_that_the_kind_does_not_know_is_refused() -> None:
    by, _ = made("tarn-yoke-line", 3)
    seen = [replace(o, done=(Step.TUBE_BASE_OFF,)) for o in rung("tarn-yoke-line", "healthy")]
    with pytest.raises(InputError, match="a horizontal yoke has no step tube-base-off; its steps are"):
        find(seen, by)


@pytest.mark.parametrize(("q", "headline"), [(130.0, Headline.NO_SHORT), (5.0, Headline.OPEN)])
def test_a_kind_alone_gives_odds(q: float, headline: Headline) -> None:
    verdict = find(
        [Observation(Capacitor(22e-9), 21.6e3, q, connection=OUT)], None, kind="line-output transformer"
    ).verdict
    assert verdict.shows is not None
    assert verdict.headline is headline
    assert "80 to 180" in verdict.rests_on


def test_a_kind_alone_says_nothing_of_iron() -> None:
    verdict = find(
        [Observation(Capacitor(100e-9), 1e3, 1.5, connection=OUT)], None, kind="relay coil"
    ).verdict
    assert verdict.headline is Headline.OPEN
    assert verdict.shows is None


@pytest.mark.parametrize("name", NAMES)
def test_a_step_that_was_done_is_advised_on_no_screen(name: str) -> None:
    """Judge, page and examination show a verdict's steps, reports a finding's next step, compare its own.

    In circuit and out of it, ringing and silent, with random steps done and with all of them.
    """
    by, _ = made(name, 3)
    rng = np.random.default_rng((SEED, NAMES.index(name), 17))
    known = tuple(step for step in recorded_of(by.kind) if step is not Step.LOOP)
    inside = [s for s in catalogue.states(name) if s.startswith("in-circuit")][:2]
    out = rung(name, "healthy", 1)
    for where, states in ((IN, inside), (OUT, ["healthy", catalogue.states(name)[-1]])):
        for state in states:
            seen = rung(name, state, 2, where)
            for done in (known, *(tuple(s for s in known if rng.random() < 0.5) for _ in range(3))):
                rings = [replace(o, done=done) for o in seen]
                silent = [replace(o, frequency_hz=None, q=None) for o in rings]
                for some in (rings, rings[:1], silent):
                    _not_advised(find(some, by), done)
                if where is IN:
                    _not_advised(compare(out, rings, kind=by.kind.name, relation=Relation.CIRCUIT), done)


def test_a_second_capacitor_with_which_nothing_rang_is_not_asked_for_again() -> None:
    by, _ = made("tarn-line-split", 3)
    first, second = rung("tarn-line-split", "turn-1-ohm", 3, IN)
    silent = replace(second, frequency_hz=None, q=None)
    for some, asked in (([first], True), ([first, silent], False)):
        steps = {one.step for one in find(some, by).verdict.steps}
        assert (Step.SECOND_CAPACITOR in steps) is asked


def _not_advised(judged: Finding | Comparison, done: tuple[Step, ...]) -> None:
    verdict = judged.verdict
    told = [judged.next_step, *(verdict_lines(verdict, "lot-3") if verdict else ())]
    text = " ".join(" ".join(told).split())
    for step in done:
        assert verdict is None or step not in {one.step for one in verdict.steps}, step
        assert step_words(step) not in text, (step, text)
