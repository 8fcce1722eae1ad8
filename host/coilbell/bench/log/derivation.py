"""The arithmetic behind the log's rows: records -> fit facts -> finding facts, always by the same way.

A fit is computed with one thread of linear algebra, so that its last digits do not depend on how many
computations run beside it. Judgements are made from the kept facts, so that any can be made again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from coilbell.bench.facts.comparison import ComparisonFacts, comparison_facts
from coilbell.bench.facts.finding import finding_facts
from coilbell.bench.facts.fit import FitFacts, fit_facts
from coilbell.bench.facts.judgement import Judgement
from coilbell.bench.facts.question import Question
from coilbell.decay import Fit, fit
from coilbell.errors import InputError
from coilbell.record import Connection, Record
from coilbell.winding import Finding, Observation, Reference, compare, find, observe, tank_of_record

__all__ = ["Rung", "compared", "finding_of", "fitted", "judged", "lent"]

Rung = tuple[FitFacts, Record]
"""A ring as it is judged: the facts of its fit, and the first record of its capture."""


def fitted(records: Sequence[Record], title: str = "", count_to: float = 0.1) -> tuple[Fit, FitFacts]:
    """The fit of one capture, and its facts. Raises InputError."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        found = fit(records, count_to=count_to)
    return found, fit_facts(found, title=title, records=records, tank=tank_of_record(found, records[0]))


def judged(
    question: Question,
    rings: Sequence[Rung],
    reference: Reference | None,
    title: str = "",
) -> Judgement:
    """The facts of a finding or comparison.

    question: from `question_of` or `comparison_question`. rings: fit facts and the first record of each
    capture. Raises InputError, ReferenceMismatch.
    """
    if question.what == "comparison":
        return compared(question, rings, title, reference)
    return finding_facts(finding_of(question, rings, reference), title)


def compared(
    question: Question, rings: Sequence[Rung], title: str = "", reference: Reference | None = None
) -> ComparisonFacts:
    """The facts of a comparison, as `judged`; without a reference the first side stands for a good unit."""
    from threadpoolctl import threadpool_limits

    seen = [_observation(facts, record) for facts, record in rings]
    with threadpool_limits(1):
        found = compare(
            seen[: question.first],
            seen[question.first :],
            kind=question.kind or (reference.kind.name if reference else "other winding"),
            reference=lent(question, reference),
            relation=question.relation,
            prior=question.prior,
            sure=question.sure,
        )
    return comparison_facts(found, title, first_judged=question.first_judged)


def lent(question: Question, reference: Reference | None) -> Reference | None:
    """The reference with what had been learned when the question was asked first, where it is asked again."""
    if reference is None or reference.spreads is not None or reference.shares:
        return reference
    return replace(reference, spreads=question.spreads, shares=question.shares)


def finding_of(question: Question, rings: Sequence[Rung], reference: Reference | None) -> Finding:
    """The finding itself, as `judged`; for what draws it."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        return find(
            [_observation(facts, record) for facts, record in rings],
            lent(question, reference),
            prior=question.prior,
            sure=question.sure,
            kind=question.kind,
            unit=question.unit,
            direct_ohms=question.direct_ohms,
            count_to=question.count_to or rings[0][0].count_to,
        )


def _observation(facts: FitFacts, record: Record) -> Observation:
    if record.test_capacitor is None:
        raise InputError(
            f"{facts.title or 'a capture'}: its test capacitor is not known; name it, such as 22n"
        )
    return observe(facts, record, connection=Connection(record.connection))
