"""Our own record file: JSON with a schema number, samples kept exactly.

::

    {"format": "coilbell records", "schema": 1, "records": [
      {"samples": {"type": "int16", "values": [2048, 2051, ...]},
       "rate_hz": 500000.0,                 or "times_s": [0.0, 2e-06, ...]
       "rate_uncertainty": 0.002,           relative; left out where the clock is sure
       "volts_per_count": 0.000805, "full_scale": [0.0, 4095.0], "resolution": 1.0,
       "wide_codes": [{"code": 1536.0, "excess": 8.9, "uncertainty": 0.4}],
       "pretrigger": 64, "pulse_s": 2e-06, "gain": 1.0, "shot": 0,
       "test_capacitor": {"farads": 2.2e-08, "tolerance": 0.01, "name": "A", "loss_tangent": 0.0,
                          "series_ohms": 0.0074, "series_uncertainty": 0.001},
       "loading": {"siemens": 3.9e-08, "farads": 1.9e-09,
                   "siemens_uncertainty": 2.5e-08, "farads_uncertainty": 3e-10,
                   "lead_ohms": 0.057, "lead_uncertainty": 0.03},
       "board": "", "utc": "2026-03-01T09:30:00Z", "connection": "out of circuit",
       "note": "", "source": "", "extra": {"temperature": "21 C"}}]}

Only `samples` and one of `rate_hz` and `times_s` must be there. Integers are written as integers and
floats with as many digits as bring back the same float, so that reading gives the very samples, of the
very type, that were written. A field this version does not know is refused, since it may carry a
meaning that changes the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, fields
from datetime import datetime
from typing import Any, TypeVar

import msgspec
import numpy as np
import numpy.typing as npt

from coilbell.errors import FileError
from coilbell.record import (
    MAX_SAMPLES,
    SCHEMA,
    Capacitor,
    Connection,
    Loading,
    Record,
    Temperature,
    WideCode,
)
from coilbell.terms import RECORDED, Step

__all__ = ["FORMAT", "decode", "encode", "recognises"]

FORMAT = "coilbell records"

_TYPES = ("int8", "int16", "int32", "int64", "uint8", "uint16", "uint32", "uint64", "float32", "float64")


_NOT_GIVEN = msgspec.Raw(b"null")


class _Samples(msgspec.Struct, forbid_unknown_fields=True):
    type: str
    values: msgspec.Raw
    """A list of numbers as it stands in the file; numbers of Python would take ten times its room."""


class _Capacitor(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    farads: float
    tolerance: float = 0.01
    name: str = ""
    loss_tangent: float = 0.0
    series_ohms: float = 0.0
    series_uncertainty: float = 0.0


class _Loading(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    siemens: float = 0.0
    farads: float = 0.0
    siemens_uncertainty: float = 0.0
    farads_uncertainty: float = 0.0
    lead_ohms: float = 0.0
    lead_uncertainty: float = 0.0


class _Temperature(msgspec.Struct, forbid_unknown_fields=True):
    celsius: float
    uncertainty: float = 1.0
    board: str = ""


class _WideCode(msgspec.Struct, forbid_unknown_fields=True):
    code: float
    excess: float
    uncertainty: float


class _Record(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    samples: _Samples
    rate_hz: float | None = None
    rate_uncertainty: float | None = None
    first_s: float = 0.0
    times_s: msgspec.Raw = _NOT_GIVEN
    volts_per_count: float | None = None
    full_scale: tuple[float, float] | None = None
    wide_codes: list[_WideCode] = []
    resolution: float | None = None
    pretrigger: int = 0
    pulse_s: float | None = None
    test_capacitor: _Capacitor | None = None
    loading: _Loading | None = None
    shot: int = 0
    gain: float = 1.0
    board: str = ""
    utc: datetime | None = None
    connection: str = "unknown"
    done: list[str] = []
    across: str = ""
    temperature: _Temperature | None = None
    note: str = ""
    source: str = ""
    extra: dict[str, str] = {}


class _Head(msgspec.Struct):
    format: str
    schema: int


class _File(msgspec.Struct, forbid_unknown_fields=True):
    format: str
    schema: int
    records: list[_Record]


_PIECE = 1 << 14
"""Bytes of a list of numbers that are Python's own numbers at one time (own choice)."""

_LATER = ("series_ohms", "series_uncertainty", "lead_ohms", "lead_uncertainty")

_Shape = TypeVar("_Shape", bound=msgspec.Struct)


def recognises(content: bytes) -> bool:
    """True when the first character opens a JSON object or list."""
    return content[:64].removeprefix(b"\xef\xbb\xbf").lstrip()[:1] in (b"{", b"[")


def encode(records: Sequence[Record]) -> bytes:
    """The file's bytes. Raises FileError for sample types JSON numbers cannot keep exactly."""
    content = _File(FORMAT, SCHEMA, [_struct(record) for record in records])
    return msgspec.json.encode(content) + b"\n"


def decode(content: bytes) -> list[Record]:
    """The records in the file's bytes. Raises FileError or RecordError."""
    content = content.removeprefix(b"\xef\xbb\xbf")
    head = _parsed(content, _Head)
    if head.format != FORMAT:
        raise FileError(f"is JSON but calls itself {head.format[:40]!r}; a record file says {FORMAT!r}")
    if head.schema != SCHEMA:
        raise FileError(f"has record schema {head.schema}, this version knows {SCHEMA}; update coilbell")
    file = _parsed(content, _File)
    if not file.records:
        raise FileError("holds no records; save the record again")
    return [_record(struct, number) for number, struct in enumerate(file.records, start=1)]


def _parsed(content: bytes, shape: type[_Shape]) -> _Shape:
    try:
        return msgspec.json.decode(content, type=shape)
    except msgspec.ValidationError as error:
        raise FileError(f"is not a record file: {_one_line(error)}; write it with coilbell") from error
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise FileError(f"is damaged JSON: {_one_line(error)}; save or copy it again") from error


def _one_line(error: Exception) -> str:
    text = " ".join(str(error).split())[:160]
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def _struct(record: Record) -> _Record:
    capacitor = record.test_capacitor
    plain = {
        field.name: getattr(record, field.name) for field in fields(record) if field.name in _PLAIN_FIELDS
    }
    return _Record(
        samples=_Samples(_type_name(record.samples), _written(record.samples)),
        times_s=_NOT_GIVEN if record.times_s is None else _written(record.times_s),
        rate_uncertainty=record.rate_uncertainty or None,
        full_scale=None if record.full_scale is None else (record.full_scale[0], record.full_scale[1]),
        wide_codes=[_WideCode(w.code, w.excess, w.uncertainty) for w in record.wide_codes],
        test_capacitor=None if capacitor is None else _Capacitor(**_stated(capacitor)),
        loading=None if record.loading is None else _Loading(**_stated(record.loading)),
        connection=str(record.connection),
        done=[str(step) for step in record.done],
        temperature=None if record.temperature is None else _Temperature(*astuple(record.temperature)),
        **plain,
    )


_SHAPED = (
    "samples",
    "times_s",
    "rate_uncertainty",
    "full_scale",
    "wide_codes",
    "test_capacitor",
    "loading",
    "connection",
    "done",
    "temperature",
)
_PLAIN_FIELDS = frozenset(name for name in _Record.__struct_fields__ if name not in _SHAPED)


def _stated(part: Capacitor | Loading) -> dict[str, Any]:
    """Its fields; those of a later version where they are not 0, so that older ones read what is not new."""
    every = {field.name: getattr(part, field.name) for field in fields(part)}
    return {name: value for name, value in every.items() if value or name not in _LATER}


def _type_name(samples: npt.NDArray[Any]) -> str:
    name = samples.dtype.newbyteorder("=").name
    if name not in _TYPES:
        raise FileError(f"samples of type {name} cannot be kept exactly; convert them to float64")
    return name


def _record(struct: _Record, number: int) -> Record:
    capacitor, warm = struct.test_capacitor, struct.temperature
    plain = {name: getattr(struct, name) for name in _PLAIN_FIELDS}
    return Record(
        samples=_samples(struct.samples, number),
        times_s=None if struct.times_s == _NOT_GIVEN else _times(struct.times_s, number),
        rate_uncertainty=struct.rate_uncertainty or 0.0,
        full_scale=struct.full_scale,
        wide_codes=tuple(WideCode(w.code, w.excess, w.uncertainty) for w in struct.wide_codes),
        test_capacitor=None if capacitor is None else Capacitor(*msgspec.structs.astuple(capacitor)),
        loading=None if struct.loading is None else Loading(*msgspec.structs.astuple(struct.loading)),
        connection=_connection(struct.connection, number),
        done=tuple(_step(name, number) for name in struct.done),
        temperature=None if warm is None else Temperature(*msgspec.structs.astuple(warm)),
        **plain,
    )


def _connection(text: str, number: int) -> Connection:
    try:
        return Connection(text)
    except ValueError:
        choices = ", ".join(Connection)
        raise FileError(f"record {number}: connection {text[:40]!r}; choose one of: {choices}") from None


def _step(text: str, number: int) -> Step:
    try:
        return Step(text)
    except ValueError:
        choices = ", ".join(RECORDED)
        raise FileError(f"record {number}: step {text[:40]!r}; choose one of: {choices}") from None


def _written(values: npt.NDArray[Any]) -> msgspec.Raw:
    return msgspec.Raw(msgspec.json.encode(values.tolist()))


def _times(values: msgspec.Raw, number: int) -> npt.NDArray[np.float64]:
    return _array(values, list[float], np.dtype(float), f"record {number}: times_s")


def _samples(samples: _Samples, number: int) -> npt.NDArray[Any]:
    if samples.type not in _TYPES:
        raise FileError(
            f"record {number}: sample type {samples.type[:40]!r}; choose one of: {', '.join(_TYPES)}"
        )
    return _array(samples.values, list[int | float], np.dtype(samples.type), f"record {number}: samples")


def _array(values: msgspec.Raw, shape: Any, kind: np.dtype[Any], where: str) -> npt.NDArray[Any]:
    """The numbers of a list in the file, read piece by piece straight into an array of that kind."""
    text = memoryview(values)
    if bytes(text[:1]) != b"[":
        raise FileError(f"is not a record file: {where}: no list of numbers; write it with coilbell")
    # The parser has found brackets, commas and quotes in their places; what is no number falls to the pieces.
    count = sum(bytes(text[k : k + _PIECE]).count(b",") for k in range(0, len(text), _PIECE)) + 1
    if count > MAX_SAMPLES:
        raise FileError(f"{where}: {count} values; cut it to {MAX_SAMPLES}")
    found, place, filled = np.empty(count, kind), 1, 0
    while place < len(text):
        piece, place = _piece(text, place)
        numbers = _numbers(piece, shape, where)
        if kind.kind in "iu":
            _check_integers(numbers, kind, where, filled)
        try:
            found[filled : filled + len(numbers)] = numbers
        except OverflowError as error:
            raise FileError(f"{where}: a value is too large for {kind}; mend it") from error
        filled += len(numbers)
    if filled < count:  # an empty list
        found = found[:filled].copy()
    found.setflags(write=False)
    return found


def _piece(text: memoryview, place: int) -> tuple[bytes, int]:
    """Numbers from `place` on, up to a comma or the closing bracket, and the place behind that."""
    end = min(place + _PIECE, len(text) - 1)
    piece = bytes(text[place:end])
    while end < len(text) - 1 and (comma := piece.rfind(b",")) < 0:
        end = min(end + _PIECE, len(text) - 1)
        piece = bytes(text[place:end])
    if end < len(text) - 1:
        return piece[:comma], place + comma + 1
    return piece, len(text)


def _numbers(piece: bytes, shape: Any, where: str) -> list[int | float]:
    try:
        numbers: list[int | float] = msgspec.json.decode(b"[" + piece + b"]", type=shape)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise FileError(
            f"is not a record file: {where}: {_one_line(error)}; write it with coilbell"
        ) from error
    return numbers


def _check_integers(numbers: list[int | float], kind: np.dtype[Any], where: str, before: int) -> None:
    """Every value is an integer that its type can hold, or FileError says which is not."""
    limits = np.iinfo(kind)
    for place, value in enumerate(numbers, before):
        if not isinstance(value, int) or not limits.min <= value <= limits.max:
            raise FileError(f"{where.removesuffix('s')} {place} is {value!r}, not an {kind}; mend it")
