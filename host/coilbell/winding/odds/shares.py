"""How often each cause is met: the stated shares as pseudo-counts, and this bench's own outcomes.

    p(cause) = (W q + n)/(W + N)                 q: stated, worth W outcomes;  n of N outcomes were this cause

which is the mean of a Dirichlet distribution (Gelman et al., Bayesian Data Analysis, section 3.4; from
memory). Only items that were repaired, or looked into, have outcomes: who is sent home untouched is in none.
How far that selects cannot be known from the outcomes, so that the odds p/(1 - p) of a cause are never moved
more than `most` times from the stated ones.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from coilbell.record import Connection
from coilbell.terms import Cause
from coilbell.winding.odds.faultfile import value
from coilbell.winding.odds.kind import Kind

__all__ = ["EVEN", "Shares", "bounded_shares", "cause_shares", "learned_shares", "stated_shares"]

K = TypeVar("K")

EVEN = 0.5
"""Probability of a shorted turn where neither a person nor an outcome says anything [0..1]; assumed."""


@dataclass(frozen=True, slots=True)
class Shares:
    """What outcomes tell of one kind of winding, connected in one way.

    prior: probability of a shorted turn; causes: share of each cause among windings without one; outcomes:
    how many there are, by how sure they are; weight: outcomes that the statement is worth; bounded: True
    where one of them stands at the bound that selection sets.
    """

    connection: Connection
    prior: float
    causes: tuple[tuple[Cause, float], ...]
    outcomes: float
    weight: float
    bounded: bool

    def __post_init__(self) -> None:
        shares = [share for _, share in self.causes]
        if not 0 < self.prior < 1 or not all(0 < one < 1 for one in shares):
            raise ValueError("shares of causes lie between 0 and 1")
        if {cause for cause, _ in self.causes} != set(_WHOLE) or abs(sum(shares) - 1) > _ROUNDING:
            raise ValueError("shares are of all causes without a shorted turn, and sum to 1")
        if not 0 < self.outcomes < math.inf or not 0 < self.weight < math.inf:
            raise ValueError("outcomes and what they are weighed against are more than none")


_ROUNDING = 1e-6
"""How far shares may miss their sum of 1 [1]; assumed: rounding."""

_WHOLE = (
    Cause.NOTHING,
    Cause.LOAD,
    Cause.JUNCTION,
    Cause.CORE,
    Cause.CAPACITANCE,
    Cause.OPEN,
    Cause.UNKNOWN,
)
"""Causes without a shorted turn, as a winding may be found."""


def stated_shares(kind: Kind) -> dict[Cause, float]:
    """The stated shares of causes without a shorted turn; their sum is not 1 yet."""
    rectifiers = ("capacitance", "capacitance_high_voltage", "capacitance_inside")
    names = ("nothing", "load", "junction", "core", rectifiers[kind.high_voltage + kind.rectifiers_inside])
    figures = (*names, "silent", "unknown")
    return {cause: value(f"causes.{name}") for cause, name in zip(_WHOLE, figures, strict=True)}


def cause_shares(kind: Kind, shares: Shares | None) -> dict[Cause, float]:
    """The shares to weigh by: as stated, or as learned with the same sum."""
    stated = stated_shares(kind)
    if shares is None:
        return stated
    total = sum(stated.values())
    return {cause: share * total for cause, share in shares.causes}


def learned_shares(kind: Kind, connection: Connection, counts: Mapping[Cause, float]) -> Shares | None:
    """What outcomes tell; None where there are none. counts: outcomes by what the winding was, by
    sureness."""
    short = sum(n for cause, n in counts.items() if cause.shorted)
    whole = {cause: counts.get(cause, 0.0) for cause in _WHOLE}
    total = short + sum(whole.values())
    if total <= 0:
        return None
    weight, most = value("outcomes.weight"), value("outcomes.most")
    stated = stated_shares(kind)
    scale = sum(stated.values())
    shares = {cause: share / scale for cause, share in stated.items()}
    two, told = bounded_shares(
        {True: EVEN, False: 1 - EVEN}, {True: short, False: total - short}, weight, most
    )
    causes, more = bounded_shares(shares, whole, weight * (1 - EVEN), most)
    return Shares(connection, two[True], tuple(causes.items()), total, weight, told or more)


def bounded_shares(
    stated: Mapping[K, float], counts: Mapping[K, float], weight: float, most: float
) -> tuple[dict[K, float], bool]:
    """Mean of the Dirichlet posterior, no odds moved more than `most` times; was one of them bounded?"""
    total = weight + sum(counts.values())
    free = {key: (weight * q + counts.get(key, 0.0)) / total for key, q in stated.items()}
    held = {key: _held(free[key], q, most) for key, q in stated.items()}
    bounded = any(abs(held[key] - free[key]) > _ROUNDING for key in held)
    if not bounded:
        return free, False
    # What a bound takes from one cause the others share, within their own bounds.
    for _ in range(len(held) + 1):
        over = 1 - sum(held.values())
        room = {k: p for k, p in held.items() if _held(p * (1 + over), stated[k], most) == p * (1 + over)}
        if abs(over) < _ROUNDING**2 or not room:
            break
        scale = 1 + over / sum(room.values())
        held |= {k: _held(p * scale, stated[k], most) for k, p in room.items()}
    whole = sum(held.values())
    return {key: p / whole for key, p in held.items()}, True


def _held(share: float, stated: float, most: float) -> float:
    odds = stated / (1 - stated)
    low, high = odds / most, odds * most
    return min(max(share, low / (1 + low)), high / (1 + high))
