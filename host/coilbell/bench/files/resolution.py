"""The smallest step of samples that a converter has quantised, found from the figures themselves."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from coilbell.bench.files.lines import pieces
from coilbell.bench.files.table import Column

__all__ = ["smallest_step"]

_DIGITS = 12
"""Significant digits of a step: more than any table tells, fewer than the rounding of a sum of samples, whose
order is the processor's own."""


_FEW = 1 << 12
"""Levels of a converter of 12 bits (own choice of how many are merged piece by piece)."""


def smallest_step(column: Column) -> float | None:
    """Step between the levels of visibly quantised figures [unit of the column], else None.

    Levels are the different figures that occur. They are a lattice when every distance between two
    neighbours is a whole multiple of one step, but for half the last decimal place written.
    """
    levels = _levels(column.values).astype(np.float64, copy=False)
    if levels.size < 2 or levels.size == column.values.size:
        return 1.0 if column.values.dtype.kind == "i" and levels.size > 1 else None
    gaps = np.diff(levels)
    if column.values.dtype.kind == "i" or gaps.min() <= 2.5 * column.last_place:
        counts = np.rint(gaps / column.last_place)
        if counts.max() > 2**52 or np.abs(gaps / column.last_place - counts).max() > 1e-3:
            return None
        return float(f"{float(np.gcd.reduce(counts.astype(np.int64))) * column.last_place:.{_DIGITS}g}")
    return _lattice(levels, gaps, column.last_place)


def _levels(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Different values in rising order, found with room for one sorted copy at most."""
    levels = values[:0]
    for part in pieces(values.size):
        levels = np.union1d(levels, values[part])
        if levels.size > _FEW:
            break
    else:
        return levels
    ordered, found = np.sort(values), 0
    for part in pieces(values.size):  # the different ones move to the front
        new = np.unique(ordered[part])
        new = new[1:] if found and new[0] == ordered[found - 1] else new
        ordered[found : found + new.size] = new
        found += new.size
    return ordered if found == values.size else ordered[:found].copy()


def _lattice(
    levels: npt.NDArray[np.float64], gaps: npt.NDArray[np.float64], last_place: float
) -> float | None:
    """Step of the lattice all levels stand on, refined over its whole height, else None."""
    counts = np.concatenate([[0.0], np.cumsum(np.rint(gaps / gaps.min()))])
    centred = counts - counts.mean()
    step = float(centred @ (levels - levels.mean()) / (centred @ centred))
    away = np.abs(levels - levels.mean() - step * centred).max()
    if away > 0.75 * last_place + 1e-9 * step:
        return None
    return float(f"{step:.{_DIGITS}g}")
