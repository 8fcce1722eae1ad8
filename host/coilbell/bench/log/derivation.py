"""The arithmetic behind the log's rows: records -> fit facts -> finding facts, always by the same way.

A fit is computed with one thread of linear algebra, so that its last digits do not depend on how many
computations run beside it. Judgements are made from the kept facts, so that any can be made again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from coilbell.bench.facts.fit import fit_facts
from coilbell.decay import Doubt, DoubtKind, Fit, Mode, ModeStep, Quantity, ResidualSummary, fit
from coilbell.errors import InputError
from coilbell.record import Connection, Record
from coilbell.winding import (
    Comparison,
    Finding,
    Observation,
    Reference,
    Relation,
    compare,
    find,
    observe,
    tank_of_record,
)

__all__ = [
    "comparison_question",
    "finding_of",
    "fit_from_facts",
    "fitted",
    "judged",
    "question_of",
]


def fitted(records: Sequence[Record], title: str = "", count_to: float = 0.1) -> tuple[Fit, dict[str, Any]]:
    """The fit of one capture, and its facts. Raises InputError."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        found = fit(records, count_to=count_to)
    return found, fit_facts(found, title=title, records=records, tank=tank_of_record(found, records[0]))


def question_of(
    *,
    prior: float = 0.5,
    kind: str | None = None,
    unit: str = "",
    direct_ohms: float | None = None,
    count_to: float | None = None,
) -> dict[str, Any]:
    """What is asked of a finding, as the log keeps it; count_to: None for that of the first fit."""
    asked = {} if count_to is None else {"count_to": count_to}
    return asked | {
        "what": "finding",
        "prior": prior,
        "kind": kind,
        "unit": unit,
        "direct_ohms": direct_ohms,
        "first": 0,
    }


def comparison_question(
    first: int,
    *,
    kind: str = "other winding",
    prior: float = 0.5,
    relation: Relation | None = None,
    first_judged: str = "",
) -> dict[str, Any]:
    """What is asked of a comparison whose first side is the first `first` rings.

    first_judged: what a finding said of that side; where it is not like healthy nothing is concluded.
    """
    asked = question_of(prior=prior, kind=kind) | {"what": "comparison", "first": first}
    stated = {"relation": str(relation) if relation else "", "first_judged": first_judged}
    return asked | {name: text for name, text in stated.items() if text}


def judged(
    question: dict[str, Any],
    rings: Sequence[tuple[dict[str, Any], Record]],
    reference: Reference | None,
    title: str = "",
) -> dict[str, Any]:
    """The facts of a finding or comparison.

    question: from `question_of` or `comparison_question`. rings: fit facts and the first record of each
    capture. Raises InputError, ReferenceMismatch.
    """
    from coilbell.bench.words.finding import comparison_facts, finding_facts

    if question["what"] == "comparison":
        said = question.get("first_judged") or ""
        return comparison_facts(_comparison_of(question, rings), title, first_judged=said)
    return finding_facts(finding_of(question, rings, reference), title)


def _comparison_of(question: dict[str, Any], rings: Sequence[tuple[dict[str, Any], Record]]) -> Comparison:
    """The comparison itself, as `judged`."""
    from threadpoolctl import threadpool_limits

    seen = [_observation(facts, record) for facts, record in rings]
    stated = question.get("relation")
    with threadpool_limits(1):
        return compare(
            seen[: question["first"]],
            seen[question["first"] :],
            kind=question["kind"] or "other winding",
            relation=None if stated is None else Relation(stated),
            prior=question["prior"],
        )


def finding_of(
    question: dict[str, Any], rings: Sequence[tuple[dict[str, Any], Record]], reference: Reference | None
) -> Finding:
    """The finding itself, as `judged`; for what draws it."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        return find(
            [_observation(facts, record) for facts, record in rings],
            reference,
            prior=question["prior"],
            kind=question["kind"],
            unit=question["unit"],
            direct_ohms=question["direct_ohms"],
            count_to=question.get("count_to") or rings[0][0]["count_to"],
        )


def _observation(facts: dict[str, Any], record: Record) -> Observation:
    if record.test_capacitor is None:
        raise InputError(
            f"{facts['title'] or 'a capture'}: its test capacitor is not known; name it, such as 22n"
        )
    return observe(fit_from_facts(facts), record, connection=Connection(record.connection))


def fit_from_facts(facts: dict[str, Any]) -> Fit:
    """The figures of a kept fit as a Fit; without curve, residuals and covariance, which are not kept."""
    window = facts["window"]
    return Fit(
        modes=tuple(_mode(mode) for mode in facts["modes"]),
        recoveries=(),
        tones=tuple(_mode(tone) for tone in facts["tones"]),
        offset=_quantity(facts["offset"]),
        unit=facts["unit"],
        noise=_number(facts["noise"]),
        covariance=np.empty((0, 0)),
        parameters=(),
        residual=ResidualSummary(
            *(_number(facts["residual"][n]) for n in ResidualSummary.__dataclass_fields__)
        ),
        account=tuple(ModeStep(**_numbers(step)) for step in facts["account"]),
        doubts=tuple(
            Doubt(DoubtKind(d["kind"]), d["detail"], _number(d["statistic"]), _number(d["threshold"]))
            for d in facts["doubts"]
        ),
        count_to=facts["count_to"],
        start_s=_number(window["start_s"]),
        stop_s=_number(window["stop_s"]),
        samples_used=window["samples_used"],
        samples_masked=window["samples_masked"],
        records=window["records"],
    )


def _mode(facts: dict[str, Any]) -> Mode:
    whole = facts["ring_count_whole"]
    names = [name for name in Mode.__dataclass_fields__ if name in facts and name != "ring_count_whole"]
    quantities: dict[str, Any] = {name: _quantity(facts[name]) for name in names}
    return Mode(**quantities, ring_count_whole=whole)


def _quantity(facts: dict[str, float | None]) -> Quantity:
    return Quantity(*(_number(facts[name]) for name in Quantity.__dataclass_fields__))


def _numbers(facts: dict[str, Any]) -> dict[str, Any]:
    return {
        name: _number(value) if name in ("statistic", "threshold") else value for name, value in facts.items()
    }


def _number(value: float | None) -> float:
    return math.nan if value is None else value
