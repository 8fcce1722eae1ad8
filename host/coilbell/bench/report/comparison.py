"""What a report says of two states of an item: out of circuit against in circuit, or before against after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coilbell.bench.facts.comparison import ComparisonFacts
from coilbell.bench.facts.question import comparison_question
from coilbell.bench.facts.ring import OddsFacts
from coilbell.bench.log import (
    FittedCapture,
    ItemLog,
    KeptCapture,
    KeptFit,
    KeptJudgement,
    Log,
    compared,
    sides_words,
)
from coilbell.bench.log.held import Held
from coilbell.bench.words.finding import change_words
from coilbell.bench.words.verdict import basis_words
from coilbell.errors import InputError
from coilbell.figure import percent
from coilbell.winding import KINDS, Explanation, headline_words

__all__ = ["Compared", "Pair", "compared_of", "comparison_section"]

Pair = tuple[KeptCapture, KeptFit]


@dataclass(frozen=True, slots=True)
class Compared:
    """The sides, what lies between them, and the row of the log, None when made for this page."""

    first: tuple[Pair, ...]
    second: tuple[Pair, ...]
    facts: ComparisonFacts
    kept: KeptJudgement | None

    @property
    def alike(self) -> tuple[Pair, Pair]:
        """One ring of each side with the same test capacitor, as near as there is."""

        def distance(pair: tuple[Pair, Pair]) -> float:
            one, other = (side[1].facts.test_capacitor_f or 0.0 for side in pair)
            return abs(float(one) - float(other))

        return min(((a, b) for a in self.first for b in self.second), key=distance)


def compared_of(log: Log, held: Held) -> Compared | None:
    """The item's last comparison in the log, else one of its newest rings, None without two to compare."""
    made = [(one, one.facts) for one in held.judgements if isinstance(one.facts, ComparisonFacts)]
    item = held.item
    try:
        if made:
            kept, told = made[-1]
            pairs = [_pair(log, number) for number in kept.fits]
            first = kept.question.first
            return Compared(tuple(pairs[:first]), tuple(pairs[first:]), told, kept)
        relation, one, other = ItemLog(log, item.name).sides()
        kind = item.kind if item.kind in KINDS else "other winding"
        question = comparison_question(len(one), kind=kind, relation=relation)
        rings = [(rung.facts, rung.records[0]) for rung in (*one, *other)]
        facts = compared(question, rings, sides_words(one[0], other[0]))
    except InputError:  # too little to compare, no common test capacitor, or a damaged side
        return None
    return Compared(_pairs(log, one), _pairs(log, other), facts, None)


def _pair(log: Log, number: int) -> Pair:
    fit = log.fit(number)
    return log.capture(fit.capture_id), fit


def _pairs(log: Log, rungs: Sequence[FittedCapture]) -> tuple[Pair, ...]:
    return tuple(_pair(log, rung.fit) for rung in rungs if rung.fit is not None)


def comparison_section(
    found: Compared | None, told: KeptJudgement | None
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """The section of a comparison, none without one. told: the finding the page states."""
    if found is None:
        return ()
    facts = found.facts
    sentences = [facts.title]
    if found.kept is None:
        sentences += change_words(facts)
        sentences.append("it tells what lies between the two rings, not whether either is whole")
    else:
        sentences += facts.reasons
        if facts.shorted_turn:
            sentences.append(_odds(facts, facts.shorted_turn))
        if facts.shorted_turn and _contradicted(found, told):
            sentences.append("the first was taken as whole; the finding above does not say so of it")
    return ((f"Comparison: {facts.relation}", tuple(sentences)),)


def _odds(facts: ComparisonFacts, shorted: OddsFacts) -> str:
    if facts.verdict:
        basis = basis_words(facts.verdict, shorted.prior)
        return f"all rings together: {headline_words(facts.verdict)}; {basis}"
    return (
        f"if the first is whole: {facts.explanation}, probability of a shorted turn "
        f"{percent(shorted.probability)} from a prior of {percent(shorted.prior)}"
    )


def _contradicted(found: Compared, told: KeptJudgement | None) -> bool:
    if told is None or told.explanation == Explanation.LIKE_HEALTHY:
        return False
    return bool({fit.id for _, fit in found.first} & set(told.fits))
