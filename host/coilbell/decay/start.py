"""Where the free ring starts, when neither the record nor the user says it.

A table from an oscilloscope may hold a quiet stretch, then whatever struck the winding, then the ring; or the
ring alone. Candidates for the first sample are tried in turn:

    where the samples leave a quiet beginning; the first of all;
    the largest excursion that is not wild; the largest of all

and the first stands from which the whole window follows its curve, with nothing but quiet before it. Where
none is like that, following the curve counts more than the quiet, and a ring more than none. Earlier samples
that follow the curve, drawn back, are taken in; first samples that do not follow it yet are left out
(`onset`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from coilbell.decay.converter import levels
from coilbell.decay.defects import main_mode
from coilbell.decay.model import Fit, ModeStep
from coilbell.decay.onset import onset
from coilbell.decay.prepare import MIN_WINDOW, Piece, by_piece, last_sample, quiet_variance, told_start, trace
from coilbell.decay.settle import Settled, settle
from coilbell.decay.solve import Array, Block, Structure, basis
from coilbell.decay.wild import wild
from coilbell.record import Record

__all__ = ["Window", "from_onset", "located"]

_QUIET = 8
"""Fewest samples that can show a quiet beginning [samples]."""
_DEPARTURE = 5.3
"""Distance from a quiet beginning's mean, in its standard deviations, that leaves it: once in 1e7 samples."""
_FOLLOWS = 6.0
"""Largest residual, in those of the window's later half, of first samples that follow the curve."""
_FOLLOWS_ALL = 1.9
"""Largest mean square of these: five of its standard deviations above 1."""
_BEST = 3
"""Rank of a start with nothing against it [1]."""
_FIRST = 64
"""How many first samples are looked at for that [samples]."""
_EXTEND = 3.0
"""Largest distance from the curve drawn back, in noise deviations, at which a sample is taken in: one that is
wrongly left out costs less than one taken in from before the ring."""
_DRAWN_BACK = 0.01
"""How far the curve drawn back may be off, in itself."""
_CYCLES_BACK = 4.0
"""How far back samples are looked for: so many cycles of the main mode, and no less than `_FIRST` samples."""


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """What of some records is fitted, but for its first samples."""

    records: list[Record]
    stop_s: float | None
    max_modes: int
    min_hz: float | None

    def settled(self, firsts: list[int], near: Fit | None = None, quiet: list[int] | None = None) -> Settled:
        """The fit from these samples on, one of each record; quiet: how many before them show noise alone."""
        rest = [r.pretrigger for r in self.records] if quiet is None else quiet
        start = trace(self.records[0], firsts[0], self.stop_s, rest[0])
        further = zip(self.records[1:], firsts[1:], rest[1:], strict=True)
        traces = [start] + [trace(r, first, self.stop_s, calm, start.step_s) for r, first, calm in further]
        warm = None if near is None else _poles(near, start.step_s)
        return settle(traces, self.max_modes, self.min_hz, warm)

    def holds(self, firsts: list[int]) -> bool:
        """True when enough samples are left."""
        pairs = zip(self.records, firsts, strict=True)
        return all(last_sample(r, self.stop_s) - first >= MIN_WINDOW for r, first in pairs)


def located(window: Window, near: Fit | None) -> Settled:
    """The fit from the best first samples."""
    tried: list[list[int]] = []
    stills = [
        _departure(np.asarray(r.samples, dtype=np.float64), r.resolution or 0.0) * 3 // 4
        for r in window.records
    ]
    found: list[tuple[int, Settled]] = []
    for firsts in map(list, zip(*(_candidates(r) for r in window.records), strict=True)):
        if firsts in tried or not window.holds(firsts):
            continue
        tried.append(firsts)
        quiet = [max(r.pretrigger, s) for r, s in zip(window.records, stills, strict=True)]
        calm = [min(q, first) for q, first in zip(quiet, firsts, strict=True)]
        settled = window.settled(firsts, near, calm)
        for one in (_grown_back(window, settled, calm), settled):
            found.append((_rank(one, window.records), one))
            if found[-1][0] == _BEST:
                return one
    if not found:
        return window.settled([0] * len(window.records), near)
    return max(reversed(found), key=lambda pair: pair[0])[1]


def _poles(near: Fit, step_s: float) -> tuple[Array, Structure]:
    theta: list[float] = []
    modes = (*near.modes, *near.tones)
    for one in modes:
        theta += [one.decay_per_s.value * step_s, 2 * np.pi * one.frequency_hz.value * step_s]
    theta += [r.decay_per_s.value * step_s for r in near.recoveries]
    return np.array(theta), Structure(len(modes), len(near.recoveries))


def from_onset(window: Window, settled: Settled) -> Settled:
    """Where the first samples do not follow the ring yet, begin after them."""
    skipped = onset(settled.blocks, settled.solution, settled.limits.noise_variance)
    firsts = [p.trace.first + skipped for p in settled.pieces]
    if not skipped or not window.holds(firsts):
        return settled
    later = window.settled(firsts)
    if not later.solution.structure.modes:
        return settled
    reason = f"first samples left out, which do not follow the ring yet: {skipped}"
    step = ModeStep("start of the window", skipped, 0.0, True, reason)
    return replace(later, account=(*later.account, step), skipped=skipped)


def _candidates(record: Record) -> tuple[int, ...]:
    told = told_start(record, None)
    if told is not None:
        return (told,) * 4
    samples = np.asarray(record.samples, dtype=np.float64)
    tail = float(np.median(samples[-max(8, samples.size // 8) :]))
    height = np.abs(samples - tail)
    tame = np.where(wild(samples, record.resolution or 0.0), 0.0, height)
    return _departure(samples, record.resolution or 0.0), 0, _early(tame), _early(height)


def _early(height: Array) -> int:
    """Index of the largest, or 0 where that would leave too little behind it."""
    peak = int(np.argmax(height))
    return peak if peak <= height.size - 2 * MIN_WINDOW else 0


def _departure(samples: Array, quantum: float) -> int:
    """First sample that leaves a quiet beginning: 0 where none does.

    A sample is held against the mean and scatter of the first three quarters of those before it, so that a
    slow ring does not carry them along. With few samples the scatter is hardly known: `allowance` grows as
    Student's t does.
    """
    place = np.arange(_QUIET * 4 // 3, samples.size - 2 * MIN_WINDOW)
    if not place.size:
        return 0
    count = place * 3 // 4
    rest = samples - samples[0]
    mean = np.cumsum(rest)[count - 1] / count
    square = np.cumsum(rest * rest)[count - 1] / count - mean * mean
    scatter = np.sqrt(np.maximum(square, quantum**2 / 12)) * np.sqrt(1 + 1 / count)
    allowance = _DEPARTURE * (1 + 12 / (count - 4))
    left = np.flatnonzero(np.abs(rest[place] - mean) > allowance * scatter)
    return int(place[left[0]]) if left.size else 0


def _rank(settled: Settled, records: list[Record]) -> int:
    """3 for a ring that follows its curve from the quiet on, 2 for one that follows it, 1 for another; 0."""
    if not settled.solution.structure.modes:
        return 0
    if not _follows(settled):
        return 1
    return _BEST if all(map(_quiet_before, settled.pieces, records, [settled] * len(records))) else 2


def _quiet_before(piece: Piece, record: Record, settled: Settled) -> bool:
    """True when the samples before a piece scatter no more than its residual."""
    before = quiet_variance(record, piece.trace.first)
    level = max(settled.solution.variance, settled.limits.noise_variance)
    return before is None or before < _FOLLOWS_ALL * level


def _follows(settled: Settled) -> bool:
    """True when the first samples stray no further from the curve than later ones."""
    for residual in by_piece(settled.blocks, settled.solution.residuals):
        later = residual[residual.size // 2 :]
        scatter = np.sqrt(float(later @ later) / later.size + settled.limits.quantum**2 / 12)
        first = residual[:_FIRST] / max(scatter, 1e-300)
        if float(np.abs(first).max()) > _FOLLOWS or float(first @ first) / first.size > _FOLLOWS_ALL:
            return False
    return True


def _grown_back(window: Window, settled: Settled, quiet: list[int]) -> Settled:
    """Take in the earlier samples that fit the curve; quiet: as in `Window.settled`."""
    if not settled.solution.structure.modes:
        return settled
    sets = by_piece(settled.blocks, settled.solution.coefficients)
    firsts = [
        piece.trace.first - _earlier(piece, record, coefficients, settled)
        for piece, record, coefficients in zip(settled.pieces, window.records, sets, strict=True)
    ]
    if all(first == p.trace.first for first, p in zip(firsts, settled.pieces, strict=True)):
        return settled
    return window.settled(firsts, None, [min(q, first) for q, first in zip(quiet, firsts, strict=True)])


def _earlier(piece: Piece, record: Record, coefficients: Array, settled: Settled) -> int:
    """How many samples before a piece still follow its curve."""
    solution, first = settled.solution, piece.trace.first
    cycles = _CYCLES_BACK * 2 * np.pi / solution.angular(main_mode(solution))
    count = min(first, max(int(cycles) + 1, _FIRST))
    if count == 0 or piece.first:
        return 0
    axis = record.time_axis
    times = (axis[first - count : first] - axis[first]) / piece.trace.step_s
    block = Block(times, False, np.zeros((1, count)))
    curve = coefficients @ basis(block, solution.theta, solution.structure)[: solution.structure.columns]
    seen = levels(record, first - count, first) - piece.trace.reference
    level = np.sqrt(max(solution.variance, settled.limits.noise_variance))
    off = np.flatnonzero(~(np.abs(seen - curve) <= _EXTEND * level + _DRAWN_BACK * np.abs(curve)))
    return count if not off.size else count - 1 - int(off[-1])
