"""Isolation worksheets -> plain dicts and sentences.

facts = worksheet_facts(sheet, title)   ready for JSON, with a schema number
text  = worksheet_text(facts)           the same dict in words, 80 columns
"""

from __future__ import annotations

import math
from typing import Any

from coilbell.bench.words.fit import quoted, wrapped
from coilbell.bench.worksheet.sentences import (
    NOTHING_CERTAIN,
    NOTHING_FITS,
    NOTHING_LEFT,
    NOTHING_SEEN,
    barred_words,
    conflict_words,
    head_words,
    how_words,
    move_words,
    parts_words,
    proposal_words,
    settle_words,
)
from coilbell.bench.worksheet.sheet import Worksheet
from coilbell.figure import percent
from coilbell.isolate import Odds, Proposal, odds, plan, settling

__all__ = [
    "NOTHING_CERTAIN",
    "NOTHING_FITS",
    "WORKSHEET_SCHEMA",
    "move_words",
    "next_text",
    "worksheet_facts",
    "worksheet_text",
]

WORKSHEET_SCHEMA = 1
"""Number of the layout `worksheet_facts` gives."""

_BARS = 24


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
    return wrapped(head_words(facts), indent=0)


def _ranking(facts: dict[str, Any]) -> list[str]:
    lines = ["  what may have failed:"]
    for one in facts["hypotheses"]:
        chance = one["probability"]
        if chance < 0.005 and one["key"] != "unknown":
            continue
        bar = "=" * round(chance * _BARS)
        label = f"{percent(chance):>6}  {bar:<{_BARS}}  "
        lines.append(_beside(label, one["name"]))
    lines.append(wrapped(parts_words(facts)))
    return lines


def _beside(label: str, name: str) -> str:
    """`name` wrapped in its own column beside a label."""
    rows = wrapped(name, indent=0, width=80 - len(label)).split("\n")
    return "\n".join((label if k == 0 else " " * len(label)) + row.strip() for k, row in enumerate(rows))


def _account(facts: dict[str, Any]) -> list[str]:
    if not facts["moves"]:
        return [wrapped(NOTHING_SEEN)]
    leader = facts["hypotheses"][0]
    lines = [wrapped(f"what moved the odds of {leader['name']}:")]
    for move in facts["moves"]:
        lines.append(wrapped(f"- {move_words(move, facts)}", indent=4))
        lines.append(wrapped(f"because {move['reason']} ({move['source']})", indent=8))
        lines += [wrapped(f"note: {remark}", indent=8) for remark in move["remarks"]]
    return lines


def _conflicts(facts: dict[str, Any]) -> list[str]:
    found = [wrapped(f"- {conflict_words(one)}", indent=4) for one in facts["contradictions"]]
    return ["  does not fit:", *found] if found else []


def _leaders(facts: dict[str, Any]) -> list[str]:
    first = [f"{h['name']} {percent(h['probability'])}" for h in facts["hypotheses"][:3]]
    return [wrapped(f"now: {', '.join(first)}")]


def _next_lines(facts: dict[str, Any], count: int) -> list[str]:
    proposals = facts["next"]
    if not proposals:
        return [wrapped(f"next: {NOTHING_LEFT}")]
    shown = proposals[:count]
    told = [one["step"] for one in shown]
    lines: list[str] = []
    for place, one in enumerate(shown):
        same = place > 0 and one["cautions"] == shown[place - 1]["cautions"]
        lines += _proposal_lines(one, "or" if place else "next", facts["title"], same=same)
    lines.append(wrapped(settle_words(facts, told)))
    for one in facts["settle"]["next"][:1]:
        if one["step"] not in told:
            same = one["cautions"] == shown[-1]["cautions"]
            lines += _proposal_lines(one, "settle", facts["title"], same=same)
            told.append(one["step"])
    barred = barred_words(proposals, told)
    return [*lines, *([wrapped(barred)] if barred else [])]


def _proposal_lines(one: dict[str, Any], word: str, title: str, *, same: bool) -> list[str]:
    """A step with its cautions before its instruction; `same`: its cautions stand right above."""
    cautions = ["all that stands above holds here as well"] if same and one["cautions"] else one["cautions"]
    seen = ", ".join(f"{o['key']} ({o['name']})" for o in one["outcomes"])
    enter = f"coilbell isolate observe --item {quoted(title) if title else 'NAME'} {one['enter']}"
    if "finding=" in enter:
        enter += "; finding=log for what `coilbell judge --item` kept"
    return [
        wrapped(f"{word}: {proposal_words(one)}"),
        *(wrapped(f"CAUTION: {caution}", indent=4) for caution in cautions),
        *(wrapped(text, indent=4) for text in (how_words(one), f"may show: {seen}", f"enter: {enter}")),
    ]
