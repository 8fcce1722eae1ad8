"""What is said of spreads and shares: how much is assumed and how much learned."""

from __future__ import annotations

from coilbell.figure import in_percent
from coilbell.winding.odds.faultfile import value
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.reference import Reference
from coilbell.winding.odds.shares import Shares

__all__ = ["share_words", "spread_words"]

_DIGIT = 0.1
"""Spread from which no tenth of a percent is told [1]; assumed."""


def spread_words(by: Healthy, reference: Reference) -> tuple[str, ...]:
    """What the spread between units rests on, a sentence each; () where one unit's own rings are meant."""
    learned = by.learned
    if learned is None:
        return ()
    frequency, loss = float(by.between[0]), float(by.between[len(by.capacitors)])
    units = [f"{_units(len(by.units))} of this part in reference {reference.name}"]
    if learned.part_units:
        units.append(f"{learned.part_units} more of it elsewhere")
    if learned.kind_units:
        parts = f"{learned.kind_parts} other part{'s' * (learned.kind_parts > 1)}"
        units.append(f"{learned.kind_units} of its kind ({parts})")
    told = (
        f"spread between units: f {_percent(frequency)}, loss {_percent(loss)}: {', '.join(units)}; the "
        f"assumption for a {reference.kind.name}, f {_percent(by.stated[0])}, loss {_percent(by.stated[1])}, "
        f"weighs {learned.assumed_weight:.3g} units"
    )
    unlike = tuple(
        f"{unit} hardly rings like the other good units and counts by {in_percent(weight)}: check it"
        for unit, weight in by.unlike
    )
    sources = [f"{who}, {origin}" if who else origin for origin, who in reference.sources_of_good()]
    handed: tuple[str, ...] = (f"good units handed on from {'; '.join(sources)}",) if sources else ()
    if reference.left_out:
        handed += (f"good units of {', '.join(reference.left_out)} are left out: distrusted here",)
    return (told, *unlike, *handed)


def share_words(shares: Shares, kind: str, *, prior_given: bool) -> str:
    """What the shares of causes rest on."""
    of = "shares of causes" if prior_given else "that prior and the shares of causes"
    bound = ", as they do here" if shares.bounded else ""
    count = max(round(shares.outcomes), 1)
    return (
        f"{of} rest on {count} outcome{'s' * (count > 1)} of this bench's "
        f"{kind}, {shares.connection}, and on assumption that weighs {shares.weight:.3g}; only repaired sets "
        f"have outcomes, so that no odds are moved more than {value('outcomes.most'):g} times{bound}"
    )


def _units(count: int) -> str:
    return f"{count} unit{'s' * (count > 1)}"


def _percent(spread: float) -> str:
    return f"{100 * spread:.0f} %" if spread >= _DIGIT else f"{100 * spread:.1f} %"
