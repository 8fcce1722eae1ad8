"""Where a worksheet stands: its facts, computed from its entries."""

from __future__ import annotations

import math
from collections.abc import Collection

from msgspec import UNSET

from coilbell.bench.facts.worksheet import (
    WORKSHEET_SCHEMA,
    ConflictFacts,
    HypothesisFacts,
    MoveFacts,
    OutcomeFacts,
    PartFacts,
    ProposalFacts,
    ReadingFacts,
    SettleFacts,
    WaitingFacts,
    WithdrawnFacts,
    WorksheetFacts,
)
from coilbell.bench.worksheet.sheet import Worksheet
from coilbell.isolate import Move, Proposal, odds, plan, settling
from coilbell.terms import Step

__all__ = ["worksheet_facts"]


def worksheet_facts(
    sheet: Worksheet,
    title: str = "",
    *,
    pair: tuple[str, str] | None = None,
    waiting: WaitingFacts | None = None,
    done: Collection[Step] = (),
) -> WorksheetFacts:
    """Everything shown of a worksheet. pair: the two hypotheses to settle between; the first two when left
    out; waiting: a finding that is not in it yet; done: what was done to the set already."""
    now = odds(sheet.kind, sheet.evidence)
    first, second, *_ = now.probabilities
    pair = pair or (first, second)
    proposals = plan(sheet.kind, now, sheet.evidence, sheet.qualified, done=done)
    between = settling(sheet.kind, sheet.evidence, pair, sheet.qualified, done=done)
    return WorksheetFacts(
        schema=WORKSHEET_SCHEMA,
        what="worksheet",
        title=title,
        kind=sheet.kind.name,
        qualified=sheet.qualified,
        readings=tuple(_reading(number, sheet) for number in sheet.readings),
        withdrawn=tuple(WithdrawnFacts(entry=n, why=why) for n, why in sheet.withdrawn.items()),
        hypotheses=tuple(_hypothesis(sheet, key, chance) for key, chance in now.probabilities.items()),
        parts=tuple(PartFacts(part=part, probability=chance) for part, chance in now.parts.items()),
        open_bits=now.bits,
        moves=tuple(_move(sheet, move) for move in now.moves),
        contradictions=tuple(
            ConflictFacts(step=c.step, words=c.words, chance=c.chance) for c in now.contradictions
        ),
        nothing_fits=now.nothing_fits,
        next=tuple(_proposal(p, sheet) for p in proposals),
        settle=SettleFacts(
            between=pair,
            names=(sheet.kind.hypothesis_named(pair[0]).name, sheet.kind.hypothesis_named(pair[1]).name),
            next=tuple(_proposal(p, sheet) for p in between),
        ),
        remarks=sheet.remarks,
        waiting=waiting or UNSET,
    )


def _reading(number: int, sheet: Worksheet) -> ReadingFacts:
    evidence = sheet.readings[number]
    return ReadingFacts(
        entry=number,
        step=evidence.step,
        words=evidence.words,
        source=evidence.source,
        remarks=evidence.remarks,
    )


def _hypothesis(sheet: Worksheet, key: str, chance: float) -> HypothesisFacts:
    one = sheet.kind.hypothesis_named(key)
    return HypothesisFacts(
        key=key,
        name=one.name,
        part=one.part,
        probability=chance,
        prior=one.prior,
        reason=one.reason,
        source=one.source,
    )


def _move(sheet: Worksheet, move: Move) -> MoveFacts:
    return MoveFacts(
        step=move.step,
        entries=tuple(n for n, e in sheet.readings.items() if e.step == move.step),
        words=move.words,
        log10_factors={key: math.log10(factor) for key, factor in move.factors.items()},
        reason=move.reason,
        source=move.source,
        reading_source=move.reading_source,
        remarks=move.remarks,
    )


def _proposal(proposal: Proposal, sheet: Worksheet) -> ProposalFacts:
    outcomes = sheet.kind.step_named(proposal.step).outcome
    return ProposalFacts(
        step=proposal.step,
        name=proposal.name,
        bits=proposal.bits,
        effort_min=proposal.effort,
        live=proposal.live,
        instructed=proposal.instructed,
        how=proposal.how,
        enter=proposal.enter,
        outcomes=tuple(OutcomeFacts(key=o.key, name=o.name) for o in outcomes),
        cautions=proposal.cautions,
    )
