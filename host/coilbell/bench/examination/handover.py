"""The ring that ends an examination, in the item's open worksheet: its odds, never a whole verdict.

One ring counts once: a ring of the log that stands there already is taken back, visibly, for the later one.
"""

from __future__ import annotations

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.log import Item, Log, LogKeeper
from coilbell.bench.worksheet.entries import FINDING, Observe
from coilbell.bench.worksheet.sheet import observe, opened, withdraw
from coilbell.bench.worksheet.typed import evidence_of
from coilbell.isolate import ring_step

__all__ = ["entered", "in_sheet", "left"]

_LATER = "a later ring of the examination takes its place"
_BACK = "the ring was taken back in the examination"


def entered(log: Log, item: Item, facts: FindingFacts) -> None:
    """Enter a finding as a reading of the worksheet's ring step.

    Not without a worksheet or odds, nor where the kind has no such step, nor where this very reading stands
    there or was taken back by a person.
    """
    keeper = LogKeeper(log, item)
    if facts.shorted_turn is None or not keeper.entries():
        return
    sheet = opened(keeper)
    step = ring_step(sheet.kind, facts.kind, str(facts.connection))
    if step is None:
        return
    found = evidence_of(step, [FINDING], finding=facts)
    with log.together():
        rings = _rings(keeper)
        for number, entry in rings:
            by_hand = sheet.withdrawn.get(number, _LATER) not in (_LATER, _BACK)
            if (entry.step, entry.words) == (step.key, found.words) and (number in sheet.readings or by_hand):
                return
        for number, _ in rings:
            if number in sheet.readings:
                withdraw(keeper, sheet, number, _LATER)
        observe(keeper, sheet, found, [FINDING])


def in_sheet(log: Log, item: Item) -> str:
    """The item's ring as it stands in its worksheet, or why it does not; "" where no worksheet is open."""
    keeper = LogKeeper(log, item)
    if not keeper.entries():
        return ""
    readings = opened(keeper).readings
    standing = [(number, entry) for number, entry in _rings(keeper) if number in readings]
    if standing:
        number, entry = standing[-1]
        return f"in the worksheet, reading {number}: {entry.words}"
    return "not in the worksheet: a ring goes there with odds by a reference, or where its kind asks for one"


def left(log: Log, item: Item) -> None:
    """Take the ring's reading out of the worksheet, after the ring itself was taken back."""
    keeper = LogKeeper(log, item)
    if keeper.entries():
        sheet = opened(keeper)
        for number, _ in _rings(keeper):
            if number in sheet.readings:
                withdraw(keeper, sheet, number, _BACK)


def _rings(keeper: LogKeeper) -> list[tuple[int, Observe]]:
    """Readings that are findings of the log, with those taken back."""
    return [
        (number, entry)
        for number, entry in keeper.entries()
        if isinstance(entry, Observe) and entry.typed == (FINDING,)
    ]
