"""How probable each explanation is, from the predictive densities over (ln f, ln d) at each capacitor.

Every cause is a mixture over its cases (`severity`): a case moves the healthy location by what the circuit
computes, so that

    p(x | cause) = sum_s w_s t(x; location + shift_s, A_s scale A_s' + D_s + measurement, freedom)

A_s leaves the spread of ln f as it is and lets the spread of ln d count by the share of the loss that is
still the winding's own; D_s is the doubt about the case itself, growing with the shift. Deliberate shorts
of the reference anchor the shorted cases: their own leakage weighs the cases, and their very neighbourhood
is a case too. A further cause, "none of these", spreads thinly over everything: where it wins nothing
known fits. What a case LOOKS like (its explanation) follows from its own shift: a short too slight to show
looks healthy, a leaky turn looks like a load, and the odds are kept apart by true cause.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError
from coilbell.winding.odds.cause import BLUNT, NOTHING, Cause, anchors
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy, fixed
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.reference import Reference

__all__ = ["CauseOdds", "Posterior", "posterior", "shorted_neighbourhoods"]

Array = npt.NDArray[np.float64]

_ANYWHERE = math.log(1 / 48)
"""Density of "none of these" for one ring: e^-3..e^3 in f times e^-4..e^4 in 1/Q."""

_LOG_SILENT = math.log(0.02)
"""Chance of no ring at all under "none of these"."""

_QUIET_SLOPE = 0.03
"""Usual size of d ln(1/Q)/d ln(amplitude) of copper and ferrite [1]."""

_JUNCTION_SLOPE = 1.0
"""The same of a junction that starts to conduct [1]."""

SHOWS = 3.0
"""Spreads of units by which a short has to move f or Q to be one that shows."""

_STRAY_RING = 0.02
"""Chance that a further capacitor's ring is another mode than the one followed."""


@dataclass(frozen=True, slots=True)
class CauseOdds:
    """One true cause: its prior and posterior probability and whether it is a shorted turn."""

    name: str
    shorted: bool
    prior: float
    probability: float


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probabilities after the rings.

    explanations: what may be said, sums to 1 with "none of these" as `undecided`; causes: what may be
    true, sums to 1; log10_ratio: log10 of p(rings | a turn shorted) over p(rings | none shorted);
    shorted: probability of a shorted turn for the prior `prior`.
    """

    explanations: dict[Explanation, float]
    causes: tuple[CauseOdds, ...]
    log10_ratio: float
    shorted: float
    prior: float
    tail: float
    """Probability that a healthy unit rings at least this far from the reference [0..1]."""
    log10_shows: float
    """log10 of p(rings | a short that shows on this part) over p(rings | nothing wrong): shorts too slight to
    show, which nothing can tell from a healthy winding, are left out of it."""


def posterior(
    rings: Sequence[Ring], healthy: Healthy, listed: Sequence[Cause], prior: float = 0.5
) -> Posterior:
    """Probabilities of causes and explanations.

    rings: one for each capacitor of `healthy`, in its order; listed: from `cause.causes`; prior:
    probability of a shorted turn before the ring. Raises InputError for a prior outside 0..1.
    """
    if not 0 < prior < 1:
        raise InputError(f"prior {prior!r} must lie between 0 and 1, such as 0.5")
    logs = [_evidence(cause, rings, healthy) for cause in listed]
    weights = np.array([(prior if c.shorted else 1 - prior) * c.share for c in listed])
    totals = np.array([_log_sum(rows) for rows in logs])
    odds = _normal(np.log(weights) + totals)
    return Posterior(
        _explained(listed, logs, odds) if rings[0].rings else _unheard(),
        tuple(
            CauseOdds(c.name, c.shorted, float(w), float(o))
            for c, w, o in zip(listed, weights, odds, strict=True)
        ),
        _ratio(listed, totals),
        float(sum(o for c, o in zip(listed, odds, strict=True) if c.shorted)),
        prior,
        _tail(rings, healthy),
        _shows_ratio(listed, logs, healthy),
    )


def shorted_neighbourhoods(healthy: Healthy, reference: Reference) -> tuple[tuple[str, Array, Array], ...]:
    """(what was shorted, location (2 m,), scale (2 m, 2 m)) of each deliberate short, as it is weighed."""
    return tuple(
        (how, healthy.location + shift, _case_scale(shift[None], healthy.scale, BLUNT)[0])
        for how, shift in anchors(healthy, reference)
    )


def _evidence(cause: Cause, rings: Sequence[Ring], healthy: Healthy) -> Array:
    """(n,) log of weight times density of each case."""
    log_weight = np.log(cause.weight)
    if not rings[0].rings:
        silent = np.isnan(cause.shift[:, 0]) | (cause.shift[:, len(rings)] > _silent_from(healthy))
        return log_weight + np.where(silent | cause.anywhere, _LOG_SILENT * cause.anywhere, -np.inf)
    amplitude = _amplitude(cause, rings)
    if cause.anywhere:
        return log_weight + amplitude + len(rings) * _ANYWHERE
    joint = _density(cause, rings, healthy, len(rings))
    if len(rings) > 1:
        # A further capacitor's strongest ring may be another mode: then only the first counts.
        first = _density(cause, rings, healthy, 1) + (len(rings) - 1) * _ANYWHERE
        joint = np.logaddexp(math.log1p(-_STRAY_RING) + joint, math.log(_STRAY_RING) + first)
    return log_weight + amplitude + joint


def _density(cause: Cause, rings: Sequence[Ring], healthy: Healthy, used: int) -> Array:
    """(n,) log density of the first `used` rings under each case; -inf where the case does not ring."""
    alive, shift, scale = _foreseen(cause, healthy, used)
    rows = _rows(healthy, used)
    scale = scale.copy()
    for k in range(used):
        pair = np.array([k, used + k])
        scale[:, pair[:, None], pair[None, :]] += rings[k].covariance
    point = np.array([r.point for r in rings[:used]]).T.ravel()
    deviation = point - healthy.location[rows] - shift
    return np.where(alive, _log_t(deviation, scale, healthy.freedom), -np.inf)


@lru_cache(maxsize=256)
def _foreseen(cause: Cause, healthy: Healthy, used: int) -> tuple[npt.NDArray[np.bool_], Array, Array]:
    """What each case foresees of the first `used` rings, kept for the next ring of the same part.

    (n,) True where it rings; (n, 2 u) its shift; (n, 2 u, 2 u) its scale without the ring's own error.
    """
    rows = _rows(healthy, used)
    shift = cause.shift[:, rows]
    alive = np.asarray(np.isfinite(shift).all(axis=1))
    shift = np.where(alive[:, None], shift, 0.0)
    scale = _case_scale(shift, healthy.scale[np.ix_(rows, rows)], cause.blunt)
    return alive, fixed(shift), fixed(scale)


def _rows(healthy: Healthy, used: int) -> npt.NDArray[np.int_]:
    """(2 u,) places of ln f and ln d of the first `used` capacitors."""
    return np.concatenate([np.arange(used), len(healthy.capacitors) + np.arange(used)])


def _case_scale(shift: Array, scale: Array, blunt: float) -> Array:
    """(n, 2 u, 2 u) scale of each case: what is left of the healthy spread, and the doubt of the case."""
    used = shift.shape[1] // 2
    own = np.concatenate([np.ones((len(shift), used)), np.minimum(1.0, np.exp(-shift[:, used:]))], axis=1)
    size = np.abs(shift[:, :1])
    foreign = 1 - own[:, used:].mean(axis=1, keepdims=True)
    # A case that hardly moves anything cannot be doubted by more than it moves.
    moved = np.minimum(1.0, 3 * (size + np.abs(shift[:, used : used + 1])))
    doubt_f = 0.003 * moved + 0.12 * size + 0.2 * blunt * moved
    doubt_d = 0.02 * moved + 0.12 * foreign + 0.15 * size + blunt * moved
    common = np.concatenate([np.repeat(doubt_f, used, axis=1), np.zeros_like(shift[:, used:])], axis=1)
    common_d = np.concatenate([np.zeros_like(shift[:, used:]), np.repeat(doubt_d, used, axis=1)], axis=1)
    result: Array = own[:, :, None] * scale * own[:, None, :]
    result += common[:, :, None] * common[:, None, :] + common_d[:, :, None] * common_d[:, None, :]
    index = np.arange(2 * used)
    result[:, index, index] += (0.25 * (common + common_d)) ** 2
    return result


def _log_t(deviation: Array, scale: Array, freedom: float) -> Array:
    """(n,) log density of the multivariate t at deviations (n, p) with scales (n, p, p)."""
    p = deviation.shape[1]
    factor = np.linalg.cholesky(scale)
    white = np.linalg.solve(factor, deviation[:, :, None])[:, :, 0]
    log_root = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    constant = math.lgamma((freedom + p) / 2) - math.lgamma(freedom / 2) - p / 2 * math.log(freedom * math.pi)
    bulk = np.log1p((white**2).sum(axis=1) / freedom)
    return np.asarray(constant - log_root - (freedom + p) / 2 * bulk, dtype=np.float64)


def _amplitude(cause: Cause, rings: Sequence[Ring]) -> float:
    """Log density of the slopes of loss over amplitude: a junction has one, copper hardly."""
    total = 0.0
    for ring in rings:
        if ring.amplitude is None:
            continue
        slope, spread = ring.amplitude.slope, ring.amplitude.uncertainty
        width = math.hypot(_JUNCTION_SLOPE if cause.junction else _QUIET_SLOPE, spread)
        total += float(_log_t(np.array([[slope]]), np.array([[[width**2]]]), 4.0)[0])
    return total


def _silent_from(healthy: Healthy) -> float:
    """Shift of ln d at which Q falls to 0.6 and no ring can be followed."""
    return -math.log(0.6) - float(healthy.location[len(healthy.capacitors)])


def _log_sum(rows: Array) -> float:
    top = float(rows.max())
    return top if top == -math.inf else top + math.log(float(np.exp(rows - top).sum()))


def _normal(logs: Array) -> Array:
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def _explained(listed: Sequence[Cause], logs: Sequence[Array], odds: Array) -> dict[Explanation, float]:
    totals = np.zeros(len(Explanation))
    for cause, rows, chance in zip(listed, logs, odds, strict=True):
        if chance > 0:
            np.add.at(totals, cause.looks, chance * _normal(rows))
    return {e: float(t) for e, t in zip(Explanation, totals, strict=True)}


def _unheard() -> dict[Explanation, float]:
    return {e: float(e is Explanation.NO_RING) for e in Explanation}


def _ratio(listed: Sequence[Cause], totals: Array) -> float:
    parts = [
        _log_sum(
            np.array(
                [math.log(c.share) + t for c, t in zip(listed, totals, strict=True) if c.shorted is flag]
            )
        )
        for flag in (True, False)
    ]
    return (parts[0] - parts[1]) / math.log(10)


def _shows_ratio(listed: Sequence[Cause], logs: Sequence[Array], healthy: Healthy) -> float:
    sides = []
    for shorted in (True, False):
        chosen = [
            (cause, rows, _shows(cause, healthy) if shorted else np.ones(len(cause.weight), dtype=bool))
            for cause, rows in zip(listed, logs, strict=True)
            if cause.shorted is shorted and (shorted or cause.anywhere or cause.name == NOTHING)
        ]
        total = sum(cause.share * float(cause.weight[mask].sum()) for cause, _, mask in chosen)
        found = [math.log(cause.share) + _log_sum(rows[mask]) for cause, rows, mask in chosen if mask.any()]
        sides.append(_log_sum(np.array(found)) - math.log(total))
    return (sides[0] - sides[1]) / math.log(10)


@lru_cache(maxsize=256)
def _shows(cause: Cause, healthy: Healthy) -> npt.NDArray[np.bool_]:
    """(n,) True where a case moves f or Q at the first capacitor by `SHOWS` spreads, or stills it."""
    first = np.array([0, len(healthy.capacitors)])
    moved = np.abs(cause.shift[:, first]) / healthy.between[first]
    shows = cause.anywhere | np.isnan(cause.shift[:, 0]) | (moved > SHOWS).any(axis=1)
    return np.asarray(shows, dtype=bool)


def _tail(rings: Sequence[Ring], healthy: Healthy) -> float:
    """Chance that a healthy unit lies at least as far from the reference as this ring."""
    if not rings[0].rings:
        return 0.0
    from scipy.stats import f as f_distribution

    point = np.array([r.point for r in rings]).T.ravel()
    scale = healthy.scale.copy()
    for k, ring in enumerate(rings):
        pick = np.ix_([k, len(rings) + k], [k, len(rings) + k])
        scale[pick] += ring.covariance
    deviation = point - healthy.location
    distance = float(deviation @ np.linalg.solve(scale, deviation))
    return float(f_distribution.sf(distance / point.size, point.size, healthy.freedom))
