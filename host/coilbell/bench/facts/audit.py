"""Facts of an audit: what findings stated, held against what items were in the end."""

from __future__ import annotations

from coilbell.bench.facts.base import Chance, Count, Facts, Figure, Spread

__all__ = [
    "AUDIT_SCHEMA",
    "AssumptionFacts",
    "AuditFacts",
    "BinFacts",
    "ConfusionFacts",
    "GroupFacts",
    "RankingFacts",
    "SaidFacts",
    "ScoreFacts",
    "ShareFacts",
    "SurpriseFacts",
]

AUDIT_SCHEMA = 1
"""Number of the layout of `AuditFacts`; it rises when a field changes its meaning."""


class ShareFacts(Facts, frozen=True, kw_only=True):
    """A share with its 95 % interval. weight: how many items it rests on, each as its outcome is sure [1]."""

    share: Chance | None
    low: Chance
    high: Chance
    weight: Spread


class BinFacts(Facts, frozen=True, kw_only=True):
    """Items whose stated odds of a shorted turn lie from low to high. stated: their mean."""

    low: Chance
    high: Chance
    items: Count
    stated: Chance
    found: ShareFacts


class SaidFacts(Facts, frozen=True, kw_only=True):
    """A headline that answers, and how often it was right. stated: mean of the odds that it was."""

    headline: str
    items: Count
    stated: Chance | None
    right: ShareFacts


class ScoreFacts(Facts, frozen=True, kw_only=True):
    """Scores of the stated odds, the smaller the better; base: of one who always states the share found.

    log: in bit, None where what was stated to be impossible was true; gap: expected calibration error over
    ten bins; gap_usual: what 95 % of perfect judges stay under with as many items and finders as sure, None
    from 5000 items on.
    """

    items: Count
    weight: Spread
    brier: Spread
    brier_base: Spread
    log: Spread | None
    log_base: Spread
    gap: Spread
    gap_usual: Spread | None


class GroupFacts(Facts, frozen=True, kw_only=True):
    """A part of the items. by: "kind", "stage" or "units"; score: None where they are too few to tell."""

    by: str
    name: str
    items: Count
    shorted: ShareFacts
    score: ScoreFacts | None


class ConfusionFacts(Facts, frozen=True, kw_only=True):
    """What was said, by explanation, of windings found in one state."""

    found: str
    said: dict[str, Count]


class SurpriseFacts(Facts, frozen=True, kw_only=True):
    """A finding that reality surprised. stated: odds of a shorted turn; bits: -log2 of what was stated of
    the truth, None where it was stated to be impossible."""

    item: str
    judgement: Count
    made_utc: str
    stated: Chance
    found: str
    bits: Spread | None


class RankingFacts(Facts, frozen=True, kw_only=True):
    """The worksheet's ranking of causes against the one found; mean rank from 1, log score in bit.

    tests: readings kept before the end was told, the median; before: the same by the priors alone.
    """

    items: Count
    first: ShareFacts
    among_three: ShareFacts
    rank: Spread
    rank_before: Spread
    log: Spread | None
    log_before: Spread | None
    tests: Spread


class AssumptionFacts(Facts, frozen=True, kw_only=True):
    """A shipped assumption beside what this bench found.

    name: place of the figure; assumed: it, or lowest and highest; found, low, high: as found, with the
    interval of the audit's level; count: units or items it rests on.
    """

    name: str
    of: str
    words: str
    assumed: tuple[Figure, ...]
    source: str
    found: Figure
    low: Figure
    high: Figure
    count: Count
    contradicted: bool


class AuditFacts(Facts, frozen=True, kw_only=True):
    """Everything shown of an audit.

    items: with an outcome; never_known, elsewhere: of these, what will never be known, and what says nothing
    of the winding; undated: without a finding made before the end was told;
    no_odds: with one that states none; simulated: counted findings on simulated rings; resolved: half width
    to which a share is known by as many items as there are, at best; least: items under which nothing is
    told; level: of the interval beside each assumption.
    """

    schema: int = AUDIT_SCHEMA
    what: str = "audit"
    log: str
    items: Count
    never_known: Count
    elsewhere: Count
    undated: Count
    no_odds: Count
    simulated: Count
    least: Count
    resolved: Chance
    score: ScoreFacts | None
    bins: tuple[BinFacts, ...]
    said: tuple[SaidFacts, ...]
    groups: tuple[GroupFacts, ...]
    confusion: tuple[ConfusionFacts, ...]
    surprises: tuple[SurpriseFacts, ...]
    ranking: RankingFacts | None
    level: Chance
    assumptions: tuple[AssumptionFacts, ...]
