"""Shares of causes by this bench's own outcomes: of a kind of winding, and of a kind of equipment."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path

import msgspec

from coilbell.bench.learned.logged import logged
from coilbell.bench.learned.store import LogEnd, kept, read
from coilbell.bench.learned.trust import distrusted
from coilbell.bench.log.database import default_path
from coilbell.bench.shelf import Shelf
from coilbell.bench.worksheet.sheet import Learned
from coilbell.isolate import Equipment
from coilbell.record import Connection
from coilbell.terms import Cause
from coilbell.winding import Kind, Shares, bounded_shares, fault_figures, learned_shares

__all__ = ["priors_of", "shares_of"]


def shares_of(kind: Kind, ends: Iterable[LogEnd]) -> tuple[Shares, ...]:
    """What outcomes of that kind of winding tell, for each way it was connected."""
    counts: dict[Connection, dict[Cause, float]] = defaultdict(lambda: defaultdict(float))
    for end in ends:
        if end.kind == kind.name and end.state and end.connection:
            counts[Connection(end.connection)][Cause(end.state)] += end.sure
    told = (learned_shares(kind, where, found) for where, found in counts.items())
    return tuple(one for one in told if one is not None)


def priors_of(kind: Equipment, log: Path | None = None) -> Learned | None:
    """Priors of a worksheet's causes by the outcomes of a log; None where it tells of none of that kind.

    log: None for the usual one. Raises FileError where the list of distrusted sources is damaged.
    """
    folder, path = Shelf().folder, log or default_path()
    before = read(folder, distrusted(folder))
    told = logged(path, before.logs.get(str(path)))
    if told is None:
        return None
    if told != before.logs.get(str(path)) and folder.is_dir():
        kept(folder, msgspec.structs.replace(before, logs=before.logs | {str(path): told}))
    counts: dict[str, float] = defaultdict(float)
    for end in told.ends:
        if end.equipment == kind.name and end.cause in kind.keys:
            counts[end.cause] += end.sure
    if not counts:
        return None
    figures = {one.name: one.low for one in fault_figures()}
    stated = {one.key: one.prior for one in kind.hypothesis}
    weight, most = figures["outcomes.weight"], figures["outcomes.most"]
    priors, bounded = bounded_shares(stated, counts, weight, most)
    return Learned(priors, sum(counts.values()), bounded)
