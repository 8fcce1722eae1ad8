"""Finding: what a ring says of a winding, with its odds, reasons, limits and the next step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

from coilbell.decay import Fit, Quantity
from coilbell.errors import CoilbellError, InputError
from coilbell.record import Capacitor, Connection
from coilbell.terms import Cause, Headline, Step
from coilbell.winding.odds.ambiguity import not_separable, other_capacitor
from coilbell.winding.odds.amplitude import at_other_amplitudes, widened
from coilbell.winding.odds.bykind import odds_by_kind
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy, healthy, matched
from coilbell.winding.odds.hypothesis import hypotheses
from coilbell.winding.odds.kind import Kind, kind_named
from coilbell.winding.odds.observation import Observation, Ring, grouped
from coilbell.winding.odds.observe import observe
from coilbell.winding.odds.plane import Shift, loss_slope, shift_of
from coilbell.winding.odds.posterior import Posterior, posterior
from coilbell.winding.odds.reference import Reference
from coilbell.winding.odds.referencefile import origin
from coilbell.winding.odds.shares import EVEN
from coilbell.winding.odds.silence import silences
from coilbell.winding.odds.specimen import (
    another_winding,
    rung_apart,
    specimen_doubts,
    two_windings,
    weighty,
)
from coilbell.winding.odds.stage import check_done
from coilbell.winding.said import advice, reasons
from coilbell.winding.said.count import COUNT_TO, RingCount, ring_count
from coilbell.winding.said.deliver import Bench, check_sure, deliver
from coilbell.winding.said.loop import LoopCheck, apart, loop_check
from coilbell.winding.said.verdict import DEFAULT_SURE, Verdict
from coilbell.winding.tank.freering import FreeRing
from coilbell.winding.tank.several import SeveralCapacitorTank, tank_of_several
from coilbell.winding.tank.single import OneCapacitorTank, tank_of_one

__all__ = ["Finding", "Odds", "chosen", "explanation_of", "find", "steps_in_words"]

Tanks = OneCapacitorTank | SeveralCapacitorTank

_DIRECT = 0.02
"""Relative standard uncertainty of a direct resistance by a hand-held meter [1]; common practice."""

_NAME = 0.5
"""Probability from which an explanation other than a short is named [0..1]; assumed."""


@dataclass(frozen=True, slots=True)
class Odds(Posterior):
    """The numbers behind a finding, present only where there is a reference.

    basis: what the odds rest on, a sentence each.
    """

    basis: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """What the rings of an item say of its winding.

    verdict: what is said first, the rest are the reasons; shifts: in the shift plane, for each of `rings`;
    tank: inductance and loss with the test capacitor's uncertainty; slope: d ln G/d ln w of the loss by two
    capacitors, the winding's and the reference's; caution: where the next step is, or may be, at the set,
    else "".
    """

    verdict: Verdict
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
    """Of the stage that decides: out of circuit before in circuit, the most done first."""
    others: tuple[Ring, ...]
    """Of the other stages, which are weighed with them."""
    shifts: tuple[Shift, ...]
    tank: Tanks | None
    slope: tuple[Quantity, float] | None
    healthy: Healthy | None
    doubts: tuple[str, ...]
    sources: tuple[tuple[str, str], ...] = ()
    """Where good units came from that it rests on: name@hash, and who handed them on."""

    @property
    def inductance_henries(self) -> Quantity | None:
        """Inductance of the winding as it rang [H]."""
        return None if self.tank is None else self.tank.inductance_henries


def find(
    observations: Sequence[Observation | Fit],
    reference: Reference | None,
    *,
    prior: float | None = None,
    sure: float = DEFAULT_SURE,
    connection: Connection | None = None,
    capacitor: Capacitor | None = None,
    kind: str | None = None,
    unit: str = "",
    direct_ohms: float | None = None,
    count_to: float = COUNT_TO,
) -> Finding:
    """Judge one item by all its rings, whatever the stage of each.

    observations: any number of shots with one or more test capacitors; a Fit needs `capacitor`.
    reference: what it is judged by, or None: then only what holds for its `kind` is said.
    prior: probability of a shorted turn before the rings, None for what outcomes tell, else one half. sure:
    odds from which the headline says so.
    connection: replaces the observations' own. unit: the specimen; when the reference holds its good rings it
    is judged by those. direct_ohms: resistance at rest [ohm], used to share out the loss, never as evidence.
    count_to: fraction of the first peak to which rings are counted [1]; a count is told, never weighed.
    Rings with a loop of wire round the core only check that a short shows, see `loop`.

    Raises InputError without observations, for a prior, fraction or `sure` outside its range or a step that
    the kind does not know, ReferenceMismatch when the reference holds neither capacitor nor good unit that
    fits.
    """
    seen = [_observation(item, capacitor) for item in observations]
    if not seen:
        raise InputError("no ring to judge; give at least one fit or observation")
    if connection is not None:
        seen = [replace(one, connection=connection) for one in seen]
    check_sure(sure)
    named = reference.kind if reference is not None else kind_named(kind) if kind else None
    if named is not None:
        check_done(named, dict.fromkeys(step for one in seen for step in one.done))
    bare, looped = apart(seen)
    groups = grouped(bare)
    if reference is None:
        even = EVEN if prior is None else prior
        found = _without_reference(groups, named, even, sure, direct_ohms, count_to)
    else:
        if kind is not None:
            reasons.check_kind(reference, kind_named(kind))
        found = _with_reference(groups, reference, prior, sure, unit, direct_ohms, count_to)
    check = loop_check(found.rings, grouped(looped)) if looped else None
    return found if check is None else _checked(found, check)


def _checked(found: Finding, check: LoopCheck) -> Finding:
    """The finding with what a loop round the core showed; one that hardly shows is the doubt that matters."""
    steps = tuple(step for step in found.verdict.steps if step.step is not Step.LOOP)
    verdict = replace(found.verdict, steps=steps)
    if check.shows:
        return replace(found, verdict=verdict, reasons=(*found.reasons, check.words))
    return replace(found, verdict=replace(verdict, doubt=check.words), doubts=(check.words, *found.doubts))


_SAID = {
    Cause.LOAD: Explanation.LOADED,
    Cause.JUNCTION: Explanation.LOADED,
    Cause.CORE: Explanation.DETUNED,
    Cause.CAPACITANCE: Explanation.EXTRA_CAPACITANCE,
    Cause.UNKNOWN: Explanation.UNDECIDED,
}


def explanation_of(verdict: Verdict, odds: Posterior | None) -> Explanation:
    """What the winding rings like, in one word; it follows from the headline."""
    if verdict.headline is Headline.NO_RING:
        return Explanation.NO_RING
    if verdict.headline is Headline.SHORTED:
        return Explanation.LIKE_SHORTED
    if odds is None or verdict.headline in (Headline.AGAIN, Headline.ANOTHER, Headline.TWO_WINDINGS):
        return Explanation.UNDECIDED
    best = max(odds.explanations, key=lambda e: odds.explanations[e])
    if verdict.headline is Headline.NO_SHORT:
        cause = verdict.explained.cause if verdict.explained else None
        return _SAID.get(cause, best) if cause else best
    if best in (Explanation.LIKE_SHORTED, Explanation.LIKE_HEALTHY) or odds.explanations[best] < _NAME:
        return Explanation.UNDECIDED
    return best


def chosen(known: Sequence[Ring]) -> tuple[list[Ring], list[str]]:
    """The rings to weigh: trusted ones before others, at each stage what rang before what did not.

    Returns them and remarks on those left out.
    """
    notes, kept = [], []
    for stage in dict.fromkeys(r.stage for r in known):
        here = [r for r in known if r.stage == stage]
        rang = [r for r in here if r.rings]
        trusted = [r for r in rang if not r.trouble]
        used = trusted or rang or here[:1]
        kept += used
        notes += [
            f"with {r.capacitor.words} nothing rang, which is left out"
            if not r.rings
            else f"the ring with {r.capacitor.words} is left out: {'; '.join(r.trouble)}"
            for r in here
            if r not in used and rang
        ]
    return kept, notes


def _with_reference(
    groups: Sequence[Ring],
    reference: Reference,
    given: float | None,
    sure: float,
    unit: str,
    direct_ohms: float | None,
    count_to: float,
) -> Finding:
    known, notes = matched(groups, reference)
    weighed, left = chosen(widened(known, reference))
    rings = [r for r in weighed if r.stage == weighed[0].stage]
    where = rings[0].stage.connection
    by = healthy(reference, weighed, unit)
    shares = reference.shares_in(where)
    prior = given if given is not None else shares.prior if shares else EVEN
    listed = hypotheses(by, reference, shares)
    odds = posterior(weighed, by, listed, reference.kind, prior)
    two = two_windings(weighed, reference.kind.spread)
    two += [why] if (why := rung_apart(rings, by, listed, reference.kind, prior)) else []
    notes = [*two, *notes, *left, *specimen_doubts(weighed, reference, reference.kind.spread)]
    rang = rings[0].rings
    shifts = tuple(shift_of(r.point, r.covariance, by, by.place(r.capacitor)) for r in rings) if rang else ()
    other = None if where is Connection.IN_CIRCUIT else other_capacitor(rings, by, odds)
    basis = reasons.basis(by, reference, odds, where, prior_given=given is not None)
    basis += tuple(at_other_amplitudes(rings, reference))
    tank, trouble = _tank(rings, by, direct_ohms)
    doubts = _doubts(weighed, [*notes, *trouble], tank)
    bench = Bench(
        reference.kind,
        tuple(rings),
        by,
        reasons.rests_on(by, reference),
        tuple(weighty(weighed, notes)),
        another_winding(rings, by, reference, odds, shifts),
        two[0] if two else "",
        other is not None,
        silences(rings),
        reference.marked(),
        sum(r.stage == rings[0].stage for r in known),
    )
    verdict = deliver(bench, odds, None, sure)
    explanation = explanation_of(verdict, odds)
    slope = _slopes(rings, by) if tank is not None else None
    return Finding(
        verdict,
        explanation,
        _odds(odds, basis),
        reasons.reasons(rings, by, shifts, slope, odds, explanation, where, tank),
        not_separable(odds, reference.kind, rings, shifts, explanation, where, other),
        advice.blind_spots(reference.kind, by, where, len(rings)),
        steps_in_words(verdict),
        advice.caution(explanation, where),
        ring_count(rings[0], by, count_to),
        where,
        reference.kind.name,
        origin(reference),
        tuple(rings),
        tuple(r for r in weighed if r not in rings),
        shifts,
        tank,
        slope,
        by,
        doubts,
        reference.sources_of_good(),
    )


def _odds(odds: Posterior, basis: tuple[str, ...]) -> Odds:
    return Odds(**{field.name: getattr(odds, field.name) for field in fields(odds)}, basis=basis)


def _without_reference(
    groups: Sequence[Ring],
    kind: Kind | None,
    prior: float,
    sure: float,
    direct_ohms: float | None,
    count_to: float,
) -> Finding:
    weighed, left = chosen(groups)
    rings = [r for r in weighed if r.stage == weighed[0].stage]
    where = rings[0].stage.connection
    spread = (kind or kind_named("other winding")).spread
    two = two_windings(weighed, spread)
    tank, trouble = _tank(rings, None, direct_ohms)
    notes = [*two, *left, *trouble, *specimen_doubts(weighed, None, spread)]
    by_kind = None
    if kind is not None and where is not Connection.IN_CIRCUIT:
        by_kind = odds_by_kind(rings[0], kind, prior)
    bench = Bench(
        kind,
        tuple(rings),
        None,
        reasons.rests_on_kind(kind, by_kind),
        tuple(weighty(weighed, notes)),
        two=two[0] if two else "",
        silence=silences(rings),
        tried=sum(r.stage == rings[0].stage for r in groups),
    )
    verdict = deliver(bench, None, by_kind, sure)
    explanation = explanation_of(verdict, None)
    return Finding(
        verdict,
        explanation,
        None,
        reasons.reasons_of_kind(rings[0], kind),
        (),
        advice.blind_spots(kind, None, where, len(rings)),
        steps_in_words(verdict),
        advice.caution(explanation, where),
        ring_count(rings[0], None, count_to),
        where,
        kind.name if kind else "",
        "",
        tuple(rings),
        tuple(r for r in weighed if r not in rings),
        (),
        tank,
        None,
        None,
        _doubts(weighed, notes, tank),
    )


def steps_in_words(verdict: Verdict) -> str:
    """The next step, and the one after it, in one clause."""
    return "; then ".join(step.words for step in verdict.steps[:2])


def _observation(item: Observation | Fit, capacitor: Capacitor | None) -> Observation:
    return observe(item, capacitor=capacitor) if isinstance(item, Fit) else item


def _slopes(rings: Sequence[Ring], by: Healthy) -> tuple[Quantity, float] | None:
    import numpy as np

    if not all(r.rings for r in rings) or len(rings) != len(by.capacitors):
        return None
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
    direct = (direct_ohms, _DIRECT * direct_ohms) if direct_ohms else None
    return tank_of_one(*free[0], loading, stray_farads=stray, direct_ohms=direct), []


def _free(ring: Ring) -> FreeRing:
    spread_f, spread_q = (math.sqrt(ring.covariance[k, k]) for k in (0, 1))
    return FreeRing.from_natural(math.exp(ring.point[0]), math.exp(-ring.point[1]), spread_f, spread_q)


def _doubts(rings: Sequence[Ring], notes: Sequence[str], tank: Tanks | None) -> tuple[str, ...]:
    found = [d for r in rings for o in r.observations for d in o.doubts]
    found += [f"{d.kind}: {d.detail}" for d in tank.doubts] if tank else []
    return tuple(dict.fromkeys([*notes, *found]))
