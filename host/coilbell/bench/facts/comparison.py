"""Facts of a comparison: what a second ring has that a first has not."""

from __future__ import annotations

import msgspec

from coilbell.bench.facts.base import Chance, Facts
from coilbell.bench.facts.fit import QuantityFacts, quantity_facts
from coilbell.bench.facts.ring import (
    Left,
    OddsFacts,
    RingFacts,
    check_verdict,
    odds_facts,
    probabilities,
    ring_facts,
)
from coilbell.quantities import engineering
from coilbell.winding import Added, Comparison, Explanation, Relation, Verdict

__all__ = ["COMPARISON_SCHEMA", "AddedFacts", "ComparisonFacts", "comparison_facts"]

COMPARISON_SCHEMA = 1
"""Number of the layout of `ComparisonFacts`; it rises when a field changes its meaning."""


class AddedFacts(Facts, frozen=True, kw_only=True):
    """What came across the winding: conductance at each capacitor [S], capacitance [F], inductance [1/H].

    both_at_once: False where farads or per_henry stands for the whole change.
    """

    siemens: tuple[QuantityFacts, ...]
    farads: QuantityFacts | None
    per_henry: QuantityFacts | None
    both_at_once: bool


class ConnectionFacts(Facts, frozen=True, kw_only=True):
    """The set of connections that explains the change best."""

    name: str
    probability: Chance


class ComparisonFacts(Facts, frozen=True, kw_only=True):
    """Everything shown of a comparison.

    rings: a pair for each capacitor, first and second; frequency_ratio, loss_ratio: second over first, of f
    and of 1/Q [1]; junction: the loss follows the amplitude; cleared: in circuit it rings like the first and
    nothing else comes near; first_judged: what a finding said of the first, where that was not like healthy.
    """

    schema: int
    what: str
    title: str
    relation: Relation
    kind: str
    explanation: Explanation
    cleared: bool
    rings: tuple[tuple[RingFacts, RingFacts], ...]
    frequency_ratio: tuple[QuantityFacts, ...]
    loss_ratio: tuple[QuantityFacts, ...]
    added: AddedFacts | None
    connection: ConnectionFacts | None
    junction: bool
    probabilities: dict[Explanation, Chance] | None
    shorted_turn: OddsFacts | None
    reasons: tuple[str, ...]
    cannot_see: tuple[str, ...]
    next_step: str
    caution: str
    doubts: tuple[str, ...] = ()
    first_judged: Explanation | Left = msgspec.UNSET
    verdict: Verdict | Left = msgspec.UNSET

    def __post_init__(self) -> None:
        check_verdict(self.verdict)
        if self.schema != COMPARISON_SCHEMA or self.what != "comparison":
            raise ValueError(f"no comparison of schema {COMPARISON_SCHEMA}, which this version knows")
        if not self.rings:
            raise ValueError("a comparison needs two rings")
        if (self.probabilities is None) != (self.shorted_turn is None):
            raise ValueError("odds of a shorted turn go with those of the explanations")


def comparison_facts(
    comparison: Comparison, title: str = "", *, first_judged: str | None = None
) -> ComparisonFacts:
    """Everything shown of a comparison.

    first_judged: what a finding said of the first side. A comparison takes it as known good; where it was
    judged to be anything else, only what changed is said: no odds, and nothing is cleared.
    """
    facts = _compared(comparison, title)
    if first_judged in (None, "", Explanation.LIKE_HEALTHY):
        return facts
    told = len(comparison.rings)
    return msgspec.structs.replace(
        facts,
        first_judged=Explanation(first_judged),
        explanation=Explanation.UNDECIDED,
        cleared=False,
        connection=None,
        probabilities=None,
        shorted_turn=None,
        verdict=msgspec.UNSET,
        reasons=(
            *comparison.reasons[:told],
            f"the first is not known good, it was judged {first_judged}: a ring like it clears nothing",
        ),
        next_step="judge the second ring by a reference of good units",
    )


def _compared(comparison: Comparison, title: str) -> ComparisonFacts:
    name, chance = comparison.connection
    return ComparisonFacts(
        schema=COMPARISON_SCHEMA,
        what="comparison",
        title=title,
        relation=comparison.relation,
        kind=comparison.kind,
        explanation=comparison.explanation,
        cleared=comparison.cleared,
        rings=tuple((ring_facts(a), ring_facts(b)) for a, b in comparison.rings),
        frequency_ratio=tuple(map(quantity_facts, comparison.frequency_ratio)),
        loss_ratio=tuple(map(quantity_facts, comparison.loss_ratio)),
        added=None if comparison.added is None else _added(comparison.added),
        connection=ConnectionFacts(name=name, probability=round(chance, 6)) if name else None,
        junction=comparison.junction,
        probabilities=probabilities(comparison.odds),
        shorted_turn=odds_facts(comparison.odds),
        reasons=comparison.reasons,
        cannot_see=comparison.cannot_see,
        next_step=comparison.next_step,
        caution=comparison.caution,
        doubts=_doubts_of_sides(comparison),
        verdict=comparison.verdict,
    )


def _added(added: Added) -> AddedFacts:
    return AddedFacts(
        siemens=tuple(map(quantity_facts, added.siemens)),
        farads=None if added.farads is None else quantity_facts(added.farads),
        per_henry=None if added.per_henry is None else quantity_facts(added.per_henry),
        both_at_once=added.together,
    )


def _doubts_of_sides(comparison: Comparison) -> tuple[str, ...]:
    """Reasons to distrust the rings of either side, each once."""
    sides = (("first", 0), ("then", 1))
    found = [
        f"{name}, with {engineering(pair[k].capacitor.farads, 'F')}: {doubt}"
        for name, k in sides
        for pair in comparison.rings
        for seen in pair[k].observations
        for doubt in seen.doubts
    ]
    return tuple(dict.fromkeys(found))
