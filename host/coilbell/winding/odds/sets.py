"""In circuit: what hangs on the winding is weighed together with the winding, stage after stage.

A particle is one case of the winding with one state of the set around it. Stages are taken from the one with
the least attached to the one with the most: at each, particles that explained the rings so far are kept
(systematic resampling, each hypothesis keeps its own number), what is attached only now is drawn anew, and
the rings of this stage weigh them. The mean weights of a hypothesis multiply to its evidence (sequential
Monte Carlo with fixed seeds; Chopin and Papaspiliopoulos, An Introduction to Sequential Monte Carlo,
ch. 10; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from coilbell.decay import LADDER_VOLTS
from coilbell.terms import Attached, Cause
from coilbell.winding.odds.attachment import (
    ATTACHED,
    Draws,
    conducting,
    draws,
    inductance_left,
    ring_in_set,
)
from coilbell.winding.odds.conduction import CORE_HEARD, log_conduction
from coilbell.winding.odds.density import ANYWHERE, Frame
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.hypothesis import Hypothesis
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.plane import ring_of
from coilbell.winding.odds.severity import Cases, cases
from coilbell.winding.odds.stage import Stage, attached

__all__ = ["Particles", "followed"]

Array = npt.NDArray[np.float64]

PARTICLES = {
    Cause.NOTHING: 1600,
    Cause.SHORTED: 1200,
    Cause.LEAKY: 400,
    Cause.LOAD: 400,
    Cause.CORE: 300,
    Cause.CAPACITANCE: 200,
}
"""Particles of each cause that is followed; more for those that a set can look like [1]; assumed."""

_SAME = {Cause.HIDDEN: Cause.NOTHING, Cause.JUNCTION: Cause.LOAD}
"""Causes that ring in circuit as another one does: a hidden short as nothing, a junction as a load."""

_SILENT = 0.02
"""Chance of no ring where none of these is true [0..1]; assumed."""

_STRAY_RING = 0.02
"""Chance that the rings of a stage are other modes than the one followed (assumed)."""

_SET_BLUNT = 0.03
"""How little lumped attachments say of a real set [ln 1/Q]; a fifth of it in ln f (assumed)."""


@dataclass(frozen=True, slots=True, eq=False)
class Particles:
    """What is left after all stages.

    evidence: (h,) log of each hypothesis' evidence in circuit, given what came before; of: (n,) hypothesis of
    each particle; weight: (n,) within its hypothesis, sums to 1; around: the sets; visible: what may be
    attached at the stage with the most; shift: (n, 2 R) of the rings at the stage with the least.
    """

    evidence: Array
    of: npt.NDArray[np.int_]
    weight: Array
    around: Draws
    visible: frozenset[Attached]
    shift: Array
    stands: npt.NDArray[np.int_]
    """(h,) the hypothesis whose particles stand for each, -1 for none."""
    stray: Array
    """(n,) how far each takes the rings of the last stage for another mode than the one followed [0..1]."""


def followed(
    listed: Sequence[Hypothesis],
    before: Sequence[Array],
    rings: Sequence[Ring],
    index: Sequence[int],
    healthy: Healthy,
    kind: Kind,
) -> Particles:
    """Weigh the rings in circuit.

    before: log weight of each case of each hypothesis, after the rings out of circuit; rings: all of the
    item, those out of circuit first; index: place of each one's capacitor in `healthy`.
    """
    stages = sorted(
        {r.stage for r in rings if r.stage.in_circuit}, key=lambda s: (len(attached(kind, s)), s.words)
    )
    apart = [k for k, r in enumerate(rings) if not r.stage.in_circuit]
    walk = _Walk(listed, before, healthy, kind)
    walk.start([rings[k] for k in apart], [index[k] for k in apart])
    for number, stage in enumerate(stages):
        at = [k for k, r in enumerate(rings) if r.stage == stage]
        walk.weigh(stage, [rings[k] for k in at], [index[k] for k in at], number)
    return walk.found()


class _Walk:
    """The particles on their way from stage to stage."""

    def __init__(
        self, listed: Sequence[Hypothesis], before: Sequence[Array], healthy: Healthy, kind: Kind
    ) -> None:
        self.listed, self.healthy, self.kind = listed, healthy, kind
        self.chosen = _first_of_each(listed)
        self.evidence = np.full(len(listed), -np.inf)
        self.stands = np.array([self._stands_for(h) for h in listed])
        counts = [PARTICLES[listed[k].cause] for k in self.chosen]
        self.of = np.repeat(self.chosen, counts)
        picked = [_systematic(before[k], n) for k, n in zip(self.chosen, counts, strict=True)]
        self.at = _joined([_taken(h.at, rows) for h, rows in self._pairs(picked)])
        outside = [h.shift[rows] for h, rows in self._pairs(picked)]
        self.outside = np.concatenate(outside)
        self.blunt = np.array([listed[k].blunt for k in self.of])
        self.log_weight = np.zeros(len(self.of))
        self.visible: frozenset[Attached] = frozenset()
        self.around = _off(draws(kind, len(self.of), 1))
        self.rings: list[Ring] = []
        self.index: list[int] = []
        self.shift = np.zeros((len(self.of), 0))
        self.left = np.zeros((len(self.of), 0))
        self.density = np.zeros(len(self.of))
        self.least = self.shift
        self.stray = np.zeros(len(self.of))

    def _pairs(self, picked: Sequence[npt.NDArray[np.int_]]) -> list[tuple[Hypothesis, npt.NDArray[np.int_]]]:
        return [(self.listed[k], rows) for k, rows in zip(self.chosen, picked, strict=True)]

    def start(self, rings: Sequence[Ring], index: Sequence[int]) -> None:
        """Take in the rings out of circuit, which weighed the cases already."""
        self.evidence[self.chosen] = 0.0
        for k, h in enumerate(self.listed):
            if h.anywhere or (h.cause is Cause.OPEN):
                self.evidence[k] = 0.0
        if not rings:
            return
        self.rings, self.index = list(rings), list(index)
        frame = Frame.of(rings, index, self.healthy)
        self.shift = frame.rows(self.outside)
        self.left = np.ones((len(self.of), len(rings)))
        self.density = frame.log_density(self.shift, self.blunt)

    def weigh(self, stage: Stage, rings: Sequence[Ring], index: Sequence[int], number: int) -> None:
        """The rings of one stage."""
        present = attached(self.kind, stage)
        if number:
            self._resample()
        fresh = draws(self.kind, len(self.of), 2 + number)
        new = present - self.visible
        self.around = self.around.with_columns(fresh, new)
        columns_of_new = [k for k, one in enumerate(ATTACHED) if one in new]
        drawn = fresh.log_weight[:, columns_of_new].sum(axis=1)
        self.visible = self.visible | present
        columns = [self._foreseen(r, present) for r in rings]
        amplitude = sum(c[3] for c in columns)
        self.rings += rings
        self.index += index
        done = self.shift.shape[1] // 2
        f = [self.shift[:, :done], *(c[0][:, None] for c in columns)]
        d = [self.shift[:, done:], *(c[1][:, None] for c in columns)]
        self.shift = np.concatenate([*f, *d], axis=1)
        self.left = np.concatenate([self.left, *(c[2][:, None] for c in columns)], axis=1)
        if number == 0:
            self.least = np.stack([c[0] for c in columns] + [c[1] for c in columns], axis=1)
        frame = Frame.of(self.rings, self.index, self.healthy)
        whole = frame.log_density(self.shift, self.blunt + _SET_BLUNT, self.left)
        stray = self.density + sum(ANYWHERE for r in rings if r.rings)
        density = np.logaddexp(math.log1p(-_STRAY_RING) + whole, math.log(_STRAY_RING) + stray)
        with np.errstate(invalid="ignore"):
            self.stray = np.nan_to_num(np.exp(math.log(_STRAY_RING) + stray - density))
            gained = np.where(np.isfinite(self.density), density - self.density, -np.inf)
        # What a ladder says of junctions holds whichever mode it was.
        self.log_weight = gained + drawn + amplitude
        self.density = density
        self._count(rings)

    def _foreseen(self, ring: Ring, present: frozenset[Attached]) -> tuple[Array, Array, Array, Array]:
        """Shift of ln f and ln d, the share of the inductance that is still the winding's own, and the log
        density of what a ladder told."""
        tank, farads = self.healthy.tank, ring.capacitor.farads
        still_f, still_d = ring_of(tank, cases(1), farads)
        f, d = ring_in_set(tank, self.at, self.around, present, farads)
        left = inductance_left(tank, self.around, present)
        told = np.zeros(len(self.of))
        if ring.law is not None:
            junctions = conducting(tank, self.at, self.around, present, farads, (f, d))
            told = log_conduction(ring.law, *junctions, self._core_rise(ring))
        return f - still_f[0], d - still_d[0], left, told

    def _core_rise(self, ring: Ring) -> float:
        """Rise of this ring's loss that the healthy winding's own core makes."""
        rate = math.pi * math.exp(float(ring.point[0] + ring.point[1]))
        return self.healthy.core_per_volt * (LADDER_VOLTS[2] - LADDER_VOLTS[0]) * CORE_HEARD / rate

    def _count(self, rings: Sequence[Ring]) -> None:
        """Add the mean weight of this stage to each hypothesis' evidence."""
        for k in self.chosen:
            rows = self.log_weight[self.of == k]
            self.evidence[k] += _log_mean(rows)
        for k, h in enumerate(self.listed):
            if k not in self.chosen and self.stands[k] >= 0:
                self.evidence[k] = self.evidence[self.stands[k]]
            if h.anywhere:
                self.evidence[k] += sum(ANYWHERE if r.rings else math.log(_SILENT) for r in rings)
            elif h.cause is Cause.OPEN and any(r.rings for r in rings):
                self.evidence[k] = -np.inf

    def _stands_for(self, one: Hypothesis) -> int:
        """The hypothesis whose particles stand for this one, -1 for none."""
        cause = _SAME.get(one.cause, one.cause)
        return next((k for k in self.chosen if self.listed[k].cause is cause), -1)

    def _resample(self) -> None:
        rows = []
        for k in self.chosen:
            own = np.flatnonzero(self.of == k)
            rows.append(own[_systematic(self.log_weight[own], len(own))])
        taken = np.concatenate(rows)
        self.at = _taken(self.at, taken)
        self.around = self.around.taken(taken)
        self.shift, self.left = self.shift[taken], self.left[taken]
        self.density, self.least = self.density[taken], self.least[taken]
        self.log_weight = np.zeros(len(self.of))

    def found(self) -> Particles:
        weight = np.zeros(len(self.of))
        for k in self.chosen:
            own = self.of == k
            weight[own] = _normal(self.log_weight[own])
        return Particles(
            self.evidence, self.of, weight, self.around, self.visible, self.least, self.stands, self.stray
        )


def _first_of_each(listed: Sequence[Hypothesis]) -> list[int]:
    """The first hypothesis with cases of each cause that is followed."""
    found: dict[Cause, int] = {}
    for k, one in enumerate(listed):
        if one.at is not None and one.cause in PARTICLES:
            found.setdefault(one.cause, k)
    return list(found.values())


def _off(around: Draws) -> Draws:
    return replace(around, there=np.zeros_like(around.there))


def _systematic(log_weight: Array, count: int) -> npt.NDArray[np.int_]:
    """`count` rows drawn by weight at even steps, from the middle of the first."""
    weight = _normal(log_weight)
    places = (np.arange(count) + 0.5) / count
    return np.minimum(np.searchsorted(np.cumsum(weight), places), len(weight) - 1)


def _normal(logs: Array) -> Array:
    top = logs.max()
    if not np.isfinite(top):
        return np.full(len(logs), 1 / len(logs))
    weight = np.exp(logs - top)
    return np.asarray(weight / weight.sum(), dtype=np.float64)


def _log_mean(logs: Array) -> float:
    top = float(logs.max())
    return top if not math.isfinite(top) else top + math.log(float(np.exp(logs - top).mean()))


def _taken(at: Cases | None, rows: npt.NDArray[np.int_]) -> Cases:
    assert at is not None
    return Cases(**{field.name: getattr(at, field.name)[rows] for field in fields(at)})


def _joined(parts: Sequence[Cases]) -> Cases:
    return Cases(
        **{field.name: np.concatenate([getattr(p, field.name) for p in parts]) for field in fields(parts[0])}
    )
