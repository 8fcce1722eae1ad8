"""References handed on from bench to bench: one file of a set of them, and taking it over.

::

    {"schema": 1, "what": "coilbell references", "who": ..., "exported": ..., "references": [...], "sha256":
    ...}

Each reference stands there as its own file would, with its hash; the outer hash is over the same object
without "sha256", as `winding.odds.referencefile` makes it. Nothing is put on the shelf before all of the
file was read.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from coilbell.bench.files.bounded import bounded
from coilbell.bench.settings import setting
from coilbell.bench.shelf import Shelf
from coilbell.errors import CoilbellError, FileError, InputError, ReferenceMismatch
from coilbell.whole import whole_file
from coilbell.winding import Provenance, Reference, decode, encode, origin

__all__ = ["Handed", "TakenOver", "hand_on", "handed", "take_over"]

_WHAT = "coilbell references"

_LIMIT = 30_000_000
"""Largest file read [bytes]: some 36,000 captures; assumed."""

_LONGEST = 80
"""Longest name of a bench [characters]; assumed."""


@dataclass(frozen=True, slots=True)
class Handed:
    """A set of references that somebody handed on."""

    who: str
    exported: datetime
    references: tuple[Reference, ...]


@dataclass(frozen=True, slots=True)
class TakenOver:
    """What became of one reference: as it is now, new captures, and those that were here already."""

    reference: Reference
    new: int
    here: int


class _Outer(msgspec.Struct, frozen=True):
    who: str
    exported: datetime
    references: tuple[dict[str, object], ...]


def hand_on(shelf: Shelf, path: Path, who: str) -> tuple[Reference, ...]:
    """Write all references of a shelf to a file. Raises InputError without any, or a name; FileError."""
    named = (who or setting("shop")).strip()
    if not named or len(named) > _LONGEST or not named.isprintable():
        raise InputError(
            f"say who hands them on, in at most {_LONGEST} letters: --who NAME, or once for all "
            "`coilbell settings shop NAME`"
        )
    found = tuple(shelf.get(name) for name in shelf.names())
    if not found:
        raise InputError(f"no references in {shelf.folder}; nothing is written")
    body = {
        "schema": 1,
        "what": _WHAT,
        "who": named,
        "exported": datetime.now(UTC).isoformat(timespec="seconds"),
        "references": [json.loads(encode(one)) for one in found],
    }
    text = json.dumps(body | {"sha256": _hash(body)}, ensure_ascii=False)
    try:
        with whole_file(path) as stream:
            stream.write(text.encode() + b"\n")
    except OSError as error:
        raise FileError(f"{path}: cannot be written: {error.strerror or error}; check the folder") from error
    return found


def handed(path: Path) -> Handed | None:
    """The set of references in a file; None where the file is one reference, or no JSON at all.

    Raises FileError for a set that is damaged, of another version, or holds what is no reference.
    """
    content = bounded(path, _LIMIT, "set of references")
    try:
        body = json.loads(content)
    except (ValueError, RecursionError):
        return None
    if not isinstance(body, dict) or body.get("what") != _WHAT:
        return None
    if body.get("schema") != 1:
        raise FileError(
            f"{path}: has schema {body.get('schema')!r:.20}, this version knows 1; update coilbell"
        )
    stated = body.pop("sha256", None)
    if stated != _hash(body):
        raise FileError(f"{path}: does not match its own hash: damaged or edited; have it exported again")
    try:
        told = msgspec.convert(body, type=_Outer)
    except msgspec.ValidationError as error:
        raise FileError(f"{path}: {error}; have it exported again") from error
    names = [one.get("name") for one in told.references]
    if not 0 < len(told.who) <= _LONGEST or not told.who.isprintable() or told.exported.tzinfo is None:
        raise FileError(f"{path}: does not say who handed it on and when; have it exported again")
    if any(names.count(name) > 1 for name in names):
        raise FileError(f"{path}: holds two references of one name; have it exported again")
    return Handed(told.who, told.exported, tuple(_one(path, k, one) for k, one in enumerate(told.references)))


def _one(path: Path, k: int, body: Mapping[str, object]) -> Reference:
    try:
        return decode(json.dumps(body))
    except CoilbellError as error:
        raise FileError(f"{path}: reference {k + 1}: {error}") from error


def take_over(
    shelf: Shelf, told: Handed, same: Collection[str] = (), *, merge: bool = False
) -> tuple[TakenOver, ...]:
    """Put a set on the shelf, joined to what is there of the same names.

    same: units that are the very specimen here and there. Raises FileError without `merge` where one is here
    already, ReferenceMismatch where two contradict each other; then nothing was changed.
    """
    unknown = set(same) - {c.unit for one in told.references for c in one.captures}
    if unknown:
        raise InputError(f"the set holds no unit {sorted(unknown)[0]}; leave that --same out")
    for one in told.references:
        _joined(shelf, one, told, same, merge=merge)
    done = []
    for one in told.references:
        with shelf.alone(one.name):
            # Read again inside: another writer may have added to it meanwhile.
            found = _joined(shelf, one, told, same, merge=merge)
            shelf.put(found.reference)
            done.append(found)
    return tuple(done)


def _joined(
    shelf: Shelf, arriving: Reference, told: Handed, same: Collection[str], *, merge: bool
) -> TakenOver:
    own = told.who == setting("shop")
    provenance = Provenance(origin(arriving), told.who, told.exported)
    if not shelf.holds(arriving.name):
        joined = arriving if own else arriving.handed_on(provenance)
        return TakenOver(joined, len(joined.captures), 0)
    if not merge:
        raise FileError(
            f"{arriving.name} is there already and is left as it is; give --merge to join the two"
        )
    before = shelf.get(arriving.name)
    try:
        joined = before.merged(arriving, provenance.origin, provenance, same)
    except ReferenceMismatch as error:
        raise ReferenceMismatch(f"{arriving.name} of {told.who}: {error}; nothing was taken over") from error
    new = len(joined.captures) - len(before.captures)
    # What is here already leaves no trace: the file stays as it was.
    return TakenOver(joined if new else before, new, len(arriving.captures) - new)


def _hash(body: Mapping[str, object]) -> str:
    plain = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(plain.encode("ascii")).hexdigest()
