"""The customer's page: verdict, what was done, what may have failed, what the test cannot tell, one caution.

No figures of how the odds came about; those stand on the technician's page.
"""

from __future__ import annotations

from collections.abc import Iterator

from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.log import KeptCapture, versions
from coilbell.bench.report.sheet import (
    CARE,
    UNJUDGED,
    Basis,
    Section,
    Sheet,
    causes,
    ended,
    heading,
)
from coilbell.bench.settings import setting
from coilbell.bench.words.fit import fraction_words, shown
from coilbell.bench.words.moment import local_time
from coilbell.bench.worksheet.sentences import NOTHING_CERTAIN
from coilbell.quantities import engineering
from coilbell.record import Connection
from coilbell.terms import Step
from coilbell.winding import step_words

__all__ = ["customer_sheet"]


def customer_sheet(basis: Basis) -> Sheet:
    """The page."""
    item = basis.kept.item
    explanation, tint, chances = heading(basis)
    sections: list[Section] = [
        ("To be judged again", basis.marks),
        ("What was done", tuple(_done(basis))),
        ("What it showed", tuple(_showed(basis))),
        ("What this test cannot tell", _limits(basis)),
        ("Damaged rows of the log, left out here", basis.kept.damage),
    ]
    shown_pairs = (
        ("workshop", setting("shop")),
        ("customer", basis.customer),
        ("part", item.part),
        ("kind", item.kind or (basis.facts.kind if basis.facts else "")),
        ("equipment", item.equipment),
        ("serial", item.serial),
        ("tested", local_time(basis.judgement.made_utc if basis.judgement else item.added_utc)),
        ("in the end", ended(basis)),
        ("board", basis.board),
    )
    return Sheet(
        full=False,
        title=item.name,
        explanation=explanation,
        tint=tint,
        odds=_odds(basis),
        chances=chances,
        causes=causes(basis),
        tested=tuple((what, words.strip()) for what, words in shown_pairs if words.strip()),
        table=(),
        sections=tuple((head, sentences) for head, sentences in sections if sentences),
        next_step=_next(basis),
        caution=CARE,
        made=(("made with", f"coilbell {versions()['coilbell']}; all figures: report --full"),),
        added_utc=item.added_utc,
        judged_utc=basis.judgement.made_utc if basis.judgement else "",
    )


def _odds(basis: Basis) -> str:
    if basis.facts is None:
        return "It was rung and not judged, so nothing is said of its turns." if basis.fits else ""
    verdict = basis.facts.verdict
    if not verdict:
        return ""
    rests_on = verdict.rests_on or "no reference was at hand"
    return f"{rests_on[:1].upper()}{rests_on[1:]}."


def _done(basis: Basis) -> Iterator[str]:
    """A sentence for each stage at which the winding was rung, and the worksheet's steps."""
    stages: dict[tuple[str, tuple[Step, ...]], list[KeptCapture]] = {}
    for capture, _ in basis.judged or basis.fits:
        stages.setdefault((capture.connection, capture.records[0].done), []).append(capture)
    for (connection, done), captures in stages.items():
        tests = {c.records[0].test_capacitor.farads: c for c in captures if c.records[0].test_capacitor}
        beside = " and ".join(engineering(farads, "F") for farads in tests)
        where = "" if connection == Connection.UNKNOWN else f" {connection}"
        after = f", after this was done: {'; '.join(step_words(one) for one in done)}" if done else ""
        yield f"winding rung{where} with {beside or 'an unknown capacitor'} across it{after}"
    steps = dict.fromkeys(
        one.step.replace("-", " ") for one in (basis.worksheet.readings if basis.worksheet else ())
    )
    if steps:
        yield f"looked at and measured: {', '.join(steps)}"


def _showed(basis: Basis) -> Iterator[str]:
    """How long the winding rang, beside a healthy one."""
    if basis.facts is None or not basis.judged:
        return
    first = basis.judged[0][1].facts
    yield f"it rang {_count(first)}" if first.rings else "it did not ring"
    healthy = basis.facts.count.healthy
    if healthy is not None and first.rings:
        yield f"a healthy one rings about {healthy:.0f} times until then"


def _count(facts: FitFacts) -> str:
    count = shown(facts.main.ring_count)
    return f"{count} times until a {_fraction(facts.count_to)} of its first swing was left"


def _fraction(part: float) -> str:
    return {0.1: "tenth", 0.5: "half"}.get(part, f"part of {fraction_words(part)}")


def _limits(basis: Basis) -> tuple[str, ...]:
    facts = basis.facts
    certain = (NOTHING_CERTAIN,) if causes(basis) else ()
    if facts is None:
        return certain
    return (facts.verdict.limits if facts.verdict else facts.cannot_see) + certain


def _next(basis: Basis) -> str:
    """The one step that comes next."""
    verdict = basis.facts.verdict if basis.facts else None
    if verdict and verdict.steps:
        return verdict.steps[0].words
    if basis.worksheet and basis.worksheet.next:
        return basis.worksheet.next[0].name
    return basis.facts.next_step if basis.facts else UNJUDGED
