"""Good units of the references on a shelf, each file read once for its content."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

from coilbell.bench.learned.store import Curve, Source, Stamp, stamp
from coilbell.errors import CoilbellError
from coilbell.winding import UnitPoints, decode, unit_points

__all__ = ["curve", "shelved"]


def shelved(
    paths: Sequence[Path], before: dict[str, Source], distrusted: frozenset[str]
) -> dict[str, Source]:
    """What each reference tells, by its path. before: as it was kept; distrusted: origins that do not count.

    A reference that cannot be read tells nothing; whoever judges by it is told why.
    """
    found = {}
    for path in paths:
        name, now = str(path), stamp(path)
        known = before.get(name)
        if known is not None and known.stamp == now:
            found[name] = known
        elif now:
            found[name] = _read(path, now, known, distrusted)
    return found


def _read(path: Path, now: Stamp, known: Source | None, distrusted: frozenset[str]) -> Source:
    try:
        content = path.read_bytes()
        sha256 = hashlib.sha256(content).hexdigest()
        if known is not None and known.sha256 == sha256:
            return Source(now, sha256, known.points, known.curve)
        points = unit_points(decode(content.decode("utf-8-sig")).trusting(distrusted))
    except (OSError, ValueError, RecursionError, CoilbellError):
        return Source(now, "")
    return Source(now, sha256, points, curve(points))


def curve(points: UnitPoints | None) -> Curve | None:
    """The curve of all units of a part, as it is kept."""
    found = None if points is None else points.curve()
    return None if found is None else tuple(tuple(map(float, row)) for row in found.log_likelihood)
