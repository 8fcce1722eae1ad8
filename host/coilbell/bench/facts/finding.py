"""Facts of a finding: what the rings of one winding say of it."""

from __future__ import annotations

import msgspec

from coilbell.bench.facts.base import Chance, Facts, Figure, Part, Spread, finite
from coilbell.bench.facts.fit import QuantityFacts, quantity_facts
from coilbell.bench.facts.ring import (
    Left,
    OddsFacts,
    RingFacts,
    chance,
    check_verdict,
    healthy_facts,
    odds_facts,
    probabilities,
    ring_facts,
)
from coilbell.bench.facts.spread import SourceFacts, SpreadFacts, spread_facts
from coilbell.record import Connection
from coilbell.winding import Explanation, Finding, SeveralCapacitorTank, Shift, Verdict

__all__ = ["FINDING_SCHEMA", "CountFacts", "FindingFacts", "finding_facts"]

FINDING_SCHEMA = 2
"""Number of the layout of `FindingFacts`; it rises when a field changes its meaning or goes.

1 had `count.misleads` and `count.why`, what a mere counter of rings would have got wrong; it is still read,
without them.
"""

_READ = (1, FINDING_SCHEMA)

Pair = tuple[Figure, Figure]


class CauseFacts(Facts, frozen=True, kw_only=True):
    """What may be true of the winding, with its probability before and after the ring."""

    name: str
    shorted: bool
    prior: Chance
    probability: Chance


class ShiftFacts(Facts, frozen=True, kw_only=True):
    """A place in the shift plane [1], with its covariance."""

    added_loss: Figure | None
    inductance_drop: Figure | None
    angle_deg: Figure | None
    covariance: tuple[Pair, Pair]


class StrayFacts(QuantityFacts, frozen=True, kw_only=True):
    """Stray capacitance by two capacitors [F]; usual: of the reference or kind."""

    usual: Figure | None


class CountFacts(Facts, frozen=True, kw_only=True):
    """Rings to `fraction` of the first peak; healthy: those of a good unit."""

    rings: Spread | None
    healthy: Spread | None
    fraction: Part


class FindingFacts(Facts, frozen=True, kw_only=True):
    """Everything shown of a finding.

    verdict: what is said first, left out of findings made before there was one; title: what was rung;
    reference: name@hash of what it was judged by; probabilities: of each explanation,
    where none of these is `undecided`; shifts: for each of `rings`; impossible: the rings are not those of
    one inductance with one capacitance; loss_slope: d ln G/d ln w, the winding's and the reference's [1];
    sources: where good units came from that it rests on.
    """

    schema: int
    what: str
    title: str
    explanation: Explanation
    kind: str
    reference: str
    connection: Connection
    probabilities: dict[Explanation, Chance] | None
    shorted_turn: OddsFacts | None
    causes: tuple[CauseFacts, ...]
    rings: tuple[RingFacts, ...]
    shifts: tuple[ShiftFacts, ...]
    inductance_h: QuantityFacts | None
    stray_capacitance_f: StrayFacts | None = None
    impossible: bool = False
    loss_slope: Pair | None
    loss_slope_uncertainty: Spread | None = None
    reasons: tuple[str, ...]
    not_separable: tuple[str, ...]
    cannot_see: tuple[str, ...]
    next_step: str
    caution: str
    count: CountFacts
    doubts: tuple[str, ...]
    verdict: Verdict | Left = msgspec.UNSET
    spreads: SpreadFacts | Left = msgspec.UNSET
    sources: tuple[SourceFacts, ...] | Left = msgspec.UNSET

    def __post_init__(self) -> None:
        check_verdict(self.verdict)
        if self.schema not in _READ or self.what != "finding":
            raise ValueError(f"no finding of schema {' or '.join(map(str, _READ))}, which this version knows")
        if not self.rings or len(self.shifts) > len(self.rings):
            raise ValueError("a finding needs a ring, or the want of one, for each of its shifts")
        if (self.probabilities is None) != (self.shorted_turn is None):
            raise ValueError("odds of a shorted turn go with those of the explanations")


def finding_facts(finding: Finding, title: str = "") -> FindingFacts:
    """Everything shown of a finding."""
    odds, count = finding.odds, finding.count
    return FindingFacts(
        schema=FINDING_SCHEMA,
        what="finding",
        title=title,
        explanation=finding.explanation,
        kind=finding.kind,
        reference=finding.reference,
        connection=finding.connection,
        probabilities=probabilities(odds) if odds else None,
        shorted_turn=odds_facts(odds, odds.basis) if odds else None,
        causes=tuple(
            CauseFacts(
                name=c.name, shorted=c.shorted, prior=chance(c.prior), probability=chance(c.probability)
            )
            for c in (odds.causes if odds else ())
        ),
        rings=tuple(
            ring_facts(ring, healthy_facts(ring, k, finding.healthy)) for k, ring in enumerate(finding.rings)
        ),
        shifts=tuple(map(_shift, finding.shifts)),
        inductance_h=quantity_facts(finding.inductance_henries) if finding.inductance_henries else None,
        stray_capacitance_f=_stray(finding),
        impossible=isinstance(finding.tank, SeveralCapacitorTank) and finding.tank.contradicted,
        loss_slope=(finding.slope[0].value, finding.slope[1]) if finding.slope else None,
        loss_slope_uncertainty=finding.slope[0].standard_uncertainty if finding.slope else None,
        reasons=finding.reasons,
        not_separable=finding.not_separable,
        cannot_see=finding.cannot_see,
        next_step=finding.next_step,
        caution=finding.caution,
        count=CountFacts(rings=finite(count.rings), healthy=finite(count.healthy), fraction=count.fraction),
        doubts=finding.doubts,
        verdict=finding.verdict,
        spreads=(spread_facts(finding.healthy) if finding.healthy else None) or msgspec.UNSET,
        sources=tuple(SourceFacts(origin=o, who=who) for o, who in finding.sources) or msgspec.UNSET,
    )


def _shift(shift: Shift) -> ShiftFacts:
    first, second = shift.covariance
    return ShiftFacts(
        added_loss=finite(shift.added_loss),
        inductance_drop=finite(shift.inductance_drop),
        angle_deg=finite(shift.angle_deg),
        covariance=((first[0], first[1]), (second[0], second[1])),
    )


def _stray(finding: Finding) -> StrayFacts | None:
    """None by one capacitor, which does not tell it."""
    tank, healthy = finding.tank, finding.healthy
    if not isinstance(tank, SeveralCapacitorTank):
        return None
    usual = healthy.stray_beyond(finding.rings[0].loading.farads) if healthy else None
    stray = quantity_facts(tank.stray_farads)
    return StrayFacts(
        value=stray.value,
        standard_uncertainty=stray.standard_uncertainty,
        low=stray.low,
        high=stray.high,
        usual=usual,
    )
