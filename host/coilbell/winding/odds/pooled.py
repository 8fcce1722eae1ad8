"""Good units rung with several testers, put together as one tester would ring them.

The ring j of unit u with tester t, moved to the tester of the rings judged by what is known of both, is

    y_j = mu + s_u + (b_t - b_0) + e_j

with s_u the unit's own deviation (covariance S), b the errors of each tester (capacitor's tolerance, what is
not known of its loss), e repeats and contacts. mu and b are the generalised least squares estimate and its
best linear predictor (Robinson 1991, doi:10.1214/ss/1177011926; from memory): where two testers rang the same
unit their difference is measured, else it widens what mu is known to.

A unit counts by the chance that it is a good one at all, by how the others foretell it:

    w_u = 1/(1 + e/(1 - e) t_v(z; S + K^2 S)/t_v(z; S))      e, K of faults.toml, z its distance to the rest
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.winding.odds.faultfile import value
from coilbell.winding.odds.observation import same_capacitor
from coilbell.winding.odds.reference import Reference
from coilbell.winding.odds.testerloss import Tester, loss_moved, tester_shares

__all__ = ["Pool", "pooled"]

Array = npt.NDArray[np.float64]

_KEPT_TOLERANCE = 0.1
"""Share of a tester's errors left when reference and measurement used the very same one [1]; assumed."""

_UNKNOWN_LOSS = 0.05
"""Standard uncertainty of ln 1/Q between two testers of which one states no loading [1]; assumed."""

_TURNS = 6
"""Times that the units are weighed anew; assumed: from the fourth on nothing moves."""


@dataclass(frozen=True, slots=True, eq=False)
class Pool:
    """Good units as the tester of the rings judged would ring them.

    location: (2 m,) ln f, then ln 1/Q; extra: (2 m, 2 m) covariance that testers give it; points: (n, 2 m) of
    the units; weights: (n,) chance that each is a good one [0..1]; scatter: (2 m, 2 m) weighted squares.
    """

    location: Array
    extra: Array
    points: Array
    weights: Array
    scatter: Array

    @property
    def count(self) -> float:
        """How many good units that is, at least one."""
        return max(float(self.weights.sum()), 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Rings with one test capacitor: unit of each, tester of each, ln f and ln 1/Q, variance of each."""

    unit: npt.NDArray[np.int_]
    tester: npt.NDArray[np.int_]
    y: Array
    noise: Array
    between: Array
    """(2, T, T) covariance of the testers' errors against ours."""
    contact: float


def pooled(
    reference: Reference, units: Sequence[str], with_: Sequence[Tester], spread: Array, weight: float
) -> Pool:
    """The units of a reference as these testers, one for each test capacitor, would ring them.

    spread: (2 m, 2 m) covariance from unit to unit before they are looked at, worth `weight` units.
    """
    m, n = len(with_), len(units)
    rows = [_rows(reference, units, tester) for tester in with_]
    weights = np.ones(n)
    for _ in range(_TURNS if n > 1 else 1):
        points, location = np.zeros((n, 2 * m)), np.zeros(2 * m)
        variance = np.zeros(2 * m)
        for k, one in enumerate(rows):
            for j, at in ((0, k), (1, m + k)):
                solved = _solved(one, j, n, spread[at, at], weights)
                location[at], variance[at], points[:, at] = solved
        before, weights = weights, _weighed(points, spread, weight)
        if np.abs(before - weights).max() < _SETTLED:
            break
    away = points - location
    extra = np.diag(variance + [one.contact if j else 0.0 for j in (0, 1) for one in rows])
    # Which units are the good ones is itself not sure: the variance of a mean of which each may drop out.
    doubt = (weights * (1 - weights))[:, None] * away
    extra += doubt.T @ away / max(float(weights.sum()), 1.0) ** 2
    return Pool(location, extra, points, weights, (weights[:, None] * away).T @ away)


_SETTLED = 1e-3
"""Change of a weight under which it is settled [1]; assumed."""


def _rows(reference: Reference, units: Sequence[str], ours: Tester) -> _Rows:
    kind = reference.kind
    stray = math.sqrt(kind.stray_farads[0] * kind.stray_farads[1])
    seen: dict[tuple[int, Tester], list[tuple[float, float, float, float]]] = {}
    for capture in reference.good:
        o = capture.observation
        if capture.unit in units and same_capacitor(o.capacitor, ours[0]):
            ring = math.log(o.natural_hz), math.log(o.loss), o.frequency_uncertainty, o.q_uncertainty
            seen.setdefault((units.index(capture.unit), (o.capacitor, o.loading, o.board)), []).append(ring)
    testers = list(dict.fromkeys(t for _, t in seen))
    means = np.array([np.mean(rings, axis=0) for rings in seen.values()])
    hz, loss = math.exp(means[:, 0].mean()), math.exp(means[:, 1].mean())
    mine = tester_shares(ours, hz, loss, stray)
    theirs = [tester_shares(t, hz, loss, stray) for t in testers]
    moved = np.array([_moved(ours, t, stray, mine[0], s[0]) for t, s in zip(testers, theirs, strict=True)])
    which = np.array([testers.index(t) for _, t in seen])
    counts = np.array([len(rings) for rings in seen.values()])
    repeat = np.array([kind.spread.repeat_frequency, kind.spread.repeat_loss]) ** 2
    noise = (repeat + means[:, 2:] ** 2) / counts[:, None]
    noise[:, 1] += np.array([s[2] for s in theirs])[which]
    between = np.array([_errors(ours, testers, stray), _losses(ours, testers, mine, theirs)])
    unit = np.array([u for u, _ in seen])
    return _Rows(unit, which, means[:, :2] + moved[which], noise, between, mine[2])


def _moved(ours: Tester, theirs: Tester, stray: float, mine: float, share: float) -> tuple[float, float]:
    """Change of ln f and ln 1/Q from their capacitor and tester to ours.

    What a tester takes besides its capacitor is moved where it is known of both.
    """
    if ours[1] is None or theirs[1] is None:
        part = ours[0].farads / _total(ours, stray, 0.0)
        return -0.5 * part * math.log(ours[0].farads / theirs[0].farads), 0.0
    ratio = _total(ours, stray, ours[1].farads) / _total(theirs, stray, theirs[1].farads)
    return -0.5 * math.log(ratio), loss_moved(mine, share)


def _total(tester: Tester, stray: float, input_farads: float) -> float:
    return tester[0].farads + stray + input_farads


def _same(ours: Tester, theirs: Tester) -> bool:
    return bool(ours[2]) and ours[2] == theirs[2] and ours[0] == theirs[0]


def _errors(ours: Tester, testers: Sequence[Tester], stray: float) -> Array:
    """(T, T) covariance of ln f between testers by the tolerance of their capacitors and what is not known of
    their inputs, against ours."""
    same = [_same(ours, t) for t in testers]
    return _against(_error(ours, stray), [_error(t, stray) for t in testers], same)


def _error(tester: Tester, stray: float) -> float:
    """Variance of ln f by a tester's own capacitances."""
    capacitor, load, _ = tester
    farads, unsure = (load.farads, load.farads_uncertainty) if load else (0.0, 0.0)
    return (
        math.hypot(capacitor.farads * capacitor.tolerance, unsure) / _total(tester, stray, farads) / 2
    ) ** 2


def _losses(
    ours: Tester,
    testers: Sequence[Tester],
    mine: tuple[float, float, float],
    theirs: Sequence[tuple[float, float, float]],
) -> Array:
    """(T, T) covariance of ln 1/Q between testers by what is not known of their losses, against ours."""
    variances = [
        _UNKNOWN_LOSS**2 if _apart(ours, t) else s[1] if t[1] is not None and ours[1] is not None else 0.0
        for t, s in zip(testers, theirs, strict=True)
    ]
    same = [bool(ours[2]) and t[2] == ours[2] for t in testers]
    known = ours[1] is not None and any(t[1] is not None for t in testers)
    return _against(mine[1] if known else 0.0, variances, same, kept=0.0)


def _apart(ours: Tester, theirs: Tester) -> bool:
    """True for two testers of which it is not known what the one takes more than the other."""
    unknown = (ours[1] is None, theirs[1] is None)
    two = bool(ours[2] and theirs[2] and ours[2] != theirs[2])
    return any(unknown) and (two or not all(unknown))


def _against(
    own: float, theirs: Sequence[float], same: Sequence[bool], kept: float = _KEPT_TOLERANCE
) -> Array:
    other = np.array([not one for one in same], dtype=float)
    alone = [kept**2 * (own + v) if s else v for v, s in zip(theirs, same, strict=True)]
    return np.asarray(own * np.outer(other, other) + np.diag(alone), dtype=np.float64)


def _solved(rows: _Rows, j: int, n: int, spread: float, weights: Array) -> tuple[float, float, Array]:
    """mu, the variance that the testers give it, and the units' points of figure j."""
    y, noise = rows.y[:, j], rows.noise[:, j]
    same_unit = rows.unit[:, None] == rows.unit
    own = spread / np.maximum(weights, _LEAST_WEIGHT)
    units = np.where(same_unit, own[rows.unit], 0.0) + np.diag(noise)
    testers = rows.between[j][np.ix_(rows.tester, rows.tester)]
    inverse = np.linalg.inv(units + testers)
    total = inverse.sum()
    mu = float(inverse.sum(axis=0) @ y / total)
    errors = testers @ inverse @ (y - mu)
    alone = 1 / np.linalg.inv(units).sum()
    share = 1 / noise
    points = np.bincount(rows.unit, share * (y - errors), n) / np.bincount(rows.unit, share, n)
    return mu, max(float(1 / total - alone), 0.0), points


_LEAST_WEIGHT = 1e-3
"""Least weight of a unit in that estimate, which divides by it [1]; assumed."""


def _weighed(points: Array, spread: Array, weight: float) -> Array:
    """(n,) chance that each unit is a good one, by all the others and the spread before them."""
    n, p = points.shape
    if n < 2:
        return np.ones(n)
    mislabelled, reach = value("units.mislabelled"), 1 + value("units.mislabelled_reach") ** 2
    weights = np.ones(n)
    for _ in range(_TURNS):
        total = weights.sum()
        centre = weights @ points / total
        away = points - centre
        scatter = (weights[:, None] * away).T @ away
        left = np.maximum(total - weights, _LEAST_WEIGHT)
        outer = away[:, :, None] * away[:, None, :]
        others = scatter - (weights * total / left)[:, None, None] * outer
        freedom = weight + np.maximum(left - 1, 0)
        wide = ((weight - 2) * spread + others) / freedom[:, None, None] * (1 + 1 / left)[:, None, None]
        # Its distance to the rest's centre is away * total/left.
        distance = np.einsum("ij,ij->i", away, np.linalg.solve(wide, away[:, :, None])[:, :, 0])
        distance *= (total / left) ** 2
        power = (freedom + p) / 2
        near = -power * np.log1p(distance / freedom)
        far = -power * np.log1p(distance / reach / freedom) - p / 2 * math.log(reach)
        odds = far - near + math.log(mislabelled / (1 - mislabelled))
        weights = 1 / (1 + np.exp(np.minimum(odds, _STEEP)))
        weights /= weights.max()  # where all contradict each other none of them is known to be the bad one
    return np.asarray(weights, dtype=np.float64)


_STEEP = 50.0
"""Log odds beyond which a chance is nothing [1]; assumed."""
