"""What rings in circuit may say at the most and at the least, whatever the odds of lumped attachments are.

One port at these volts cannot tell a shorted winding from a shorted rectifier on it, a yoke with a shorted
turn,
a coil that the set leaves on; nor a leaky turn from a resistance. So odds in circuit convict only where

    everything that can be unplugged is, and every rectifier is proven by a diode test, and
    the loss falls with frequency as copper's does, d ln G/d ln w < `SLOPE`, and
    the inductance by two capacitors fell below `INDUCTANCE` of the reference's, and
    ln 1/Q rose by more than `LOSS_UP`, Q > `LEAST_Q`, and, where a set may leave a coil on a winding, Q <
    `COIL_Q`

with L = (1/w1^2 - 1/w2^2)/(C1 - C2), C_s = 1/(w1^2 L) - C1, G = w (C + C_s)/Q, w = w0 throughout. They
clear only
where the loss is hardly above the healthy one's at every capacitor. Else the odds stay open by `OPEN`.

A step that a technician states may not have been done right. Each has a chance of that in faults.toml, and
the
odds of a short can never rise above what is left: no verdict rests on a statement alone.

Simulated: tests/benchmarks/incircuit.py, host/coilbell/board/simulation and an independent circuit
simulation;
no hardware measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.terms import Attached, Step
from coilbell.winding.odds.attachment import shares
from coilbell.winding.odds.faultfile import value
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.stage import Stage, recorded_of, removes

__all__ = ["Bounds", "TwoRings", "bounds", "two_rings", "unproven", "within"]

Array = npt.NDArray[np.float64]

SLOPE, INDUCTANCE, LOSS_UP, COIL_Q, LEAST_Q = -0.4, 0.5, 0.7, 16.0, 0.8
"""Bounds of the rule [1]; simulated: 0 of 421 sound sets and 0 of 195 leaky turns meet it, of 344 copper
shorts
292 (tests/benchmarks/incircuit.py). Under `LEAST_Q` slope and inductance are those of whatever else hangs
there."""

QUIET = 0.35
"""Rise of ln 1/Q up to which a winding in circuit rings like a healthy one [1]; simulated: sound sets that
leave the ring alone stay under 0.31, shorts below 0.1 ohm lie above 0.9."""

OPEN = 0.10
"""What stays open on either side where the rule does not allow more [0..1]; simulated: without a diode test
12 of 150 sound windings ring as a shorted one does."""

_NEEDED = (Step.YOKE_OFF, Step.TUBE_BASE_OFF, Step.RECTIFIERS_TESTED)
"""Steps without which nothing is convicted in circuit, where the kind has them."""


@dataclass(frozen=True, slots=True)
class TwoRings:
    """What two test capacitors say beside the healthy winding; all [1].

    inductance: over the healthy one's; slope: d ln G/d ln w; loss_up: ln 1/Q over the healthy one's, with the
    larger capacitor; q: there.
    """

    inductance: float
    slope: float
    loss_up: float
    q: float


@dataclass(frozen=True, slots=True)
class Bounds:
    """Least and most that the odds of a short that shows may be, and what they wait for."""

    least: float
    most: float
    waits: tuple[Step, ...] = ()
    """Steps to be done before a conviction."""
    copper: TwoRings | None = None
    """What two rings say where they meet the rule of closed copper."""


def bounds(rings: Sequence[Ring], healthy: Healthy, kind: Kind) -> Bounds:
    """Bounds of the odds by all rings of one item; none where a ring was taken out of circuit."""
    if any(not r.stage.in_circuit for r in rings):
        return Bounds(0.0, 1.0)
    stage = max((r.stage for r in rings), key=lambda s: (len(s.done), s.words))
    last = [r for r in rings if r.stage == stage and r.rings]
    two = two_rings(last, healthy)
    copper = two is not None and _meets(two, kind, stage)
    waits = unproven(kind, stage)
    most = (1 - _misjudged(kind, stage)) if copper and not waits else 1 - OPEN
    least = 0.0 if last and _quiet(last, healthy) else OPEN
    return Bounds(least, most, waits, two if copper else None)


def within(odds: Array, shown: npt.NDArray[np.bool_], sound: Sequence[bool], limits: Bounds) -> Array:
    """Odds (h,) with those of a short that shows brought within their bounds.

    shown, sound: which hypotheses are such a short, and a sound winding. What is too much goes to a sound
    winding
    with something of the set on it; what is too little comes from all that is no such short.
    """
    shows = float(odds[shown].sum())
    wanted = min(max(shows, limits.least), limits.most)
    if wanted == shows:
        return odds
    out = odds.copy()
    # A short whose evidence rounds to nothing is shared out evenly.
    out[shown] = odds[shown] * (wanted / shows) if shows > 0 else wanted / np.count_nonzero(shown)
    if wanted < shows:
        out[list(sound).index(True)] += shows - wanted
    else:
        out[~shown] *= (1 - wanted) / (1 - shows)
    return out


def unproven(kind: Kind, stage: Stage) -> tuple[Step, ...]:
    """What has to be done before anything is convicted at this stage."""
    known = recorded_of(kind)
    return tuple(step for step in _NEEDED if step in known and step not in stage.done)


def two_rings(rings: Sequence[Ring], healthy: Healthy) -> TwoRings | None:
    """What the largest and the smallest test capacitor say; None with one, or where no inductance fits."""
    rang = sorted((r for r in rings if r.rings), key=lambda r: -r.capacitor.farads)
    if len(rang) < 2:
        return None
    pair = (rang[0], rang[-1])
    farads = [r.capacitor.farads + r.loading.farads for r in pair]
    places = [healthy.place(r.capacitor) for r in pair]
    count = len(healthy.capacitors)
    usual = [(healthy.location[k], healthy.location[count + k]) for k in places]
    seen = _tank(farads, [(float(r.point[0]), float(r.point[1])) for r in pair])
    known = _tank(farads, usual)
    if seen is None or known is None:
        return None
    up = float(pair[0].point[1]) - float(usual[0][1])
    return TwoRings(seen[0] / known[0], seen[1], up, math.exp(-float(pair[0].point[1])))


def _tank(farads: Sequence[float], points: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """Inductance [H] and slope of the loss conductance by two rings (ln f, ln d); None where they fit no
    winding."""
    w = [2 * math.pi * math.exp(f) for f, _ in points]
    henries = (w[0] ** -2 - w[1] ** -2) / (farads[0] - farads[1])
    if henries <= 0 or w[0] == w[1]:
        return None
    stray = 1 / (w[0] ** 2 * henries) - farads[0]
    total = [c + stray for c in farads]
    if min(total) <= 0:
        return None
    loss = [math.log(wk * c) + d for wk, c, (_, d) in zip(w, total, points, strict=True)]
    return henries, (loss[1] - loss[0]) / math.log(w[1] / w[0])


def _meets(two: TwoRings, kind: Kind, stage: Stage) -> bool:
    coil = kind.high_voltage and Step.COILS_OFF not in stage.done
    return bool(
        two.slope < SLOPE
        and two.inductance < INDUCTANCE
        and two.loss_up > LOSS_UP
        and two.q > LEAST_Q
        and not (coil and two.q > COIL_Q)
    )


def _quiet(rings: Sequence[Ring], healthy: Healthy) -> bool:
    count = len(healthy.capacitors)
    up = [float(r.point[1]) - healthy.location[count + healthy.place(r.capacitor)] for r in rings]
    return bool(max(up) < QUIET)


def _misjudged(kind: Kind, stage: Stage) -> float:
    """Chance that a stated step failed and that what it should have taken off is there and does it [0..1]."""
    met = shares(kind)
    wrong = sum(
        value(f"statements.{step.name.lower()}") * met[one]
        for step in stage.done
        for one in removes(step)
        if one in (Attached.YOKE, Attached.RECTIFIER, Attached.COIL)
    )
    return wrong / (1 + wrong)
