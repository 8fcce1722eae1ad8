"""The log as one table, a row for each capture: .csv for a spreadsheet, .parquet for data tools.

Units stand in the columns' names. Text that a spreadsheet would take for a formula gets a leading
apostrophe in .csv, since names may come from somebody else's archive.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterator, Sequence
from pathlib import Path

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.log.book import Log
from coilbell.bench.log.held import held
from coilbell.bench.log.rows import Item, KeptCapture, KeptFit, KeptJudgement
from coilbell.errors import FileError, MissingError
from coilbell.record import Connection
from coilbell.whole import whole_file

__all__ = ["COLUMNS", "rows", "write_table"]

Cell = str | int | float | bool | None
Row = dict[str, Cell]
"""A row of the table by the names of its columns."""

COLUMNS: dict[str, type] = {
    "item": str,
    "equipment": str,
    "part": str,
    "kind": str,
    "serial": str,
    "capture": int,
    "label": str,
    "connection": str,
    "captured_utc": str,
    "kept_utc": str,
    "shots": int,
    "capture_sha256": str,
    "test_capacitor_f": float,
    "rings": bool,
    "frequency_hz": float,
    "frequency_standard_uncertainty_hz": float,
    "q": float,
    "q_standard_uncertainty": float,
    "log_decrement": float,
    "ring_count": float,
    "inductance_h": float,
    "inductance_standard_uncertainty_h": float,
    "doubts": str,
    "fitted_by": str,
    "explanation": str,
    "shorted_turn_probability": float,
    "reference": str,
    "reference_sha256": str,
    "judged_utc": str,
}
"""Column -> type. Figures are those of the newest fit, the explanation that of the newest finding."""


def rows(log: Log, items: Sequence[Item]) -> Iterator[Row]:
    """The table's rows; what is not known is None. Raises FileError where the log is damaged."""
    for item in items:
        kept = held(log, item).whole()
        findings = [one for one in kept.judgements if isinstance(one.facts, FindingFacts)]
        for capture, fits in kept.captures:
            told = [one for one in findings if {fit.id for fit in fits} & set(one.fits)]
            yield _row(item, capture, fits[-1] if fits else None, told[-1] if told else None)


def write_table(log: Log, items: Sequence[Item], place: Path) -> int:
    """Write the table to a new file; returns its rows, one a capture.

    Raises FileError, MissingError without the Parquet library.
    """
    ending = place.suffix.lower()
    if ending not in (".csv", ".parquet"):
        raise FileError(
            f"the log is not written as {ending or 'a name without ending'}; use .csv, .parquet or .zip"
        )
    table = list(rows(log, items))
    content = _csv(table) if ending == ".csv" else _parquet(table)
    if place.exists():
        raise FileError(f"{place} exists and is left as it is; choose another name")
    try:
        with whole_file(place) as stream:
            stream.write(content)
    except OSError as error:
        raise FileError(f"{place}: cannot be written: {error.strerror or error}") from error
    return len(table)


def _row(item: Item, capture: KeptCapture, fit: KeptFit | None, told: KeptJudgement | None) -> Row:
    first = capture.records[0]
    found: Row = dict.fromkeys(COLUMNS)
    found |= {name: getattr(item, name) for name in ("equipment", "part", "kind", "serial")}
    found |= {
        "item": item.name,
        "capture": capture.id,
        "label": capture.label,
        "connection": capture.connection,
        "captured_utc": first.utc.isoformat() if first.utc else None,
        "kept_utc": capture.added_utc,
        "shots": len(capture.records),
        "capture_sha256": capture.sha256,
        "test_capacitor_f": first.test_capacitor.farads if first.test_capacitor else None,
    }
    if fit is not None:
        found |= _figures(fit.facts) | {"fitted_by": fit.versions.get("coilbell", "")}
    if told is not None:
        shorted = told.facts.shorted_turn
        found |= {
            "explanation": told.explanation,
            "shorted_turn_probability": shorted.probability if shorted else None,
            "reference": told.reference[0] if told.reference else None,
            "reference_sha256": told.reference[1] if told.reference else None,
            "judged_utc": told.made_utc,
        }
    return found


def _figures(facts: FitFacts) -> Row:
    found: Row = {
        "rings": facts.rings,
        "doubts": "; ".join(doubt.kind for doubt in facts.doubts),
    }
    if facts.tank and facts.connection != Connection.IN_CIRCUIT:
        inductance = facts.tank.inductance_h
        found["inductance_h"] = inductance.value
        found["inductance_standard_uncertainty_h"] = inductance.standard_uncertainty
    if not facts.rings:
        return found
    mode = facts.main
    return found | {
        "frequency_hz": mode.frequency_hz.value,
        "frequency_standard_uncertainty_hz": mode.frequency_hz.standard_uncertainty,
        "q": mode.q.value,
        "q_standard_uncertainty": mode.q.standard_uncertainty,
        "log_decrement": mode.log_decrement.value,
        "ring_count": mode.ring_count.value,
    }


def _csv(table: Sequence[Row]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(COLUMNS), lineterminator="\r\n")  # RFC 4180
    writer.writeheader()
    writer.writerows({name: _cell(value) for name, value in row.items()} for row in table)
    return text.getvalue().encode("utf-8")


def _begins_a_formula(text: str) -> bool:
    """True where a spreadsheet may compute the text: its first visible sign, however wide, is one of = + - @.

    Signs as in OWASP's "CSV injection" (from memory); wide ones, and those behind blanks and marks, because
    some programs fold or strip them.
    """
    for letter in text:
        if letter in "\t\r\n":
            return True
        if unicodedata.category(letter)[0] not in "ZC":
            return unicodedata.normalize("NFKC", letter)[:1] in ("=", "+", "-", "@", "\N{MINUS SIGN}")
    return False


def _cell(value: Cell) -> Cell:
    if isinstance(value, str) and _begins_a_formula(value):
        return f"'{value}"
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else value


def _parquet(table: Sequence[Row]) -> bytes:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise MissingError(
            "writing .parquet needs pyarrow; install it with `pip install coilbell[parquet]`, or use .csv"
        ) from error
    types = {str: pyarrow.string(), int: pyarrow.int64(), float: pyarrow.float64(), bool: pyarrow.bool_()}
    schema = pyarrow.schema([(name, types[kind]) for name, kind in COLUMNS.items()])
    sink = pyarrow.BufferOutputStream()
    pyarrow.parquet.write_table(pyarrow.Table.from_pylist(list(table), schema=schema), sink)
    return bytes(sink.getvalue())
