"""Finding: what a ring says of a winding, with its odds, reasons, limits and the next step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

from coilbell.decay import Fit, Quantity
from coilbell.errors import CoilbellError, InputError
from coilbell.record import Capacitor, Connection
from coilbell.winding.odds.ambiguity import not_separable, other_capacitor
from coilbell.winding.odds.cause import causes
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy, healthy, matched
from coilbell.winding.odds.kind import Kind, kind_named
from coilbell.winding.odds.likelihood import Posterior, posterior
from coilbell.winding.odds.observation import Observation, Ring, grouped, observe
from coilbell.winding.odds.plane import Shift, loss_slope, shift_of
from coilbell.winding.odds.reference import Reference
from coilbell.winding.odds.referencefile import origin
from coilbell.winding.odds.specimen import specimen_doubts
from coilbell.winding.said import advice, reasons
from coilbell.winding.said.count import COUNT_TO, RingCount, ring_count
from coilbell.winding.tank.freering import FreeRing
from coilbell.winding.tank.several import SeveralCapacitorTank, tank_of_several
from coilbell.winding.tank.single import OneCapacitorTank, tank_of_one

__all__ = ["Finding", "Odds", "find", "named"]

Tanks = OneCapacitorTank | SeveralCapacitorTank

_CONVICT = 0.8
"""Probability from which a ring is called like shorted: a scarce part is not thrown away on less."""

_NAME = 0.5
"""Probability from which any other explanation is named."""


@dataclass(frozen=True, slots=True)
class Odds(Posterior):
    """The numbers behind a finding, present only where there is a reference.

    basis: what the odds rest on, a sentence each.
    """

    basis: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """What a ring says of a winding.

    shifts: in the shift plane, for each capacitor of `rings`; tank: inductance and loss with the test
    capacitor's uncertainty; slope: d ln G/d ln w of the loss by two capacitors, the winding's and the
    reference's; caution: where the next step is, or may be, at the set, else "".
    """

    explanation: Explanation
    odds: Odds | None
    reasons: tuple[str, ...]
    not_separable: tuple[str, ...]
    cannot_see: tuple[str, ...]
    next_step: str
    caution: str
    count: RingCount
    connection: Connection
    kind: str
    reference: str
    """Name and hash of the reference, or ""."""
    rings: tuple[Ring, ...]
    shifts: tuple[Shift, ...]
    tank: Tanks | None
    slope: tuple[Quantity, float] | None
    healthy: Healthy | None
    doubts: tuple[str, ...]

    @property
    def inductance_henries(self) -> Quantity | None:
        """Inductance of the winding as it rang [H]."""
        return None if self.tank is None else self.tank.inductance_henries


def find(
    observations: Sequence[Observation | Fit],
    reference: Reference | None,
    *,
    prior: float = 0.5,
    connection: Connection | None = None,
    capacitor: Capacitor | None = None,
    kind: str | None = None,
    unit: str = "",
    direct_ohms: float | None = None,
    count_to: float = COUNT_TO,
) -> Finding:
    """Judge the rings of one winding.

    observations: any number of shots with one or more test capacitors; a Fit needs `capacitor`.
    reference: what it is judged by, or None: then only what holds for its `kind` is said.
    prior: probability of a shorted turn before the ring. connection: replaces the observations' own.
    unit: the specimen; when the reference holds its good rings it is judged by those.
    direct_ohms: resistance at rest [ohm], used to share out the loss, never as evidence.
    count_to: fraction of the first peak to which rings are counted [1]; a count is told, never weighed.

    Raises InputError without observations or for a prior or a fraction outside 0..1, ReferenceMismatch
    when the reference holds neither capacitor nor good unit that fits.
    """
    seen = tuple(_observation(item, capacitor) for item in observations)
    if not seen:
        raise InputError("no ring to judge; give at least one fit or observation")
    where = connection or _common_connection(seen)
    groups = grouped(seen)
    if reference is None:
        return _without_reference(groups, kind_named(kind) if kind else None, where, direct_ohms, count_to)
    if kind is not None:
        reasons.check_kind(reference, kind_named(kind))
    return _with_reference(groups, reference, prior, where, unit, direct_ohms, count_to)


def named(odds: Posterior, connection: Connection) -> Explanation:
    """The explanation to state: the most probable one, if it is probable enough.

    In circuit a ring like a shorted one convicts nothing and stays undecided.
    """
    best = max(odds.explanations, key=lambda e: odds.explanations[e])
    if best is Explanation.LIKE_SHORTED and connection is Connection.IN_CIRCUIT:
        return Explanation.UNDECIDED
    least = _CONVICT if best is Explanation.LIKE_SHORTED else _NAME
    return best if odds.explanations[best] >= least else Explanation.UNDECIDED


def _with_reference(
    groups: Sequence[Ring],
    reference: Reference,
    prior: float,
    where: Connection,
    unit: str,
    direct_ohms: float | None,
    count_to: float,
) -> Finding:
    known, notes = matched(groups, reference)
    rings = [r for r in known if r.rings] or known[:1]
    if rings[0].rings:
        silent = [r for r in known if r not in rings]
        notes += [f"with {r.capacitor.words} nothing rang, which is left out" for r in silent]
    notes += specimen_doubts(rings, reference, reference.kind.spread)
    by = healthy(reference, rings, unit)
    odds = posterior(rings, by, causes(by, reference, where), prior)
    explanation = named(odds, where)
    rang = rings[0].rings
    shifts = tuple(shift_of(r.point, r.covariance, by, k) for k, r in enumerate(rings)) if rang else ()
    tank, trouble = _tank(rings, by, direct_ohms)
    slope = _slopes(rings, by) if tank is not None else None
    other = None if where is Connection.IN_CIRCUIT else other_capacitor(rings, by, explanation)
    return Finding(
        explanation,
        _odds(odds, reasons.basis(by, reference, odds, where)),
        reasons.reasons(rings, by, shifts, slope, odds, explanation, where, tank),
        not_separable(odds, reference.kind, rings, shifts, explanation, where, other),
        advice.blind_spots(reference.kind, by, where, len(rings)),
        advice.next_step(
            explanation,
            reference.kind,
            odds.causes,
            where,
            len(rings),
            odds.explanations,
            beyond_core=any(shift.beyond_core for shift in shifts),
            other_capacitor=other is not None,
            shorted=odds.shorted,
        ),
        advice.caution(explanation, where),
        ring_count(rings[0], by, count_to),
        where,
        reference.kind.name,
        origin(reference),
        tuple(rings),
        shifts,
        tank,
        slope,
        by,
        _doubts(rings, [*notes, *trouble], tank),
    )


def _odds(odds: Posterior, basis: tuple[str, ...]) -> Odds:
    return Odds(**{field.name: getattr(odds, field.name) for field in fields(odds)}, basis=basis)


def _without_reference(
    groups: Sequence[Ring], kind: Kind | None, where: Connection, direct_ohms: float | None, count_to: float
) -> Finding:
    rings = [r for r in groups if r.rings] or list(groups)[:1]
    rang = rings[0].rings
    explanation = Explanation.UNDECIDED if rang else Explanation.NO_RING
    tank, trouble = _tank(rings, None, direct_ohms)
    trouble += specimen_doubts(rings, None, (kind or kind_named("other winding")).spread)
    return Finding(
        explanation,
        None,
        reasons.reasons_of_kind(rings[0], kind),
        (),
        advice.blind_spots(kind, None, where, len(rings)),
        advice.next_step(explanation, kind, (), where)
        if not rang or where is Connection.IN_CIRCUIT
        else "take a reference from a good unit of this very part with the same test capacitor",
        advice.caution(explanation, where),
        ring_count(rings[0], None, count_to),
        where,
        kind.name if kind else "",
        "",
        tuple(rings),
        (),
        tank,
        None,
        None,
        _doubts(rings, trouble, tank),
    )


def _observation(item: Observation | Fit, capacitor: Capacitor | None) -> Observation:
    return observe(item, capacitor=capacitor) if isinstance(item, Fit) else item


def _common_connection(seen: Sequence[Observation]) -> Connection:
    """How all were connected; a mixture is refused."""
    ways = {o.connection for o in seen}
    if len(ways) > 1:
        raise InputError(
            f"these rings were connected in different ways ({', '.join(sorted(ways))}); "
            "judge them apart, or compare them with `coilbell compare`"
        )
    return ways.pop()


def _slopes(rings: Sequence[Ring], by: Healthy) -> tuple[Quantity, float] | None:
    import numpy as np

    point = np.array([r.point for r in rings]).T.ravel()
    own = loss_slope(point, by, np.array([r.covariance.diagonal() for r in rings]).T.ravel())
    usual = loss_slope(by.location, by)
    return None if own is None or usual is None else (own, usual.value)


def _tank(
    rings: Sequence[Ring], by: Healthy | None, direct_ohms: float | None
) -> tuple[Tanks | None, list[str]]:
    """The winding's own figures, and why there are none where several rings fit no single winding.

    With one capacitor the healthy unit's stray capacitance is taken.
    """
    if not rings[0].rings:
        return None, []
    free = [(_free(r), r.capacitor) for r in rings]
    loading = rings[0].loading
    if len(free) > 1:
        try:
            return tank_of_several(free, loading), []
        except CoilbellError as error:
            # The odds stand without it: they allow for another mode with a further capacitor.
            return None, [
                f"no figures of the winding by several capacitors: {error}, or the strongest ring with one "
                "of them is another mode"
            ]
    stray = None
    if by:
        usual = by.stray_beyond(loading.farads)
        stray = (usual, 0.5 * usual)
    direct = (direct_ohms, 0.02 * direct_ohms) if direct_ohms else None
    return tank_of_one(*free[0], loading, stray_farads=stray, direct_ohms=direct), []


def _free(ring: Ring) -> FreeRing:
    spread_f, spread_q = (math.sqrt(ring.covariance[k, k]) for k in (0, 1))
    return FreeRing.from_natural(math.exp(ring.point[0]), math.exp(-ring.point[1]), spread_f, spread_q)


def _doubts(rings: Sequence[Ring], notes: Sequence[str], tank: Tanks | None) -> tuple[str, ...]:
    found = [d for r in rings for o in r.observations for d in o.doubts]
    found += [f"{d.kind}: {d.detail}" for d in tank.doubts] if tank else []
    return tuple(dict.fromkeys([*notes, *found]))
