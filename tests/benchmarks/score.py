"""How an answer is judged against the truth.

normalised error   (estimate - truth) / (Cramer-Rao standard deviation of that record), for f, tau and Q
efficiency         root mean square of the normalised errors over all rings that did not fail; 1 is the
                   best an unbiased estimator can do, and its own standard error is about 1/sqrt(2 n)
gross failure      a ring of the truth that has no estimate, or whose estimate is off by more than
                   max(6 bounds, 3 % of the linewidth) in f or max(6 bounds, 3 %) in 1/Q, or a call that
                   raised.
                   A record fails when any of its rings does
K right            as many modes as the truth has rings

Estimates are paired with rings so that the sum of frequency distances in linewidths is least.
1/Q rather than Q decides about failure because its error is symmetrical.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from benchmarks.bound import RingBound
from benchmarks.signals import Ring

_BOUNDS = 6.0
"""Error, in bounds, that no estimator at the bound makes: once in 5e8."""
_SHARE = 0.03
"""Error that no use of a ring notices [of the linewidth, of 1/Q]."""


@dataclass(frozen=True)
class Estimate:
    """What a tool says of one ring; q is w0/(2 a)."""

    frequency_hz: float
    decay_per_s: float

    @property
    def q(self) -> float:
        if self.decay_per_s == 0:
            return float("inf")
        return float(np.hypot(2 * np.pi * self.frequency_hz, self.decay_per_s) / (2 * self.decay_per_s))


@dataclass(frozen=True)
class RingScore:
    """One ring's errors in bounds; `gross` when there is no usable estimate (errors are then nan)."""

    gross: bool
    frequency: float = float("nan")
    tau: float = float("nan")
    q: float = float("nan")
    estimate: int = -1
    """Which of the tool's estimates was paired with this ring."""


def paired(rings: Sequence[Ring], estimates: Sequence[Estimate]) -> dict[int, int]:
    """ring index -> estimate index."""
    if not rings or not estimates:
        return {}
    cost = np.array(
        [[min(abs(e.frequency_hz - r.frequency_hz) / r.linewidth_hz, 1e6) for e in estimates] for r in rings]
    )
    rows, columns = linear_sum_assignment(cost)
    return dict(zip(rows.tolist(), columns.tolist(), strict=True))


def score(
    rings: Sequence[Ring], limits: Sequence[RingBound], estimates: Sequence[Estimate]
) -> tuple[RingScore, ...]:
    """A score for each ring of the truth."""
    pairs = paired(rings, estimates)
    return tuple(
        _score_one(ring, limit, estimates[pairs[k]], pairs[k]) if k in pairs else RingScore(True)
        for k, (ring, limit) in enumerate(zip(rings, limits, strict=True))
    )


def _score_one(ring: Ring, limit: RingBound, estimate: Estimate, which: int) -> RingScore:
    if not (np.isfinite(estimate.frequency_hz) and np.isfinite(estimate.decay_per_s)):
        return RingScore(True)
    if estimate.decay_per_s <= 0:
        return RingScore(True, estimate=which)
    df = estimate.frequency_hz - ring.frequency_hz
    d_inverse_q = 1 / estimate.q - 1 / ring.q
    off_f = abs(df) > max(_BOUNDS * limit.frequency_hz, _SHARE * ring.linewidth_hz)
    off_q = abs(d_inverse_q) > max(_BOUNDS * limit.inverse_q, _SHARE / ring.q)
    if off_f or off_q:
        return RingScore(True, estimate=which)
    return RingScore(
        gross=False,
        frequency=df / limit.frequency_hz,
        tau=(1 / estimate.decay_per_s - ring.tau_s) / limit.tau_s,
        q=(estimate.q - ring.q) / limit.q,
        estimate=which,
    )


def efficiency(scores: Iterable[RingScore], what: str) -> float:
    """Root mean square of one normalised error over the rings that did not fail; nan without any."""
    errors = np.array([getattr(s, what) for s in scores if not s.gross])
    return float(np.sqrt(np.mean(errors**2))) if errors.size else float("nan")


def upper_limit(events: int, trials: int) -> float:
    """Upper end of the one-sided 95 % Clopper-Pearson interval of a rate."""
    from scipy.stats import beta

    return 1.0 if events >= trials else float(beta.ppf(0.95, events + 1, trials - events))
