"""Findings that rest on a unit of a reference which was withdrawn since.

The log keeps the reference as it was judged by and, once a unit was withdrawn, as it is then with the reason:
both are sealed and are handed on in archives, so that the mark stays wherever the finding goes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from coilbell.bench.log.book import Log
from coilbell.bench.log.rows import KeptJudgement
from coilbell.errors import CoilbellError
from coilbell.winding import Reference, decode

__all__ = ["later_versions", "marks", "resting_on"]


def later_versions(log: Log, one: KeptJudgement) -> list[Reference]:
    """Versions of the judgement's reference with withdrawn units that the log keeps beside its own.

    What is damaged is left out: a check of the log names it.
    """
    if one.reference is None:
        return []
    found = []
    for row in log.base.rows(
        "SELECT sha256, body FROM reference WHERE name = ? AND sha256 <> ? AND instr(body, ?) ORDER BY id",
        *one.reference,
        '"withdrawn"',
    ):
        try:
            found.append(decode(row["body"]))
        except CoilbellError:
            continue
    return found


def marks(log: Log, one: KeptJudgement) -> tuple[str, ...]:
    """A sentence for each unit that the judgement rests on and that was withdrawn since."""
    later = later_versions(log, one)
    if not later or one.reference is None:
        return ()
    try:
        own = log.reference(one.reference[1])
    except CoilbellError:
        return ()
    units = {capture.unit for capture in own.captures}
    then = Counter(unit for unit, _ in own.withdrawn)
    told = {}
    for version in later:
        # A unit that was withdrawn before, and had joined again, is no mark on what was judged by it.
        for unit, count in Counter(unit for unit, _ in version.withdrawn).items():
            if unit in units and count > then[unit]:
                told[unit] = [why for name, why in version.withdrawn if name == unit][-1]
    return tuple(
        f"{unit} of {own.name} was withdrawn since ({why}); judge it again" for unit, why in told.items()
    )


def resting_on(log: Log, name: str, unit: str) -> Iterator[tuple[str, KeptJudgement]]:
    """Standing judgements by a reference of that name which rest on the unit, each with its item's name."""
    query = (
        "SELECT j.id, j.item_id FROM judgement_now j JOIN reference r ON r.id = j.reference_id "
        "WHERE r.name = ? ORDER BY j.id"
    )
    for number, item in log.base.rows(query, name):
        one = log.judgement(number)
        assert one.reference is not None
        if any(capture.unit == unit for capture in log.reference(one.reference[1]).captures):
            yield log.name_of(item), one
