"""What may be found in a window, and what was chosen."""

from __future__ import annotations

from dataclasses import dataclass

from coilbell.decay.model import DoubtKind, ModeStep
from coilbell.decay.search import Thresholds
from coilbell.decay.solve import Array, Bounds, Solution

__all__ = ["Limits", "Other", "Selection"]

_SMALLEST_STEPS = 0.5
"""Least amplitude of a mode [converter steps]: a smaller one lies within one code; benchmark: accuracy,
quiet row."""
_UNDITHERED_STEPS = 3.0
"""The same where too little noise spreads the codes [converter steps]; benchmark: accuracy, quiet row."""
_DITHER = 0.25
"""Noise, in steps, from which rounding acts as noise."""
_SLUGGISH_DITHER = 0.4
"""The same for what changes slowly; more, since it stays longer on a step."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What may be found."""

    max_modes: int
    lowest_angular: float
    """[1/sample]"""
    noise_variance: float
    quantum: float
    toggling: bool = False
    """True where samples at rest go between two neighbouring codes and no further."""

    @property
    def undithered(self) -> bool:
        """True when the noise is too small to turn rounding into noise.

        Near a code's edge even a little noise gives a variance of a quarter step squared; what tells it from
        noise that dithers is that no third code comes.
        """
        return self.toggling or self._own_noise < (_DITHER * self.quantum) ** 2

    @property
    def _own_noise(self) -> float:
        return self.noise_variance - self.quantum**2 / 12

    def smallest(self, sluggish: bool) -> float:
        """Least amplitude of a mode [sample units]; a rounded slow baseline can look like a sluggish one."""
        calm = self.toggling or self._own_noise < (_SLUGGISH_DITHER * self.quantum) ** 2
        rounded = sluggish and calm
        steps = _UNDITHERED_STEPS if rounded else _SMALLEST_STEPS
        return steps * self.quantum


@dataclass(frozen=True, slots=True, eq=False)
class Other:
    """What explains the record about as well as what stands."""

    kind: DoubtKind
    what: str
    pole: Array
    """(2,) decay and angular frequency that the main ring then has [1/sample]."""
    lost: float
    """What it leaves more in the sum of squares [residual variances]."""


@dataclass(frozen=True, slots=True, eq=False)
class Selection:
    """The chosen components and the account of the choice."""

    solution: Solution
    account: tuple[ModeStep, ...]
    bounds: Bounds
    passed: tuple[Solution, ...]
    """Solutions with fewer components, on the way to this one."""
    thresholds: Thresholds
    """What a component had to gain."""
    other: Other | None = None
    """What the modes may be as well."""
