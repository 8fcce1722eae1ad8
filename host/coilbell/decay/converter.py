"""What is known of the converter that took the samples: codes that are wider than one count.

A code c that is wider by e counts lifts every level above it: the codes that follow come e counts late, and
as the converter's ends are right, all others are narrower by e in its range R. Undone here:

    level(code) = code (1 - sum e / R) + sum e [code > c] + sum e/2 [code = c]

which leaves each e's uncertainty u, a step at the level of c with that standard uncertainty, and the smooth
bend that such a converter has besides. Their share goes into the covariance (`Converter.share`). IEEE Std
1241 (from memory) defines code width and differential non-linearity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.decay.influence import influence
from coilbell.decay.solve import Array, Block, Solution
from coilbell.record import Record, WideCode

__all__ = ["Converter", "levels", "wide_codes"]

_TWELVE_BITS = 4095.0
"""Largest code of a converter of 12 bits [counts]; arithmetic."""
_JUMPS = tuple(512.0 * i for i in range(1, 8))
"""Codes at which successive-approximation converters of 12 bits may jump."""


_BEND = 2.0
"""Standard uncertainty of the smooth integral non-linearity, second and third Chebyshev polynomial over the
range [counts]; what users report of converters with wide codes, no published source."""


@dataclass(frozen=True, slots=True)
class Converter:
    """Where the converter's levels may jump, and how uncertain jumps that were taken out still are."""

    jumps: tuple[float, ...] = ()
    """Levels where an unknown jump is looked for [sample units minus the reference]."""
    mended: tuple[float, ...] = ()
    """Levels where a known one was taken out."""
    uncertainties: tuple[float, ...] = ()
    """Standard uncertainty of each of these [sample units]."""
    middle: float = 0.0
    """Middle of the range [sample units minus the reference]."""
    reach: float = 1.0
    """Half of the range [sample units]."""

    @classmethod
    def of(cls, rails: tuple[float, float] | None, reference: float, wide: Sequence[WideCode]) -> Converter:
        """From the range and reference of the samples, and what their record knows of wide codes.

        rails: lowest and highest sample, minus the reference.
        """
        jumps: tuple[float, ...] = ()
        if rails is not None and abs(rails[1] - rails[0] - _TWELVE_BITS) < 0.5:
            jumps = tuple(rails[0] + jump for jump in _JUMPS)
        if rails is None or not wide:
            return cls(jumps)
        full_scale = (rails[0] + reference, rails[1] + reference)
        places = _levelled(np.array([w.code for w in wide]), wide, full_scale) - reference
        middle, reach = (rails[0] + rails[1]) / 2, (rails[1] - rails[0]) / 2
        return cls(jumps, tuple(map(float, places)), tuple(w.uncertainty for w in wide), middle, reach)

    def share(self, blocks: list[Block], solution: Solution, tangents: list[Array], inverse: Array) -> Array:
        """(p, p) share of the covariance that known steps and the bend leave; rows as in `inverse`."""
        places = np.array(self.mended)

        def rows(block: Block, shot: int, index: int) -> Array:
            curve = block.values[shot] - solution.residuals[index][shot]
            x = (curve - self.middle) / self.reach
            steps = np.asarray(curve > places[:, None], dtype=np.float64)
            return np.vstack((steps, 2 * x * x - 1, x * (4 * x * x - 3)))

        spread = np.array((*self.uncertainties, _BEND, _BEND))
        moved = influence(blocks, solution, tangents, inverse, rows).moved * spread
        out: Array = moved @ moved.T
        return out


_CHIPS_OWN = (512.0, 1536.0, 2560.0, 3584.0)
"""Codes that an RP2040's converter gives for several counts (published: RP2040 data sheet, errata, E11)."""

_CHIPS_EXCESS, _CHIPS_SPREAD = 6.0, 2.5
"""By how many counts, and its standard uncertainty from chip to chip (users report 3 to 9; assumed)."""

_CHIPS_RANGE = (0.0, 4095.0)


def wide_codes(record: Record) -> tuple[WideCode, ...]:
    """The codes that are wide: as the board check measured them, else those that the chip is known for.

    A tester's record that tells its board, in codes of 12 bits, is an RP2040's unless the board says RP2350.
    """
    if record.wide_codes or not record.board or record.full_scale != _CHIPS_RANGE:
        return record.wide_codes
    if record.samples.dtype.kind not in "iu" or "RP2350" in record.board.upper():
        return ()
    return tuple(WideCode(code, _CHIPS_EXCESS, _CHIPS_SPREAD) for code in _CHIPS_OWN)


def levels(record: Record, first: int, last: int) -> Array:
    """(last - first,) samples of a record with what is known of its converter's codes undone."""
    codes = np.asarray(record.samples[first:last], dtype=np.float64)
    wide = wide_codes(record)
    if not wide or record.full_scale is None:
        return codes
    return _levelled(codes, wide, record.full_scale)


def _levelled(
    codes: npt.NDArray[np.float64], wide: Sequence[WideCode], full_scale: tuple[float, float]
) -> Array:
    low, high = full_scale
    excess = np.array([w.excess for w in wide])
    places = np.array([w.code for w in wide])
    above = np.where(codes[:, None] > places, excess, np.where(codes[:, None] == places, excess / 2, 0.0))
    out: Array = low + (codes - low) * (1 - excess.sum() / (high - low)) + above.sum(axis=1)
    return out
