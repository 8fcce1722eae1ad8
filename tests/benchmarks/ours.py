"""Our estimator, called as any user calls it, with all the benchmarks want to know of one record."""

from __future__ import annotations

import time
from dataclasses import dataclass

from benchmarks.bound import RingBound, bounds
from benchmarks.score import Estimate, RingScore, score
from benchmarks.signals import Case, Ring
from coilbell.decay import DoubtKind, Fit, Quantity, fit

MISMATCH = frozenset(
    {
        DoubtKind.AMPLITUDE_DEPENDENT,
        DoubtKind.FREQUENCY_DRIFT,
        DoubtKind.CONVERTER_NONLINEARITY,
        DoubtKind.TIME_SLIP,
        DoubtKind.COLOURED_RESIDUAL,
        DoubtKind.SHOTS_DISAGREE,
        DoubtKind.NOT_CONVERGED,
    }
)
"""Doubts that say "the model does not describe this record"; clipping, tones and shortness do not."""


@dataclass(frozen=True)
class Result:
    """One record's outcome, small enough to send between processes."""

    name: str
    rings: tuple[RingScore, ...]
    modes: int
    covered: tuple[tuple[float, bool, bool, bool], ...]
    """For each ring that did not fail: its frequency, and is the truth inside the interval of f, a, Q?"""
    doubts: frozenset[DoubtKind]
    seconds: float
    raised: str = ""

    @property
    def gross(self) -> bool:
        return bool(self.raised) or any(r.gross for r in self.rings)

    @property
    def mismatched(self) -> bool:
        return bool(self.doubts & MISMATCH)


def estimates(answer: Fit) -> tuple[Estimate, ...]:
    return tuple(Estimate(m.frequency_hz.value, m.decay_per_s.value) for m in answer.modes)


def fitted(case: Case, near: Fit | None = None) -> Fit:
    """`fit`, blind, from the first ringing sample on."""
    return fit(case.record, start_s=case.start_s, near=near)


def judged(case: Case, limits: tuple[RingBound, ...] | None = None) -> Result:
    """Fit one record and compare with its truth; limits: its bounds, where known already."""
    limits = bounds(case) if limits is None else limits
    began = time.perf_counter()
    try:
        answer = fitted(case)
    except Exception as error:  # a benchmark counts whatever goes wrong
        failed = tuple(RingScore(True) for _ in case.rings)
        return Result(
            case.name,
            failed,
            -1,
            (),
            frozenset(),
            time.perf_counter() - began,
            f"{type(error).__name__}: {error}",
        )
    seconds = time.perf_counter() - began
    scores = score(case.rings, limits, estimates(answer))
    covered = tuple(
        (ring.frequency_hz, *covers(ring, answer, s.estimate))
        for ring, s in zip(case.rings, scores, strict=True)
        if not s.gross
    )
    doubts = frozenset(d.kind for d in answer.doubts)
    return Result(case.name, scores, len(answer.modes), covered, doubts, seconds)


def covers(ring: Ring, answer: Fit, which: int) -> tuple[bool, bool, bool]:
    mode = answer.modes[which]
    return (
        inside(mode.frequency_hz, ring.frequency_hz),
        inside(mode.decay_per_s, ring.decay_per_s),
        inside(mode.q, ring.q),
    )


def inside(quantity: Quantity, truth: float) -> bool:
    return quantity.low <= truth <= quantity.high
