"""Two rings of one winding, or of two alike: what lies between them.

What the second state adds is computed in `added`. Its odds are those of the one posterior of the item: a ring
out of circuit and one in circuit are weighed together, by the reference or, without one, with the first ring
as the healthy one. A comparison asks what the set adds; it never starts again from the prior.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from coilbell.decay import Quantity
from coilbell.errors import InputError, ReferenceMismatch
from coilbell.figure import concise, percent
from coilbell.record import Connection
from coilbell.terms import Headline
from coilbell.winding.odds.added import Added, added_between, added_words
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy, matched
from coilbell.winding.odds.kind import Kind, kind_named
from coilbell.winding.odds.observation import Observation, Ring, grouped, same_capacitor
from coilbell.winding.odds.plane import Shift, shift_of
from coilbell.winding.odds.posterior import Posterior
from coilbell.winding.odds.reference import Capture, Condition, Reference
from coilbell.winding.said import advice
from coilbell.winding.said.deliver import set_words
from coilbell.winding.said.finding import Finding, chosen, find, steps_in_words
from coilbell.winding.said.verdict import DEFAULT_SURE, Verdict
from coilbell.winding.tank.propagation import quantity

__all__ = ["Comparison", "Relation", "compare"]

_THINKABLE = 0.01
"""Probability below which a set of connections, though the best of them, explains nothing [0..1]; assumed."""


class Relation(StrEnum):
    """What the two rings are to each other."""

    CIRCUIT = "out of circuit, then in circuit"
    UNITS = "two units of one kind"
    TIME = "one unit, before and after"
    TWIN = "two like windings on one core"
    """As of a choke: they share the core, so that a short shows in both. Where they differ one is bad; where
    they agree nothing is cleared (simulated: a turn of 1 ohm on 10 mH, Q 2.13 and 2.15)."""


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """The second ring against the first.

    verdict: of the item, the same as a finding on all its rings has; frequency_ratio and loss_ratio: second
    over first, for each capacitor [1]; connection: what of a set the rings speak for and the probability that
    it is there and explains them, ("", 0) where it was not asked for; junction: an amplitude-dependent decay
    points at a semiconductor; cleared: both rings together clear the winding, in circuit.
    """

    verdict: Verdict
    relation: Relation
    kind: str
    rings: tuple[tuple[Ring, Ring], ...]
    frequency_ratio: tuple[Quantity, ...]
    loss_ratio: tuple[Quantity, ...]
    added: Added | None
    shifts: tuple[Shift, ...]
    odds: Posterior
    explanation: Explanation
    connection: tuple[str, float]
    junction: bool
    cleared: bool
    reasons: tuple[str, ...]
    cannot_see: tuple[str, ...]
    next_step: str
    caution: str


def compare(
    first: Sequence[Observation],
    second: Sequence[Observation],
    *,
    kind: str = "other winding",
    relation: Relation | None = None,
    reference: Reference | None = None,
    prior: float | None = None,
    sure: float = DEFAULT_SURE,
) -> Comparison:
    """What the second ring has that the first has not.

    first, second: shots with one or more test capacitors, of which at least one is common. relation: taken
    from the observations' connection when left out. reference: what the item is judged by; without one the
    first ring stands for the healthy one. Raises InputError without observations or when the first does not
    ring, ReferenceMismatch without a common capacitor.
    """
    if not first or not second:
        raise InputError("two captures are needed to compare; give both")
    if not any(o.rings for o in first):
        raise InputError("the first capture does not ring, so nothing can be told against it; exchange them")
    how = relation or _relation(first, second)
    own = _reference(first, reference.kind if reference is not None else kind_named(kind))
    known, _ = matched(grouped(second), own)
    weighed, _ = chosen(known)
    stage = min((r.stage for r in weighed), key=lambda s: len(s.done))
    rings = [r for r in weighed if r.stage == stage]
    pairs = [(_partner(r, first), r) for r in rings]
    by = reference if reference is not None and how is Relation.CIRCUIT else own
    unit = "" if by is reference or how is Relation.UNITS else _UNIT
    found = find(_item(how, first, second), by, prior=prior, sure=sure, unit=unit)
    if how is Relation.TWIN and found.verdict.headline is Headline.NO_SHORT:
        found = replace(found, verdict=_uncleared(found.verdict))
    assert found.odds is not None
    assert found.healthy is not None
    return _told(how, pairs, found, found.odds, found.healthy)


def _uncleared(verdict: Verdict) -> Verdict:
    """What twins that agree say: nothing of a short, since both would have it."""
    why = "twins that agree clear nothing: they share the core, so that a short shows in both"
    return replace(verdict, headline=Headline.OPEN, shows=None, explained=None, why=why)


def _item(how: Relation, first: Sequence[Observation], second: Sequence[Observation]) -> list[Observation]:
    """The rings that are weighed: both sides of one winding, the second alone of another or a later one."""
    if how is not Relation.CIRCUIT:
        return [replace(o, connection=Connection.OUT_OF_CIRCUIT, done=()) for o in second]
    apart = [replace(o, connection=Connection.OUT_OF_CIRCUIT) for o in first]
    return [*apart, *(replace(o, connection=Connection.IN_CIRCUIT) for o in second)]


_UNIT = "first"


def _relation(first: Sequence[Observation], second: Sequence[Observation]) -> Relation:
    in_circuit = [any(o.connection is Connection.IN_CIRCUIT for o in side) for side in (first, second)]
    if in_circuit[0] and not in_circuit[1]:
        raise InputError("the first capture is in circuit, the second not; give the one out of circuit first")
    return Relation.CIRCUIT if in_circuit[1] else Relation.TIME


def _reference(first: Sequence[Observation], kind: Kind) -> Reference:
    # Taken as it is: what the first state was connected to is common to both.
    captures = [
        Capture(_UNIT, Condition.GOOD, replace(o, connection=Connection.UNKNOWN)) for o in first if o.rings
    ]
    return Reference("the first capture", kind, tuple(captures))


def _partner(ring: Ring, first: Sequence[Observation]) -> Ring:
    for group in grouped(first):
        if same_capacitor(group.capacitor, ring.capacitor):
            return group
    raise ReferenceMismatch("no common test capacitor")


def _told(
    how: Relation, pairs: list[tuple[Ring, Ring]], found: Finding, odds: Posterior, by: Healthy
) -> Comparison:
    rang = all(b.rings for _, b in pairs)
    in_circuit = how is Relation.CIRCUIT
    explanation = _explanation(found, odds) if in_circuit else found.explanation
    connection = _connection(odds) if in_circuit else ("", 0.0)
    junction = any(_bends(b) and not _bends(a) for a, b in pairs)
    added = added_between(pairs, by) if rang else None
    where = Connection.IN_CIRCUIT if in_circuit else Connection.OUT_OF_CIRCUIT
    return Comparison(
        found.verdict,
        how,
        found.kind,
        tuple(pairs),
        tuple(_ratio(a, b, 0) for a, b in pairs) if rang else (),
        tuple(_ratio(a, b, 1) for a, b in pairs) if rang else (),
        added,
        _shifts(pairs, by) if rang else (),
        odds,
        explanation,
        connection,
        junction,
        in_circuit and found.verdict.headline is Headline.NO_SHORT,
        (*_reasons(pairs, added, connection, junction), *_clearing(in_circuit, found.verdict)),
        advice.blind_spots(kind_named(found.kind), by, where, len(pairs)),
        steps_in_words(found.verdict),
        advice.caution(explanation, where),
    )


def _shifts(pairs: Sequence[tuple[Ring, Ring]], by: Healthy) -> tuple[Shift, ...]:
    return tuple(shift_of(b.point, b.covariance, by, by.place(b.capacitor)) for _, b in pairs)


def _explanation(found: Finding, odds: Posterior) -> Explanation:
    """What the second ring looks like: by what the set adds to a winding that has no short which shows."""
    if found.verdict.headline is not Headline.NO_SHORT or not odds.in_set:
        return found.explanation
    return max(odds.in_set, key=lambda e: odds.in_set[e])


def _connection(odds: Posterior) -> tuple[str, float]:
    """What of a set the rings speak for, beside a winding without a short that shows."""
    if not odds.attached:
        return "", 0.0
    return set_words(odds) or "nothing that shows", odds.together[1]


def _bends(ring: Ring) -> bool:
    return ring.amplitude_dependent if ring.amplitude is None else ring.amplitude.bends


def _ratio(a: Ring, b: Ring, row: int) -> Quantity:
    """Second over first, of frequency (row 0) or loss (row 1)."""
    value = math.exp(b.point[row] - a.point[row])
    return quantity(value, value**2 * (a.covariance[row, row] + b.covariance[row, row]))


def _reasons(
    pairs: Sequence[tuple[Ring, Ring]],
    added: Added | None,
    connection: tuple[str, float],
    junction: bool,
) -> tuple[str, ...]:
    found = [_pair_words(a, b) for a, b in pairs]
    if added is not None:
        found += added_words(added)
    name, chance = connection
    if name:
        found.append(
            f"of what a set connects, {name} explains it best ({percent(chance)} if the winding itself is "
            "whole)"
            if chance >= _THINKABLE
            else "nothing that a set is known to connect explains it, if the winding itself is whole"
        )
    if junction:
        found.append("only the second ring's loss follows its amplitude: a semiconductor junction does that")
    return tuple(found)


def _clearing(in_circuit: bool, verdict: Verdict) -> list[str]:
    """What the two rings together clear."""
    if not in_circuit or verdict.shows is None:
        return []
    if verdict.headline is Headline.NO_SHORT:
        return ["both rings together clear the winding of a short that would show; the rest is the set's"]
    return [f"both rings together leave {percent(verdict.shows)} for a shorted turn that shows"]


def _pair_words(a: Ring, b: Ring) -> str:
    first = a.words
    if not b.rings:
        return f"with {a.capacitor.words}: first {first}, then no ring"
    frequency, loss = np.exp(b.point - a.point)
    spread_f, spread_d = np.sqrt((a.covariance + b.covariance).diagonal())
    return (
        f"with {a.capacitor.words}: first {first}, then {b.words}; "
        f"frequency times {concise(frequency, frequency * spread_f)}, "
        f"1/Q times {concise(loss, loss * spread_d)}"
    )
