"""How a log's items ended, and its good units: those found sound in the end, by their rings out of circuit.

Only outcomes since the last look are read; a withdrawal takes out what rested on it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.learned.store import LogEnd, LogUnit, LogView, stamp
from coilbell.bench.log import Item, KeptJudgement, Log
from coilbell.bench.log.database import Database
from coilbell.errors import CoilbellError
from coilbell.record import Connection
from coilbell.terms import Cause
from coilbell.winding import KINDS, Capture, Condition, Observation, Reference, observe, unit_points

__all__ = ["logged"]

_SURE = 0.9
"""How sure an outcome has to be for its item to count as a good unit [0..1]; assumed."""


def logged(path: Path, before: LogView | None) -> LogView | None:
    """What the log tells of good units; None where there is none, or it cannot be read.

    before: what was kept of it. A damaged row, or one of another schema, tells nothing.
    """
    now = stamp(path, path.with_name(f"{path.name}-wal"))
    if not now:
        return None
    if before is not None and before.stamp == now:
        return before
    try:
        # An older log is not brought up to date for this: it holds no outcomes.
        with closing(Database(path, writable=False)) as base:
            return _view(path, base, before or LogView(), now)
    except CoilbellError:
        return None


def _view(path: Path, base: Database, before: LogView, now: tuple[int, ...]) -> LogView:
    last = base.rows("SELECT coalesce(max(id), 0) AS last FROM outcome")[0]["last"]
    gone = base.rows("SELECT coalesce(max(id), 0) AS last FROM withdrawal")[0]["last"]
    known = before if last >= before.outcome else LogView()  # another file under the same name
    units, ends = list(known.units), list(known.ends)
    if gone != known.withdrawal:
        standing = {row["id"] for row in base.rows("SELECT id FROM outcome_now")}
        units = [unit for unit in units if unit.outcome in standing]
        ends = [end for end in ends if end.outcome in standing]
    rows = base.rows("SELECT * FROM outcome_now WHERE id > ? ORDER BY id", known.outcome)
    if rows:
        with Log(path, writable=False) as log:
            for row in rows:
                end, unit = _ended(log, row)
                ends += [end] if end is not None else []
                units += [unit] if unit is not None else []
    return LogView(now, last, gone, tuple(units), tuple(ends))


def _ended(log: Log, row: sqlite3.Row) -> tuple[LogEnd | None, LogUnit | None]:
    """How an item ended, and what a sound one's rings tell of good units; None where they tell nothing."""
    try:
        log.check_row("outcome", row["id"])
        item, sure = log.item_numbered(row["item_id"]), float(row["sure"])
        judged = [one for one in log.judgements(item) if isinstance(one.facts, FindingFacts)]
        last = judged[-1] if judged else None
        kind = last.facts.kind if last else item.kind
        where = str(last.facts.connection) if last and isinstance(last.facts, FindingFacts) else ""
        end = LogEnd(row["id"], kind, where, row["state"] or "", row["equipment"], row["cause"], sure)
        good = row["state"] == str(Cause.NOTHING) and sure >= _SURE
        return end, _unit(log, row["id"], item, judged, kind) if good else None
    except (CoilbellError, ValueError):
        return None, None


def _unit(log: Log, outcome: int, item: Item, judged: Sequence[KeptJudgement], kind: str) -> LogUnit | None:
    """What the item's rings tell of a good unit; None where it was not rung out of circuit."""
    seen = [ring for number in log.numbers("capture", item) for ring in _rings(log, number)]
    named = [one.reference[0] for one in judged if one.reference is not None]
    part = named[-1] if named else item.part
    if not seen or not part or kind not in KINDS:
        return None
    captures = [Capture(item.name, Condition.GOOD, one) for one in seen]
    points = unit_points(Reference.begin(part, kind, captures))
    return None if points is None else LogUnit(outcome, max(o.capacitor.farads for o in seen), points)


def _rings(log: Log, capture: int) -> list[Observation]:
    """The ring of a capture by its last fit, where it can stand for a good unit's."""
    fits = log.fits(capture)
    record = log.capture(capture).records[0]
    if not fits or record.test_capacitor is None or record.connection is not Connection.OUT_OF_CIRCUIT:
        return []
    seen = observe(fits[-1].facts, record)
    return [seen] if seen.rings and not seen.trouble else []
