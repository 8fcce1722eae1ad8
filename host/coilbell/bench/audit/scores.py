"""Cases -> shares with intervals, scores, and how far stated and found odds lie apart.

With stated odds p, y and w of `cases`, sums over the cases:

    Brier score        sum w [y (1 - p)^2 + (1 - y) p^2] / sum w                        (Brier 1950)
    log score [bit]    -sum w [y log2 p + (1 - y) log2(1 - p)] / sum w                  (Good 1952)
    calibration gap    sum over ten bins of p of |sum w (p - y)| / sum w          (expected calibration error)

The first two are the scores expected over what the outcome leaves open. An interval of a share is Clopper's
and Pearson's (1934) with k = sum w y of n = sum w, which need not be whole:

    beta_(0.025)(k, n - k + 1) to beta_(0.975)(k + 1, n - k)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
import numpy.typing as npt

from coilbell.bench.audit.cases import Case
from coilbell.bench.facts.audit import BinFacts, SaidFacts, ScoreFacts, ShareFacts
from coilbell.terms import Headline

__all__ = [
    "INTERVAL",
    "bins_of",
    "gap",
    "interval",
    "least_number",
    "resolution",
    "said_of",
    "score_of",
    "share",
]

Array = npt.NDArray[np.float64]

INTERVAL = 0.95
"""Part of the intervals that hold the truth, at least [1]."""

_BINS = 10

_TELLING = 0.2
"""Half width of an interval from which on a share tells something [1]; assumed."""

_MANY = 5000
"""Cases from which the gap needs no comparison: a perfect judge's stays under 0.02 then (simulated)."""

_DRAWS = 400
_SEED = 21
"""Perfect judges drawn, always the same ones."""


def interval(k: float, n: float, level: float = INTERVAL) -> tuple[float, float]:
    """Clopper's and Pearson's interval of a share, of k in n cases; the whole of 0 to 1 without any."""
    from scipy.special import betaincinv

    if n <= 0:
        return 0.0, 1.0
    k = min(max(k, 0.0), n)
    tail = (1 - level) / 2
    low = float(betaincinv(k, n - k + 1, tail)) if k > 0 else 0.0
    high = float(betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
    return low, high


def share(k: float, n: float) -> ShareFacts:
    """A share of weights with its interval."""
    low, high = interval(k, n)
    return ShareFacts(share=min(max(k / n, 0.0), 1.0) if n > 0 else None, low=low, high=high, weight=n)


def resolution(n: float) -> float:
    """Half width of the interval of a share near one half, the widest [1]."""
    low, high = interval(n / 2, n)
    return (high - low) / 2


@cache
def least_number() -> int:
    """Fewest cases by which a share is known to `_TELLING`."""
    return next(n for n in range(1, 1000) if resolution(n) <= _TELLING)


def score_of(cases: Sequence[Case]) -> ScoreFacts | None:
    """Scores of the cases that state odds; None for too few to tell anything."""
    p, y, w = _columns(cases)
    total = float(w.sum())
    if total < least_number():
        return None
    base = np.full_like(p, (w * y).sum() / total)
    return ScoreFacts(
        items=p.size,
        weight=total,
        brier=_brier(p, y, w),
        brier_base=_brier(base, y, w),
        log=_log(p, y, w),
        log_base=_log(base, y, w) or 0.0,
        gap=gap(p, y, w),
        gap_usual=_usual_gap(p, w) if p.size < _MANY else None,
    )


def bins_of(cases: Sequence[Case]) -> tuple[BinFacts, ...]:
    """Stated against found, in ten bins; those without a case are left out."""
    p, y, w = _columns(cases)
    place = _place(p)
    found = []
    for k in range(_BINS):
        rows = place == k
        if rows.any() and w[rows].sum() > 0:
            found.append(
                BinFacts(
                    low=k / _BINS,
                    high=(k + 1) / _BINS,
                    items=int(rows.sum()),
                    stated=float(np.average(p[rows], weights=w[rows])),
                    found=share(float((w * y)[rows].sum()), float(w[rows].sum())),
                )
            )
    return tuple(found)


def said_of(cases: Sequence[Case]) -> tuple[SaidFacts, ...]:
    """How often the headlines that answer were right."""
    found = []
    for headline in (Headline.SHORTED, Headline.NO_SHORT):
        said = [case for case in cases if case.headline is headline and case.stated is not None]
        p, y, w = _columns(said)
        if headline is Headline.NO_SHORT:
            p, y = 1 - p, 1 - y
        total = float(w.sum())
        found.append(
            SaidFacts(
                headline=str(headline),
                items=len(said),
                stated=float(np.average(p, weights=w)) if total else None,
                right=share(float((w * y).sum()), total),
            )
        )
    return tuple(found)


def gap(p: Array, y: Array, w: Array) -> float:
    """Calibration gap of stated odds p, truths y, weights w, (n,) each."""
    sums = np.bincount(_place(p), w * (p - y), _BINS)
    return float(np.abs(sums).sum() / w.sum())


def _usual_gap(p: Array, w: Array) -> float:
    """Gap that `INTERVAL` of judges stay under whose every stated probability is true."""
    rng, member = np.random.default_rng(_SEED), np.eye(_BINS)[_place(p)]
    true = rng.random((_DRAWS, p.size)) < p
    sums = (w * (p - true)) @ member
    return float(np.quantile(np.abs(sums).sum(axis=1) / w.sum(), INTERVAL))


def _brier(p: Array, y: Array, w: Array) -> float:
    return float((w * (y * (1 - p) ** 2 + (1 - y) * p**2)).sum() / w.sum())


def _log(p: Array, y: Array, w: Array) -> float | None:
    """None where it is infinite: something that was stated to be impossible was true."""
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = [np.where(part > 0, part * np.log2(chance), 0.0) for part, chance in ((y, p), (1 - y, 1 - p))]
    found = float(-(w * sum(terms)).sum() / w.sum())
    return found if math.isfinite(found) else None


def _columns(cases: Sequence[Case]) -> tuple[Array, Array, Array]:
    """Stated odds, truths and weights of the cases that state odds."""
    rows = [(case.stated, case.shorted, case.weight) for case in cases if case.stated is not None]
    p, y, w = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    return p, y, w


def _place(p: Array) -> npt.NDArray[np.intp]:
    return np.minimum((p * _BINS).astype(np.intp), _BINS - 1)
