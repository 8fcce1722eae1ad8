"""What the log holds of an item, as far as it is sound; what is not is named in its place."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from coilbell.bench.facts.item import NoteFacts, PhotoFacts
from coilbell.bench.log.book import Log
from coilbell.bench.log.outcomes import KeptOutcome, outcome_numbered
from coilbell.bench.log.rows import Item, KeptCapture, KeptFit, KeptJudgement
from coilbell.errors import FileError, MissingError

__all__ = ["Held", "held"]

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Held:
    """An item with its sound rows.

    captures: each with its fits; damage: what is left out, or rests on something that is, a sentence each.
    """

    item: Item
    captures: tuple[tuple[KeptCapture, tuple[KeptFit, ...]], ...]
    judgements: tuple[KeptJudgement, ...]
    notes: tuple[NoteFacts, ...]
    photos: tuple[PhotoFacts, ...]
    outcomes: tuple[KeptOutcome, ...]
    damage: tuple[str, ...]

    def whole(self) -> Held:
        """Itself when all of it is sound; else raises FileError with the first damage."""
        if not self.damage:
            return self
        more = f" and {len(self.damage) - 1} more" if len(self.damage) > 1 else ""
        raise FileError(
            f"{self.item.name}: {self.damage[0]}{more}; what is damaged is not handed on: restore the log "
            "from a backup, or name other items"
        )


def held(log: Log, item: Item, *, every: bool = False) -> Held:
    """Everything the log holds of an item and that stands; every: what was taken back too."""
    damage: list[str] = [words for _, _, words in log.damage("item", [item.id])]
    for table in ("detail", "withdrawal", "examination", "customer", "trend"):
        rows = log.base.rows(f"SELECT id FROM {table} WHERE item_id = ?", item.id)
        damage += [words for _, _, words in log.damage(table, [row["id"] for row in rows])]

    def sound(read: Callable[[int], Row], table: str, numbers: Iterable[int]) -> list[tuple[int, Row]]:
        found = []
        for number in numbers:
            try:
                found.append((number, read(number)))
            except FileError as error:
                lost.add((table, number))
                damage.append(str(error))
        return found

    numbers = partial(log.numbers, of=item, every=every)
    lost: set[tuple[str, int]] = set()
    captures = []
    for _, capture in sound(log.capture, "capture", numbers("capture")):
        fits = sound(log.fit, "fit", log.numbers("fit", capture))
        captures.append((capture, tuple(fit for _, fit in fits)))
    judgements = [one for _, one in sound(log.judgement, "judgement", numbers("judgement"))]
    for one in judgements:
        broken = [number for number in one.fits if _lost(log, number, lost)]
        if broken:
            damage.append(f"judgement {one.id}: rests on fit {broken[0]}, which is not as it was kept")
        if one.reference is not None:
            damage += _reference_damage(log, one)
    return Held(
        item,
        tuple(captures),
        tuple(judgements),
        tuple(note for _, note in sound(log.note, "note", numbers("note"))),
        tuple(photo for _, photo in sound(log.photo, "photo", numbers("photo"))),
        tuple(one for _, one in sound(partial(outcome_numbered, log), "outcome", numbers("outcome"))),
        tuple(damage),
    )


def _lost(log: Log, fit: int, lost: set[tuple[str, int]]) -> bool:
    """True for a fit that is damaged, or whose capture is."""
    if ("fit", fit) in lost:
        return True
    captures = {number for table, number in lost if table == "capture"}
    return bool(captures) and log.capture_of(fit) in captures


def _reference_damage(log: Log, one: KeptJudgement) -> list[str]:
    assert one.reference is not None
    try:
        log.reference(one.reference[1])
    except (FileError, MissingError) as error:
        return [f"judgement {one.id}: its reference {one.reference[0]} is damaged ({error})"]
    return []
