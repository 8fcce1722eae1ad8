"""Findings: what they say, what they refuse to say, and what they warn of."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from coilbell.bench.facts.base import facts_of, kept_text
from coilbell.bench.facts.finding import FindingFacts, finding_facts
from coilbell.bench.words.finding import finding_text, odds_words
from coilbell.errors import InputError, ReferenceMismatch
from coilbell.figure import concise, percent
from coilbell.record import Capacitor, Connection, Loading
from coilbell.terms import Headline
from coilbell.winding import Capture, Condition, Explanation, Observation, Reference, find, observe
from handmade import handmade_fit, handmade_silence

A, B = Capacitor(22e-9, 0.01, "A"), Capacitor(4.7e-9, 0.01, "B")
OUT, IN, UNKNOWN = Connection.OUT_OF_CIRCUIT, Connection.IN_CIRCUIT, Connection.UNKNOWN


def reference(kind: str = "line-output transformer", hz: float = 21.6e3, q: float = 128.0) -> Reference:
    good = [
        Capture(f"u{k}", Condition.GOOD, Observation(A, hz * f, q)) for k, f in enumerate((0.98, 1.0, 1.02))
    ]
    return Reference.begin("reference", kind, good)


def rang(hz: float, q: float, where: Connection = OUT, capacitor: Capacitor = A) -> list[Observation]:
    return [Observation(capacitor, hz, q, connection=where)]


def test_a_fit_becomes_an_observation_with_its_uncertainty() -> None:
    seen = observe(handmade_fit(), capacitor=A)
    assert seen.frequency_hz == 21634.0
    assert seen.q == pytest.approx(30.12, rel=1e-3)
    assert 0 < seen.q_uncertainty < 0.01
    assert not observe(handmade_silence(), capacitor=A).rings
    with pytest.raises(InputError, match="test capacitor is not known"):
        observe(handmade_fit())


def test_a_fit_can_be_judged_as_it_is() -> None:
    finding = find([handmade_fit()], reference(q=30.0), connection=OUT, capacitor=A)
    assert finding.explanation is Explanation.LIKE_HEALTHY


def test_nothing_to_judge_is_refused() -> None:
    with pytest.raises(InputError, match="no ring to judge"):
        find([], reference())


def test_another_capacitor_is_refused_with_both_values() -> None:
    with pytest.raises(ReferenceMismatch, match=r"taken with 22 nF, this ring with 100 nF"):
        find(rang(10e3, 128, capacitor=Capacitor(100e-9)), reference())


def test_another_kind_is_refused() -> None:
    with pytest.raises(
        ReferenceMismatch, match="is of a line-output transformer, the part is a horizontal yoke"
    ):
        find(rang(21.6e3, 128), reference(), kind="horizontal yoke")


def test_rings_in_and_out_of_circuit_are_weighed_together() -> None:
    """Out of circuit the part is whole; what the set adds cannot make it a shorted one again."""
    seen = [*rang(21.6e3, 128), *rang(21.7e3, 9, IN)]
    finding = find(seen, reference())
    assert finding.verdict.headline is Headline.NO_SHORT
    assert [r.stage.connection for r in (*finding.rings, *finding.others)] == [OUT, IN]
    alone = find(seen[1:], reference())
    assert alone.verdict.shows is not None
    assert finding.verdict.shows is not None
    assert finding.verdict.shows < 0.02 < alone.verdict.shows


def test_a_second_capacitor_that_the_reference_lacks_is_left_out_and_said() -> None:
    finding = find([*rang(21.6e3, 128), *rang(40e3, 100, capacitor=B)], reference())
    assert len(finding.rings) == 1
    assert any("4.7 nF is left out" in doubt for doubt in finding.doubts)


def test_in_circuit_a_healthy_ring_clears_and_a_bad_one_names_what_to_unplug() -> None:
    whole = find(rang(21.6e3, 128, IN), reference())
    assert whole.explanation is Explanation.LIKE_HEALTHY
    assert whole.verdict.headline is Headline.NO_SHORT
    # As bad as a dead turn: out of circuit it is called so, in circuit what hangs on it may do the same.
    out, within = find(rang(37.6e3, 1.8), reference()), find(rang(37.6e3, 1.8, IN), reference())
    assert out.verdict.headline is Headline.SHORTED
    assert within.verdict.headline is Headline.OPEN
    assert "unplug" in within.next_step or "test" in within.next_step


def test_in_circuit_nothing_is_cleared_while_a_short_keeps_five_in_a_hundred() -> None:
    """Two spreads of units too much loss: a load or a leaky turn is likely enough."""
    doubtful = find(rang(20.9e3, 70, IN), reference())
    assert doubtful.verdict.shows is not None
    assert (doubtful.verdict.headline is Headline.NO_SHORT) is (doubtful.verdict.shows <= 0.05)


def test_the_caution_stands_where_the_next_step_is_at_the_set() -> None:
    assert find(rang(37.6e3, 1.8), reference()).caution == "", "the next step is at the bench"
    healthy = find(rang(21.6e3, 128), reference())
    assert "look for the fault elsewhere" in healthy.next_step
    assert "dead circuits only" in healthy.caution, "elsewhere is the set"
    for where in (IN, UNKNOWN):
        caution = find(rang(37.6e3, 1.8, where), reference()).caution
        assert "mains plug" in caution
        assert "dead circuits only" in caution


def test_every_finding_says_what_it_cannot_see() -> None:
    for finding in (find(rang(21.6e3, 128), reference()), find(rang(21.6e3, 128), None)):
        assert any("working voltage" in words for words in finding.cannot_see)
    assert any("rectifier" in words for words in find(rang(21.6e3, 128), reference()).cannot_see)


def test_without_a_reference_there_are_no_odds_but_those_by_the_kind() -> None:
    finding = find(rang(30e3, 45), None, kind="horizontal yoke")
    assert finding.odds is None
    assert finding.count.healthy is None
    assert any("inside the usual Q" in words for words in finding.reasons)
    assert finding.inductance_henries is not None
    assert finding.inductance_henries.value == pytest.approx(
        1 / ((2 * math.pi * 30e3) ** 2 * 22e-9), rel=0.01
    )


@pytest.mark.parametrize("fraction", [0.1, 0.25, 0.025])
def test_a_count_is_q_to_the_fraction_asked_for(fraction: float) -> None:
    """N = sqrt(Q^2 - 1/4)/pi ln(1/fraction), whatever the frequency; the odds do not know it."""
    finding = find(rang(37.6e3, 9.0), reference(), count_to=fraction)
    assert finding.count.rings == pytest.approx(math.sqrt(80.75) / math.pi * math.log(1 / fraction))
    assert finding.count.healthy == pytest.approx(128 / math.pi * math.log(1 / fraction), rel=0.02)
    assert finding.odds == find(rang(37.6e3, 9.0), reference()).odds
    assert find(rang(60e3, 9.0), reference(), count_to=fraction).count.rings == finding.count.rings


def test_without_a_fraction_rings_are_counted_to_a_tenth() -> None:
    assert find(rang(21.6e3, 128), reference()).count.fraction == 0.1
    assert find([Observation(A, None, None)], reference()).count.rings == 0


@pytest.mark.parametrize("fraction", [0.0, 1.0, -0.1, math.nan])
def test_a_fraction_outside_the_peak_is_refused(fraction: float) -> None:
    with pytest.raises(InputError, match="fraction of the first peak"):
        find(rang(21.6e3, 128), reference(), count_to=fraction)


def test_headline_and_odds_never_contradict() -> None:
    for hz in (22e3, 24e3, 28e3, 36e3, 50e3, 90e3):
        for q in (1.5, 4, 12, 40, 120, 200):
            for where in (OUT, IN):
                verdict = find(rang(hz, q, where), reference()).verdict
                if verdict.shows is None:
                    continue
                expected = (
                    Headline.SHORTED
                    if verdict.shows >= 0.95
                    else Headline.NO_SHORT
                    if verdict.shows <= 0.05
                    else Headline.OPEN
                )
                assert verdict.headline in (expected, Headline.ANOTHER)


def test_an_own_earlier_ring_sees_what_units_hide() -> None:
    seen = rang(21.6e3, 121)
    assert find(seen, reference()).explanation is Explanation.LIKE_HEALTHY
    finding = find(seen, reference(), unit="u1")
    assert finding.explanation is Explanation.LIKE_HEALTHY or finding.odds is not None
    by_own = find(rang(21.6e3, 80), reference(), unit="u1")
    assert by_own.explanation is Explanation.LOADED
    assert by_own.odds is not None
    assert any("earlier rings of this very unit" in words for words in by_own.odds.basis)
    assert find(rang(21.6e3, 104), reference()).explanation is Explanation.LIKE_HEALTHY


def test_text_and_json_come_from_the_same_facts() -> None:

    for where, hz, q in ((OUT, 37.6e3, 1.8), (IN, 31.7e3, 4.0), (OUT, 21.6e3, 128)):
        facts = finding_facts(find(rang(hz, q, where), reference()), "part.json")
        again = facts_of(kept_text(facts), FindingFacts, "it")
        assert again == facts
        text = finding_text(facts)
        assert max(map(len, text.splitlines())) <= 80
        assert text.isascii()
        assert facts.verdict is not None
        assert str(facts.verdict.headline).upper() in " ".join(text.splitlines()[:2])
        assert facts.shorted_turn is not None
        text = finding_text(facts, full=True)
        assert max(map(len, text.splitlines())) <= 80
        assert f"{facts.shorted_turn.log10_likelihood_ratio:+.2f}" in text.replace("\n    ", " ")


def test_odds_in_words() -> None:
    assert odds_words(0.0) == "as likely with a shorted turn as without"
    assert odds_words(1.0) == "10 times likelier with a shorted turn than without"
    assert odds_words(-2.0) == "100 times likelier without a shorted turn than with one"
    assert odds_words(9.0).startswith("over a million")
    assert percent(0.9999) == ">99 %"
    assert percent(1e-9) == "<1 %"
    assert percent(0.27) == "27 %"


@pytest.mark.parametrize(
    ("value", "spread", "words"),
    [
        (21.6341, 0.0123, "21.634(12)"),
        (95.13, 1.24, "95.1(1.2)"),
        (128.0, 14.2, "128(14)"),
        (0.02041, 0.0011, "0.0204(11)"),
        (-0.0031, 0.0004, "-0.00310(40)"),
        (12.3456, 0.0, "12.35"),
        (12.3456, math.nan, "12.35(?)"),
    ],
)
def test_figures_in_sentences_carry_their_uncertainty(value: float, spread: float, words: str) -> None:
    """Concise notation, two digits in brackets (JCGM 100:2008, 7.2.2, from memory)."""
    assert concise(value, spread) == words


def test_rings_of_two_modes_are_judged_without_figures_of_the_winding() -> None:
    """With 22 nF a fast mode is the strongest, with 4.7 nF a slow one: no winding rings slower with less."""
    good = [Observation(A, 21.6e3, 128.0), Observation(B, 40.5e3, 109.0)]
    two = Reference.begin("line", "line-output transformer", [Capture("a", Condition.GOOD, o) for o in good])
    seen = [Observation(A, 119e3, 16.0), Observation(B, 2.96e3, 99.0)]
    for where in (OUT, IN):
        finding = find([replace(o, connection=where) for o in seen], two)
        assert finding.explanation is Explanation.UNDECIDED
        assert finding.tank is None
        assert not any("slope" in words for words in finding.reasons)
        assert any("another mode" in words for words in finding.doubts)
        assert any("a tube on the anode" in words for words in finding.not_separable)
    out = find([replace(o, connection=OUT) for o in seen], two)
    assert "check which test capacitor was used" in out.next_step
    assert any("or something not known here" in words for words in out.not_separable)


def test_no_figure_is_nan_where_even_a_healthy_winding_hardly_rings() -> None:
    """Known good rings so low that the winding's circuit hardly rings with the second capacitor."""
    seen = [Observation(A, 21.6e3, 0.7), Observation(B, 40.5e3, 0.52)]
    hardly = Reference.begin(
        "hardly", "line-output transformer", [Capture("a", Condition.GOOD, o) for o in seen]
    )
    told = finding_text(finding_facts(find(seen, hardly)), full=True)
    assert re.search(r"stands out in about \d+ of 100 cases", told)
    assert "nan" not in told


@pytest.mark.parametrize(
    ("kind", "unit", "where", "words"),
    [
        ("diode-split transformer", "", OUT, "up by half) stands out in about"),
        ("line-output transformer", "", OUT, "up by a fifth) stands out in about"),
        ("diode-split transformer", "a", OUT, "up by half) stands out in nearly all cases"),
        ("diode-split transformer", "", IN, "what the set connects hides"),
    ],
)
def test_how_often_a_shorted_rectifier_shows_is_said(
    kind: str, unit: str, where: Connection, words: str
) -> None:
    good = [
        Capture("a", Condition.GOOD, o)
        for o in (Observation(A, 21.6e3, 128.0), Observation(B, 40.5e3, 109.0))
    ]
    seen = [replace(c.observation, connection=where) for c in good]
    finding = find(seen, Reference.begin("line", kind, good), unit=unit)
    assert any("rectifier of the high voltage" in limit and words in limit for limit in finding.cannot_see)


def test_a_short_of_a_whole_high_voltage_winding_is_told_from_one_only_with_nothing_on_it() -> None:
    finding = find(rang(119e3, 16.0), reference())
    assert finding.explanation is Explanation.LIKE_SHORTED
    assert "anode lead and high-voltage return" in finding.next_step
    assert any("a tube on the anode" in words for words in finding.not_separable)


@pytest.mark.parametrize(("name", "told"), [("", True), ("A", False)])
def test_a_healthy_winding_rung_with_another_capacitor_than_stated_is_thought_of(
    name: str, told: bool
) -> None:
    """Only a hand misnames it: 4.7 nF called 22 nF rings like a tight short."""
    stated = Capacitor(22e-9, 0.01, name)
    finding = find(rang(40.9e3, 65, capacitor=stated), reference())
    words = "with about 4.8 nF instead of 22 nF a healthy one rings like this"
    assert finding.verdict.headline is Headline.OPEN
    assert (words in finding.not_separable) is told
    assert finding.next_step.startswith("check which test capacitor was used") is told
    dead = find(rang(40.9e3, 4, capacitor=stated), reference())
    assert not any("rings like this" in open_ for open_ in dead.not_separable)
    assert "test capacitor" not in dead.next_step


def test_inductance_that_no_core_loses_is_not_told_as_a_fault_of_the_core() -> None:
    """A fifth of the inductance left, hardly loss: "detuned", but no crack or gap does that."""
    finding = find(rang(49.66e3, 73.0), reference(q=80.0))
    assert finding.verdict.headline is Headline.ANOTHER
    assert "times the turns" in finding.verdict.why
    direction = next(reason for reason in finding.reasons if "inductance drop" in reason)
    assert direction.endswith(
        "more inductance gone than any fault of the core takes, and hardly loss come: "
        "another part, another test capacitor, or a very tight short"
    )
    assert finding.next_step.startswith("check which winding the leads are on")


def test_a_winding_alone_on_its_core_has_no_other_windings_to_open() -> None:
    finding = find(rang(35.8e3, 3.5), reference("horizontal yoke", 30e3, 45.0))
    assert finding.explanation is Explanation.LIKE_SHORTED
    assert "other winding" not in finding.next_step


def test_two_specimens_put_together_raise_a_doubt() -> None:
    apart = find([*rang(21.6e3, 128.0), *rang(21.9e3, 128.0)], reference())
    assert any("two specimens, or something moved" in doubt for doubt in apart.doubts)
    assert any("1.4 % in f" in doubt for doubt in apart.doubts)
    once_more = find([*rang(21.6e3, 128.0), *rang(21.61e3, 129.0)], reference())
    assert not any("specimens" in doubt for doubt in once_more.doubts)
    bent = [
        replace(o, amplitude_volts=volts)
        for o, volts in zip([*rang(21.6e3, 128.0), *rang(21.6e3, 60.0)], (0.1, 0.3), strict=True)
    ]
    assert not any("specimens" in doubt for doubt in find(bent, reference()).doubts), (
        "a junction bends, a ladder says it"
    )


def test_a_ring_of_the_reference_itself_raises_a_doubt() -> None:
    held = reference()
    assert any("this very ring" in doubt for doubt in find(rang(21.6e3, 128.0), held).doubts)
    assert not any("this very ring" in doubt for doubt in find(rang(21.6e3, 128.1), held).doubts)


def test_the_slope_of_the_loss_has_an_uncertainty_that_is_true() -> None:
    """By drawing rings and capacitors anew: 1 % of each capacitor, 1e-4 of f, 1 % of Q."""
    good = [Observation(A, 21.6e3, 128.0, 1e-4, 0.01), Observation(B, 40.5e3, 109.0, 1e-4, 0.01)]
    two = Reference.begin("line", "line-output transformer", [Capture("a", Condition.GOOD, o) for o in good])
    seen = [Observation(A, 21.9e3, 60.0, 1e-4, 0.01), Observation(B, 40.9e3, 70.0, 1e-4, 0.01)]
    finding = find(seen, two)
    assert finding.slope is not None
    assert finding.healthy is not None
    stray = finding.healthy.tank.farads
    rng = np.random.default_rng(8)
    f = np.array([21.9e3, 40.9e3]) * (1 + 1e-4 * rng.standard_normal((4000, 2)))
    q = np.array([60.0, 70.0]) * (1 + 0.01 * rng.standard_normal((4000, 2)))
    farads = np.array([22e-9, 4.7e-9]) * (1 + 0.01 * rng.standard_normal((4000, 2))) + stray
    drawn = np.diff(np.log(f * farads / q), axis=1) / np.diff(np.log(f), axis=1)
    assert finding.slope[0].value == pytest.approx(drawn.mean(), abs=0.01)
    assert finding.slope[0].standard_uncertainty == pytest.approx(drawn.std(), rel=0.05)
    assert any("slope of" in words and "(" in words.split("slope of")[1][:8] for words in finding.reasons)


def test_stray_capacitance_that_the_tester_hides_is_no_measure() -> None:
    """Rings with 40 pF beside the test capacitor, of a tester that is said to add 45 pF by itself."""
    tester = Loading(0.0, 45e-12, 0.0, 1e-12)
    seen = [
        Observation(c, 1 / (2 * math.pi * math.sqrt(100e-6 * (c.farads + 40e-12))), 60.0, loading=tester)
        for c in (A, B)
    ]
    known = Reference.begin("coil", "power inductor", [Capture("a", Condition.GOOD, o) for o in seen])
    finding = find([replace(o, connection=OUT) for o in seen], known)
    told = next(reason for reason in finding.reasons if "stray capacitance" in reason)
    assert told.endswith("too little beside the tester's own to be held against it")


def test_rings_of_no_single_winding_give_no_stray_capacitance() -> None:
    good = [Observation(A, 21.6e3, 128.0), Observation(B, 40.5e3, 109.0)]
    two = Reference.begin("line", "line-output transformer", [Capture("a", Condition.GOOD, o) for o in good])
    seen = [Observation(A, 119e3, 16.0), Observation(B, 125e3, 60.0)]
    finding = find(seen, two)
    assert any(
        "is no conductance" in doubt and doubt.count(doubt.split(":")[0]) == 1 for doubt in finding.doubts
    )
    assert any("no stray capacitance is given" in words for words in finding.reasons)
    assert not any("stray capacitance by two capacitors" in words for words in finding.reasons)
