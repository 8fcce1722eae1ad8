"""What is asked of the rings of a winding: a finding, or a comparison of two sides."""

from __future__ import annotations

from typing import Literal

from coilbell.bench.facts.base import Count, Facts, Figure, Part
from coilbell.winding import DEFAULT_SURE, Explanation, Relation, Shares, Spreads

__all__ = ["Question", "comparison_question", "question_of"]


class Question(Facts, frozen=True, kw_only=True, omit_defaults=True):
    """What is asked. Kept with each answer, so that it can be asked again.

    prior: probability of a shorted turn before the ring, None for that of outcomes; kind: None for that of
    the reference; unit: the very specimen, "" for any; sure: odds from which the headline says
    so; first: how many of the rings are a comparison's first side; relation: of its sides;
    first_judged: what a finding said of the first side; spreads: what had been learned of the reference's
    units.
    """

    what: Literal["finding", "comparison"]
    prior: Part | None
    kind: str | None
    unit: str
    direct_ohms: Figure | None
    first: Count
    count_to: Part | None = None
    sure: Part = DEFAULT_SURE
    relation: Relation | None = None
    first_judged: Explanation | None = None
    spreads: Spreads | None = None
    shares: tuple[Shares, ...] = ()

    def __post_init__(self) -> None:
        if (self.first > 0) != (self.what == "comparison"):
            raise ValueError("a comparison, and nothing else, has a first side")


def question_of(
    *,
    prior: float | None = None,
    kind: str | None = None,
    unit: str = "",
    direct_ohms: float | None = None,
    count_to: float | None = None,
    sure: float = DEFAULT_SURE,
) -> Question:
    """What is asked of a finding.

    sure: odds from which the headline says so; count_to: fraction to which rings are counted, None for that
    of the fit.
    """
    return Question(
        what="finding",
        prior=prior,
        kind=kind,
        unit=unit,
        direct_ohms=direct_ohms,
        first=0,
        count_to=count_to,
        sure=sure,
    )


def comparison_question(
    first: int,
    *,
    kind: str = "other winding",
    prior: float | None = None,
    sure: float = DEFAULT_SURE,
    relation: Relation | None = None,
    first_judged: str = "",
) -> Question:
    """What is asked of a comparison whose first side is the first `first` rings.

    first_judged: what a finding said of that side; where it is not like healthy nothing is concluded.
    """
    return Question(
        what="comparison",
        prior=prior,
        kind=kind,
        unit="",
        direct_ohms=None,
        first=first,
        sure=sure,
        relation=relation,
        first_judged=Explanation(first_judged) if first_judged else None,
    )
