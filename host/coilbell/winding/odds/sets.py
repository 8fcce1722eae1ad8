"""In circuit: what hangs on the winding is weighed together with the winding, stage after stage.

A particle is one case of the winding with one state of the set around it. Stages are taken from the one with
the least attached to the one with the most: at each, particles that explained the rings so far are kept
(systematic resampling, each hypothesis keeps its own number), what is attached only now is drawn anew, and
the rings of this stage weigh them. The mean weights of a hypothesis multiply to its evidence (sequential
Monte Carlo with fixed seeds; Chopin and Papaspiliopoulos, An Introduction to Sequential Monte Carlo,
ch. 10; from memory). Where few draws hit the rings, and the hypothesis is not out of the question, more are
drawn near those that did (`cloud`), until the odds no longer hang on which were drawn.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from coilbell.decay import LADDER_VOLTS
from coilbell.terms import Attached, Cause
from coilbell.winding.odds.attachment import (
    ATTACHED,
    SEED,
    Draws,
    chances,
    conducting,
    draws,
    inductance_left,
    ring_in_set,
)
from coilbell.winding.odds.cloud import Cloud, Near, ancestors, joined, normal, systematic, taken
from coilbell.winding.odds.conduction import log_conduction
from coilbell.winding.odds.density import ANYWHERE, Frame
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.hypothesis import Hypothesis
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.law import core_loss
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.plane import ring_of
from coilbell.winding.odds.severity import Cases, cases
from coilbell.winding.odds.stage import Stage, attached

__all__ = ["Particles", "followed"]

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int_]

PARTICLES = {
    Cause.NOTHING: 1600,
    Cause.SHORTED: 1200,
    Cause.LEAKY: 600,
    Cause.LOAD: 600,
    Cause.CORE: 400,
    Cause.CAPACITANCE: 400,
}
"""Particles of each cause that is followed; more for those that a set can look like [1]; assumed."""

_ROUNDS = 2
"""Times that more are drawn at one stage, at the most [1]; assumed."""

_EFFECTIVE = 1000
"""Particles that a cause's evidence at a stage has to rest on, by their weights [1]: its relative error is
one over the root; computed."""

_KEPT = 2000
"""Particles of a cause that go on to the next stage, at the most [1]; assumed."""

_HOPELESS = 8.0
"""Under the best by so much, in log odds, a cause is followed no closer: it is one in 3000; assumed."""

_SAME = {Cause.HIDDEN: Cause.NOTHING, Cause.JUNCTION: Cause.LOAD}
"""Causes that ring in circuit as another one does: a hidden short as nothing, a junction as a load."""

_SILENT = 0.02
"""Chance of no ring where none of these is true [0..1]; assumed."""

_STRAY_RING = 0.02
"""Chance that the rings of a stage are other modes than the one followed (assumed)."""

_SET_BLUNT = 0.03
"""How little lumped attachments say of a real set [ln 1/Q]; a fifth of it in ln f (assumed)."""


_ALONE = (0.03, 0.15)
"""How far, in ln f and ln 1/Q, a real set's ring lies from that of its lumped elements, at each ring for
itself; assumed. Wider, the mean log score of the truth over drawn sets gained (0.236 to 0.225,
tests/benchmarks/incircuit.py), and the odds hang less on which sets were drawn."""


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
    weights: Array,
) -> Particles:
    """Weigh the rings in circuit.

    before: log weight of each case of each hypothesis, after the rings out of circuit; rings: all of the
    item, those out of circuit first; index: place of each one's capacitor in `healthy`; weights: (h,) prior
    of each hypothesis.
    """
    stages = sorted(
        {r.stage for r in rings if r.stage.in_circuit}, key=lambda s: (len(attached(kind, s)), s.words)
    )
    apart = [k for k, r in enumerate(rings) if not r.stage.in_circuit]
    with np.errstate(divide="ignore"):
        standing = np.log(weights) + np.array([_log_sum(rows) for rows in before])
    walk = _Walk(listed, before, healthy, kind, standing)
    walk.start([rings[k] for k in apart], [index[k] for k in apart])
    for number, stage in enumerate(stages):
        at = [k for k, r in enumerate(rings) if r.stage == stage]
        walk.weigh(stage, [rings[k] for k in at], [index[k] for k in at], number)
    return walk.found()


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    """One stage on the way: what is new at it, and what it is weighed by."""

    present: frozenset[Attached]
    rings: tuple[Ring, ...]
    frame: Frame
    """Of all rings up to this stage."""
    columns: tuple[int, ...]
    """Attachments that are new at this stage."""
    met: Array
    """(k,) how often each new one is met, and how often it is drawn."""
    drawn: Array
    number: int

    def drawn_over_met(self, around: Draws) -> Array:
        """(n,) density of first draws over that of the prior."""
        there = around.there[:, self.columns]
        return np.asarray(
            np.where(there, self.drawn / self.met, (1 - self.drawn) / (1 - self.met)).prod(axis=1),
            dtype=np.float64,
        )


class _Walk:
    """The particles on their way from stage to stage."""

    def __init__(
        self,
        listed: Sequence[Hypothesis],
        before: Sequence[Array],
        healthy: Healthy,
        kind: Kind,
        standing: Array,
    ) -> None:
        self.listed, self.healthy, self.kind, self.standing = listed, healthy, kind, standing
        self.chosen = _first_of_each(listed)
        self.evidence = np.full(len(listed), -np.inf)
        self.stands = np.array([self._stands_for(h) for h in listed])
        self.visible: frozenset[Attached] = frozenset()
        self.rings: list[Ring] = []
        self.index: list[int] = []
        self.cloud = joined([self._begun(k, before[k]) for k in self.chosen])

    def _begun(self, k: int, before: Array) -> Cloud:
        """Particles of one hypothesis, with nothing around them."""
        one, n = self.listed[k], PARTICLES[self.listed[k].cause]
        rows, none = systematic(before, n), np.zeros((n, 0))
        assert one.at is not None
        around = draws(self.kind, n, 0)
        around = replace(around, there=np.zeros_like(around.there))
        return Cloud(
            of=np.full(n, k),
            parent=rows,
            at=taken(one.at, rows),
            around=around,
            blunt=np.full(n, one.blunt),
            shift=one.shift[rows],
            left=none,
            least=none,
            density=np.zeros(n),
            gained=np.zeros(n),
            log_weight=np.zeros(n),
            stray=np.zeros(n),
        )

    def start(self, rings: Sequence[Ring], index: Sequence[int]) -> None:
        """Take in the rings out of circuit, which weighed the cases already."""
        self.evidence[self.chosen] = 0.0
        for k, h in enumerate(self.listed):
            if h.anywhere or h.cause is Cause.OPEN:
                self.evidence[k] = 0.0
        cloud, n = self.cloud, len(self.cloud)
        if not rings:
            self.cloud = replace(cloud, shift=np.zeros((n, 0)))
            return
        self.rings, self.index = list(rings), list(index)
        frame = Frame.of(rings, index, self.healthy)
        shift, left = frame.rows(cloud.shift), np.ones((n, len(rings)))
        self.cloud = replace(cloud, shift=shift, left=left, density=frame.log_density(shift, cloud.blunt))

    def weigh(self, stage: Stage, rings: Sequence[Ring], index: Sequence[int], number: int) -> None:
        """The rings of one stage."""
        if number:
            self.cloud = joined([_kept(taken(self.cloud, self.cloud.of == k)) for k in self.chosen])
        present = attached(self.kind, stage)
        step = self._step(present, rings, index, number)
        fresh = draws(self.kind, len(self.cloud), 2 + number)
        parents = np.arange(len(self.cloud))
        tried = self._tried(step, parents, self.cloud.around.with_columns(fresh, step.columns))
        tried = replace(tried, log_weight=tried.gained - np.log(step.drawn_over_met(tried.around)))
        for k in self.chosen:
            self.evidence[k] += _log_mean(tried.log_weight[tried.of == k])
        best = max(self._likely(k) for k in self.chosen)
        parts = [taken(tried, tried.of == k) for k in self.chosen]
        for place, k in enumerate(self.chosen):
            if self._likely(k) > best - _HOPELESS:
                before = _log_mean(parts[place].log_weight)
                parts[place] = self._closer(step, k, parts[place])
                self.evidence[k] += _log_mean(parts[place].log_weight) - before
        self.cloud = joined(parts)
        self._stand_in(rings)

    def _step(
        self, present: frozenset[Attached], rings: Sequence[Ring], index: Sequence[int], number: int
    ) -> _Step:
        new = present - self.visible
        self.visible = self.visible | present
        self.rings += rings
        self.index += index
        columns = [k for k, one in enumerate(ATTACHED) if one in new]
        met, drawn = (chance[columns] for chance in chances(self.kind))
        frame = Frame.of(self.rings, self.index, self.healthy)
        return _Step(present, tuple(rings), frame, tuple(columns), met, drawn, number)

    def _likely(self, k: int) -> float:
        """Log weight of all hypotheses that these particles stand for."""
        return _log_sum(self.standing[self.stands == k]) + float(self.evidence[k])

    def _closer(self, step: _Step, k: int, tried: Cloud) -> Cloud:
        """The particles of one hypothesis, with more near those that hit, until enough did."""
        parents, n = np.flatnonzero(self.cloud.of == k), len(tried)
        nears: list[Near] = []
        mixture = step.drawn_over_met(tried.around)
        for turn in range(_ROUNDS):
            if _effective(tried.log_weight) > _EFFECTIVE:
                break
            near = Near(ancestors(tried), step.columns, step.drawn, parents)
            nears.append(near)
            rng = np.random.default_rng((SEED, step.number, turn, k))
            parent, around = near.draw(draws(self.kind, n, 100 + 10 * step.number + turn), rng)
            more = self._tried(
                step, parent, taken(self.cloud.around, parent).with_columns(around, step.columns)
            )
            # Each draw counts against all proposals, those of this turn at the draws of the ones before too.
            mixture += near.over_prior(tried.parent, tried.around, step.met)
            own = step.drawn_over_met(more.around)
            own += sum(one.over_prior(more.parent, more.around, step.met) for one in nears)
            mixture = np.concatenate([mixture, own])
            tried = joined([tried, more])
            tried = replace(tried, log_weight=tried.gained - np.log(mixture / (1 + len(nears))))
        return tried

    def _tried(self, step: _Step, parent: Rows, around: Draws) -> Cloud:
        """Particles of the stage before with what is around them now, weighed by the rings of this stage."""
        cloud = taken(self.cloud, parent)
        columns = [self._foreseen(r, cloud.at, around, step.present) for r in step.rings]
        done = cloud.shift.shape[1] // 2
        f = [cloud.shift[:, :done], *(c[0][:, None] for c in columns)]
        d = [cloud.shift[:, done:], *(c[1][:, None] for c in columns)]
        shift = np.concatenate([*f, *d], axis=1)
        left = np.concatenate([cloud.left, *(c[2][:, None] for c in columns)], axis=1)
        alone = np.array([_ALONE if r.stage.in_circuit else (0.0, 0.0) for r in step.frame.rings])
        whole = step.frame.log_density(shift, cloud.blunt + _SET_BLUNT, left, alone)
        stray = cloud.density + sum(ANYWHERE for r in step.rings if r.rings)
        density = np.logaddexp(math.log1p(-_STRAY_RING) + whole, math.log(_STRAY_RING) + stray)
        with np.errstate(invalid="ignore"):
            share = np.nan_to_num(np.exp(math.log(_STRAY_RING) + stray - density))
            gained = np.where(np.isfinite(cloud.density), density - cloud.density, -np.inf)
        # What a ladder says of junctions holds whichever mode it was.
        gained = gained + sum(c[3] for c in columns)
        least = cloud.least
        if step.number == 0:
            least = np.stack([c[0] for c in columns] + [c[1] for c in columns], axis=1)
        return replace(
            cloud,
            parent=parent,
            around=around,
            shift=shift,
            left=left,
            density=density,
            gained=gained,
            stray=share,
            least=least,
        )

    def _foreseen(
        self, ring: Ring, at: Cases, around: Draws, present: frozenset[Attached]
    ) -> tuple[Array, Array, Array, Array]:
        """Shift of ln f and ln d, the share of the inductance that is still the winding's own, and the log
        density of what a ladder told."""
        tank, farads = self.healthy.tank, ring.capacitor.farads
        still_f, still_d = ring_of(tank, cases(1), farads)
        f, d = ring_in_set(tank, at, around, present, farads)
        left = inductance_left(tank, around, present)
        told = np.zeros(len(around))
        if ring.law is not None:
            junctions = conducting(tank, at, around, present, farads, (f, d))
            told = log_conduction(ring.law, *junctions, self._core_rise(ring))
        return f - still_f[0], d - still_d[0], left, told

    def _core_rise(self, ring: Ring) -> float:
        """Rise of this ring's loss that the healthy winding's own core makes."""
        ends = np.array([LADDER_VOLTS[0], LADDER_VOLTS[2]])
        added = core_loss(self.healthy.core_per_volt, math.exp(float(ring.point[0])), ends)
        return float(added[1] - added[0]) / math.exp(float(ring.point[1]))

    def _stand_in(self, rings: Sequence[Ring]) -> None:
        """The evidence of those that have no particles of their own."""
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

    def found(self) -> Particles:
        """What is left after the last stage."""
        cloud, weight = self.cloud, np.zeros(len(self.cloud))
        for k in self.chosen:
            own = cloud.of == k
            weight[own] = normal(cloud.log_weight[own])
        return Particles(
            self.evidence,
            cloud.of,
            weight,
            cloud.around,
            self.visible,
            cloud.least,
            self.stands,
            cloud.stray,
        )


def _first_of_each(listed: Sequence[Hypothesis]) -> list[int]:
    """The first hypothesis with cases of each cause that is followed."""
    found: dict[Cause, int] = {}
    for k, one in enumerate(listed):
        if one.at is not None and one.cause in PARTICLES:
            found.setdefault(one.cause, k)
    return list(found.values())


def _kept(cloud: Cloud) -> Cloud:
    """So many particles of one hypothesis as it began with or more, by their weight."""
    count = min(len(cloud), _KEPT)
    return replace(taken(cloud, systematic(cloud.log_weight, count)), log_weight=np.zeros(count))


def _effective(log_weight: Array) -> float:
    """Number of particles by their weights: one over the sum of their squares."""
    return float(1 / (normal(log_weight) ** 2).sum())


def _log_mean(logs: Array) -> float:
    return _log_sum(logs) - math.log(len(logs))


def _log_sum(logs: Array) -> float:
    top = float(logs.max()) if len(logs) else -math.inf
    return top if not math.isfinite(top) else top + math.log(float(np.exp(logs - top).sum()))
