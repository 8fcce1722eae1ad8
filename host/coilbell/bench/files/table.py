"""A table of figures from text, whatever instrument wrote it.

What is told from the content, in this order:

1. encoding: byte order marks and UTF-16's zero bytes, then UTF-8, then a one-byte European encoding;
2. separator and decimal sign: the pair under which the most fields of the table's later half are numbers;
3. where the figures begin; above them names, units and a preamble of settings, beside them perhaps more
   settings in columns of their own;
4. from there on every line must hold figures: a line that does not is refused by its number. Only lines of
   words and settings may follow the last figures, as some measuring programs write them.

Lines are counted from 1 as an editor shows them.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from coilbell.bench.files import heading
from coilbell.bench.files.encoding import text_of
from coilbell.errors import FileError
from coilbell.quantities import counted
from coilbell.record import MAX_SAMPLES

__all__ = ["Column", "Table", "table"]

_POINT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[+-]?(nan|inf(inity)?)", re.IGNORECASE)
_COMMA = re.compile(r"[+-]?(\d+(,\d+)?|,\d+)([eE][+-]?\d+)?|[+-]?(nan|inf(inity)?)", re.IGNORECASE)
_COMMENTS = ("#", "%", "//")


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One column of figures."""

    label: str
    """Name as the file gives it, or "" ."""
    unit: str
    """Unit as the file gives it, or ""."""
    values: npt.NDArray[Any]
    """(n,) int64 where every figure is written as an integer, else float64."""
    last_place: float
    """Weight of the last decimal place written: 0.001 for "4.835" [unit of the column]."""


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """The figures of a text file with what stands above them."""

    columns: tuple[Column, ...]
    settings: dict[str, str]
    """Preamble: name in lower case without punctuation -> value as text."""
    lines: npt.NDArray[np.int64]
    """(n,) line of the file each row comes from."""


@dataclass(frozen=True, slots=True)
class _Layout:
    separator: str | None
    """None for any run of blanks."""
    comma: bool
    """True when the decimal sign is a comma."""
    places: tuple[int, ...]
    """Positions of the columns of figures."""

    def split(self, line: str) -> list[str]:
        return heading.fields(line, self.separator)

    def is_number(self, field: str) -> bool:
        return (_COMMA if self.comma else _POINT).fullmatch(field) is not None

    def fits(self, line: str) -> bool:
        """True when every column of figures holds one."""
        found = self.split(line)
        return len(found) > self.places[-1] and all(self.is_number(found[p]) for p in self.places)


def table(content: bytes) -> Table:
    """The table in a text file's bytes. Raises FileError with the line that cannot be read."""
    lines = text_of(content).replace("\r\n", "\n").replace("\r", "\n").split("\n")
    filled = [number for number, line in enumerate(lines) if line.strip()]
    if len(filled) > MAX_SAMPLES:
        raise FileError(f"holds {len(filled):,} lines; cut it to {MAX_SAMPLES:,} around the ring")
    layout = _layout([lines[number] for number in filled])
    begin = _begin(lines, filled, layout)
    rows = [n for n in filled if n >= begin and not lines[n].lstrip().startswith(_COMMENTS)]
    rows, below = _trailer(lines, rows, layout)
    if len(rows) < 2:
        raise FileError("holds one line of figures; a decay needs at least 2")
    figures = _figures(lines, rows, layout)
    above = [lines[n] for n in filled if n < begin]
    further = [lines[n] for n in below]
    labels = heading.names(above, layout.separator, layout.places)
    written = [layout.split(lines[n]) for n in (*rows[:40], *rows[-40:])]
    columns = [
        _column(figures[:, i], [row[place] for row in written], label, unit, layout.comma)
        for i, (place, (label, unit)) in enumerate(zip(layout.places, labels, strict=True))
    ]
    beside = [lines[n] for n in rows[:100]]
    settings = heading.settings(further, [], layout.separator, layout.places)
    settings |= heading.settings(above, beside, layout.separator, layout.places)
    return Table(tuple(columns), settings, np.array(rows) + 1)


def _layout(lines: Sequence[str]) -> _Layout:
    """The separator and decimal sign under which most of the later lines' fields are numbers."""
    sample = [line for line in lines[len(lines) // 2 :] if not line.lstrip().startswith(_COMMENTS)]
    sample = sample[:: max(1, len(sample) // 100)]
    best, quality = None, 0.0
    for separator, comma in (
        ("\t", False), ("\t", True), (";", False), (";", True),
        (",", False), (",", True), (None, False), (None, True),
    ):  # fmt: skip
        if separator == "," and comma and not any('"' in line for line in sample):
            continue  # only quotes can tell one comma from the other
        layout, fraction = _tried(sample, separator, comma)
        if layout is not None and fraction > quality:
            best, quality = layout, fraction
    if best is None or quality <= 0.5:
        raise FileError("holds no table of figures; export the record as CSV, two columns: time and volts")
    return _decimal_comma_alone(sample, best)


def _tried(sample: Sequence[str], separator: str | None, comma: bool) -> tuple[_Layout | None, float]:
    """The layout under one pair of signs, and the fraction of non-empty fields that are numbers in it."""
    whole = _Layout(separator, comma, (0,))
    rows = [whole.split(line) for line in sample]
    length = Counter(map(len, rows)).most_common(1)[0][0] if rows else 0
    rows = [row for row in rows if len(row) == length]
    marks = np.array([[whole.is_number(field) for field in row] for row in rows], dtype=bool)
    filled = np.array([[bool(field) for field in row] for row in rows], dtype=bool)
    if not rows or not length or not filled.any():
        return None, 0.0
    places = tuple(int(p) for p in np.flatnonzero(marks.mean(axis=0) > 0.6))
    if not places:
        return None, 0.0
    fraction = marks.sum() / filled.sum() * len(rows) / len(sample)
    return _Layout(separator, comma, places), float(fraction)


def _decimal_comma_alone(sample: Sequence[str], layout: _Layout) -> _Layout:
    """One column with decimal commas looks like two of integers; only a time column would increase."""
    if layout.separator != "," or layout.places != (0, 1):
        return layout
    alone = _Layout(None, True, (0,))
    if not all(alone.fits(line) and len(alone.split(line)) == 1 for line in sample):
        return layout
    first = np.array([float(layout.split(line)[0]) for line in sample])
    return layout if (np.diff(first) > 0).all() else alone


def _begin(lines: Sequence[str], filled: Sequence[int], layout: _Layout) -> int:
    """Index of the first line of figures: it and the next one hold them."""
    for here, following in zip(filled, [*filled[1:], filled[-1]], strict=True):
        if layout.fits(lines[here]) and layout.fits(lines[following]):
            return here
    for here in filled:
        if layout.fits(lines[here]):
            return here
    raise FileError("holds no table of figures; export the record as CSV, two columns: time and volts")


def _trailer(lines: Sequence[str], rows: list[int], layout: _Layout) -> tuple[list[int], list[int]]:
    """The rows of figures, and lines behind them that begin with a word; a torn row begins with a figure."""
    last = len(rows)
    while last and _is_words(layout.split(lines[rows[last - 1]])[0], layout):
        last -= 1
    return (rows[:last], rows[last:]) if last >= len(rows) / 2 else (rows, [])


def _is_words(field: str, layout: _Layout) -> bool:
    return len(field) > 1 and field[0].isalpha() and not layout.is_number(field)


def _figures(lines: Sequence[str], rows: Sequence[int], layout: _Layout) -> npt.NDArray[np.float64]:
    """(rows, columns) all figures; numpy's reader for speed, then line by line to name the culprit."""
    chosen = [lines[n] for n in rows]
    delimiter = layout.separator
    if layout.comma and delimiter == ",":
        chosen, delimiter = [";".join(layout.split(line)) for line in chosen], ";"
    if layout.comma:
        chosen = [line.replace(",", ".") for line in chosen]
    try:
        found = np.loadtxt(
            chosen,
            delimiter=delimiter,
            usecols=layout.places,
            comments=None,
            quotechar='"',
            ndmin=2,
        )
    except ValueError as error:
        for n in rows:
            _check_line(lines[n], n + 1, layout)
        raise FileError(f"cannot be read: {' '.join(str(error).split())[:120]}; export it again") from error
    return np.asarray(found, dtype=np.float64)


def _check_line(line: str, number: int, layout: _Layout) -> None:
    found = layout.split(line)
    if len(found) <= layout.places[-1]:
        raise FileError(
            f"line {number} has {counted(len(found), 'column')} where {layout.places[-1] + 1} are needed; "
            "repair or remove it"
        )
    for place in layout.places:
        if not layout.is_number(found[place]):
            raise FileError(
                f"line {number}, column {place + 1}: {found[place][:40]!r} is no number; repair or remove it"
            )


def _column(
    values: npt.NDArray[np.float64], written: Sequence[str], label: str, unit: str, comma: bool
) -> Column:
    texts = [text.replace(",", ".") if comma else text for text in written]
    half = (len(texts) + 1) // 2
    last_place = max(min(map(_last_place, texts[:half])), min(map(_last_place, texts[half:] or texts)))
    whole = not any(set(text) & set(".eEnN") for text in texts)
    if whole and (np.abs(values) < 2**53).all() and (values == np.rint(values)).all():
        return Column(label, unit, values.astype(np.int64), last_place)
    return Column(label, unit, values, last_place)


def _last_place(text: str) -> float:
    mantissa, _, power = text.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    usual = len(power) < 6 and power.lstrip("+-").isdigit()
    weight = float(f"1e{int(power or 0) - decimals}") if usual or not power else 1.0
    return weight or np.finfo(float).tiny
