"""Sentences of an isolation worksheet, for the terminal and the live page alike.

Each takes facts of a worksheet; nothing is wrapped or indented here.
"""

from __future__ import annotations

from collections.abc import Sequence

from coilbell.bench.facts.worksheet import ConflictFacts, MoveFacts, ProposalFacts, WorksheetFacts
from coilbell.figure import percent
from coilbell.quantities import counted

__all__ = [
    "NOTHING_CERTAIN",
    "NOTHING_FITS",
    "NOTHING_LEFT",
    "NOTHING_SEEN",
    "barred_words",
    "conflict_words",
    "head_words",
    "how_words",
    "move_words",
    "odds_ratio",
    "parts_words",
    "proposal_words",
    "settle_words",
]

NOTHING_CERTAIN = (
    "nothing here is certain: chances are the trade's habits and physics, put in figures; a part is only "
    "proved by what happens when it is replaced"
)
NOTHING_FITS = (
    "nothing listed fits what was seen: check the readings, above all those named under 'does not fit', "
    "and think of causes that are not on the list"
)
NOTHING_LEFT = "no listed test would tell more; replace the likeliest part and see, or look wider"
NOTHING_SEEN = "nothing was seen yet: these are the priors of the trade"

_BARRED = 3
"""Live steps that are named though they are not instructed."""


def head_words(facts: WorksheetFacts) -> str:
    """The kind, how much was read, and what the user stated to be qualified for."""
    title = f"{facts.title}: " if facts.title else ""
    live = "nothing live" if facts.qualified == "none" else f"live work up to {facts.qualified}"
    return f"{title}{facts.kind}, {counted(len(facts.readings), 'reading')}; stated qualification: {live}"


def odds_ratio(chance: float) -> str:
    """Odds p : (1 - p) of a probability [0..1], as "4.2 : 1" or "1 : 3.8"; bounded words near certainty."""
    if not 1e-3 < chance < 1 - 1e-3:
        return "< 1 : 1000" if chance < 0.5 else "> 1000 : 1"
    if chance >= 0.5:
        return f"{_two_digits(chance / (1 - chance))} : 1"
    return f"1 : {_two_digits((1 - chance) / chance)}"


def _two_digits(ratio: float) -> str:
    return f"{ratio:.1f}" if ratio < 9.95 else f"{ratio:.0f}"


def parts_words(facts: WorksheetFacts) -> str:
    """What would be taken out, likeliest first."""
    parts = [f"{p.part} {percent(p.probability)}" for p in facts.parts if p.probability >= 0.01]
    return f"to take out: {', '.join(parts)}"


def move_words(move: MoveFacts, facts: WorksheetFacts) -> str:
    """What a step showed and how far it moved the odds of the leader, and of the cause it spoke against."""
    entry = "/".join(map(str, move.entries))
    factor = _factor(move.log10_factors[facts.hypotheses[0].key])
    return f"{entry} {move.step}: {move.words}: {factor}{_against(move, facts)}"


def conflict_words(conflict: ConflictFacts) -> str:
    """A sight that does not go with the others, and what to do about it."""
    return (
        f"{conflict.step}: {conflict.words} ({percent(conflict.chance)} as likely). "
        "Check it before the next step"
    )


def proposal_words(one: ProposalFacts) -> str:
    """A step that could come next, and what it is expected to tell for its effort."""
    return (
        f"{one.name} [{one.step}], expected to tell {one.bits:.2f} bit for "
        f"{one.effort_min:.0f} min of effort, risk included"
    )


def how_words(how: str, live: str, *, instructed: bool) -> str:
    """How to do a step, or that it is not instructed to somebody without the qualification for it."""
    if instructed:
        return f"how: {how}"
    return f"not instructed: live work ({live}); what people qualified for it read can be entered"


def settle_words(facts: WorksheetFacts, told: Sequence[str]) -> str:
    """Which test settles between the first two causes; told: steps that stand above already."""
    names = " or ".join(facts.settle.names)
    best = facts.settle.next[:1]
    if not best:
        return f"no listed test settles {names}"
    if best[0].step in told:
        return f"{best[0].step} also settles best whether it is {names}"
    return f"whether it is {names} is settled best by {best[0].step}:"


def barred_words(proposals: Sequence[ProposalFacts], told: Sequence[str]) -> str:
    """Live steps that are not instructed, by name only; "" when there are none. told: steps shown already."""
    barred = [p for p in proposals if not p.instructed and p.step not in told]
    if not barred:
        return ""
    named = ", ".join(f"{p.step} ({p.live}, {p.bits:.2f} bit)" for p in barred[:_BARRED])
    return f"for people qualified for live work, not instructed here: {named}; what they read can be entered"


def _against(move: MoveFacts, facts: WorksheetFacts) -> str:
    """The other cause that the step spoke against most, if it did."""
    names = {h.key: h.name for h in facts.hypotheses[1:]}
    key = min(names, key=lambda k: move.log10_factors[k])
    decades = move.log10_factors[key]
    return f"; {10**-decades:.2g} times less likely with {names[key]}" if decades < -0.3 else ""


def _factor(decades: float) -> str:
    factor = 10 ** abs(decades)
    if factor < 1.1:
        return "hardly moved them"
    more = f"{factor:.2g}" if factor < 100 else f"{factor:,.0f}"
    return f"{more} times {'likelier' if decades > 0 else 'less likely'} with it than with the rest"
