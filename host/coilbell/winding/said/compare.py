"""Two rings of one winding, or of two alike: what lies between them.

What the second state adds is computed in `added`. Which connection explains it is weighed by the same
densities as a finding, with the first state as the only reference.
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
from coilbell.winding.odds.added import Added, added_between, added_words
from coilbell.winding.odds.ambiguity import not_ruled_out
from coilbell.winding.odds.cause import SET, causes
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy, healthy, matched
from coilbell.winding.odds.kind import Kind, kind_named
from coilbell.winding.odds.likelihood import Posterior, posterior
from coilbell.winding.odds.observation import Observation, Ring, grouped, same_capacitor
from coilbell.winding.odds.plane import Shift, shift_of
from coilbell.winding.odds.reference import Capture, Condition, Reference
from coilbell.winding.said import advice
from coilbell.winding.said.finding import named
from coilbell.winding.said.reasons import CONVICTS_NOTHING
from coilbell.winding.tank.propagation import quantity

__all__ = ["Comparison", "Relation", "compare"]

_THINKABLE = 0.01
"""Probability below which a set of connections, though the best of them, explains nothing."""


class Relation(StrEnum):
    """What the two rings are to each other."""

    CIRCUIT = "out of circuit, then in circuit"
    UNITS = "two units of one kind"
    TIME = "one unit, before and after"


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """The second ring against the first.

    frequency_ratio and loss_ratio: second over first, for each capacitor [1]; connection: the named set of
    connections that explains the change best and its probability, ("", 0) where it was not asked for or
    nothing changed; junction: an amplitude-dependent decay points at a semiconductor; cleared: in circuit
    the ring is like the healthy one and nothing else comes near, which clears the winding.
    """

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
    prior: float = 0.5,
) -> Comparison:
    """What the second ring has that the first, known good, has not.

    first, second: shots with one or more test capacitors, of which at least one is common. relation: taken
    from the observations' connection when left out. Raises InputError without observations or when the
    first does not ring, ReferenceMismatch without a common capacitor.
    """
    if not first or not second:
        raise InputError("two captures are needed to compare; give both")
    if not any(o.rings for o in first):
        raise InputError("the first capture does not ring, so nothing can be told against it; exchange them")
    how = relation or _relation(first, second)
    reference = _reference(first, kind_named(kind))
    where = Connection.IN_CIRCUIT if how is Relation.CIRCUIT else Connection.OUT_OF_CIRCUIT
    known, _ = matched(grouped(second), reference)
    rings = [r for r in known if r.rings] or known[:1]
    by = healthy(reference, rings, "" if how is Relation.UNITS else _UNIT)
    odds = posterior(rings, by, causes(by, reference, where), prior)
    before = [_partner(r, first) for r in rings]
    return _told(how, reference.kind, list(zip(before, rings, strict=True)), by, odds, where)


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
    how: Relation,
    kind: Kind,
    pairs: Sequence[tuple[Ring, Ring]],
    by: Healthy,
    odds: Posterior,
    where: Connection,
) -> Comparison:
    rang = all(b.rings for _, b in pairs)
    explanation = named(odds, where)
    connection = _connection(odds) if where is Connection.IN_CIRCUIT else ("", 0.0)
    junction = any(_bends(b) and not _bends(a) for a, b in pairs)
    healthy_like = where is Connection.IN_CIRCUIT and explanation is Explanation.LIKE_HEALTHY
    open_ = not_ruled_out(odds.explanations) if healthy_like else ""
    added = added_between(pairs, by) if rang else None
    shifts = tuple(shift_of(b.point, b.covariance, by, k) for k, (_, b) in enumerate(pairs)) if rang else ()
    return Comparison(
        how,
        kind.name,
        tuple(pairs),
        tuple(_ratio(a, b, 0) for a, b in pairs) if rang else (),
        tuple(_ratio(a, b, 1) for a, b in pairs) if rang else (),
        added,
        shifts,
        odds,
        explanation,
        connection,
        junction,
        healthy_like and not open_,
        (*_reasons(pairs, added, connection, junction), *_clearing(where, healthy_like, open_)),
        advice.blind_spots(kind, by, where, len(pairs)),
        advice.next_step(
            explanation,
            kind,
            odds.causes,
            where,
            len(pairs),
            odds.explanations,
            beyond_core=any(shift.beyond_core for shift in shifts),
            shorted=odds.shorted,
        ),
        advice.caution(explanation, where),
    )


def _connection(odds: Posterior) -> tuple[str, float]:
    """The most probable set of connections, among those without a shorted turn."""
    sets = [c for c in odds.causes if c.name.startswith(SET) or c.name == "nothing"]
    total = sum(c.probability for c in odds.causes if not c.shorted)
    if total <= 0:
        return "", 0.0
    best = max(sets, key=lambda c: c.probability)
    name = "nothing that shows" if best.name == "nothing" else best.name.removeprefix(SET)
    return name, best.probability / total


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


def _clearing(where: Connection, healthy_like: bool, open_: str) -> list[str]:
    """What the ring in circuit clears or convicts; open_: what stands against clearing, or ""."""
    if where is not Connection.IN_CIRCUIT:
        return []
    if not healthy_like:
        return [CONVICTS_NOTHING]
    if open_:
        return [f"in circuit it rings like the healthy winding, which has not cleared it: {open_}"]
    return ["in circuit it rings like the healthy winding, which clears it"]


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
