"""A figure and its uncertainty in the concise form of the GUM (JCGM 100:2008, 7.2.2): "21.634(12)".

The digits in brackets count in the last places shown. Numbers only; prefixes and units are put to them where
they are shown.
"""

from __future__ import annotations

import math

__all__ = ["concise", "decimals", "in_percent", "percent"]


_FINEST = 1e-15
"""Part of a value below which a float holds no digits [1] (IEEE 754, 53 bits)."""

_SMALLEST = 1e-250
"""Values below it are as good as nothing; keeps powers of ten within floats. Assumed."""


def concise(value: float, standard_uncertainty: float) -> str:
    """Value with two digits of its standard uncertainty: 21.6341, 0.0123 -> "21.634(12)".

    An uncertainty that reaches across the point keeps its point, "12.3(1.4)". One that is unknown (nan
    or infinite) shows as "(?)" behind four digits; one of zero shows as nothing; one that is finer than a
    float's own digits as one in the last of them.
    """
    if not math.isfinite(value):
        return "unknown"
    if standard_uncertainty == 0:
        return f"{value:.4g}"
    if not (math.isfinite(standard_uncertainty) and standard_uncertainty > 0):
        return f"{value:.4g}(?)"
    if standard_uncertainty < max(abs(value), _SMALLEST) * _FINEST:
        return f"{value:.15g}(1)"
    spread, places = _two_digits(standard_uncertainty), decimals(standard_uncertainty)
    return f"{round(value, places):.{max(places, 0)}f}({_bracket(spread, places)})"


def decimals(spread: float) -> int:
    """Places behind the point that show two digits of a spread above zero; negative from a hundred up."""
    return 1 - math.floor(math.log10(_two_digits(spread)) + 1e-9)


def percent(chance: float) -> str:
    """A probability [0..1] as "27 %", never rounded to certainty."""
    if chance < 0.005:
        return "<1 %" if chance > 0 else "0 %"
    return ">99 %" if 0.995 < chance < 1 else in_percent(chance)


def in_percent(share: float, sign: str = "") -> str:
    """A share [1] as "27 %"; with the sign "+" a change as "+27 %"."""
    return f"{100 * share:{sign}.0f} %"


def _two_digits(spread: float) -> float:
    return float(f"{spread:.1e}")


def _bracket(spread: float, places: int) -> str:
    if places <= 0:
        return f"{spread:.0f}"
    return f"{spread:.{places}f}" if spread >= 1 else f"{round(spread * 10**places)}"
