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
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt

from coilbell.bench.files import heading
from coilbell.bench.files.lines import Lines, pieces
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
    lines: Sequence[int] | npt.NDArray[np.int32]
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


def table(lines: Lines) -> Table:
    """The table in a text file's lines, which are forgotten. Raises FileError with the line at fault."""
    if lines.filled > MAX_SAMPLES:
        raise FileError(f"holds {lines.filled:,} lines; cut it to {MAX_SAMPLES:,} around the ring")
    layout = _layout(lines)
    begin = _begin(lines, layout)
    rows, below = _rows(lines, begin, layout)
    if len(rows) < 2:
        raise FileError("holds one line of figures; a decay needs at least 2")
    above = [line for _, line in islice(lines.filled_from(), begin)]
    beside = _texts(lines, rows[:100])
    further = _texts(lines, below)
    settings = heading.settings(further, [], layout.separator, layout.places)
    settings |= heading.settings(above, beside, layout.separator, layout.places)
    labels = heading.names(above, layout.separator, layout.places)
    written = [layout.split(line) for line in (*beside[:40], *_texts(lines, rows[-40:]))]
    texts = [[row[place].replace(",", ".") if layout.comma else row[place] for row in written]
             for place in layout.places if all(len(row) > place for row in written)]  # fmt: skip
    figures = _figures(lines, rows, layout, [_are_whole(column) for column in texts])
    lines.forget()
    columns = [
        _column(values, column, label, unit)
        for values, column, (label, unit) in zip(figures, texts, labels, strict=True)
    ]
    first, last = int(rows[0]) + 1, int(rows[-1]) + 1
    dense = last - first + 1 == len(rows)
    return Table(tuple(columns), settings, range(first, last + 1) if dense else rows + 1)


def _texts(lines: Lines, rows: npt.NDArray[np.int32]) -> list[str]:
    return [line for _, part in lines.chosen(rows) for line in part]


def _is_comment(line: str) -> bool:
    return line.lstrip().startswith(_COMMENTS)


def _layout(lines: Lines) -> _Layout:
    """The separator and decimal sign under which most of the later lines' fields are numbers."""
    half = lines.filled // 2
    count = sum(not _is_comment(line) for _, line in lines.filled_from(half))
    later = (line for _, line in lines.filled_from(half) if not _is_comment(line))
    sample = list(islice(later, None, None, max(1, count // 100)))
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
    split = (whole.split(line) for line in sample)  # one at a time: a line may be long
    told = [np.array([[whole.is_number(field), bool(field)] for field in row]) for row in split]
    length = Counter(map(len, told)).most_common(1)[0][0] if told else 0
    rows = [row for row in told if len(row) == length]
    marks, filled = np.array(rows, dtype=bool).reshape(len(rows), length, 2).transpose(2, 0, 1)
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


def _begin(lines: Lines, layout: _Layout) -> int:
    """Index among the filled lines of the first line of figures: it and the next one hold them."""
    first, before = None, False
    for index, (_, line) in enumerate(lines.filled_from()):
        fits = layout.fits(line)
        if fits and before:
            return index - 1
        if fits and first is None:
            first = index
        before = fits
    if before:  # the last line has none behind it
        return lines.filled - 1
    if first is None:
        raise FileError("holds no table of figures; export the record as CSV, two columns: time and volts")
    return first


def _rows(lines: Lines, begin: int, layout: _Layout) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    """The rows of figures, and lines behind them that begin with a word; a torn row begins with a figure."""
    figures = (number for number, line in lines.filled_from(begin) if not _is_comment(line))
    rows = np.fromiter(figures, dtype=np.int32)
    last = rows.size
    for line in lines.backward():
        if not _is_comment(line):
            if not last or not _is_words(layout.split(line)[0], layout):
                break
            last -= 1
    last = last if last >= rows.size / 2 else rows.size
    return rows[:last], rows[last:]


def _is_words(field: str, layout: _Layout) -> bool:
    return len(field) > 1 and field[0].isalpha() and not layout.is_number(field)


def _figures(
    lines: Lines, rows: npt.NDArray[np.int32], layout: _Layout, whole: Sequence[bool]
) -> list[npt.NDArray[Any]]:
    """A column each of all figures; numpy's reader for speed, then line by line to name the culprit.

    A column that seems whole has room of int64, still filled with the bytes of floats.
    """
    if len(whole) < len(layout.places):  # a line at either end is too short
        for first, part in lines.chosen(rows):
            for number, line in zip(rows[first:].tolist(), part, strict=False):
                _check_line(line, number + 1, layout)
    found: list[npt.NDArray[Any]] = [
        np.empty(rows.size, np.int64 if codes else np.float64) for codes in whole
    ]
    for first, part in lines.chosen(rows):
        try:
            block = _block(part, layout)
        except ValueError as error:
            for number, line in zip(rows[first:].tolist(), part, strict=False):
                _check_line(line, number + 1, layout)
            said = " ".join(str(error).split())
            if row := re.search(r"(?<=at row )\d+", said):  # counted in this block
                said = said[: row.start()] + str(int(row[0]) + first) + said[row.end() :]
            raise FileError(f"cannot be read: {said[:120]}; export it again") from error
        for place, column in enumerate(found):
            column.view(np.float64)[first : first + len(part)] = block[:, place]
    return found


def _block(lines: Sequence[str], layout: _Layout) -> npt.NDArray[np.float64]:
    """(lines, columns) figures. Raises ValueError."""
    delimiter = layout.separator
    if layout.comma and delimiter == ",":
        lines, delimiter = [";".join(layout.split(line)) for line in lines], ";"
    if layout.comma:
        lines = [line.replace(",", ".") for line in lines]
    found = np.loadtxt(
        lines, delimiter=delimiter, usecols=layout.places, comments=None, quotechar='"', ndmin=2
    )
    if len(found) != len(lines):
        raise ValueError("a quote that is not closed")
    return found


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


def _are_whole(texts: Sequence[str]) -> bool:
    return not any(set(text) & set(".eEnN") for text in texts)


def _column(values: npt.NDArray[Any], texts: Sequence[str], label: str, unit: str) -> Column:
    half = (len(texts) + 1) // 2
    last_place = max(min(map(_last_place, texts[:half])), min(map(_last_place, texts[half:] or texts)))
    floats = values.view(np.float64)
    if values.dtype.kind == "i" and all(_holds_integers(floats[part]) for part in pieces(values.size)):
        for part in pieces(values.size):
            values[part] = floats[part].copy()  # the same bytes, seen as floats
    elif values.dtype.kind == "i":
        values = floats.copy()
    values.setflags(write=False)
    return Column(label, unit, values, last_place)


def _holds_integers(values: npt.NDArray[np.float64]) -> bool:
    return bool((np.abs(values) < 2**53).all() and (values == np.rint(values)).all())


def _last_place(text: str) -> float:
    mantissa, _, power = text.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    usual = len(power) < 6 and power.lstrip("+-").isdigit()
    weight = float(f"1e{int(power or 0) - decimals}") if usual or not power else 1.0
    return weight or np.finfo(float).tiny
