"""Good units of a log: items whose winding was found sound in the end, by their rings out of circuit.

Only outcomes since the last look are read; a withdrawal takes out what rested on it.
"""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

from coilbell.bench.learned.store import LogUnit, LogView, stamp
from coilbell.bench.log import Log
from coilbell.bench.log.database import Database
from coilbell.errors import CoilbellError
from coilbell.record import Connection
from coilbell.terms import Cause
from coilbell.winding import KINDS, Capture, Condition, Observation, Reference, observe, unit_points

__all__ = ["logged"]

_SURE = 0.9
"""How sure an outcome has to be for its item to count as a good unit [0..1]; assumed."""

_STANDING = "SELECT id FROM outcome_now WHERE state = ? AND CAST(sure AS REAL) >= ?"


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
    units = list(known.units)
    if gone != known.withdrawal:
        standing = {row["id"] for row in base.rows(_STANDING, str(Cause.NOTHING), _SURE)}
        units = [unit for unit in units if unit.outcome in standing]
    query = f"SELECT o.id, o.item_id FROM outcome AS o WHERE o.id > ? AND o.id IN ({_STANDING}) ORDER BY o.id"
    rows = base.rows(query, known.outcome, str(Cause.NOTHING), _SURE)
    if rows:
        with Log(path, writable=False) as log:
            units += [unit for row in rows if (unit := _unit(log, row["id"], row["item_id"])) is not None]
    return LogView(now, last, gone, tuple(units))


def _unit(log: Log, outcome: int, item_id: int) -> LogUnit | None:
    """What the item's rings tell of a good unit; None where it was not rung out of circuit."""
    try:
        item = log.item_numbered(item_id)
        seen = [ring for number in log.numbers("capture", item) for ring in _rings(log, number)]
        judged = [one for one in log.judgements(item) if one.reference is not None]
        named = judged[-1].reference if judged else None
        kind = judged[-1].facts.kind if judged else item.kind
        part = named[0] if named else item.part
        if not seen or not part or kind not in KINDS:
            return None
        captures = [Capture(item.name, Condition.GOOD, one) for one in seen]
        points = unit_points(Reference.begin(part, kind, captures))
    except CoilbellError:
        return None
    return None if points is None else LogUnit(outcome, max(o.capacitor.farads for o in seen), points)


def _rings(log: Log, capture: int) -> list[Observation]:
    """The ring of a capture by its last fit, where it can stand for a good unit's."""
    fits = log.fits(capture)
    record = log.capture(capture).records[0]
    if not fits or record.test_capacitor is None or record.connection is not Connection.OUT_OF_CIRCUIT:
        return []
    seen = observe(fits[-1].facts, record)
    return [seen] if seen.rings and not seen.trouble else []
