"""Cases -> shares with intervals, scores, and how far stated and found odds lie apart.

With stated odds p, and y, w, s and e of `cases`, sums over the cases:

    Brier score        sum w [y (1 - p)^2 + (1 - y) p^2] / sum w                        (Brier 1950)
    log score [bit]    -sum w [y log2 p + (1 - y) log2(1 - p)] / sum w                  (Good 1952)

which are the scores expected over what the outcome leaves open. Shares are held against what is found by
taking the finder's errors for a channel that does not know of the ring: of shorted ones he names s, of others
e. With z = 1 where he names a shorted turn, else 0, and means weighed by w,

    found              (mean z - mean e)/(mean s - mean e)
    calibration gap    sum over ten bins of p of |sum w [p - (z - e)/(s - e)]| / sum w

the latter known as expected calibration error. The interval of mean z is Clopper's and Pearson's (1934) with
n = (sum w)^2/sum w^2 and k = n mean z, which need not be whole; that of the share found follows by the line:

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
    "found_share",
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


def found_share(cases: Sequence[Case], *, shorted: bool = True) -> ShareFacts:
    """Share of the cases in which a turn was shorted, or was not, with its interval."""
    w = np.array([case.weight for case in cases])
    if not w.sum() > 0:
        return ShareFacts(share=None, low=0.0, high=1.0, weight=0.0)
    named = [bool(case.outcome.shorted) for case in cases]
    sure = [case.outcome.sure for case in cases]
    z, s, e = (float(np.average(one, weights=w)) for one in (named, sure, [_named_wrongly(c) for c in cases]))
    n = float(w.sum() ** 2 / (w**2).sum())
    ends = [min(max((one - e) / (s - e), 0.0), 1.0) for one in (z, *interval(n * z, n))]
    middle, low, high = ends if shorted else (1 - ends[0], 1 - ends[2], 1 - ends[1])
    return ShareFacts(share=middle, low=low, high=high, weight=float(w.sum()))


def _named_wrongly(case: Case) -> float:
    """How often the finder names a shorted turn where there is none."""
    return (1 - case.outcome.sure) * case.base


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
        gap=gap(p, _named(cases), w),
        gap_usual=_usual_gap(cases) if p.size < _MANY else None,
    )


def bins_of(cases: Sequence[Case]) -> tuple[BinFacts, ...]:
    """Stated against found, in ten bins; those without a case are left out."""
    stating = _telling(cases)
    p, _, w = _columns(stating)
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
                    found=found_share([case for case, row in zip(stating, rows, strict=True) if row]),
                )
            )
    return tuple(found)


def said_of(cases: Sequence[Case]) -> tuple[SaidFacts, ...]:
    """How often the headlines that answer were right."""
    found = []
    for headline in (Headline.SHORTED, Headline.NO_SHORT):
        said = [case for case in cases if case.headline is headline and case.stated is not None]
        p, _, w = _columns(said)
        p = 1 - p if headline is Headline.NO_SHORT else p
        total = float(w.sum())
        found.append(
            SaidFacts(
                headline=str(headline),
                items=len(said),
                stated=float(np.average(p, weights=w)) if total else None,
                right=found_share(said, shorted=headline is Headline.SHORTED),
            )
        )
    return tuple(found)


def gap(p: Array, y: Array, w: Array) -> float:
    """Calibration gap of stated odds p, truths y, weights w, (n,) each."""
    sums = np.bincount(_place(p), w * (p - y), _BINS)
    return float(np.abs(sums).sum() / w.sum())


def _named(cases: Sequence[Case]) -> Array:
    """(z - e)/(s - e) of the cases that state odds: in the mean 1 of shorted ones and 0 of others."""
    rows = [(one.outcome.shorted, one.outcome.sure, _named_wrongly(one)) for one in _telling(cases)]
    z, s, e = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    return np.asarray((z - e) / (s - e), dtype=np.float64)


def _usual_gap(cases: Sequence[Case]) -> float:
    """Gap that `INTERVAL` of judges stay under whose every stated probability is true, by finders as sure."""
    stating = _telling(cases)
    p, _, w = _columns(stating)
    s = np.array([case.outcome.sure for case in stating])
    e = np.array([_named_wrongly(case) for case in stating])
    rng, member = np.random.default_rng(_SEED), np.eye(_BINS)[_place(p)]
    true = rng.random((_DRAWS, p.size)) < p
    named = rng.random((_DRAWS, p.size)) < np.where(true, s, e)
    sums = (w * (p - (named - e) / (s - e))) @ member
    return float(np.quantile(np.abs(sums).sum(axis=1) / w.sum(), INTERVAL))


def _brier(p: Array, y: Array, w: Array) -> float:
    return float((w * (y * (1 - p) ** 2 + (1 - y) * p**2)).sum() / w.sum())


def _log(p: Array, y: Array, w: Array) -> float | None:
    """None where it is infinite: something that was stated to be impossible was true."""
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = [np.where(part > 0, part * np.log2(chance), 0.0) for part, chance in ((y, p), (1 - y, 1 - p))]
    found = float(-(w * sum(terms)).sum() / w.sum())
    return found if math.isfinite(found) else None


def _telling(cases: Sequence[Case]) -> list[Case]:
    """Those that state odds and whose outcome tells more than a coin."""
    return [case for case in cases if case.stated is not None and case.weight > 0]


def _columns(cases: Sequence[Case]) -> tuple[Array, Array, Array]:
    """Stated odds, truths and weights of the cases that state odds."""
    rows = [(case.stated, case.shorted, case.weight) for case in _telling(cases)]
    p, y, w = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    return p, y, w


def _place(p: Array) -> npt.NDArray[np.intp]:
    return np.minimum((p * _BINS).astype(np.intp), _BINS - 1)
