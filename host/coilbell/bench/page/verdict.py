"""The verdict as a page shows it: headline, odds and next step as everywhere, and the bar under the hand."""

from __future__ import annotations

from coilbell.bench.page.messages import Bar, Found, Hand
from coilbell.bench.words.verdict import bars, basis_words, tint
from coilbell.decay import Fit
from coilbell.figure import percent
from coilbell.quantities import concise
from coilbell.record import Record
from coilbell.winding import Deciding, Finding, Verdict, headline_words

__all__ = ["beside_healthy", "hand_message", "hand_of", "healthy_q", "verdict_message"]


def verdict_message(finding: Finding, remark: str, count_words: str) -> Found:
    """All that stands beside a ring. remark: why the chosen reference did not judge it, or ""; count_words:
    what a ring count would say."""
    verdict = finding.verdict
    unseen = list(finding.cannot_see)
    parts = {
        "Why": [reason for reason in finding.reasons if reason not in unseen],
        "Not told apart": [case for case in finding.not_separable if case not in unseen],
        "Cannot be seen": unseen,
        "Ring count": [count_words],
        "Rests on": list(finding.odds.basis) if finding.odds else [],
    }
    return Found(
        headline=str(verdict.headline),
        sentence=_sentence(verdict, remark),
        odds=_bars(verdict),
        odds_words=basis_words(verdict, finding.odds.prior if finding.odds else None),
        unseen=_first_of(unseen),
        parts=[(head, lines) for head, lines in parts.items() if lines],
        next_step="; then ".join(step.words for step in verdict.steps[:2]),
        caution=finding.caution,
    )


def hand_message(finding: Finding | None, fit: Fit, record: Record) -> Hand:
    """The words of the bar."""
    main = fit.main if fit.rings else None
    q = f"Q {concise(main.q.value, main.q.standard_uncertainty)}" if main else "no ring"
    if finding is None:
        said = "it rings; not judged" if main else "no ring"
        return Hand(headline=said, odds="", q=q, healthy="", tint=tint(None))
    return _hand(finding.verdict, q, beside_healthy(finding, record))


def hand_of(verdict: Verdict) -> Hand:
    """The words of the bar by a verdict alone: its first ring decides."""
    rang = next((one for one in verdict.deciding if one.q is not None), None)
    q = "no ring" if rang is None else f"Q {concise(rang.q or 0.0, rang.q_spread or 0.0)}"
    return _hand(verdict, q, _beside(rang))


def _hand(verdict: Verdict, q: str, healthy: str) -> Hand:
    odds = "" if verdict.shows is None else f"short shows {percent(verdict.shows)}"
    words = headline_words(verdict)
    return Hand(headline=words, odds=odds, q=q, healthy=healthy, tint=tint(verdict.headline))


def healthy_q(finding: Finding | None, record: Record) -> float | None:
    """Q that the next good unit is expected to have with this test capacitor [1], None where not known."""
    own = _own(finding, record)
    return own.healthy_q if own is not None else None


def beside_healthy(finding: Finding | None, record: Record) -> str:
    """Q against the healthy unit's, as "healthy 129, -10 %"; "" where none is known."""
    return _beside(_own(finding, record))


def _beside(own: Deciding | None) -> str:
    if own is None or own.healthy_q is None:
        return ""
    away = "" if own.q is None else f", {100 * (own.q / own.healthy_q - 1):+.0f} %"
    return f"healthy {own.healthy_q:.3g}{away}"


def _own(finding: Finding | None, record: Record) -> Deciding | None:
    """The deciding figures of the ring with this record's test capacitor; None where there are none."""
    capacitor = record.test_capacitor
    if finding is None or capacitor is None:
        return None
    return next((one for one in finding.verdict.deciding if one.capacitor == capacitor.words), None)


def _sentence(verdict: Verdict, remark: str) -> str:
    words = headline_words(verdict)
    return f"{words}; the chosen reference cannot judge this ring" if remark else words


def _bars(verdict: Verdict) -> list[Bar]:
    return [
        Bar(name=b.name, words=percent(b.chance), share=round(b.chance, 4), shorted=b.shorted)
        for b in bars(verdict)
    ]


def _first_of(unseen: list[str]) -> str:
    """What the test cannot see, in short beside the verdict."""
    if not unseen:
        return ""
    more = f"; {len(unseen) - 1} more under reasons and limits" if len(unseen) > 1 else ""
    return f"{unseen[0]}{more}"
