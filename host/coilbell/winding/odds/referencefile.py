"""A Reference as JSON text, versioned and with its integrity hash.

::

    {"schema": 1, "what": "coilbell reference", "name": ..., "kind": ..., "captures": [...], "sha256": ...}

A kind that does not ship is there whole, as "kind_table", so that the reference can be used elsewhere. The
hash is SHA-256 over the same object without "sha256", written with sorted keys and no blanks, so that
it does not depend on how the text is laid out. Frequencies are in Hz, capacitances in F, times in UTC.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from coilbell.decay import Bend
from coilbell.errors import CoilbellError, FileError
from coilbell.record import Capacitor, Connection, Loading, Temperature
from coilbell.terms import Step
from coilbell.winding.odds.kind import KINDS, Kind, kind_named, kind_of, table_of_kind
from coilbell.winding.odds.law import AmplitudeLaw
from coilbell.winding.odds.observation import Observation
from coilbell.winding.odds.provenance import Provenance
from coilbell.winding.odds.reference import Capture, Condition, Reference

__all__ = ["REFERENCE_SCHEMA", "decode", "digest", "encode", "origin"]

REFERENCE_SCHEMA = 1
"""Number of this layout; it rises when a field changes its meaning."""

_WHAT = "coilbell reference"

_LARGEST = 1e150
"""Largest size of a figure, whatever its unit: its square can still be computed with; assumed."""

_LONGEST = 100_000
"""Longest text [characters]; assumed: that of a note in the bench log."""

_NAMES = ("name", "board")
"""Fields of a capacitor or a temperature that are text."""


def encode(reference: Reference) -> str:
    """The reference as JSON text ending in a newline."""
    body = _body(reference)
    return json.dumps(body | {"sha256": _hash(body)}, indent=1, ensure_ascii=False) + "\n"


@lru_cache(maxsize=32)
def digest(reference: Reference) -> str:
    """SHA-256 of the reference, in hexadecimal."""
    return _hash(_body(reference))


def origin(reference: Reference) -> str:
    """Name and first digits of the hash, as kept with merged captures."""
    return f"{reference.name}@{digest(reference)[:12]}"


def decode(text: str) -> Reference:
    """The reference in `text`.

    Raises FileError when it is no reference, has another schema or does not match its hash, and
    ReferenceMismatch when its captures contradict each other.
    """
    try:
        body = json.loads(text)
    except ValueError as error:
        raise FileError(f"not JSON text: {error}; restore it from an export") from error
    if not isinstance(body, dict) or body.get("what") != _WHAT:
        raise FileError("not a coilbell reference; give a file made by `coilbell reference export`")
    if body.get("schema") != REFERENCE_SCHEMA:
        raise FileError(
            f"has schema {body.get('schema')!r}, this version knows {REFERENCE_SCHEMA}; update coilbell"
        )
    stated = body.pop("sha256", None)
    if stated != _hash(body):
        raise FileError("does not match its own hash: it was damaged or edited; restore it from an export")
    try:
        return _reference(body)
    except CoilbellError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError) as error:
        raise FileError(f"lacks or garbles a field: {error!r}; restore it from an export") from error


def _hash(body: dict[str, Any]) -> str:
    plain = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(plain.encode("ascii")).hexdigest()


def _body(reference: Reference) -> dict[str, Any]:
    return (
        {
            "schema": REFERENCE_SCHEMA,
            "what": _WHAT,
            "name": reference.name,
            "kind": reference.kind.name,
            "note": reference.note,
            "created": _written(reference.created),
            "origins": list(reference.origins),
            "captures": [_capture_body(capture) for capture in reference.captures],
        }
        | _kind_body(reference.kind)
        | _withdrawn_body(reference)
        | _provenance_body(reference)
    )


def _provenance_body(reference: Reference) -> dict[str, Any]:
    """Who handed on what; nothing where nobody did, so that older references keep their hash."""
    rows = [[one.origin, one.who, _written(one.exported)] for one in reference.provenance]
    return {"provenance": rows} if rows else {}


def _withdrawn_body(reference: Reference) -> dict[str, Any]:
    """Units taken out again; nothing where none were, so that older references keep their hash."""
    return {"withdrawn": [list(pair) for pair in reference.withdrawn]} if reference.withdrawn else {}


def _kind_body(kind: Kind) -> dict[str, Any]:
    """The table of a kind that does not ship; nothing of one that does: its figures may be bettered."""
    return {} if KINDS.get(kind.name) == kind else {"kind_table": table_of_kind(kind)}


def _kind(body: dict[str, Any]) -> Kind:
    if "kind_table" not in body:
        return kind_named(body["kind"])
    kind = kind_of(body["kind_table"])
    if kind.name != body["kind"]:
        raise FileError(f"is of a {body['kind']!r:.60}, its kind's table of a {kind.name!r}")
    return kind


def _capture_body(capture: Capture) -> dict[str, Any]:
    seen = capture.observation
    loading = {} if seen.loading is None else {"loading": _stated(asdict(seen.loading))}
    added: dict[str, Any] = loading | _stage_body(capture)
    return {
        "unit": capture.unit,
        "condition": str(capture.condition),
        "how": capture.how,
        "origin": capture.origin,
        "capacitor": _stated(asdict(seen.capacitor)),
        "frequency_hz": seen.frequency_hz,
        "q": seen.q,
        "frequency_uncertainty": seen.frequency_uncertainty,
        "q_uncertainty": seen.q_uncertainty,
        "amplitude_volts": seen.amplitude_volts,
        "amplitude_dependent": seen.amplitude_dependent,
        "connection": str(seen.connection),
        "doubts": list(seen.doubts),
        "weak": seen.weak,
        "board": seen.board,
        "utc": _written(seen.utc),
        "source": seen.source,
    } | added


_LATER = ("series_ohms", "series_uncertainty", "lead_ohms", "lead_uncertainty")


def _stated(figures: dict[str, Any]) -> dict[str, Any]:
    """Without those of a later version that are at 0, so that old references keep their hashes."""
    return {name: value for name, value in figures.items() if value or name not in _LATER}


def _stage_body(capture: Capture) -> dict[str, Any]:
    """What stands at its default is left out, so that a field added later changes no hash of today."""
    seen = capture.observation
    told = {
        "done": [str(step) for step in seen.done],
        "across": seen.across,
        "temperature": asdict(seen.temperature) if seen.temperature else None,
        "trouble": list(seen.trouble),
        "samples": seen.samples,
        "mark": capture.mark,
        "law": asdict(seen.law) if seen.law else None,
    }
    return {name: value for name, value in told.items() if value}


def _written(when: datetime | None) -> str | None:
    return None if when is None else when.astimezone(UTC).isoformat()


def _read(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(_text(text))


def _reference(body: dict[str, Any]) -> Reference:
    return Reference(
        _text(body["name"]),
        _kind(body),
        tuple(_capture(item) for item in body["captures"]),
        _text(body["note"]),
        _read(body["created"]),
        tuple(_text(item) for item in body["origins"]),
        tuple((_text(unit), _text(reason)) for unit, reason in body.get("withdrawn", ())),
        tuple(
            Provenance(_text(origin), _text(who), datetime.fromisoformat(_text(exported)))
            for origin, who, exported in body.get("provenance", ())
        ),
    )


def _capture(item: dict[str, Any]) -> Capture:
    return Capture(
        _text(item["unit"]),
        Condition(item["condition"]),
        Observation(
            Capacitor(**_figures(item["capacitor"])),
            _optional(item["frequency_hz"]),
            _optional(item["q"]),
            _number(item["frequency_uncertainty"]),
            _number(item["q_uncertainty"]),
            _optional(item["amplitude_volts"]),
            Connection(item["connection"]),
            _flag(item["amplitude_dependent"]),
            tuple(_text(doubt) for doubt in item["doubts"]),
            _flag(item["weak"]),
            _text(item["board"]),
            _read(item["utc"]),
            _text(item["source"]),
            Loading(**_figures(item["loading"])) if "loading" in item else None,
            tuple(Step(step) for step in item.get("done", ())),
            _text(item.get("across", "")),
            Temperature(**_figures(item["temperature"])) if "temperature" in item else None,
            tuple(_text(reason) for reason in item.get("trouble", ())),
            _text(item.get("samples", "")),
            law=_law(item["law"]) if "law" in item else None,
        ),
        _text(item["how"]),
        _text(item["origin"]),
        _text(item.get("mark", "")),
    )


def _law(item: dict[str, Any]) -> AmplitudeLaw:
    return AmplitudeLaw(
        Bend(item["bend"]),
        _number(item["rise"]),
        _number(item["rise_uncertainty"]),
        _optional(item["volts"]),
        _number(item["volts_uncertainty"]),
        _number(item["core_per_volt"]),
    )


def _text(value: object) -> str:
    if not isinstance(value, str) or len(value) > _LONGEST:
        raise TypeError(f"{str(value)[:40]!r} is no text")
    return value


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise TypeError(f"{str(value)[:40]!r} is neither true nor false")
    return value


def _figures(part: dict[str, Any]) -> dict[str, Any]:
    """The fields of a capacitor and its like: all numbers, but for names."""
    return {name: _text(one) if name in _NAMES else _number(one) for name, one in part.items()}


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= _LARGEST:
        raise ValueError(f"{str(value)[:40]!r} is not a finite number")
    return float(value)


def _optional(value: object) -> float | None:
    return None if value is None else _number(value)
