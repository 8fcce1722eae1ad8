"""What references and logs tell of good units, kept in one file beside the references.

It is a summary and no source: what it holds is made anew wherever the content that it was made of has another
hash, and a file that cannot be read is replaced. So no judgement passes over a reference, or the log, twice.
"""

from __future__ import annotations

import hashlib
import logging
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

import msgspec

from coilbell.whole import whole_file
from coilbell.winding import SPREAD_GRID, UnitPoints, fault_figures

__all__ = ["Curve", "LogEnd", "LogUnit", "LogView", "Source", "Stamp", "Store", "kept", "read", "stamp"]

_FILE = ".learned.msgpack"

_LIMIT = 200_000_000
"""Largest store read [bytes]: a hundred thousand references; assumed."""

Curve = tuple[tuple[float, ...], ...]
"""(3, n) log likelihood over the grid of spreads."""

Stamp = tuple[int, ...]
"""Size and time of change of a file and of what belongs to it [bytes, ns]; () where there is none."""


class Source(msgspec.Struct, frozen=True):
    """One reference. stamp: by which its file is known at a glance; sha256: of its content; points, curve:
    None where it holds no good unit, or cannot be read."""

    stamp: Stamp
    sha256: str
    points: UnitPoints | None = None
    curve: Curve | None = None


class LogUnit(msgspec.Struct, frozen=True):
    """A good unit of a log: the row of its outcome, its largest test capacitor, and what it tells alone."""

    outcome: int
    farads: float
    points: UnitPoints


class LogEnd(msgspec.Struct, frozen=True):
    """How an item ended: the row of its outcome; kind, connection: of its winding as it was judged last;
    state: of the winding, "" where nothing is said of it; equipment, cause: of its worksheet, or ""."""

    outcome: int
    kind: str
    connection: str
    state: str
    equipment: str
    cause: str
    sure: float


class LogView(msgspec.Struct, frozen=True):
    """What a log tells. outcome, withdrawal: the last rows that were seen; units: the good ones that
    stand."""

    stamp: Stamp = ()
    outcome: int = 0
    withdrawal: int = 0
    units: tuple[LogUnit, ...] = ()
    ends: tuple[LogEnd, ...] = ()


class Store(msgspec.Struct, frozen=True):
    """All that is kept. made_by: what its figures rest on; references, logs: by their paths."""

    made_by: str
    references: dict[str, Source] = {}
    logs: dict[str, LogView] = {}


def read(folder: Path, without: frozenset[str]) -> Store:
    """What is kept beside these references; an empty store where that is nothing, damaged or outdated.

    without: sources that do not count.
    """
    made_by = _made_by(without)
    with suppress(OSError, msgspec.MsgspecError, ValueError):
        place = folder / _FILE
        if place.stat().st_size <= _LIMIT:
            found = msgspec.msgpack.decode(place.read_bytes(), type=Store)
            if found.made_by == made_by:
                return found
    return Store(made_by)


def kept(folder: Path, store: Store) -> None:
    """Keep it; where the folder cannot be written it is made anew next time."""
    try:
        with whole_file(folder / _FILE) as stream:
            stream.write(msgspec.msgpack.encode(store))
    except OSError as error:
        logging.getLogger(__name__).info("what was learned is not kept: %s", error)


def stamp(*paths: Path) -> Stamp:
    """The stamp of a file and of those that belong to it."""
    found: list[int] = []
    for path in paths:
        with suppress(OSError):
            state = path.stat()
            found += [state.st_size, state.st_mtime_ns]
    return tuple(found)


def _made_by(without: frozenset[str]) -> str:
    """The program, the figures and the sources that what is kept was computed with."""
    figures = [(f.name, f.low, f.high) for f in fault_figures() if f.name.startswith("units.")]
    told = f"{version('coilbell')} {figures} {SPREAD_GRID.tolist()} {sorted(without)}"
    return hashlib.sha256(told.encode()).hexdigest()[:16]
