"""What stands above the figures of a table: names, units and a preamble of settings."""

from __future__ import annotations

import contextlib
import csv
import re
from collections.abc import Sequence
from itertools import pairwise

from coilbell.quantities import known_unit

__all__ = ["fields", "key", "names", "settings"]

_BRACKETED = re.compile(r"(?P<name>.*?)\s*[\[(]\s*(?P<unit>[^\[\]()]+?)\s*[\])]")
_TRAILING = re.compile(r"(?P<name>.*?)(?P<sign>\s*(?:/|_|,|\bin\b|\s)\s*)(?P<unit>\S+)")
_OUTLETS = {"channel", "ch", "kanal", "voie", "canal", "input", "probe", "trace", "curve", "signal", "data"}
"""Words behind which a letter says which one, never a unit: "Channel A"."""
_SETTING = re.compile(r"[:=]\s*[+-]?\.?\d")
_NUMBER = re.compile(r"\s*[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?")


def fields(line: str, separator: str | None) -> list[str]:
    """The line's fields without blanks and quotes around them; None separates at any run of blanks."""
    if '"' in line and separator is not None:
        with contextlib.suppress(csv.Error):  # a field beyond any table's, of a page with pictures inside
            return [field.strip() for field in next(csv.reader([line], delimiter=separator))]
    return [field.strip().strip('"') for field in line.split(separator)]


def key(text: str) -> str:
    """A setting's name to compare by: "Sample-Interval [s]" -> "sample interval"."""
    bare = re.sub(r"[\[(].*?[\])]", " ", text)
    return " ".join(re.findall(r"[a-z0-9]+", bare.lower()))


def names(above: Sequence[str], separator: str | None, places: Sequence[int]) -> list[tuple[str, str]]:
    """For each column of figures its label as written and its unit, "" where the file says neither."""
    rows = [row for row in (_row(line, separator, places) for line in above[-4:]) if row is not None]
    labels, units = [""] * len(places), [""] * len(places)
    if rows and all(known_unit(cell) or not cell for cell in rows[-1]) and any(rows[-1]):
        units = rows.pop()
        labels = units if not rows else labels
    if rows:
        labels = next((row for row in reversed(rows) if not any(map(_is_number, row))), rows[-1])
    if all(map(_is_number, labels)) and not any(units):
        labels = [""] * len(places)
    if len(places) == 1 and any(map(_is_number, _parts(labels[0], separator)[1:])):
        labels = [""]  # a setting above a single column is no name of it
    return [(label, unit or _unit_in(label)) for label, unit in zip(labels, units, strict=True)]


def settings(
    above: Sequence[str], beside: Sequence[str], separator: str | None, places: Sequence[int]
) -> dict[str, str]:
    """The preamble's settings: lines "name, value, unit", a name above its value, or columns beside."""
    found: dict[str, str] = {}
    split = [fields(_uncommented(line), separator) for line in above]
    for upper, lower in pairwise(split):
        for name, value in zip(upper, lower, strict=False):
            if _is_number(value) and key(name) and not _is_number(name):
                found.setdefault(key(name), value)
    for line in above:
        found |= _pair(_parts(_uncommented(line), separator))
    for line in beside:
        found |= _pair([cell for place, cell in enumerate(fields(line, separator)) if place not in places])
    return found


def _row(line: str, separator: str | None, places: Sequence[int]) -> list[str] | None:
    """The cells above the columns of figures, or None when the line has another number of cells."""
    bare = _uncommented(line)
    for sign in ("\t", ";", ",", None) if separator is None else (separator, "\t", ";", ",", None):
        cells = fields(bare, sign)
        while len(cells) > places[-1] + 1 and not cells[-1]:
            cells.pop()
        # Blanks stand inside names too, so only the data's own sign may leave cells over.
        enough = len(cells) > places[-1] if sign and sign == separator else len(cells) == places[-1] + 1
        if enough and any(cells[place] for place in places):
            return [cells[place] for place in places]
    cells = re.split(r"\s{2,}", bare)
    return [cells[place] for place in places] if len(cells) == places[-1] + 1 else None


def _uncommented(line: str) -> str:
    return line.strip().lstrip("#%/").strip()


def _unit_in(label: str) -> str:
    """The unit a label ends in: "U / mV", "Time (us)", "t_s", "Zeit in ms"; none in "V_S" and "Channel A"."""
    if _SETTING.search(label):
        return ""
    if known_unit(label):
        return label
    match = _BRACKETED.fullmatch(label.strip())
    if match and known_unit(match["unit"]):
        return match["unit"]
    match = _TRAILING.fullmatch(label.strip())
    if match is None or not known_unit(match["unit"]):
        return ""
    return "" if _is_subscript(match["name"], match["sign"].strip(), match["unit"]) else match["unit"]


def _is_subscript(name: str, sign: str, unit: str) -> bool:
    """True where the last letters tell one signal from others, not its unit."""
    if sign not in ("", "_"):
        return False
    if name.lower() in _OUTLETS:
        return True
    return sign == "_" and unit == "S"  # the voltage at S; seconds are written small


def _parts(line: str, separator: str | None) -> list[str]:
    for sign in (separator, ";", "\t", "=", ":", ","):
        if sign is not None and sign in line:
            return [part.rstrip(":= ") for part in fields(line, sign)]
    return [line]


def _pair(cells: Sequence[str]) -> dict[str, str]:
    """{name: "value unit"} from cells such as ["Sample interval", "4e-6", "s"]."""
    filled = [cell for cell in cells if cell]
    if len(filled) < 2 or not key(filled[0]) or _is_number(filled[0]):
        return {}
    return {key(filled[0]): " ".join(filled[1:3])}


def _is_number(text: str) -> bool:
    return _NUMBER.fullmatch(text) is not None
