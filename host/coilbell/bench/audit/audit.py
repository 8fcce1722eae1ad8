"""The audit itself: one pass over the items with an outcome, and what it tells as facts."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from coilbell.bench.audit.cases import Case, Counts, cases_of
from coilbell.bench.audit.ranking import Ranked, ranked_of, ranking_of
from coilbell.bench.audit.scores import bins_of, found_share, least_number, resolution, said_of, score_of
from coilbell.bench.audit.shares import cause_shares, equipment_shares
from coilbell.bench.audit.spreads import parts_of, spread_checks
from coilbell.bench.facts.audit import AssumptionFacts, AuditFacts, ConfusionFacts, GroupFacts, SurpriseFacts
from coilbell.bench.log import Concluded, Log, concluded
from coilbell.bench.words.outcome import outcome_words

__all__ = ["LEVEL", "audit"]

LEVEL = 0.99
"""Of the interval beside an assumption: of a hundred that are true about one is called contradicted."""

_WORST = 5
"""Surprises that are told."""

_EVEN = 0.5
"""A truth that was thought likelier than not is no surprise [1]."""

_SIZES = ((0, 0, "no reference"), (1, 2, "1 to 2 units"), (3, 7, "3 to 7 units"), (8, math.inf, "8 and more"))
"""Groups of references by their good units."""


def audit(log: Log) -> AuditFacts:
    """What findings said against what items were. Raises FileError for a damaged row.

    The last finding of each item that was made before its end was told counts; for the groups by stage the
    last one at each stage.
    """
    ended = list(concluded(log))
    counts = Counts()
    cases = cases_of(log, ended, counts)
    ranked = [one for one in (ranked_of(log, item) for item in ended) if one is not None]
    last = [case for case in cases if case.last]
    return AuditFacts(
        log=str(log.path),
        items=counts.items,
        never_known=counts.never_known,
        elsewhere=counts.elsewhere,
        undated=counts.undated,
        no_odds=sum(case.stated is None for case in last),
        simulated=sum(case.simulated for case in last),
        least=least_number(),
        resolved=resolution(sum(case.weight for case in last if case.stated is not None)),
        score=score_of(last),
        bins=bins_of(last),
        said=said_of(last),
        groups=tuple(_groups(cases, last)),
        confusion=tuple(_confusion(last)),
        surprises=tuple(_surprises(last)),
        ranking=ranking_of(ranked),
        level=LEVEL,
        assumptions=tuple(_assumptions(log, ended, last, ranked)),
    )


def _assumptions(
    log: Log, ended: Sequence[Concluded], last: Sequence[Case], ranked: Sequence[Ranked]
) -> Iterator[AssumptionFacts]:
    yield from spread_checks(parts_of(log, ended), LEVEL)
    yield from cause_shares(last, least_number(), LEVEL)
    yield from equipment_shares(ranked, least_number(), LEVEL)


def _groups(cases: Sequence[Case], last: Sequence[Case]) -> Iterator[GroupFacts]:
    for kind in sorted({case.kind for case in last}):
        yield _group("kind", kind, [case for case in last if case.kind == kind])
    for stage in sorted({case.stage for case in cases}):
        yield _group("stage", stage, [case for case in cases if case.stage == stage])
    for low, high, name in _SIZES:
        chosen = [case for case in last if low <= case.units <= high]
        if chosen:
            yield _group("units", name, chosen)


def _group(by: str, name: str, cases: Sequence[Case]) -> GroupFacts:
    stating = [case for case in cases if case.stated is not None]
    shorted, score = found_share(stating), score_of(stating)
    return GroupFacts(by=by, name=name, items=len(stating), shorted=shorted, score=score)


def _confusion(last: Sequence[Case]) -> Iterator[ConfusionFacts]:
    """Counts of explanations for each state that was found."""
    for state in dict.fromkeys(case.outcome.state for case in last):
        if state is None:
            continue
        said = [case.explanation for case in last if case.outcome.state is state]
        yield ConfusionFacts(found=state.words, said={name: said.count(name) for name in sorted(set(said))})


def _surprises(last: Sequence[Case]) -> Iterator[SurpriseFacts]:
    """The findings whose truth they thought least likely, under one half."""
    stating = [(case, case.stated) for case in last if case.stated is not None]
    rows = [(case, stated, stated if case.outcome.shorted else 1 - stated) for case, stated in stating]
    for case, stated, chance in sorted(rows, key=lambda row: row[2])[:_WORST]:
        if chance < _EVEN:
            yield SurpriseFacts(
                item=case.item,
                judgement=case.judgement,
                made_utc=case.made_utc,
                stated=stated,
                found=outcome_words(case.outcome),
                bits=-math.log2(chance) if chance > 0 else None,
            )
