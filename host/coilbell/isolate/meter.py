"""A meter's reading and how far it may be off.

A specification such as 0.8 % + 2 digits bounds the error: a = 0.008 |x| + 2 d with d the last digit shown.
Within the bound every error is taken as equally probable, u = a / sqrt(3) (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbell.errors import InputError

__all__ = ["Meter", "Reading"]


@dataclass(frozen=True, slots=True)
class Reading:
    """A reading; value and standard uncertainty in the same unit."""

    value: float
    uncertainty: float

    @property
    def relative(self) -> float:
        """Standard uncertainty over value [1]."""
        return self.uncertainty / abs(self.value) if self.value else math.inf


_MOST_PERCENT, _MOST_DIGITS = 50.0, 1000.0
"""Specifications beyond these are refused as slips of the pen [%], [1]; assumed."""


@dataclass(frozen=True, slots=True)
class Meter:
    """percent: part of the reading that it may be off [%]; digits: of the last place shown.

    Left out, it is a plain hand-held meter: 1 % and 2 digits, common practice, no published source.
    """

    percent: float = 1.0
    digits: float = 2.0

    def __post_init__(self) -> None:
        if not (
            0 <= self.percent <= _MOST_PERCENT
            and 0 <= self.digits <= _MOST_DIGITS
            and self.percent + self.digits > 0
        ):
            raise InputError(
                f"meter of {self.percent:g} % and {self.digits:g} digits; give such as 1%+2, neither both 0"
            )

    def reading(self, value: float, last_digit: float) -> Reading:
        """What was read, where the last place shown weighs `last_digit` [unit of value]."""
        bound = self.percent / 100 * abs(value) + self.digits * last_digit
        if not (math.isfinite(value) and bound > 0):
            raise InputError(f"a reading of {value:g} cannot be used; give a number as the meter shows it")
        return Reading(value, bound / math.sqrt(3))
