"""Sources that this bench distrusts, in a file beside its references.

An entry is an origin as captures name it, name@hash, or who handed references on: then all that came from
there is meant. What is distrusted stays where it is and counts nowhere, until it is trusted again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from coilbell.bench.facts.spread import SourceFacts
from coilbell.bench.files.bounded import bounded
from coilbell.errors import FileError, InputError, MissingError
from coilbell.whole import whole_file

__all__ = ["Distrust", "distrust", "distrusted", "fallen", "listed", "trust_again"]

_FILE = "distrusted.json"

_LIMIT = 1_000_000
"""Largest such file read [bytes]: some thousands of sources; assumed."""

_LONGEST = 200
"""Longest name or reason [characters]; assumed."""


class Distrust(msgspec.Struct, frozen=True):
    """A source that does not count, why, and since when."""

    source: str
    why: str
    since_utc: str


class _Listing(msgspec.Struct, frozen=True):
    schema: int
    sources: tuple[Distrust, ...]


def listed(folder: Path) -> tuple[Distrust, ...]:
    """What is distrusted here. Raises FileError for a file that cannot be read: nothing is trusted by
    accident."""
    path = folder / _FILE
    if not path.exists():
        return ()
    try:
        found = msgspec.json.decode(bounded(path, _LIMIT, "list of sources"), type=_Listing)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise FileError(f"{path}: {error}; mend it, or move it away to trust every source") from error
    if found.schema != 1:
        raise FileError(f"{path}: has schema {found.schema}, this version knows 1; update coilbell")
    return found.sources


def distrusted(folder: Path) -> frozenset[str]:
    """The names of sources that do not count here. Raises FileError."""
    return frozenset(one.source for one in listed(folder))


def fallen(folder: Path, sources: Iterable[SourceFacts]) -> tuple[str, ...]:
    """That a finding rests on sources that are distrusted by now, a sentence each. Raises FileError."""
    named = {one.source: one for one in listed(folder)}
    found = []
    for source in sources:
        entry = named.get(source.origin) or named.get(source.who)
        if entry is not None:
            found.append(
                f"it rests on good units of {source.who or source.origin}, distrusted since "
                f"{entry.since_utc[:10]}: {entry.why}; judge its rings again"
            )
    return tuple(found)


def distrust(folder: Path, source: str, why: str) -> None:
    """Let a source no longer count. Raises InputError without a reason, or where it does not count
    already."""
    if not why.strip():
        raise InputError("say why the source is distrusted, with --why TEXT")
    if max(len(source), len(why)) > _LONGEST or not (source + why).isprintable():
        raise InputError(f"source and reason take one line of at most {_LONGEST} letters each")
    with _changing(folder) as before:
        if any(one.source == source for one in before):
            raise InputError(f"{source} is distrusted already")
        _write(folder, (*before, Distrust(source, why, datetime.now(UTC).isoformat(timespec="seconds"))))


def trust_again(folder: Path, source: str) -> Distrust:
    """Let it count again. Raises InputError where it does."""
    with _changing(folder) as before:
        there = [one for one in before if one.source == source]
        if not there:
            named = ", ".join(one.source for one in before) or "none"
            raise InputError(f"{source} is not distrusted; those that are: {named}")
        _write(folder, tuple(one for one in before if one.source != source))
    return there[0]


@contextmanager
def _changing(folder: Path) -> Iterator[tuple[Distrust, ...]]:
    """The listing, while nobody else changes it. Raises MissingError."""
    from filelock import FileLock, Timeout

    try:
        folder.mkdir(parents=True, exist_ok=True)
        with FileLock(folder / f".{_FILE}.lock").acquire(timeout=10):
            yield listed(folder)
    except (Timeout, OSError) as error:
        raise MissingError(f"{folder / _FILE}: cannot be changed: {error}; check the folder") from error


def _write(folder: Path, sources: tuple[Distrust, ...]) -> None:
    text = msgspec.json.format(msgspec.json.encode(_Listing(1, sources)), indent=1)
    with whole_file(folder / _FILE) as stream:
        stream.write(text + b"\n")
