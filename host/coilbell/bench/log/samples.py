"""A Record as one row and back: the very samples, of the very type, and a hash over everything.

Samples and time stamps are kept as little-endian bytes, compressed without loss; all other settings are
JSON, in which Python writes floats with as many digits as bring back the same float.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, Field, fields
from datetime import datetime
from typing import Any

import numpy as np

from coilbell.errors import FileError
from coilbell.record import MAX_SAMPLES, Capacitor, Connection, Loading, Record, Temperature, WideCode
from coilbell.terms import Step

__all__ = ["digest", "identity", "packed", "told_of", "unpacked"]

_TYPES = ("i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8", "f4", "f8")
_APART = ("samples", "times_s")


_READERS: dict[str, Callable[[Any], Any]] = {
    "connection": Connection,
    "utc": datetime.fromisoformat,
    "full_scale": tuple,
    "wide_codes": lambda stated: tuple(WideCode(*one) for one in stated),
    "loading": lambda stated: Loading(**stated),
    "test_capacitor": lambda stated: Capacitor(**stated),
    "done": lambda stated: tuple(map(Step, stated)),
    "temperature": lambda stated: Temperature(**stated),
}
"""Settings that JSON has no type for."""


def packed(record: Record) -> dict[str, Any]:
    """Columns of the table `record`, but for those that say where it belongs."""
    kind = record.samples.dtype.newbyteorder("<").str[1:]
    if kind not in _TYPES:
        raise FileError(f"samples of type {record.samples.dtype} cannot be kept; convert them to float64")
    times = None if record.times_s is None else record.times_s.astype("<f8").tobytes()
    return {
        "settings": _settings(record),
        "sample_type": kind,
        "samples": zlib.compress(_bytes(record), 6),
        "times": None if times is None else zlib.compress(times, 6),
        "sha256": digest(record),
    }


def unpacked(row: Mapping[str, Any]) -> Record:
    """The record in a row. Raises FileError when it does not match its hash."""
    try:
        kind = row["sample_type"]
        if kind not in _TYPES:
            raise FileError(f"sample type {kind!r}")
        samples = np.frombuffer(_inflated(row["samples"]), dtype=f"<{kind}")
        times = None if row["times"] is None else np.frombuffer(_inflated(row["times"]), dtype="<f8")
        settings = json.loads(row["settings"])
        for name in _READERS.keys() & settings.keys():
            settings[name] = _READERS[name](settings[name])
        record = Record(samples=samples.astype(samples.dtype.newbyteorder("=")), times_s=times, **settings)
    except (ValueError, TypeError, KeyError, AttributeError, zlib.error) as error:
        raise FileError(f"a record of the log is damaged ({error}); restore the log from a backup") from error
    if digest(record) != row["sha256"]:
        raise FileError("a record does not match its hash: it is damaged; restore the log from a backup")
    return record


def told_of(settings: str) -> tuple[Capacitor | None, tuple[str, ...]]:
    """Test capacitor and what had been done, of a record's settings; its samples stay packed.

    Raises FileError.
    """
    try:
        told = json.loads(settings)
        stated = told.get("test_capacitor")
        return None if stated is None else Capacitor(**stated), tuple(map(str, told.get("done", ())))
    except (ValueError, TypeError, AttributeError) as error:
        raise FileError(f"a record of the log is damaged ({error}); restore the log from a backup") from error


def digest(record: Record) -> str:
    """SHA-256 over settings, samples and times, in hexadecimal."""
    return _hash(record, _settings(record))


def identity(records: Sequence[Record]) -> str:
    """SHA-256 of a capture: the same for the same rings, whatever file they came from."""
    whole = hashlib.sha256()
    for record in records:
        whole.update(_hash(record, _settings(record, without=("source", "note"))).encode())
    return whole.hexdigest()


def _hash(record: Record, settings: str) -> str:
    found = hashlib.sha256(settings.encode())
    found.update(record.samples.dtype.newbyteorder("<").str.encode() + _bytes(record))
    if record.times_s is not None:
        found.update(b"times" + record.times_s.astype("<f8").tobytes())
    return found.hexdigest()


def _bytes(record: Record) -> bytes:
    return record.samples.astype(record.samples.dtype.newbyteorder("<")).tobytes()


def _settings(record: Record, without: Sequence[str] = ()) -> str:
    """Everything that is not at its default, so that a field added later changes no hash of today."""
    kept: dict[str, Any] = {"schema": record.schema}
    for field in fields(record):
        value = getattr(record, field.name)
        if field.name not in _APART and field.name not in without and value != _default(field):
            kept[field.name] = _plain(value)
    return json.dumps(kept, sort_keys=True, allow_nan=False)


def _default(field: Field[Any]) -> Any:
    return field.default if field.default_factory is MISSING else field.default_factory()


def _plain(value: Any) -> Any:
    if isinstance(value, Capacitor):
        return _figures(value, ("series_ohms", "series_uncertainty")) | {"name": value.name}
    if isinstance(value, Loading):
        return _figures(value, ("lead_ohms", "lead_uncertainty"))
    if isinstance(value, Temperature):
        warm = {"celsius": float(value.celsius), "uncertainty": float(value.uncertainty)}
        return warm | {"board": value.board}
    if isinstance(value, WideCode):
        return [float(value.code), float(value.excess), float(value.uncertainty)]
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, tuple):
        return [one.value if isinstance(one, Step) else _plain_member(one) for one in value]
    return value


def _figures(value: Capacitor | Loading, later: Sequence[str]) -> dict[str, float]:
    """Its numbers; those of a later version only where they are not at 0, so that old hashes stand."""
    every = {field.name: getattr(value, field.name) for field in fields(value) if field.name != "name"}
    return {name: float(number) for name, number in every.items() if number or name not in later}


def _plain_member(one: Any) -> Any:
    return _plain(one) if isinstance(one, WideCode) else float(one)


def _inflated(content: bytes) -> bytes:
    """Unpacked bytes, no more than the longest record has."""
    unpacker = zlib.decompressobj()
    found = unpacker.decompress(content, 8 * MAX_SAMPLES)
    if unpacker.unconsumed_tail:
        raise FileError("more samples than a record may hold")
    return found
