"""The worksheet's ranking of causes against the cause that was found: its rank, and the tests before."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import fmean, median

from coilbell.bench.audit.scores import share
from coilbell.bench.facts.audit import RankingFacts
from coilbell.bench.log import Concluded, Log, LogKeeper
from coilbell.bench.worksheet.entries import Begin, Entry, Unreadable
from coilbell.bench.worksheet.sheet import opened
from coilbell.errors import FileError
from coilbell.isolate import odds

__all__ = ["Ranked", "ranked_of", "ranking_of"]

_AMONG = 3
"""Ranks that `among_three` counts."""


@dataclass(frozen=True, slots=True)
class Ranked:
    """One worksheet with its cause. rank: of that cause, from 1; stated: its odds; before: by priors."""

    item: str
    cause: str
    equipment: str
    rank: int
    stated: float
    rank_before: int
    stated_before: float
    tests: int
    weight: float


class _Until:
    """The entries of a worksheet that were kept before the end was told."""

    def __init__(self, kept: list[tuple[int, Entry | Unreadable]]) -> None:
        self.kept = kept

    def entries(self) -> list[tuple[int, Entry | Unreadable]]:
        return self.kept

    def append(self, entry: Entry) -> int:
        del entry
        raise FileError("a worksheet is only read in an audit")


def ranked_of(log: Log, one: Concluded) -> Ranked | None:
    """The item's ranking; None without a cause of its worksheet, or where the sheet was begun afterwards."""
    told = next((kept for kept in one.outcomes if kept.outcome.equipment), None)
    if told is None:
        return None
    kept = [
        (number, entry)
        for number, entry in LogKeeper(log, one.item).entries()
        if isinstance(entry, Unreadable) or entry.utc <= told.added_utc
    ]
    if not any(isinstance(entry, Begin) for _, entry in kept):
        return None
    sheet = opened(_Until(kept))
    cause = told.outcome.cause
    if sheet.kind.name != told.outcome.equipment or cause not in sheet.kind.keys:
        return None
    now, before = odds(sheet.kind, sheet.evidence), odds(sheet.kind, ())
    return Ranked(
        item=one.item.name,
        cause=cause,
        equipment=sheet.kind.name,
        rank=list(now.probabilities).index(cause) + 1,
        stated=now.probabilities[cause],
        rank_before=list(before.probabilities).index(cause) + 1,
        stated_before=before.probabilities[cause],
        tests=len({evidence.step for evidence in sheet.evidence}),
        weight=(2 * told.outcome.sure - 1) ** 2,
    )


def ranking_of(ranked: Iterable[Ranked]) -> RankingFacts | None:
    """All rankings together; None without one."""
    rows = list(ranked)
    if not rows:
        return None
    weight = sum(one.weight for one in rows)
    return RankingFacts(
        items=len(rows),
        first=share(sum(one.weight for one in rows if one.rank == 1), weight),
        among_three=share(sum(one.weight for one in rows if one.rank <= _AMONG), weight),
        rank=fmean(one.rank for one in rows),
        rank_before=fmean(one.rank_before for one in rows),
        log=_bits([one.stated for one in rows]),
        log_before=_bits([one.stated_before for one in rows]),
        tests=float(median(one.tests for one in rows)),
    )


def _bits(chances: list[float]) -> float | None:
    return -fmean(math.log2(chance) for chance in chances) if min(chances) > 0 else None
