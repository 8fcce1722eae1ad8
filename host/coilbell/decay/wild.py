"""Samples that no decay can hold: a spark, a relay's click, a lost code, far out of what is around them.

A decaying ring has been larger before than it is now, so a sample beyond what lies on either side of it by
more than these themselves span belongs to something else. With [low, high] the range of the samples from
g + 1 to g + r before and after sample i, all together,

    v(i) < low - m (high - low)   or   v(i) > high + m (high - low)

is wild, for gaps g as long as half a burst may last. The gap keeps a burst out of its own neighbourhood.
Near the window's start there is no neighbourhood before, and nothing is called wild: there the ring itself
is large.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from coilbell.decay.solve import Array

__all__ = ["wild"]

_GAPS = ((2, 12), (8, 24), (24, 64))
"""Half of the longest burst, and how far the neighbourhood reaches beyond it [samples]."""
_MARGIN = 1.0
"""Distance beyond the neighbours' range, in that range [1]. White noise of 24 samples reaches it once in 1e7
samples; a parabola through the middle of the neighbourhood, the slowest ring, stays a tenth below."""
_STEPS = 4.0
"""Least distance beyond the neighbours' range [converter steps]: rounded, silence has a range of none."""


def wild(values: Array, quantum: float) -> npt.NDArray[np.bool_]:
    """(n,) True at samples that stand far out of those before and after them."""
    found = np.zeros(values.size, dtype=np.bool_)
    for gap, reach in _GAPS:
        if values.size > 2 * (gap + reach):
            found |= _beyond(values, gap, reach, quantum)
    return found


def _beyond(values: Array, gap: int, reach: int, quantum: float) -> npt.NDArray[np.bool_]:
    """Wild samples of bursts of up to 2 gap + 1 samples, and what lies between two of one burst."""
    from scipy.ndimage import binary_closing, binary_dilation, maximum_filter1d, minimum_filter1d

    shift = gap + (reach + 1) // 2
    nothing = np.full(shift, np.inf)
    tops, bottoms = maximum_filter1d(values, reach), minimum_filter1d(values, reach)
    high = np.maximum(tops[:-shift], np.append(tops[2 * shift :], -nothing))
    low = np.minimum(bottoms[:-shift], np.append(bottoms[2 * shift :], nothing))
    room = np.maximum(_MARGIN * (high - low), _STEPS * quantum)
    out = np.zeros(values.size + 2 * gap, dtype=np.bool_)
    out[gap + shift : gap + values.size] = (values[shift:] > high + room) | (values[shift:] < low - room)
    if not out.any():
        return out[gap:-gap]
    filled = binary_closing(out, iterations=gap)
    burst = filled & (np.roll(filled, 1) | np.roll(filled, -1))
    return np.asarray(filled | binary_dilation(burst, iterations=2), dtype=np.bool_)[gap:-gap]
