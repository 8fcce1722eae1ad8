"""Record -> Trace: sample steps, baseline, clipped samples, where the free ring starts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.decay.converter import levels, wide_codes
from coilbell.decay.solve import Array, Block, ramp
from coilbell.errors import InputError
from coilbell.record import Record, WideCode

__all__ = [
    "MIN_WINDOW",
    "Piece",
    "Trace",
    "blocks_of",
    "by_piece",
    "last_sample",
    "noise_variance",
    "quiet_variance",
    "toggling",
    "told_start",
    "trace",
]

MIN_WINDOW = 24
"""Fewest samples a window may hold [samples]."""
_MIN_BASELINE = 8
"""Fewest quiet samples that tell the noise [samples]."""
_STRAY = 6.0
"""Distance from the mean, in standard deviations, of a quiet sample that is no noise; seen once in 1e9."""
_NORMAL = 1.4826
"""Standard deviation of Gaussian noise in its median magnitude."""
_MIN_FLOOR = 64
"""Fewest samples of which the later half alone tells the noise [samples]."""
_MIN_REST = 500
"""Fewest samples from which two codes say that there is little noise."""


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """The window of one record that is fitted, in sampling steps and sample units."""

    times: Array
    """(n,) steps since the window's start."""
    uniform: bool
    values: Array
    """(n,) sample minus `reference`."""
    reference: float
    clipped: npt.NDArray[np.bool_] | None
    """(n,) samples on a rail, or None when none is."""
    wild: npt.NDArray[np.bool_] | None
    """(n,) samples that no decay can hold, or None where none was looked for or found."""
    rails: tuple[float, float] | None
    """Lowest and highest value the converter gives, minus `reference`."""
    step_s: float
    start_s: float
    baseline_variance: float | None
    """Variance of the samples before the pulse, or None when there are too few."""
    quantum: float
    """Smallest step of the samples, 0 when unknown."""
    wide: tuple[WideCode, ...]
    """Codes whose width was known and is undone in `values`."""
    first: int
    """Index of the window's first sample in the record."""

    @property
    def tame(self) -> Array | None:
        """(n,) 0 at wild samples and 1 elsewhere, or None without any."""
        return None if self.wild is None else (~self.wild).astype(np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Part of a trace that enters a fit: samples first..last, some of them masked."""

    trace: Trace
    first: int = 0
    last: int | None = None
    weights: Array | None = None
    """(length of the piece,) 0 where masked; None when all count."""

    def __len__(self) -> int:
        return (self.trace.values.size if self.last is None else self.last) - self.first

    @property
    def values(self) -> Array:
        """(length,) samples of the piece."""
        return self.trace.values[self.first : self.last]


def trace(
    record: Record, first: int, stop_s: float | None, quiet: int = 0, step_s: float | None = None
) -> Trace:
    """Cut the window to fit out of a record.

    first: index of its first sample; stop_s: its end on the record's own time axis [s], by default the last;
    quiet: how many of the record's first samples show nothing but noise;
    step_s: unit of time [s]; by default the record's own sampling step.
    Raises InputError when the window holds fewer than `MIN_WINDOW` samples.
    """
    last = last_sample(record, stop_s)
    if last - first < MIN_WINDOW:
        raise InputError(
            f"the window holds {max(0, last - first)} of the record's {len(record)} samples; "
            f"a fit needs {MIN_WINDOW}: widen it or capture a longer record"
        )
    raw = levels(record, first, last)
    reference = float(raw[-max(8, raw.size // 8) :].mean())
    rails = _rails(record, raw)
    codes = record.samples[first:last]
    clipped = None if rails is None else (codes <= rails[0]) | (codes >= rails[1])
    if clipped is not None and not clipped.any():
        clipped = None
    times, own_step = _steps(record, first, last, step_s)
    return Trace(
        times=times,
        uniform=record.uniform and (step_s is None or math.isclose(step_s, own_step, rel_tol=1e-12)),
        values=raw - reference,
        reference=reference,
        clipped=clipped,
        wild=None,
        rails=None if rails is None else (rails[0] - reference, rails[1] - reference),
        step_s=own_step if step_s is None else step_s,
        start_s=_time_of(record, first),
        baseline_variance=quiet_variance(record, quiet),
        quantum=record.resolution or (1.0 if record.samples.dtype.kind in "iu" else 0.0),
        wide=wide_codes(record),
        first=first,
    )


def _index_at(record: Record, time_s: float, after: bool = False) -> int:
    """First sample at or after a time; `after`: first sample beyond it."""
    if record.times_s is not None:
        return int(np.searchsorted(record.times_s, time_s, "right" if after else "left"))
    assert record.rate_hz is not None
    place = (time_s - record.first_s) * record.rate_hz
    near = round(place)
    if abs(place - near) < 1e-6 * max(1.0, abs(place)) * 1e-3:
        place = near
    return max(0, math.floor(place) + 1 if after else math.ceil(place))


def _time_of(record: Record, index: int) -> float:
    if record.times_s is not None:
        return float(record.times_s[index])
    assert record.rate_hz is not None
    return record.first_s + index / record.rate_hz


def _steps(record: Record, first: int, last: int, step_s: float | None) -> tuple[Array, float]:
    if record.times_s is None:
        assert record.rate_hz is not None
        own = 1 / record.rate_hz
        times = ramp(last - first)
        return (times if step_s is None else times * (own / step_s)), own
    window = record.times_s[first:last]
    own = float(np.median(np.diff(window)))
    return (window - window[0]) / (step_s or own), own


def told_start(record: Record, start_s: float | None) -> int | None:
    """Index of the window's first sample where the caller or the record says it, else None."""
    if start_s is not None:
        return _index_at(record, start_s)
    if record.pulse_s is not None:
        return _index_at(record, _time_of(record, record.pretrigger) + record.pulse_s) + 1
    return record.pretrigger or None


def last_sample(record: Record, stop_s: float | None) -> int:
    """Index behind the window's last sample."""
    return len(record) if stop_s is None else min(_index_at(record, stop_s, after=True), len(record))


def _rails(record: Record, window: Array) -> tuple[float, float] | None:
    """The converter's range: stated, or seen as two separate flat stretches at one extreme."""
    if record.full_scale is not None:
        return record.full_scale
    low, high = float(window.min()), float(window.max())
    seen_low, seen_high = _flat_twice(window == low), _flat_twice(window == high)
    if not (seen_low or seen_high):
        return None
    return (low if seen_low else -math.inf, high if seen_high else math.inf)


def _flat_twice(at_extreme: npt.NDArray[np.bool_]) -> bool:
    """Two or more separate runs of at least three samples: a decaying ring's own peaks never repeat so."""
    if int(at_extreme.sum()) < 6:
        return False
    edges = np.diff(np.concatenate(([0], at_extreme.astype(np.int8), [0])))
    runs = np.flatnonzero(edges < 0) - np.flatnonzero(edges > 0)
    return int((runs >= 3).sum()) >= 2


def quiet_variance(record: Record, quiet: int) -> float | None:
    """Variance of a record's first samples, clicks left out, or None for too few; quiet: how many of them."""
    if quiet < _MIN_BASELINE:
        return None
    rest = np.asarray(record.samples[:quiet], dtype=np.float64)
    variance = float(np.var(rest, ddof=1))
    if float(np.abs(rest - rest.mean()).max()) ** 2 > _STRAY**2 * variance:  # a click, not the noise
        middle = np.median(rest)
        spread = max(_NORMAL * float(np.median(np.abs(rest - middle))), record.resolution or 0.0)
        kept = rest[np.abs(rest - middle) <= _STRAY * spread]
        variance = float(np.var(kept, ddof=1)) if kept.size >= _MIN_BASELINE else variance
    return variance


def noise_variance(traces: Sequence[Trace]) -> float:
    """Noise variance to expect, floored at that of rounding (quantum^2 / 12).

    From the samples before the pulse; without them the lower of two that look at the window's later half:
    fourth differences, whose gain for white noise is 70 and which a slow ring barely touches, and the floor
    of the spectrum, which a fast ring hardly does.
    """
    floor = max(t.quantum**2 / 12 for t in traces)
    seen = [t.baseline_variance for t in traces if t.baseline_variance is not None]
    if not seen:
        seen = [min(_difference_variance(t.values), _floor_variance(t.values)) for t in traces]
    peak = max(float(np.abs(t.values).max()) for t in traces)
    return max(float(np.mean(seen)), floor, (1e-9 * peak) ** 2, 1e-300)


def toggling(traces: Sequence[Trace]) -> bool:
    """True when the last quarters of the windows lie on two neighbouring codes, and are long enough to tell.

    Noise of a quarter step would leave the two about once in 16000 samples, of 0.35 steps once in 230.
    """
    quarters = [t.values[-(t.values.size // 4) :] for t in traces]
    if sum(q.size for q in quarters) < _MIN_REST:
        return False
    return all(
        t.quantum > 0 and abs(float(np.ptp(q)) / t.quantum - 1) < 1e-6
        for q, t in zip(quarters, traces, strict=True)
    )


def _difference_variance(values: Array) -> float:
    later = values[values.size // 2 :] if values.size >= 64 else values
    fourth = np.diff(later, 4)
    return float((np.median(np.abs(fourth)) * _NORMAL) ** 2 / 70)


def _floor_variance(values: Array) -> float:
    """Noise variance from the median line of the spectrum, which a few ringing lines do not move.

    A line's power is chi-square with two degrees of freedom, so that its median lies at ln 2 of its mean. The
    window (Hann) keeps the ring's lines narrow.
    """
    later = values[values.size // 2 :] if values.size >= _MIN_FLOOR else values
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(later.size) + 0.5) / later.size)
    lines = np.fft.rfft((later - later.mean()) * window)[2:-1]
    power = lines.real**2 + lines.imag**2
    return float(np.median(power) / math.log(2) / (window @ window)) if power.size else math.inf


def blocks_of(pieces: Sequence[Piece]) -> list[Block]:
    """Blocks to solve; records with the same times and no mask share one."""
    blocks: list[Block] = []
    alike: dict[int, list[int]] = {}
    for i, piece in enumerate(pieces):
        if piece.trace.uniform and piece.weights is None:
            alike.setdefault(len(piece), []).append(i)
            continue
        times = piece.trace.times[piece.first : piece.first + len(piece)]
        values = piece.values[None]
        blocks.append(Block(times - times[0], piece.trace.uniform, values, piece.weights, (i,)))
    shared = [
        Block(ramp(size), True, np.array([pieces[i].values for i in members]), None, tuple(members))
        for size, members in alike.items()
    ]
    return shared + blocks


def by_piece(blocks: Sequence[Block], parts: Sequence[Array]) -> list[Array]:
    """Rows of parts, one (s, ...) for each block, in the order of the pieces."""
    rows = {
        m: row
        for block, part in zip(blocks, parts, strict=True)
        for m, row in zip(block.members, part, strict=True)
    }
    return [rows[i] for i in range(len(rows))]
