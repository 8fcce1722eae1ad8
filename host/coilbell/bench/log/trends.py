"""Trends of watched windings in the log: kept stretch by stretch, put together again when asked for."""

from __future__ import annotations

from dataclasses import dataclass

from coilbell.bench.facts.base import kept_text
from coilbell.bench.facts.trend import TrendFacts, parsed_trend
from coilbell.bench.log.admission import utc_now
from coilbell.bench.log.book import Log
from coilbell.bench.log.rows import Item
from coilbell.bench.trend import MOST_BUCKETS, Buckets
from coilbell.errors import FileError

__all__ = ["KeptTrends", "add_trend", "trends_of"]


@dataclass(frozen=True, slots=True)
class KeptTrends:
    """Watchings of an item, oldest first, each in one piece; damage: stretches left out, a sentence each."""

    watched: tuple[TrendFacts, ...]
    damage: tuple[str, ...]


def add_trend(log: Log, item: Item, facts: TrendFacts) -> None:
    """Keep a stretch; on the disk when this returns."""
    with log.together():
        log.base.insert("trend", item_id=item.id, added_utc=utc_now(), entry=kept_text(facts))


def trends_of(log: Log, item: Item) -> KeptTrends:
    """All that was watched of an item, at most `MOST_BUCKETS` buckets a watching."""
    found: dict[tuple[str, str, str], list[TrendFacts]] = {}
    damage = []
    for row in log.base.rows("SELECT id, entry FROM trend WHERE item_id = ? ORDER BY id", item.id):
        try:
            one = _read(log, row["id"], row["entry"])
        except FileError as error:
            damage.append(str(error))
        else:
            found.setdefault((one.begun_utc, one.capacitor, one.connection), []).append(one)
    return KeptTrends(tuple(_whole(stretches) for stretches in found.values()), tuple(damage))


def _read(log: Log, number: int, entry: str) -> TrendFacts:
    """Raises FileError for one that is not as it was kept."""
    for _, _, words in log.damage("trend", [number]):
        raise FileError(words)
    return parsed_trend(entry, f"trend {number} of the log")


def _whole(stretches: list[TrendFacts]) -> TrendFacts:
    """The stretches of one watching as one."""
    store = Buckets(MOST_BUCKETS)
    for stretch in stretches:
        for bucket in stretch.buckets:
            store.add(bucket)
    first = stretches[0]
    return TrendFacts(
        begun_utc=first.begun_utc,
        capacitor=first.capacitor,
        connection=first.connection,
        buckets=tuple(store.kept),
        changes=tuple(change for one in stretches for change in one.changes),
        marks=tuple(mark for one in stretches for mark in one.marks),
    )
