"""Reference: a kind of winding as it rings when whole, and when shorted on purpose.

Captures come from units known good (several units, or one unit many times: two different spreads, kept
apart) and from units shorted deliberately. A Reference is checked when a capture joins it and never
changes in place; every capture keeps where it came from.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
from itertools import pairwise
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from coilbell.errors import ReferenceMismatch
from coilbell.record import Capacitor, Connection
from coilbell.winding.odds.kind import Kind, kind_named
from coilbell.winding.odds.observation import Observation, same_capacitor
from coilbell.winding.odds.provenance import Provenance
from coilbell.winding.odds.shares import Shares
from coilbell.winding.odds.spreads import Spreads

__all__ = ["Capture", "Condition", "Reference", "UnitMean", "contradictions"]

Array = npt.NDArray[np.float64]

_SELDOM = 6e-5
"""Chance of refusing a set of good units of one kind: 4 standard deviations where there are two of them;
assumed."""

_REPEAT_FAR = (0.02, 0.25)
"""Logarithmic distance in f and in 1/Q beyond which two rings of one unit contradict each other [1];
assumed."""


_NARROW = 2.0
"""Times the kind's stated spreads that good units may really have; what strays farther than that is refused,
the rest counts as far as it is like the others (`pooled`) [1]; assumed."""


class Condition(StrEnum):
    """What is known of a unit when it is rung for a reference."""

    GOOD = "good"
    SHORTED = "shorted"


@dataclass(frozen=True, slots=True)
class Capture:
    """One ring of one unit.

    unit: name of the specimen; how: what was shorted, for a shorted capture ("one-turn loop of 1 mm wire");
    origin: name and hash of the reference it was merged from, or "".
    """

    unit: str
    condition: Condition
    observation: Observation
    how: str = ""
    origin: str = ""
    mark: str = ""
    """Why it was doubted when it was taken all the same, with figures; "" for none."""

    def __post_init__(self) -> None:
        if not self.unit.strip():
            raise ReferenceMismatch("a capture needs the name of its unit; give one, such as unit-1")
        if self.condition is Condition.SHORTED and not self.how.strip():
            raise ReferenceMismatch(
                f"unit {self.unit}: say what was shorted, such as 'one-turn loop of 1 mm wire'"
            )
        if self.condition is Condition.GOOD and not self.observation.rings:
            raise ReferenceMismatch(
                f"unit {self.unit} did not ring and cannot stand for a good winding; check leads and pulse, "
                "and unsolder resistors that damp it, as those of a vertical yoke"
            )
        if self.condition is Condition.GOOD and self.observation.connection is Connection.IN_CIRCUIT:
            raise ReferenceMismatch(
                f"unit {self.unit} was rung in circuit; take a reference from parts out of circuit"
            )


@dataclass(frozen=True, slots=True, eq=False)
class UnitMean:
    """Mean ring of one good unit over the chosen capacitors.

    point: (2 m,) ln f at each capacitor, then ln d; repeats: rings behind it at each capacitor, the least;
    scatter: (2 m, 2 m) sum of squared deviations of its repeats; freedom: repeats - 1.
    """

    unit: str
    point: Array
    repeats: int
    scatter: Array
    freedom: int


@dataclass(frozen=True, slots=True)
class Reference:
    """A kind of winding: captures known good and deliberately shorted.

    Raises ReferenceMismatch when the captures contradict each other.
    """

    name: str
    kind: Kind
    captures: tuple[Capture, ...]
    note: str = ""
    created: datetime | None = None
    origins: tuple[str, ...] = ()
    """Names and hashes of the references merged into this one."""
    withdrawn: tuple[tuple[str, str], ...] = ()
    """Units taken out again, each with the reason."""
    provenance: tuple[Provenance, ...] = ()
    """Who handed on what came from elsewhere, and when."""
    left_out: tuple[str, ...] = ()
    """Origins that are distrusted here, whose captures it is judged without; it is the bench's as well."""
    shares: tuple[Shares, ...] = ()
    """What outcomes tell of causes, by connection; the bench's likewise."""
    spreads: Spreads | None = None
    """What was learned elsewhere of how its units stray; it belongs to the bench and is not handed on."""

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise ReferenceMismatch("a reference needs a name")
        problems = contradictions(self)
        if problems:
            raise ReferenceMismatch(f"reference {self.name}: {problems[0]}")

    @classmethod
    def begin(cls, name: str, kind: str | Kind, captures: Sequence[Capture], note: str = "") -> Reference:
        """A new reference of that kind, dated now."""
        known = kind_named(kind) if isinstance(kind, str) else kind
        return cls(name, known, tuple(captures), note, datetime.now(UTC).replace(microsecond=0))

    def having(self, captures: Iterable[Capture]) -> Reference:
        """This reference with further captures; repeats of the very same capture are left out."""
        merged = list(self.captures)
        merged += [c for c in captures if not any(_same(c, have) for have in merged)]
        return replace(self, captures=tuple(merged))

    def merged(
        self,
        other: Reference,
        other_origin: str,
        provenance: Provenance | None = None,
        same: Collection[str] = (),
    ) -> Reference:
        """This reference with another's captures, each keeping where it came from.

        other_origin: name and hash of `other`; provenance: who handed it on; same: units that are the very
        specimen here and there. A ring that is here already, under whatever name, is left out; another unit
        of a name that is taken gets one of its own. Raises ReferenceMismatch for another kind.
        """
        if other.kind.name != self.kind.name:
            raise ReferenceMismatch(
                f"{self.name} is a {self.kind.name}, {other.name} a {other.kind.name}; keep them apart"
            )
        if other.kind != self.kind:
            raise ReferenceMismatch(
                f"{self.name} and {other.name} differ in the figures of a {self.kind.name}; keep them apart"
            )
        here = {_content(c): c.unit for c in self.captures}
        names = {c.unit: here[_content(c)] for c in other.captures if _content(c) in here}
        taken = {c.unit for c in self.captures}
        for unit in dict.fromkeys(c.unit for c in other.captures):
            apart = unit in taken and unit not in same
            whose = provenance.who if provenance else other_origin
            names.setdefault(unit, f"{unit} of {whose}" if apart else unit)
        arriving = (
            replace(c, unit=names[c.unit], origin=c.origin or other_origin)
            for c in other.captures
            if _content(c) not in here
        )
        known = {one.origin: one for one in (*other.provenance, *self.provenance)}
        if provenance is not None:
            known.setdefault(provenance.origin, provenance)
        return replace(
            self,
            captures=(*self.captures, *arriving),
            origins=tuple(dict.fromkeys((*self.origins, *other.origins, other_origin))),
            provenance=tuple(known.values()),
        )

    def handed_on(self, provenance: Provenance) -> Reference:
        """This reference as it arrives from elsewhere: every capture says where it came from."""
        return replace(self, captures=(), origins=()).merged(self, provenance.origin, provenance)

    def sources(self, names: Collection[str]) -> frozenset[str]:
        """Origins that are named so, or that one of these handed on."""
        by_who = {one.origin for one in self.provenance if one.who in names}
        return frozenset({c.origin for c in self.captures if c.origin in names} | by_who)

    def shares_in(self, connection: Connection) -> Shares | None:
        """What outcomes of its kind tell, connected so; None where there are none."""
        return next((one for one in self.shares if one.connection is connection), None)

    def sources_of_good(self) -> tuple[tuple[str, str], ...]:
        """Origin of good units that came from elsewhere, and who handed them on, "" where nobody said."""
        who = {one.origin: one.who for one in self.provenance}
        found = dict.fromkeys(c.origin for c in self.good if c.origin)
        return tuple((origin, who.get(origin, "")) for origin in found)

    def trusting(self, distrusted: Collection[str], *, told: bool = False) -> Reference:
        """This reference without what came from these sources: origins, or who handed them on.

        told: raise ReferenceMismatch where no good unit is left of those there were.
        """
        gone = self.sources(distrusted)
        left = tuple(c for c in self.captures if c.origin not in gone)
        if len(left) == len(self.captures):
            return self
        found = replace(self, captures=left, left_out=tuple(sorted(gone)))
        if told and self.good and not found.good:
            raise ReferenceMismatch(
                f"all good units of {self.name} come from distrusted sources; add units of your own, or "
                "trust one again with `coilbell reference distrust ORIGIN --again`"
            )
        return found

    def units(self, condition: Condition = Condition.GOOD) -> tuple[str, ...]:
        """Names of the units in that condition, in the order they joined."""
        return tuple(dict.fromkeys(c.unit for c in self.captures if c.condition is condition))

    @property
    def good(self) -> tuple[Capture, ...]:
        """Captures of good units."""
        return tuple(c for c in self.captures if c.condition is Condition.GOOD)

    def across(self) -> frozenset[str]:
        """The pins that good units were rung across, where that was said."""
        good = (c.observation.across for c in self.captures if c.condition is Condition.GOOD)
        return frozenset(pins for pins in good if pins)

    def marked(self) -> tuple[str, ...]:
        """Good units that were taken against a warning, with its figures."""
        good = (c for c in self.captures if c.condition is Condition.GOOD and c.mark)
        return tuple(dict.fromkeys(f"{c.unit}: {c.mark}" for c in good))

    def without(self, unit: str, reason: str) -> Reference:
        """This reference without a unit that turned out not to be what it was taken for.

        Raises ReferenceMismatch where it holds no such unit, or without a reason.
        """
        if not reason.strip():
            raise ReferenceMismatch(f"unit {unit}: say why it is withdrawn, such as 'shorted after all'")
        left = tuple(c for c in self.captures if c.unit != unit)
        if len(left) == len(self.captures):
            held = ", ".join(self.units()) or "none"
            raise ReferenceMismatch(f"reference {self.name} holds no unit {unit}; its good units: {held}")
        return replace(self, captures=left, withdrawn=(*self.withdrawn, (unit, reason)))

    def capacitors(self) -> tuple[Capacitor, ...]:
        """Test capacitors with which good units were rung, the largest first."""
        found: list[Capacitor] = []
        for capture in self.captures:
            capacitor = capture.observation.capacitor
            if capture.condition is Condition.GOOD and not any(same_capacitor(capacitor, f) for f in found):
                found.append(capacitor)
        return tuple(sorted(found, key=lambda c: -c.farads))

    def good_means(self, capacitors: Sequence[Capacitor]) -> tuple[UnitMean, ...]:
        """Mean of each good unit that was rung with all of these capacitors."""
        means = []
        for unit in self.units():
            rows = [_points(self.captures, unit, Condition.GOOD, "", c) for c in capacitors]
            if all(len(r) for r in rows):
                means.append(_mean(unit, rows))
        return tuple(means)

    def shorted_points(self, capacitors: Sequence[Capacitor]) -> tuple[tuple[str, str, Array], ...]:
        """(unit, how, (2 m,) ln f and ln d) of each deliberate short rung with all of these capacitors."""
        found = []
        pairs = dict.fromkeys((c.unit, c.how) for c in self.captures if c.condition is Condition.SHORTED)
        for unit, how in pairs:
            rows = [_points(self.captures, unit, Condition.SHORTED, how, c) for c in capacitors]
            if all(len(r) for r in rows):
                found.append((unit, how, _mean(unit, rows).point))
        return tuple(found)


def contradictions(reference: Reference) -> tuple[str, ...]:
    """What cannot be true together in a reference's captures, a sentence each."""
    found: list[str] = []
    for capacitor in reference.capacitors():
        found += _repeat_contradictions(reference, capacitor)
        found += _unit_contradictions(reference, capacitor)
    found += _order_contradictions(reference)
    return tuple(found)


def _content(capture: Capture) -> tuple[Condition, str, Observation | str]:
    """What tells a capture from any other, whoever named its unit: the samples, else all that is known of
    it."""
    seen = capture.observation
    return capture.condition, capture.how, seen.samples or seen


def _same(a: Capture, b: Capture) -> bool:
    # The origin may differ: the same capture reached us by two ways.
    return replace(a, origin="") == replace(b, origin="")


def _points(
    captures: Sequence[Capture], unit: str, condition: Condition, how: str, capacitor: Capacitor
) -> list[tuple[float, float]]:
    return [
        (math.log(c.observation.natural_hz), math.log(c.observation.loss))
        for c in captures
        if c.unit == unit
        and c.condition is condition
        and (not how or c.how == how)
        and c.observation.rings
        and same_capacitor(c.observation.capacitor, capacitor)
    ]


def _mean(unit: str, rows: Sequence[Sequence[tuple[float, float]]]) -> UnitMean:
    arrays = [np.array(row) for row in rows]
    repeats = min(len(a) for a in arrays)
    point = np.concatenate([[a[:, k].mean() for a in arrays] for k in (0, 1)])
    scatter = np.diag(np.concatenate([[a[:, k].var() * repeats for a in arrays] for k in (0, 1)]))
    return UnitMean(unit, point, repeats, scatter, repeats - 1)


def _repeat_contradictions(reference: Reference, capacitor: Capacitor) -> list[str]:
    """Rings of one unit with one tester that cannot be repeats; testers differ by what they take
    (`pooled`)."""
    rows: dict[tuple[str, str, Capacitor], list[tuple[float, float]]] = {}
    for c in reference.good:
        o = c.observation
        if same_capacitor(o.capacitor, capacitor):
            ring = math.log(o.natural_hz), math.log(o.loss)
            rows.setdefault((c.unit, o.board, o.capacitor), []).append(ring)
    found = []
    for (unit, _, _), points in rows.items():
        reach = np.ptp(np.array(points), axis=0)
        if (reach > _REPEAT_FAR).any():
            apart_f, apart_q = 100 * np.expm1(reach)
            found.append(
                f"the rings of unit {unit} with {capacitor.words} differ by {apart_f:.1f} % in f "
                f"and {apart_q:.0f} % in Q; not one unit in one state; capture it again"
            )
    return found


def _unit_contradictions(reference: Reference, capacitor: Capacitor) -> list[str]:
    means = reference.good_means((capacitor,))
    if len(means) < 2:
        return []
    spread, most = reference.kind.spread, reference.kind.stray_farads[1]
    stray = spread.capacitance * most / (capacitor.farads + most)
    usual = np.array(
        [
            math.hypot(spread.inductance / 2, stray / 2, spread.own_frequency),
            math.hypot(spread.core_loss, spread.inductance / 2, spread.loss_slope),
        ]
    )
    # The more pairs, the farther apart the farthest one by chance.
    far = NormalDist().inv_cdf(1 - 0.5 * _SELDOM / math.comb(len(means), 2))
    limits = far * math.sqrt(2) * usual * _NARROW
    for i, a in enumerate(means):
        for b in means[i + 1 :]:
            distance = np.abs(a.point - b.point)
            if (distance > limits).any():
                return [
                    f"good units {a.unit} and {b.unit} ring at {_ring(a)} and {_ring(b)} with "
                    f"{capacitor.words}, too far apart for one kind of part; one of them is another part "
                    "or faulty, leave it out"
                ]
    return []


def _order_contradictions(reference: Reference) -> list[str]:
    """A smaller capacitor must ring faster."""
    capacitors = reference.capacitors()
    for large, small in pairwise(capacitors):
        for mean in reference.good_means((large, small)):
            if mean.point[1] <= mean.point[0]:
                return [
                    f"unit {mean.unit} rings no faster with {small.words} than with {large.words}; "
                    "the capacitors are exchanged or misnamed"
                ]
    return []


def _ring(mean: UnitMean) -> str:
    return f"{math.exp(mean.point[0]) / 1e3:.2f} kHz, Q {math.exp(-mean.point[1]):.1f}"
