"""Facts of rings and odds, which findings and comparisons share."""

from __future__ import annotations

import math

import msgspec

from coilbell.bench.facts.base import LARGEST, Chance, Count, Facts, Figure, Positive, Spread, finite
from coilbell.quantities import engineering
from coilbell.winding import Explanation, Healthy, Posterior, Ring, Verdict

__all__ = [
    "HealthyFacts",
    "Left",
    "OddsFacts",
    "RingFacts",
    "check_verdict",
    "odds_facts",
    "probabilities",
    "ring_facts",
]

Left = msgspec.UnsetType
"""A field that is left out where it says nothing."""

_ROUNDING = 1e-9
"""How far the sum of many probabilities may miss 0 or 1 by rounding [1]."""


def check_verdict(verdict: Verdict | Left) -> None:
    """Raise ValueError for a verdict with a chance or a figure that cannot be."""
    if isinstance(verdict, msgspec.UnsetType):
        return
    chances = [verdict.shows, verdict.sure, *(one.probability for one in verdict.alternatives)]
    if any(chance is not None and not 0 <= chance <= 1 for chance in chances):
        raise ValueError("a chance of the verdict lies outside 0 to 1")
    for one in verdict.deciding:
        figures = (one.hertz, one.hertz_spread, one.q, one.q_spread, one.healthy_hertz, one.healthy_q)
        if any(figure is not None and not 0 <= figure <= LARGEST for figure in figures):
            raise ValueError("a deciding figure of the verdict cannot be")


class HealthyFacts(Facts, frozen=True, kw_only=True):
    """Where the next good unit is expected.

    frequency_spread, loss_spread: standard deviations of ln f and ln 1/Q [1]; frequency_spreads_away and
    loss_spreads_away: how far the ring is from it, in these.
    """

    natural_frequency_hz: Positive
    q: Positive
    frequency_spread: Spread
    loss_spread: Spread
    frequency_spreads_away: Figure | Left = msgspec.UNSET
    loss_spreads_away: Figure | Left = msgspec.UNSET


class RingFacts(Facts, frozen=True, kw_only=True):
    """A ring with one test capacitor, or the want of one, which has no figures.

    capacitor: in words; natural_frequency_hz: w0/(2 pi) [Hz]; q: w0/(2 a) [1]; captures: how many were put
    together; healthy: only beside a reference.
    """

    capacitor: str
    test_capacitor_f: Positive
    rings: bool
    natural_frequency_hz: Positive | Left = msgspec.UNSET
    natural_frequency_standard_uncertainty_hz: Spread | Left | None = msgspec.UNSET
    q: Positive | Left = msgspec.UNSET
    q_standard_uncertainty: Spread | Left | None = msgspec.UNSET
    captures: Count | Left = msgspec.UNSET
    healthy: HealthyFacts | Left = msgspec.UNSET

    def __post_init__(self) -> None:
        if self.rings != bool(self.q):
            raise ValueError("a ring needs its frequency and Q, and silence has none")


class OddsFacts(Facts, frozen=True, kw_only=True):
    """Probability of a shorted turn for the prior, and ratios of likelihood.

    log10_likelihood_ratio: of a shorted turn to none; log10_shows: of a short that shows to a healthy
    winding; healthy_unit_at_least_this_far: chance of it; basis: what the odds rest on, a sentence each.
    """

    probability: Chance
    prior: Chance
    log10_likelihood_ratio: Figure | None
    log10_shows: Figure | None = None
    healthy_unit_at_least_this_far: Chance | None
    basis: tuple[str, ...] | Left = msgspec.UNSET


def ring_facts(ring: Ring, healthy: HealthyFacts | Left = msgspec.UNSET) -> RingFacts:
    """The facts of a ring; healthy: where a good one is expected."""
    capacitor = engineering(ring.capacitor.farads, "F")
    if not ring.rings:
        return RingFacts(
            capacitor=capacitor, test_capacitor_f=ring.capacitor.farads, rings=False, healthy=healthy
        )
    spread_f, spread_q = (math.sqrt(ring.covariance[k, k]) for k in (0, 1))
    return RingFacts(
        capacitor=capacitor,
        test_capacitor_f=ring.capacitor.farads,
        rings=True,
        natural_frequency_hz=math.exp(ring.point[0]),
        natural_frequency_standard_uncertainty_hz=finite(math.exp(ring.point[0]) * spread_f),
        q=math.exp(-ring.point[1]),
        q_standard_uncertainty=finite(math.exp(-ring.point[1]) * spread_q),
        captures=len(ring.observations),
        healthy=healthy,
    )


def healthy_facts(ring: Ring, index: int, healthy: Healthy | None) -> HealthyFacts | Left:
    """Where the next healthy one is expected, and how many of its spreads away this ring lies."""
    if healthy is None:
        return msgspec.UNSET
    row = len(healthy.capacitors) + index
    usual = HealthyFacts(
        natural_frequency_hz=math.exp(healthy.location[index]),
        q=math.exp(-healthy.location[row]),
        frequency_spread=float(healthy.spreads[index]),
        loss_spread=float(healthy.spreads[row]),
    )
    if not ring.rings:
        return usual
    return msgspec.structs.replace(
        usual,
        frequency_spreads_away=float((ring.point[0] - healthy.location[index]) / healthy.spreads[index]),
        loss_spreads_away=float((ring.point[1] - healthy.location[row]) / healthy.spreads[row]),
    )


def odds_facts(odds: Posterior, basis: tuple[str, ...] | Left = msgspec.UNSET) -> OddsFacts:
    """Probability and ratios of a shorted turn."""
    return OddsFacts(
        probability=chance(odds.shorted),
        prior=odds.prior,
        log10_likelihood_ratio=finite(odds.log10_ratio),
        log10_shows=finite(odds.log10_shows),
        healthy_unit_at_least_this_far=finite(odds.tail),
        basis=basis,
    )


def probabilities(odds: Posterior) -> dict[Explanation, Chance]:
    """Of each explanation, to six digits, but never to certainty."""
    return {e: _rounded(p) for e, p in odds.explanations.items()}


def chance(value: float) -> float:
    """A probability that was summed up: what rounding put beyond 0 or 1 is taken off, more is a fault."""
    if not -_ROUNDING <= value <= 1 + _ROUNDING:
        raise ValueError(f"{value!r} is no probability")
    return min(max(float(value), 0.0), 1.0)


def _rounded(value: float) -> float:
    return min(max(round(value, 6), 1e-6), 1 - 1e-6) if 0 < value < 1 else chance(value)
