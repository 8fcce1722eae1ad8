"""What an archive tells of an item's history: corrected details, acts of its examination, withdrawals.

Rows are called by their place among their like in the archive, counted from 0, since numbers of one log mean
nothing in another. The customer's name is a person's and is not handed on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Literal

import msgspec

from coilbell.bench.facts.base import Count, Facts, kept_text
from coilbell.bench.facts.examination import Act, Begin, Rang, parsed_act
from coilbell.bench.facts.trend import LONGEST_MARK, TrendFacts, parsed_trend
from coilbell.bench.log.admission import check_words
from coilbell.bench.log.book import Log
from coilbell.bench.log.rows import Item
from coilbell.errors import FileError

__all__ = ["ROWS", "History", "check_history", "history_of", "keep_history", "taken_back"]

_LONGEST_DETAIL, _LONGEST_WHY = 200, 500
"""Characters of a detail and of a reason, as where they are entered."""

ROWS = ("capture", "judgement", "note", "photo", "outcome")
"""Tables of an item, told elsewhere, whose rows may be taken back."""

Withdrawable = Literal[
    "capture", "judgement", "note", "photo", "outcome", "detail", "examination", "withdrawal"
]
"""All such tables. A withdrawal comes after what it takes back."""


class ToldDetail(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A detail of the item that was set later."""

    added_utc: str
    name: Literal["equipment", "part", "kind", "serial"]
    words: str


class ToldAct(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An act of the examination; captures in it are called by their places."""

    added_utc: str
    act: Act


class ToldTrend(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A stretch of what was watched."""

    added_utc: str
    trend: TrendFacts


class ToldWithdrawal(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An entry that was taken back. place: among those of its table."""

    added_utc: str
    what: Withdrawable
    place: Count
    why: str


class History(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All of it, each in the order in which it was kept."""

    details: tuple[ToldDetail, ...] = ()
    examination: tuple[ToldAct, ...] = ()
    withdrawals: tuple[ToldWithdrawal, ...] = ()
    trends: tuple[ToldTrend, ...] = ()


def history_of(log: Log, item: Item) -> History:
    """The item's history. Raises FileError for a damaged act."""
    places = {
        (table, number): place
        for table in (*ROWS, "detail", "examination")
        for place, number in enumerate(log.numbers(table, item, every=True))
    }
    details = log.base.rows("SELECT * FROM detail WHERE item_id = ? ORDER BY id", item.id)
    acts = log.base.rows("SELECT * FROM examination WHERE item_id = ? ORDER BY id", item.id)
    told: list[ToldWithdrawal] = []
    for row in log.base.rows("SELECT * FROM withdrawal WHERE item_id = ? ORDER BY id", item.id):
        place = places.get((row["what"], row["row"]))
        if place is None:  # of the customer's name, which is not handed on
            continue
        places["withdrawal", row["id"]] = len(told)
        told.append(ToldWithdrawal(added_utc=row["added_utc"], what=row["what"], place=place, why=row["why"]))
    return History(
        details=tuple(
            ToldDetail(added_utc=row["added_utc"], name=row["name"], words=row["words"]) for row in details
        ),
        examination=tuple(
            ToldAct(
                added_utc=row["added_utc"],
                act=_renumbered(
                    parsed_act(row["entry"], f"examination {row['id']} of the log"),
                    lambda number: places["capture", number],
                    lambda since: sum(t == "capture" and n <= since for t, n in places),
                ),
            )
            for row in acts
        ),
        withdrawals=tuple(told),
        trends=tuple(
            ToldTrend(
                added_utc=row["added_utc"], trend=parsed_trend(row["entry"], f"trend {row['id']} of the log")
            )
            for row in log.base.rows("SELECT * FROM trend WHERE item_id = ? ORDER BY id", item.id)
        ),
    )


def _renumbered(act: Act, capture: Callable[[int], int], since: Callable[[int], int]) -> Act:
    """The act with other numbers of captures; since: of how many are older than its beginning."""
    if isinstance(act, Rang):
        return msgspec.structs.replace(act, captures=tuple(map(capture, act.captures)))
    return msgspec.structs.replace(act, since=since(act.since)) if isinstance(act, Begin) else act


def check_history(history: History, counts: Mapping[str, int]) -> Iterator[str]:
    """Every word and place; gives each time, which the caller checks.

    counts: how many rows each table has in the archive. Raises FileError, InputError.
    """
    counts = {**counts, "detail": len(history.details), "examination": len(history.examination)}
    for detail in history.details:
        check_words(detail.words, detail.name, _LONGEST_DETAIL)
        yield detail.added_utc
    for one in history.examination:
        yield one.added_utc
        if isinstance(one.act, Begin):
            check_words(one.act.kind, "kind", _LONGEST_DETAIL)
            check_words(one.act.reference, "reference", _LONGEST_DETAIL)
        called = one.act.captures if isinstance(one.act, Rang) else ()
        if any(place >= counts["capture"] for place in called):
            raise FileError("an examination rests on a capture that is not there")
    for stretch in history.trends:
        yield from (stretch.added_utc, stretch.trend.begun_utc)
        for text in (
            stretch.trend.capacitor,
            stretch.trend.connection,
            *(m.text for m in stretch.trend.marks),
        ):
            check_words(text, "trend", LONGEST_MARK)
    for number, gone in enumerate(history.withdrawals):
        check_words(gone.why, "reason", _LONGEST_WHY)
        yield gone.added_utc
        if gone.place >= (number if gone.what == "withdrawal" else counts[gone.what]):
            raise FileError(f"takes back a {gone.what} that is not there")


def taken_back(history: History, table: str) -> set[int]:
    """Places of the rows of a table that no longer count."""
    again = {one.place for one in history.withdrawals if one.what == "withdrawal"}
    standing = [one for number, one in enumerate(history.withdrawals) if number not in again]
    return {one.place for one in standing if one.what == table}


def keep_history(log: Log, item: int, history: History, numbers: Mapping[str, Sequence[int]]) -> None:
    """Keep checked history under the item's number. numbers: what the rows of each table became here."""
    became = {name: list(found) for name, found in numbers.items()}
    captures = became["capture"]
    became |= {"detail": [], "examination": [], "withdrawal": []}

    def before(count: int) -> int:
        return captures[min(count, len(captures)) - 1] if count and captures else 0

    for detail in history.details:
        values = {name: getattr(detail, name) for name in ("added_utc", "name", "words")}
        became["detail"].append(log.base.insert("detail", item_id=item, **values))
    for one in history.examination:
        act = _renumbered(one.act, captures.__getitem__, before)
        became["examination"].append(
            log.base.insert("examination", item_id=item, added_utc=one.added_utc, entry=kept_text(act))
        )
    for stretch in history.trends:
        log.base.insert("trend", item_id=item, added_utc=stretch.added_utc, entry=kept_text(stretch.trend))
    for gone in history.withdrawals:
        row = became[gone.what][gone.place]
        became["withdrawal"].append(
            log.base.insert(
                "withdrawal", item_id=item, added_utc=gone.added_utc, what=gone.what, row=row, why=gone.why
            )
        )
