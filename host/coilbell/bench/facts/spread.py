"""Facts of spreads between good units: how much of them is assumed, and how much learned."""

from __future__ import annotations

from coilbell.bench.facts.base import Chance, Count, Facts, Positive, Spread
from coilbell.winding import Healthy

__all__ = ["SourceFacts", "SpreadFacts", "UnlikeFacts", "spread_facts"]


class SourceFacts(Facts, frozen=True, kw_only=True):
    """Where good units came from. origin: name@hash of their reference; who: handed them on, "" if
    unknown."""

    origin: str
    who: str = ""


class UnlikeFacts(Facts, frozen=True, kw_only=True):
    """A good unit that hardly rings like the others, and the chance that it is one."""

    unit: str
    weight: Chance


class SpreadFacts(Facts, frozen=True, kw_only=True):
    """Standard deviations of ln f and ln 1/Q from one good unit to the next, with the first test capacitor.

    assumed_frequency, assumed_loss: by the kind's statement alone, worth `assumed_units`; units: of this
    part in the reference; units_elsewhere: of it in other places; units_of_kind, parts_of_kind: of other
    parts of its kind; weight: units that all this is worth beside those of the reference.
    """

    frequency: Spread
    loss: Spread
    assumed_frequency: Spread
    assumed_loss: Spread
    assumed_units: Positive
    units: Count
    units_elsewhere: Count = 0
    units_of_kind: Count = 0
    parts_of_kind: Count = 0
    weight: Positive
    unlike: tuple[UnlikeFacts, ...] = ()


def spread_facts(by: Healthy) -> SpreadFacts | None:
    """The spreads that a density rests on; None where it is that of one unit rung again."""
    learned = by.learned
    if learned is None:
        return None
    return SpreadFacts(
        frequency=float(by.between[0]),
        loss=float(by.between[len(by.capacitors)]),
        assumed_frequency=by.stated[0],
        assumed_loss=by.stated[1],
        assumed_units=learned.assumed_weight,
        units=len(by.units),
        units_elsewhere=learned.part_units,
        units_of_kind=learned.kind_units,
        parts_of_kind=learned.kind_parts,
        weight=learned.weight,
        unlike=tuple(UnlikeFacts(unit=unit, weight=weight) for unit, weight in by.unlike),
    )
