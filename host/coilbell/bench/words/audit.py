"""An audit in words: lines of at most 80 columns, what matters first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coilbell.bench.facts.audit import (
    AssumptionFacts,
    AuditFacts,
    GroupFacts,
    RankingFacts,
    ScoreFacts,
    ShareFacts,
)
from coilbell.bench.words.fit import wrapped
from coilbell.figure import percent
from coilbell.quantities import counted

__all__ = ["audit_text"]

_GROUPS = {"kind": "by kind", "stage": "by stage", "units": "by good units of the reference"}


def audit_text(facts: AuditFacts, *, full: bool = False) -> str:
    """The audit in words. full: with the assumptions that nothing contradicts."""
    lines = [*_head(facts), *_stated(facts), *_scores(facts), *_groups(facts), *_confusion(facts)]
    lines += [*_surprises(facts), *_ranking(facts), *_assumptions(facts, full=full)]
    return "\n".join(lines)


def _head(facts: AuditFacts) -> Iterator[str]:
    left = [
        f"{facts.never_known} never known" * bool(facts.never_known),
        f"{facts.elsewhere} says nothing of the winding" * bool(facts.elsewhere),
        f"{facts.undated} without a finding made before" * bool(facts.undated),
        f"{facts.no_odds} whose finding states no odds" * bool(facts.no_odds),
    ]
    told = "; ".join(filter(None, left))
    yield wrapped(f"{counted(facts.items, 'item')} whose end was told{': ' * bool(told)}{told}", indent=0)
    if facts.simulated:
        yield wrapped(f"{counted(facts.simulated, 'finding')} of rings that a simulated board made", indent=0)
    if not facts.items:
        yield wrapped("tell it by: coilbell log outcome ITEM CAUSE", indent=0)
    elif facts.score is None:
        yield wrapped(
            f"too few to tell anything: {facts.least} items with surely known ends are needed, to know a "
            f"share to 20 points; by these it is known to {100 * facts.resolved:.0f} points at best",
            indent=0,
        )
    else:
        yield wrapped(f"a share is known to {100 * facts.resolved:.0f} points at best by so many", indent=0)


def _stated(facts: AuditFacts) -> Iterator[str]:
    if not facts.bins:
        return
    yield ""
    yield "odds of a shorted turn, stated and found (95 % interval)"
    for one in facts.bins:
        reach = f"{100 * one.low:.0f} to {100 * one.high:.0f} %"
        stated = f"stated {percent(one.stated)}"
        yield f"  {reach:<12}{counted(one.items, 'item'):<10}{stated:<18}found {_share(one.found)}"
    for said in facts.said:
        if said.items and said.stated is not None:
            yield wrapped(
                f"said {said.headline!r} of {said.items}: stated {percent(said.stated)}, right in "
                f"{_share(said.right)}"
            )


def _scores(facts: AuditFacts) -> Iterator[str]:
    score = facts.score
    if score is None:
        return
    log = "infinite" if score.log is None else f"{score.log:.2f}"
    yield wrapped(
        f"Brier score {score.brier:.3f} (the share alone {score.brier_base:.3f}), log score {log} bit "
        f"({score.log_base:.2f} bit)"
    )
    yield wrapped(f"stated and found lie {100 * score.gap:.1f} points apart; {_gap_words(score)}")


def _gap_words(score: ScoreFacts) -> str:
    if score.gap_usual is None:
        return "a perfect judge's would lie under 2"
    usual = f"95 % of perfect judges stay under {100 * score.gap_usual:.1f} by so many"
    agrees = score.gap <= score.gap_usual
    return f"{usual}: {'nothing contradicts the odds' if agrees else 'the odds are not what they say'}"


def _groups(facts: AuditFacts) -> Iterator[str]:
    for by, words in _GROUPS.items():
        rows = [one for one in facts.groups if one.by == by]
        if rows:
            yield ""
            yield f"{words}; scores from {facts.least} sure ends on"
            yield from (wrapped(_group(one)) for one in rows)


def _group(one: GroupFacts) -> str:
    told = f"{one.name}: {counted(one.items, 'item')}, shorted {_share(one.shorted)}"
    if one.score is None:
        return f"{told}; too few to tell more"
    score = one.score
    usual = "" if score.gap_usual is None else f", usual under {100 * score.gap_usual:.1f}"
    return (
        f"{told}; Brier {score.brier:.3f} ({score.brier_base:.3f}), gap {100 * score.gap:.1f} points{usual}"
    )


def _confusion(facts: AuditFacts) -> Iterator[str]:
    if facts.confusion:
        yield from ("", "found, and what had been said")
    for one in facts.confusion:
        said = ", ".join(f"{name} {count}" for name, count in sorted(one.said.items(), key=lambda i: -i[1]))
        yield wrapped(f"{one.found}: {said}")


def _surprises(facts: AuditFacts) -> Iterator[str]:
    if facts.surprises:
        yield from ("", "worst surprises")
    for one in facts.surprises:
        bits = "impossible by that" if one.bits is None else f"{one.bits:.1f} bit"
        yield wrapped(
            f"{one.item} (judgement {one.judgement}, {one.made_utc[:10]}): stated {percent(one.stated)} "
            f"shorted; {one.found}; {bits}"
        )


def _ranking(facts: AuditFacts) -> Iterator[str]:
    one = facts.ranking
    if one is None:
        return
    yield from ("", "isolation worksheets against the cause that was found")
    yield wrapped(
        f"{counted(one.items, 'worksheet')}, {one.tests:g} tests each (median): the cause stood first in "
        f"{_share(one.first)}, among the first three in {_share(one.among_three)}"
    )
    yield wrapped(
        f"mean rank {one.rank:.1f}, by the priors alone {one.rank_before:.1f}; log score {_bits(one)}"
    )


def _bits(one: RankingFacts) -> str:
    told = ["infinite" if bits is None else f"{bits:.2f} bit" for bits in (one.log, one.log_before)]
    return f"{told[0]}, by the priors alone {told[1]}"


def _assumptions(facts: AuditFacts, *, full: bool) -> Iterator[str]:
    if not facts.assumptions:
        return
    against = [one for one in facts.assumptions if one.contradicted]
    yield ""
    yield wrapped(
        f"{len(facts.assumptions)} assumptions could be looked at, {len(against)} contradicted, each at a "
        f"level of {percent(1 - facts.level)}; shares are of items whose end was learned, not of all met",
        indent=0,
    )
    yield from (wrapped(f"contradicted: {_assumption(one, facts.level)}") for one in against)
    if full:
        agreeing = [one for one in facts.assumptions if not one.contradicted]
        yield from (wrapped(f"nothing against: {_assumption(one, facts.level)}") for one in agreeing)


def _assumption(one: AssumptionFacts, level: float) -> str:
    return (
        f"{one.of}, {one.words}: assumed {_figures(one.assumed)} ({one.name}: {one.source}), found "
        f"{one.found:.2g} ({percent(level)}: {one.low:.2g} to {one.high:.2g}) by {one.count}"
    )


def _figures(figures: Sequence[float]) -> str:
    return " to ".join(f"{figure:.2g}" for figure in figures)


def _share(share: ShareFacts) -> str:
    if share.share is None:
        return "none"
    return f"{100 * share.share:.0f} % ({100 * share.low:.0f} to {100 * share.high:.0f})"
