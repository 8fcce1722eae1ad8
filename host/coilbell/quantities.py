"""Engineering notation both ways: `22n`, `4.7nF`, `4n7`, `500k`, `1.5ms` and `21.634(12) kHz`.

Everything written here is plain ASCII (micro is `u`), so that any terminal can show it.
The prefixes are those of the SI from femto to tera.
"""

from __future__ import annotations

import math
import re

from coilbell.errors import InputError
from coilbell.figure import concise as plain
from coilbell.figure import decimals

__all__ = ["concise", "counted", "engineering", "interval", "known_unit", "parse"]

_PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}
_FACTORS = {letter: exponent for exponent, letter in _PREFIXES.items()} | {"\u00b5": -6, "\u03bc": -6, "K": 3}
_NUMBER = re.compile(
    r"""\s*(?P<sign>[+-]?)
        (?P<whole>\d*)(?:[.,](?P<part>\d*))?(?P<power>[eE][+-]?\d{1,3})?
        \s*(?P<rest>\D\S*?)?(?P<tail>\d+)?\s*""",
    re.VERBOSE,
)


def parse(text: str, unit: str = "", what: str = "value") -> float:
    """Number meant by `text`, in the unit without prefix.

    text: digits with `.` or `,`, then an optional prefix and an optional unit; a prefix may stand in the
    place of the point (`4n7`, `1k5`). unit: the only unit accepted, such as "F", "s", "Hz"; "" for none.
    what: name of the quantity for the message. Raises InputError.
    """
    match = _NUMBER.fullmatch(text)
    if match is None or not (match["whole"] or match["part"]):
        raise _refused(text, unit, what)
    exponent = _exponent(match["rest"] or "", unit)
    mantissa = _mantissa(match)
    if exponent is None or mantissa is None:
        raise _refused(text, unit, what)
    number = float(f"{mantissa}e{exponent + int((match['power'] or 'e0')[1:])}")
    if not math.isfinite(number):
        raise _refused(text, unit, what)
    return number


def _exponent(letters: str, unit: str) -> int | None:
    if unit and letters.endswith(unit):
        letters = letters[: -len(unit)].rstrip()
    return _FACTORS.get(letters)


def _mantissa(match: re.Match[str]) -> str | None:
    whole, part, tail = match["whole"], match["part"], match["tail"]
    if tail is None:
        return f"{match['sign']}{whole or 0}.{part or 0}"
    if part is not None or match["power"] or match["rest"] not in _FACTORS or not whole:
        return None
    return f"{match['sign']}{whole}.{tail}"


def _refused(text: str, unit: str, what: str) -> InputError:
    examples = {
        "F": "22n, 4.7nF or 4n7",
        "s": "30u, 1.5ms or 2e-3",
        "Hz": "500k or 1.2MHz",
        "V": "12, 5m or 0.8mV",
        "H": "2.2m or 470uH",
    }.get(unit, "22n, 4.7 or 500k")
    return InputError(f"{what} {text[:40]!r} is not a number with an engineering prefix; write {examples}")


def engineering(value: float, unit: str = "", digits: int = 4) -> str:
    """`value` to `digits` significant digits with a prefix: 0.0000221 -> "22.1 us"."""
    if not math.isfinite(value):
        return "unknown"
    exponent = _scale(_rounded(value, digits))
    if unit == "" or value == 0:
        return f"{value:.{digits}g}" + (f" {unit}" if unit else "")
    scaled = _rounded(value, digits) / 10**exponent
    number = f"{scaled:.{digits}g}" if abs(scaled) < 10**digits else f"{scaled:.0f}"
    return f"{number} {_PREFIXES[exponent]}{unit}"


def concise(value: float | None, standard_uncertainty: float | None, unit: str = "") -> str:
    """Value with its standard uncertainty, as `figure.concise`: 21634.0, 12.0, "Hz" -> "21.634(12) kHz".

    None is how JSON writes a number that is unknown.
    """
    value = math.nan if value is None else value
    standard_uncertainty = math.nan if standard_uncertainty is None else standard_uncertainty
    if not unit or not math.isfinite(value):
        return plain(value, standard_uncertainty)
    if not math.isfinite(standard_uncertainty) or standard_uncertainty <= 0:
        exponent = _scale(_rounded(value, 4))
    else:
        exponent = _scale(max(abs(value), _rounded(standard_uncertainty, 2)))
        places = decimals(standard_uncertainty / 10**exponent)
        if abs(round(value / 10**exponent, places)) >= 1000 and exponent + 3 in _PREFIXES:
            exponent += 3
    number = plain(value / 10**exponent, standard_uncertainty / 10**exponent)
    return f"{number} {_PREFIXES[exponent]}{unit}"


def counted(number: int, noun: str) -> str:
    """1, "capture" -> "1 capture"; 3, "capture" -> "3 captures"."""
    return f"{number} {noun}{'s' * (number != 1)}"


def interval(low: float, high: float, unit: str = "") -> str:
    """Two ends under one prefix, to two digits of their distance: "21.610..21.658 kHz"."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return f"{engineering(low, unit)}..{engineering(high, unit)}"
    exponent = _scale(max(abs(low), abs(high))) if unit else 0
    width = (high - low) / 10**exponent
    places = max(decimals(width), 0) if width > 0 else 3
    ends = f"{low / 10**exponent:.{places}f}..{high / 10**exponent:.{places}f}"
    return f"{ends} {_PREFIXES[exponent]}{unit}" if unit else ends


def _rounded(value: float, digits: int) -> float:
    return float(f"{value:.{digits - 1}e}")


def _scale(value: float) -> int:
    if value == 0:
        return 0
    return min(max(3 * math.floor(math.log10(abs(value)) / 3 + 1e-12), -15), 12)


def known_unit(text: str) -> tuple[str, float] | None:
    """What a column's unit means: "mV" -> ("V", 1e-3), "seconds" -> ("s", 1.0), None when not a unit.

    The bases are "s", "V", "A" and "count"; a unit may stand in round or square brackets.
    """
    word = text.strip().strip("[]() \"'").strip()
    meant = _UNIT_WORDS.get(word.lower())
    if meant is not None:
        return meant
    base = {"S": "s", "v": "V"}.get(word[-1:], word[-1:])
    prefix = {"U": "u"}.get(word[:-1], word[:-1])
    if base not in ("s", "V", "A") or prefix not in _FACTORS:
        return None
    return base, float(f"1e{_FACTORS[prefix]}")


_UNIT_WORDS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sekunden", "secondes"), ("s", 1.0)),
    **dict.fromkeys(("msec", "millisecond", "milliseconds", "millisekunden"), ("s", 1e-3)),
    **dict.fromkeys(("usec", "microsecond", "microseconds", "mikrosekunden"), ("s", 1e-6)),
    **dict.fromkeys(("volt", "volts"), ("V", 1.0)),
    **dict.fromkeys(("millivolt", "millivolts"), ("V", 1e-3)),
    **dict.fromkeys(("amp", "amps", "ampere", "amperes"), ("A", 1.0)),
    **dict.fromkeys(("count", "counts", "adc", "lsb", "raw", "code", "codes", "digits"), ("count", 1.0)),
}
