"""A reference as it is judged by: without sources that are distrusted, with what was learned elsewhere."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np

from coilbell.bench.learned.logged import logged
from coilbell.bench.learned.shares import shares_of
from coilbell.bench.learned.shelved import curve, shelved
from coilbell.bench.learned.store import LogView, Source, Store, kept, read
from coilbell.bench.learned.trust import distrusted
from coilbell.bench.log.database import default_path
from coilbell.bench.shelf import Shelf, read_reference
from coilbell.winding import PartCurve, Reference, UnitPoints, learned_spreads, ring_keys

__all__ = ["reference_named"]

_ALIKE = 0.05
"""Width of a class of test capacitors, in their logarithm [1]: the widest tolerance, common practice."""


def reference_named(
    name: str, folder: str | os.PathLike[str] | None = None, log: Path | None = None
) -> Reference:
    """A reference to judge by: by its name on the shelf, or by the .json file of one.

    It comes without what is distrusted, with what the shelf and the log (None for the usual one) have learned
    of spreads. Raises MissingError, FileError, ReferenceMismatch.
    """
    shelf, path = Shelf(folder), Path(name)
    found = read_reference(path) if path.suffix == ".json" and path.is_file() else shelf.get(name)
    paths = [shelf.path(one) for one in shelf.names()]
    return _lent(found, shelf.folder, paths, Path(log) if log else default_path(), distrusted(shelf.folder))


def _lent(
    reference: Reference,
    folder: Path,
    paths: Sequence[Path],
    log: Path,
    without: frozenset[str],
) -> Reference:
    """The reference with the spreads that other references and the log tell of.

    folder: where the summary is kept; paths: of the references there. Raises ReferenceMismatch where all its
    good units come from distrusted sources.
    """
    judged_by = reference.trusting(without, told=True)
    before = read(folder, without)
    store = Store(before.made_by, shelved(paths, before.references, without), dict(before.logs))
    if (view := logged(log, before.logs.get(str(log)))) is not None:
        store.logs[str(log)] = view
    if store != before and folder.is_dir():
        kept(folder, store)
    told = store.logs.get(str(log), LogView())
    kind = reference.kind
    parts = [s for s in store.references.values() if s.points is not None and s.points.kind == kind.name]
    parts += _of_log((u.farads, u.points) for u in told.units if u.points.kind == kind.name)
    own, others = _curves(judged_by, parts)
    spreads = learned_spreads(kind, own, others) if own or others else None
    return replace(judged_by, spreads=spreads, shares=shares_of(kind, told.ends))


def _of_log(units: Iterable[tuple[float, UnitPoints]]) -> list[Source]:
    """Units of a log put together part by part, where the same test capacitor tells of them."""
    parts: dict[tuple[str, int], list[UnitPoints]] = {}
    for farads, points in units:
        parts.setdefault((points.part.casefold(), round(math.log(farads) / _ALIKE)), []).append(points)
    together = (
        msgspec.structs.replace(
            Source((), ""), points=replace(found[0], units=tuple(p.units[0] for p in found))
        )
        for found in parts.values()
    )
    return [msgspec.structs.replace(one, curve=curve(one.points)) for one in together]


def _curves(reference: Reference, parts: Iterable[Source]) -> tuple[list[PartCurve], list[PartCurve]]:
    """Curves of this part and of the others; a unit counts once, those of the reference itself not at all."""
    seen = {key for c in reference.good for key in ring_keys(c.observation)}
    own, others = [], []
    for points, whole in _once(parts, seen):
        if points.part.casefold() == reference.name.casefold():
            own.append(whole)
        else:
            others.append(whole)
    return own, others


def _once(parts: Iterable[Source], seen: set[str]) -> Iterator[tuple[UnitPoints, PartCurve]]:
    for one in parts:
        points = one.points
        if points is None:
            continue
        keys = {key for unit in points.units for key in unit.keys}
        if keys & seen or one.curve is None:
            found = points.curve(without=seen)
        else:
            found = PartCurve(points.part, len(points.units), np.array(one.curve))
        seen |= keys
        if found is not None:
            yield points, found
