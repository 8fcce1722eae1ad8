"""What is added to an item later: details corrected, and entries taken back.

Nothing leaves the log by it. A correction is a row of its own, the old words stay beside it; what is taken
back stays too and only no longer counts.
"""

from __future__ import annotations

from dataclasses import dataclass

from coilbell.bench.log.admission import check_words, utc_now
from coilbell.bench.log.book import Log
from coilbell.bench.log.rows import Item
from coilbell.errors import InputError

__all__ = ["DETAILS", "Retraction", "corrected", "set_details", "take_back", "undo", "withdrawals"]

DETAILS = ("equipment", "part", "kind", "serial")
"""Words on an item that can be set later."""

_LONGEST = 200
"""Characters of a detail, as of a new item's."""

_ENTRIES = {
    "customer": ("added_utc", "words"),
    "detail": ("added_utc", "name || ' ' || words"),
    "capture": ("added_utc", "label"),
    "judgement": ("made_utc", "explanation"),
    "note": ("added_utc", "words"),
    "photo": ("added_utc", "path"),
    "outcome": ("added_utc", "cause || ' ' || how"),
}
"""Tables whose last entry `undo` takes back: their time and what shows an entry. Of entries of one moment the
later table holds the later one, as they are kept by `add_to_log`."""


@dataclass(frozen=True, slots=True)
class Retraction:
    """An entry that was taken back: what it was, in words, and when and why it was."""

    what: str
    added_utc: str
    why: str


def set_details(log: Log, item: Item, words: dict[str, str]) -> Item:
    """Correct the item's details and its customer; returns it as it is now.

    Raises InputError where nothing would change.
    """
    now = {"customer": log.customer(item)} | {name: getattr(item, name) for name in DETAILS}
    changed = {name: text for name, text in words.items() if text != now[name]}
    if not changed:
        raise InputError(f"{item.name} has these words already; nothing was changed")
    for name, text in changed.items():
        check_words(text, name, _LONGEST)
    with log.together():
        for name, text in changed.items():
            into = ("customer", {}) if name == "customer" else ("detail", {"name": name})
            log.base.insert(into[0], item_id=item.id, added_utc=utc_now(), words=text, **into[1])
    return log.item(item.name)


def corrected(log: Log, item: Item) -> list[str]:
    """Earlier words of the item's details, as "part: choke, until 2031-05-04T09:10:11.120Z"; oldest first."""
    first = log.base.rows("SELECT * FROM item WHERE id = ?", item.id)[0]
    told, now = [], {name: str(first[name]) for name in DETAILS}
    for row in log.base.rows("SELECT * FROM detail_now WHERE item_id = ? ORDER BY id", item.id):
        if now[row["name"]]:
            told.append(f"{row['name']}: {now[row['name']]}, until {row['added_utc']}")
        now[row["name"]] = row["words"]
    return told


def undo(log: Log, item: Item, why: str = "") -> str:
    """Take the item's last entry back; returns what it was, in words.

    A finding goes with a ring that it rests on. Raises InputError where there is nothing left.
    """
    with log.together():
        found = [
            (row["t"], order, row["id"], table, row["w"])
            for order, (table, (time, shown)) in enumerate(_ENTRIES.items())
            for row in log.base.rows(
                f"SELECT id, {time} AS t, {shown} AS w FROM {table}_now WHERE item_id = ?", item.id
            )
        ]
        if not found:
            raise InputError(f"{item.name} holds nothing that could be taken back")
        _, _, number, table, words = max(found)
        take_back(log, item, table, number, why)
    return f"{table} {number}: {words}"


def take_back(log: Log, item: Item, table: str, number: int, why: str = "") -> None:
    """Let a row no longer count."""
    check_words(why, "reason", 500)
    with log.together():
        log.base.insert("withdrawal", item_id=item.id, added_utc=utc_now(), what=table, row=number, why=why)


def withdrawals(log: Log, item: Item) -> list[Retraction]:
    """What was taken back of an item and stays so, oldest first."""
    rows = log.base.rows(
        "SELECT * FROM withdrawal AS w WHERE item_id = ? AND what <> 'withdrawal' AND what <> 'examination' "
        "AND NOT EXISTS (SELECT 1 FROM withdrawal AS again WHERE again.what = 'withdrawal' "
        "AND again.row = w.id) ORDER BY id",
        item.id,
    )
    return [
        Retraction(
            f"{row['what']} {row['row']}: {_words(log, row['what'], row['row'])}",
            row["added_utc"],
            row["why"],
        )
        for row in rows
    ]


def _words(log: Log, table: str, number: int) -> str:
    shown = _ENTRIES[table][1]
    return str(log.base.rows(f"SELECT {shown} AS w FROM {table} WHERE id = ?", number)[0]["w"])
