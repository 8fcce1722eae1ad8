"""Very long records, as oscilloscopes write them, brought to a length that a fit needs.

The mean of D successive samples of exp(s n) is exp(s n) again, times a constant: averaging in blocks leaves
every decay rate and frequency as it is, and the noise white. Heights fall by sin(x)/x, x = w D/2. D is chosen
from the highest line that stands out of the spectrum, so that a cycle still has `_PER_CYCLE` samples; what is
then still longer than `_LONGEST` is cut at the end, where such a ring has died.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from coilbell.record import Record

__all__ = ["thinned"]

_LONGEST = 131072
"""Samples from which a record is thinned, and that are left of it at most [samples]."""
_PER_CYCLE = 64
"""Samples that a cycle of the fastest line keeps: heights then fall by less than 0.05 %."""
_LINE = 1e3
"""Power of a line that stands out, in the median line's: white noise of a million lines stays below 20, and a
weaker line than this is no ring whose figures matter."""
_SLOPE = 1e-4
"""The same in the highest line's power: a ring of Q 30 stays above it up to three times its frequency."""
_MARGIN_LINES = 8
"""Lowest lines left out: drift of the level [lines]."""


def thinned(records: list[Record]) -> list[Record]:
    """The records, each in blocks of one and the same length where they are too long."""
    if max(map(len, records)) <= _LONGEST or not all(r.uniform for r in records):
        return records
    share = max(1, min(_share(r) for r in records))
    return [_averaged(r, share) for r in records]


def _share(record: Record) -> int:
    """How many samples may be averaged."""
    longest = len(record) // _LONGEST
    samples = np.asarray(record.samples, dtype=np.float32)
    fastest = 0.0
    piece = min(len(record), 8 * _LONGEST)
    for first in range(0, len(record) - piece // 2, piece):
        part = samples[first : first + piece]
        lines = np.fft.rfft(part - part.mean())
        power = lines.real**2 + lines.imag**2
        power[:_MARGIN_LINES] = 0
        out = np.flatnonzero(power > max(_LINE * float(np.median(power)), _SLOPE * float(power.max())))
        if out.size:
            fastest = max(fastest, float(out[-1]) / part.size)
    if fastest == 0.0:
        return max(1, math.ceil(len(record) / _LONGEST))
    return max(1, min(math.ceil(longest + 1), int(1 / (fastest * _PER_CYCLE))))


def _averaged(record: Record, share: int) -> Record:
    assert record.rate_hz is not None
    before = record.pretrigger % share
    count = min((len(record) - before) // share, _LONGEST)
    samples: npt.NDArray[np.float64] = np.asarray(
        record.samples[before : before + count * share], dtype=np.float64
    ).reshape(count, share)
    mean = samples.mean(axis=1)
    if record.full_scale is not None:  # a block with a clipped sample counts as clipped
        low, high = record.full_scale
        mean = np.where(
            (samples <= low).any(axis=1), low, np.where((samples >= high).any(axis=1), high, mean)
        )
    middle = (before + (share - 1) / 2) / record.rate_hz
    return replace(
        record,
        samples=mean,
        rate_hz=record.rate_hz / share,
        first_s=record.first_s + middle,
        pretrigger=record.pretrigger // share,
        resolution=None if record.resolution is None else record.resolution / share,
        wide_codes=(),
    )
