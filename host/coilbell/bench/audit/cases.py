"""The log -> cases: what was stated of each item's winding before its end was told, and what it was.

An outcome is known to s, as its finder states it. Its weight is w = (2 s - 1)^2, what a symmetric channel of
error 1 - s leaves of an answer's Fisher information at even odds (textbook result; from memory): 1 where it
is certain, 0.64 at 90 %, 0 at a coin's toss. Where the state that was found is a shorted turn, a turn was
shorted with probability y = s; where it is another, y = e = (1 - s) b, b the share of shorted turns among all
outcomes: what is left goes to the other states as this bench finds them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from msgspec import UNSET

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.outcome import Outcome
from coilbell.bench.log import Concluded, KeptJudgement, Log
from coilbell.terms import Headline
from coilbell.winding import Condition

__all__ = ["SIMULATED", "Case", "Counts", "cases_of", "stated_of", "weighed"]

SIMULATED = "simulated board"
"""Words in the title of a finding on rings that no board of metal made."""


@dataclass(frozen=True, slots=True)
class Case:
    """One finding with the end of its item.

    stated: odds of a shorted turn that would show, None where the finding states none; base, shorted, weight:
    b, y and w above; units: good units of its reference, 0 without one; last: the item's last one.
    """

    item: str
    judgement: int
    made_utc: str
    kind: str
    stage: str
    units: int
    stated: float | None
    headline: Headline | None
    explanation: str
    outcome: Outcome
    simulated: bool
    last: bool
    base: float = 0.0
    shorted: float = 0.0
    weight: float = 1.0


@dataclass(slots=True)
class Counts:
    """What the pass met. elsewhere: ends that say nothing of the winding; undated: of the others, without a
    finding that was made before the end was told."""

    items: int = 0
    never_known: int = 0
    elsewhere: int = 0
    undated: int = 0


def cases_of(log: Log, concluded: Iterable[Concluded], counts: Counts) -> list[Case]:
    """Cases of all items, the last finding of each item at each stage; counts are added to."""
    sizes: dict[str, int] = {}
    found: list[Case] = []
    for one in concluded:
        counts.items += 1
        outcome = one.of_winding
        if outcome is None:
            unknown = any(not kept.outcome.known for kept in one.outcomes)
            counts.never_known += unknown
            counts.elsewhere += not unknown
            continue
        told = min(kept.added_utc for kept in one.outcomes if kept.outcome == outcome)
        before = [j for j in one.findings if _moment(j.made_utc) <= _moment(told)]
        counts.undated += not before
        found += _of_item(log, one, outcome, before, sizes)
    return weighed(found)


def weighed(cases: Sequence[Case]) -> list[Case]:
    """The same with b, y and w as their outcomes are sure."""
    weights = {case.item: (2 * case.outcome.sure - 1) ** 2 for case in cases}
    short = {case.item for case in cases if case.outcome.shorted}
    total = sum(weights.values())
    base = sum(weights[item] for item in short) / total if total else 0.0
    return [
        replace(
            case,
            base=base,
            weight=weights[case.item],
            shorted=case.outcome.sure if case.outcome.shorted else (1 - case.outcome.sure) * base,
        )
        for case in cases
    ]


def _of_item(
    log: Log, one: Concluded, outcome: Outcome, before: Sequence[KeptJudgement], sizes: dict[str, int]
) -> list[Case]:
    newest: dict[str, KeptJudgement] = {}
    for judgement in before:
        assert isinstance(judgement.facts, FindingFacts)
        newest[str(judgement.facts.connection)] = judgement
    cases = []
    for stage, judgement in newest.items():
        facts = judgement.facts
        assert isinstance(facts, FindingFacts)
        cases.append(
            Case(
                item=one.item.name,
                judgement=judgement.id,
                made_utc=judgement.made_utc,
                kind=one.kind or "kind not said",
                stage=stage if stage in ("in circuit", "out of circuit") else "connection not said",
                units=_units(log, judgement, sizes),
                stated=stated_of(facts),
                headline=None if facts.verdict is UNSET else facts.verdict.headline,
                explanation=str(facts.explanation),
                outcome=outcome,
                simulated=SIMULATED in facts.title,
                last=judgement is before[-1],
            )
        )
    return cases


def stated_of(facts: FindingFacts) -> float | None:
    """Odds of a shorted turn that would show; of findings kept before there was a verdict, of any."""
    if facts.verdict is not UNSET:
        return facts.verdict.shows
    return facts.shorted_turn.probability if facts.shorted_turn else None


def _units(log: Log, judgement: KeptJudgement, sizes: dict[str, int]) -> int:
    """Good units of what it was judged by."""
    if judgement.reference is None:
        return 0
    _, sha256 = judgement.reference
    if sha256 not in sizes:
        sizes[sha256] = len(log.reference(sha256).units(Condition.GOOD))
    return sizes[sha256]


def _moment(utc: str) -> datetime:
    return datetime.fromisoformat(utc)
