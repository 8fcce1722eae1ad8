"""How probable the rings are under each case: one multivariate t over all rings of an item.

With R rings (each of one test capacitor at one stage) a case foresees

    x = (ln f, ln d) of all rings ~ t(location + shift, A S A' + D + measurement, freedom)

S is the healthy spread, shared by all rings since they are of one unit. A leaves the spread of ln f but for
what parallel coils take over, and lets the spread of ln d count by the share of the loss that is still the
winding's own. D is the doubt about the case itself: it grows with the shift, and of ln d with the distance in
ln f from where the loss was measured on the healthy unit, apart for each ring (open data: a loss found at
11 and 23 kHz says little at 38 and 78 kHz).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.observation import Ring

__all__ = ["ANYWHERE", "SILENT", "Frame", "case_scale", "log_t"]

Array = npt.NDArray[np.float64]

ANYWHERE = math.log(1 / 48)
"""Log density of "none of these" for one ring: e^-3..e^3 in f times e^-4..e^4 in 1/Q;
assumed."""

SILENT = math.log(0.02)
"""Chance that a ring fails for no known reason: a clip, a lead (assumed)."""

_SILENT_Q = 0.6
"""Q at which no ring can be followed (simulated: tests/truth)."""

_FAR_LOSS = 0.30
"""Doubt of ln 1/Q for each unit of ln f away from the healthy ring [1]; assumed, and held to open
data by tests/truth."""


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """The rings of an item, ready to be weighed: rows into the healthy density, scatter of measurement."""

    rings: tuple[Ring, ...]
    index: npt.NDArray[np.int_]
    """(R,) place of each ring's capacitor in the healthy density."""
    healthy: Healthy

    @classmethod
    def of(cls, rings: Sequence[Ring], index: Sequence[int], healthy: Healthy) -> Frame:
        """Rings with the places of their capacitors."""
        return cls(tuple(rings), np.asarray(index, dtype=np.int_), healthy)

    def first(self, count: int) -> Frame:
        """The frame of the first rings alone."""
        return Frame(self.rings[:count], self.index[:count], self.healthy)

    def rows(self, shift: Array) -> Array:
        """(n, 2 R) of shifts (n, 2 m) that are the same at every stage: ln f then ln d of each ring."""
        m = len(self.healthy.capacitors)
        return shift[:, np.concatenate([self.index, m + self.index])]

    def log_density(
        self,
        shift: Array,
        blunt: Array | float = 0.0,
        left: Array | None = None,
        alone: Array | None = None,
    ) -> Array:
        """(n,) log density of these rings under cases that shift them by (n, 2 R).

        nan in a shift foresees no ring. blunt: (n,) extra doubt of each case [ln]; left: (n, R) share of the
        inductance that is still the winding's own, 1 where left out; alone: (R, 2) doubt of ln f and
        ln d that each ring has for itself.
        """
        count = len(self.rings)
        rang = np.array([r.rings for r in self.rings])
        total = self._silence(shift, rang)
        if not rang.any():
            return total
        pick = np.concatenate([np.flatnonzero(rang), count + np.flatnonzero(rang)])
        foreseen = shift[:, pick]
        alive = np.asarray(np.isfinite(foreseen).all(axis=1))
        foreseen = np.where(alive[:, None], foreseen, 0.0)
        own = None if left is None else left[:, rang]
        frame = Frame(tuple(r for r in self.rings if r.rings), self.index[rang], self.healthy)
        return total + np.where(
            alive, frame._ringing(foreseen, blunt, own, None if alone is None else alone[rang]), -np.inf
        )

    def _silence(self, shift: Array, rang: npt.NDArray[np.bool_]) -> Array:
        """(n,) log chance that the silent ones of these rings are silent."""
        count, m = len(self.rings), len(self.healthy.capacitors)
        loss = shift[:, count:] + self.healthy.location[m + self.index]
        quiet = np.asarray(np.isnan(loss) | (loss > -math.log(_SILENT_Q)))
        missed = np.flatnonzero(~rang)
        chance: Array = np.where(quiet[:, missed], 0.0, SILENT)
        return np.asarray(chance.sum(axis=1), dtype=np.float64)

    def _ringing(self, shift: Array, blunt: Array | float, left: Array | None, alone: Array | None) -> Array:
        count, m = len(self.rings), len(self.healthy.capacitors)
        places = np.concatenate([self.index, m + self.index])
        point = np.array([r.point for r in self.rings]).T.ravel()
        scale = case_scale(shift, self.healthy.scale[np.ix_(places, places)], blunt, left)
        for k, ring in enumerate(self.rings):
            pair = np.array([k, count + k])
            scale[:, pair[:, None], pair[None, :]] += ring.covariance
        own = self._again(count) + (0.0 if alone is None else np.square(alone).T.ravel())
        scale[:, np.arange(2 * count), np.arange(2 * count)] += own
        deviation = point - self.healthy.location[places] - shift
        return log_t(deviation, scale, self.healthy.freedom)

    def _again(self, count: int) -> Array:
        """(2 R,) variance of a capacitor's ring taken again at another stage: the clips moved."""
        repeated = np.array([(self.index == k).sum() > 1 for k in self.index])
        spread_f, spread_d = self.healthy.repeat
        return np.concatenate([np.where(repeated, spread_f**2, 0.0), np.where(repeated, spread_d**2, 0.0)])


def case_scale(shift: Array, spread: Array, blunt: Array | float = 0.0, left: Array | None = None) -> Array:
    """(n, 2 R, 2 R) scale of cases that shift by (n, 2 R): what is left of the healthy spread, and the doubt.

    blunt, left: as of `Frame.log_density`.
    """
    count = shift.shape[1] // 2
    loss = np.minimum(1.0, np.exp(-shift[:, count:]))
    own = np.concatenate([np.ones_like(loss) if left is None else left, loss], axis=1)
    doubt = _doubt(shift, np.broadcast_to(np.asarray(blunt, dtype=np.float64), (len(shift),)))
    return np.asarray(own[:, :, None] * spread * own[:, None, :] + doubt, dtype=np.float64)


_DOUBT_F, _DOUBT_D = (0.003, 0.12), (0.02, 0.12, 0.15)
"""Doubt of a case: of ln f where it moves at all and by its shift; of ln d likewise, by the share of foreign
loss, and by the shift of ln f. simulated: exact circuits against the cases, tests/truth/test_faults_truth."""

_APART = 0.25
"""Share of the doubt that each ring has for itself (simulated)."""


_BLUNT_F = 0.2
"""Part of what a case leaves open of the loss that it leaves open of the frequency [1]; assumed."""


def _doubt(shift: Array, blunt: Array) -> Array:
    """(n, 2 R, 2 R) covariance of the doubt about each case."""
    count = shift.shape[1] // 2
    away, lost = np.abs(shift[:, :count]), shift[:, count:]
    foreign = 1 - np.minimum(1.0, np.exp(-lost))
    # A case that hardly moves anything cannot be doubted by more than it moves.
    moves = np.minimum(1.0, 3 * (away + np.abs(lost)))
    f = _DOUBT_F[0] * moves + _DOUBT_F[1] * away + _BLUNT_F * blunt[:, None] * moves
    d = _DOUBT_D[0] * moves + _DOUBT_D[1] * foreign + _DOUBT_D[2] * away + blunt[:, None] * moves
    zero = np.zeros_like(f)
    common_f, common_d = np.concatenate([f, zero], axis=1), np.concatenate([zero, d], axis=1)
    total = common_f[:, :, None] * common_f[:, None, :] + common_d[:, :, None] * common_d[:, None, :]
    apart = (_APART * (common_f + common_d)) ** 2
    apart[:, count:] += (_FAR_LOSS * away) ** 2
    index = np.arange(2 * count)
    total[:, index, index] += apart
    return np.asarray(total, dtype=np.float64)


def log_t(deviation: Array, scale: Array, freedom: float) -> Array:
    """(n,) log density of the multivariate t at deviations (n, p) with scales (n, p, p)."""
    p = deviation.shape[1]
    factor = np.linalg.cholesky(scale)
    white = np.linalg.solve(factor, deviation[:, :, None])[:, :, 0]
    log_root = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    constant = math.lgamma((freedom + p) / 2) - math.lgamma(freedom / 2) - p / 2 * math.log(freedom * math.pi)
    bulk = np.log1p((white**2).sum(axis=1) / freedom)
    return np.asarray(constant - log_root - (freedom + p) / 2 * bulk, dtype=np.float64)
