"""Isolation worksheets -> plain dicts and sentences.

facts = worksheet_facts(sheet, title)   ready for JSON, with a schema number
text  = worksheet_text(facts)           the same dict in words, 80 columns
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from coilbell.bench.sentences import percent
from coilbell.bench.words import wrapped
from coilbell.bench.worksheet import LogKeeper, Worksheet, opened
from coilbell.isolate import Odds, Proposal, odds, plan, settling

if TYPE_CHECKING:
    from coilbell.bench.log import Item, Log

__all__ = [
    "NOTHING_CERTAIN",
    "NOTHING_FITS",
    "WORKSHEET_SCHEMA",
    "kept_facts",
    "move_words",
    "next_text",
    "worksheet_facts",
    "worksheet_text",
]

WORKSHEET_SCHEMA = 1
"""Number of the layout `worksheet_facts` gives."""

_BARS = 24
NOTHING_CERTAIN = (
    "nothing here is certain: chances are the trade's habits and physics, put in figures; a part is only "
    "proved by what happens when it is replaced"
)
NOTHING_FITS = (
    "nothing listed fits what was seen: check the readings, above all those named under 'does not fit', "
    "and think of causes that are not on the list"
)


def worksheet_facts(
    sheet: Worksheet, title: str = "", *, pair: tuple[str, str] | None = None
) -> dict[str, Any]:
    """Everything shown of a worksheet, ready for JSON. pair: the two hypotheses to settle between; the
    first two when left out."""
    now = odds(sheet.kind, sheet.evidence)
    first_two = tuple(now.probabilities)[:2]
    pair = pair or (first_two[0], first_two[1])
    proposals = plan(sheet.kind, now, sheet.evidence, sheet.qualified)
    between = settling(sheet.kind, sheet.evidence, pair, sheet.qualified)
    return {
        "schema": WORKSHEET_SCHEMA,
        "what": "worksheet",
        "title": title,
        "kind": sheet.kind.name,
        "qualified": sheet.qualified,
        "readings": [_reading(number, sheet) for number in sheet.readings],
        "withdrawn": [{"entry": n, "why": why} for n, why in sheet.withdrawn.items()],
        "hypotheses": [_hypothesis(sheet, key, chance) for key, chance in now.probabilities.items()],
        "parts": [{"part": part, "probability": chance} for part, chance in now.parts.items()],
        "open_bits": now.bits,
        "moves": [_move(sheet, now, k) for k in range(len(now.moves))],
        "contradictions": [
            {"step": c.step, "words": c.words, "chance": c.chance} for c in now.contradictions
        ],
        "nothing_fits": now.nothing_fits,
        "next": [_proposal(p, sheet) for p in proposals],
        "settle": {
            "between": list(pair),
            "names": [sheet.kind.hypothesis_named(key).name for key in pair],
            "next": [_proposal(p, sheet) for p in between],
        },
        "remarks": list(sheet.remarks),
    }


def kept_facts(log: Log, item: Item) -> dict[str, Any] | None:
    """The facts of an item's worksheet in the bench log, None where none was begun."""
    keeper = LogKeeper(log, item)
    return worksheet_facts(opened(keeper), item.name) if keeper.entries() else None


def worksheet_text(facts: dict[str, Any]) -> str:
    """The dict of `worksheet_facts` in words; lines of at most 80 columns, no newline at the end."""
    lines = [_head(facts)]
    lines += [wrapped(f"note: {remark}") for remark in facts["remarks"]]
    lines += _ranking(facts)
    lines += _account(facts)
    lines += _conflicts(facts)
    if facts["nothing_fits"]:
        lines.append(wrapped(f"ATTENTION: {NOTHING_FITS}"))
    lines.append(wrapped(NOTHING_CERTAIN))
    lines += _next_lines(facts, 1)
    return "\n".join(lines)


def next_text(facts: dict[str, Any], count: int = 1) -> str:
    """The next best tests in words, with how to do them safely."""
    return "\n".join([_head(facts), *_leaders(facts), *_next_lines(facts, count)])


def _reading(number: int, sheet: Worksheet) -> dict[str, Any]:
    evidence = sheet.readings[number]
    return {
        "entry": number,
        "step": evidence.step,
        "words": evidence.words,
        "source": evidence.source,
        "remarks": list(evidence.remarks),
    }


def _hypothesis(sheet: Worksheet, key: str, chance: float) -> dict[str, Any]:
    one = sheet.kind.hypothesis_named(key)
    return {
        "key": key,
        "name": one.name,
        "part": one.part,
        "probability": chance,
        "prior": one.prior,
        "reason": one.reason,
        "source": one.source,
    }


def _move(sheet: Worksheet, now: Odds, place: int) -> dict[str, Any]:
    move = now.moves[place]
    return {
        "step": move.step,
        "entries": [n for n, e in sheet.readings.items() if e.step == move.step],
        "words": move.words,
        "log10_factors": {key: math.log10(f) for key, f in move.factors.items()},
        "reason": move.reason,
        "source": move.source,
        "reading_source": move.reading_source,
        "remarks": list(move.remarks),
    }


def _proposal(proposal: Proposal, sheet: Worksheet) -> dict[str, Any]:
    outcomes = sheet.kind.step_named(proposal.step).outcome
    return {
        "step": proposal.step,
        "name": proposal.name,
        "bits": proposal.bits,
        "effort_min": proposal.effort,
        "live": proposal.live,
        "instructed": proposal.instructed,
        "how": proposal.how,
        "enter": proposal.enter,
        "outcomes": [{"key": o.key, "name": o.name} for o in outcomes],
        "cautions": list(proposal.cautions),
    }


def _head(facts: dict[str, Any]) -> str:
    title = f"{facts['title']}: " if facts["title"] else ""
    live = "nothing live" if facts["qualified"] == "none" else f"live work up to {facts['qualified']}"
    return wrapped(
        f"{title}{facts['kind']}, {len(facts['readings'])} reading(s); stated qualification: {live}", indent=0
    )


def _ranking(facts: dict[str, Any]) -> list[str]:
    lines = ["  what may have failed:"]
    for one in facts["hypotheses"]:
        chance = one["probability"]
        if chance < 0.005 and one["key"] != "unknown":
            continue
        bar = "=" * round(chance * _BARS)
        label = f"{percent(chance):>6}  {bar:<{_BARS}}  "
        lines.append(_beside(label, one["name"]))
    parts = [f"{p['part']} {percent(p['probability'])}" for p in facts["parts"] if p["probability"] >= 0.01]
    lines.append(wrapped(f"to take out: {', '.join(parts)}"))
    return lines


def _beside(label: str, name: str) -> str:
    """`name` wrapped in its own column beside a label."""
    rows = wrapped(name, indent=0, width=80 - len(label)).split("\n")
    return "\n".join((label if k == 0 else " " * len(label)) + row.strip() for k, row in enumerate(rows))


def _account(facts: dict[str, Any]) -> list[str]:
    if not facts["moves"]:
        return [wrapped("nothing was seen yet: these are the priors of the trade")]
    leader = facts["hypotheses"][0]
    lines = [wrapped(f"what moved the odds of {leader['name']}:")]
    for move in facts["moves"]:
        lines.append(wrapped(f"- {move_words(move, facts)}", indent=4))
        lines.append(wrapped(f"because {move['reason']} ({move['source']})", indent=8))
        lines += [wrapped(f"note: {remark}", indent=8) for remark in move["remarks"]]
    return lines


def move_words(move: dict[str, Any], facts: dict[str, Any]) -> str:
    """What a step showed and how far it moved the odds of the leader, and of the cause it spoke against."""
    entry = "/".join(map(str, move["entries"]))
    factor = _factor(move["log10_factors"][facts["hypotheses"][0]["key"]])
    return f"{entry} {move['step']}: {move['words']}: {factor}{_against(move, facts)}"


def _against(move: dict[str, Any], facts: dict[str, Any]) -> str:
    """The other cause that the step spoke against most, if it did."""
    names = {h["key"]: h["name"] for h in facts["hypotheses"][1:]}
    key = min(names, key=lambda k: move["log10_factors"][k])
    decades = move["log10_factors"][key]
    return f"; {10**-decades:.2g} times less likely with {names[key]}" if decades < -0.3 else ""


def _factor(decades: float) -> str:
    factor = 10 ** abs(decades)
    if factor < 1.1:
        return "hardly moved them"
    more = f"{factor:.2g}" if factor < 100 else f"{factor:,.0f}"
    return f"{more} times {'likelier' if decades > 0 else 'less likely'} with it than with the rest"


def _conflicts(facts: dict[str, Any]) -> list[str]:
    if not facts["contradictions"]:
        return []
    return [
        "  does not fit:",
        *(
            wrapped(
                f"- {c['step']}: {c['words']} ({percent(c['chance'])} as likely). Check it before the "
                "next step",
                indent=4,
            )
            for c in facts["contradictions"]
        ),
    ]


def _leaders(facts: dict[str, Any]) -> list[str]:
    first = [f"{h['name']} {percent(h['probability'])}" for h in facts["hypotheses"][:3]]
    return [wrapped(f"now: {', '.join(first)}")]


def _next_lines(facts: dict[str, Any], count: int) -> list[str]:
    proposals = facts["next"]
    if not proposals:
        return [
            wrapped("next: no listed test would tell more; replace the likeliest part and see, or look wider")
        ]
    shown = [("next" if place == 0 else "or", one) for place, one in enumerate(proposals[:count])]
    names = " or ".join(facts["settle"]["names"])
    best = facts["settle"]["next"][:1]
    told = {one["step"] for _, one in shown}
    if not best:
        words = f"no listed test settles {names}"
    elif best[0]["step"] in told:
        words = f"{best[0]['step']} also settles best whether it is {names}"
    else:
        words = f"whether it is {names} is settled best by {best[0]['step']}:"
        shown.append(("settle", best[0]))
    lines: list[str] = []
    for place, (word, one) in enumerate(shown):
        if word == "settle":
            lines.append(wrapped(words))
        same = place > 0 and one["cautions"] == shown[place - 1][1]["cautions"]
        lines += _proposal_lines(one, word, facts["title"], same=same)
    return [*lines, *([] if shown[-1][0] == "settle" else [wrapped(words)]), *_barred(proposals, shown)]


def _barred(proposals: Sequence[dict[str, Any]], shown: Sequence[tuple[str, dict[str, Any]]]) -> list[str]:
    """Live steps that were not shown, by name only."""
    told = {one["step"] for _, one in shown}
    barred = [p for p in proposals if not p["instructed"] and p["step"] not in told]
    if not barred:
        return []
    named = ", ".join(f"{p['step']} ({p['live']}, {p['bits']:.2f} bit)" for p in barred[:3])
    return [
        wrapped(
            f"for people qualified for live work, not instructed here: {named}; what they read can be entered"
        )
    ]


def _proposal_lines(one: dict[str, Any], word: str, title: str, *, same: bool) -> list[str]:
    """A step with its cautions before its instruction; `same`: its cautions stand right above."""
    lines = [
        wrapped(
            f"{word}: {one['name']} [{one['step']}], expected to tell {one['bits']:.2f} bit for "
            f"{one['effort_min']:.0f} min of effort, risk included"
        )
    ]
    cautions = ["all that stands above holds here as well"] if same and one["cautions"] else one["cautions"]
    lines += [wrapped(f"CAUTION: {caution}", indent=4) for caution in cautions]
    how = f"how: {one['how']}"
    if not one["instructed"]:
        how = f"not instructed: live work ({one['live']}); what people qualified for it read can be entered"
    seen = ", ".join(f"{o['key']} ({o['name']})" for o in one["outcomes"])
    enter = f"coilbell isolate observe --item {title or 'NAME'} {one['enter']}"
    lines += [wrapped(text, indent=4) for text in (how, f"may show: {seen}", f"enter: {enter}")]
    return lines
