"""Populations of simulated windings, as a tester would observe them, for judging the judgement.

The circuit simulation shares no code with the fault formulae that the judgement computes with. A ring is
the circuit's natural mode with the largest energy below 240 kHz (a tester at 500 kS/s sees no more) and a
Q above 0.55, with the estimator's usual error on it: 100 ppm in frequency, 0.3 % in Q.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from coilbell.board.simulation import CONDITIONS, TrueMode, Winding, catalogue
from coilbell.record import Capacitor
from coilbell.winding import Capture, Condition, Observation, Reference

__all__ = [
    "HIGHEST_HZ",
    "Truth",
    "capacitors",
    "expected",
    "main_ring",
    "observed",
    "reference",
    "truth",
]

HIGHEST_HZ = 240e3
_LOWEST_Q = 0.55
_NAMES = {100e-9: "C", 22e-9: "A", 4.7e-9: "B"}


def main_ring(world: Winding, farads: float) -> TrueMode | None:
    """The mode a fit would call the main one, None when nothing can be followed."""
    seen = [m for m in world.true_modes(farads) if 0 < m.frequency_hz < HIGHEST_HZ and m.q > _LOWEST_Q]
    return max(seen, key=lambda m: abs(m.residue) ** 2 / m.decay_per_s) if seen else None


def observed(world: Winding, farads: float, rng: np.random.Generator) -> Observation:
    """One ring with the estimator's error on it."""
    capacitor = Capacitor(farads, 0.01, _NAMES.get(farads, ""))
    mode = main_ring(world, farads)
    if mode is None:
        return Observation(capacitor, None, None, board="simulated")
    f, q = mode.frequency_hz * (1 + 1e-4 * rng.standard_normal()), mode.q * (1 + 3e-3 * rng.standard_normal())
    return Observation(capacitor, f, max(q, 0.51), 1e-4, 3e-3, board="simulated")


def capacitors(name: str, number: int = 1) -> tuple[float, ...]:
    """The usual test capacitors: 22 nF, and 4.7 nF as the second; 100 and 22 nF for small coils.

    Iron and what hardly rings get 100 nF alone, since they do not ring with less.
    """
    mode = main_ring(Winding(catalogue.part(name)), 22e-9)
    large = mode is not None and mode.frequency_hz > 100e3
    if name.startswith("beck") or mode is None or mode.q < 1:
        return (100e-9,)
    return ((100e-9, 22e-9) if large else (22e-9, 4.7e-9))[:number]


def reference(
    name: str, test: tuple[float, ...], good: int, seed: int, *, shorted: bool, rng: np.random.Generator
) -> Reference:
    """A reference of `good` units drawn with `seed`, and one of them shorted on purpose."""
    captures = [
        Capture(f"unit-{k}", Condition.GOOD, observed(unit, farads, rng))
        for k, unit in enumerate(catalogue.population(name, "healthy", good, seed))
        for farads in test
    ]
    if shorted:
        state = "external-loop" if "external-loop" in catalogue.states(name) else "turn-dead"
        unit = next(catalogue.population(name, state, 1, seed))
        captures += [
            Capture("unit-0", Condition.SHORTED, observed(unit, farads, rng), state) for farads in test
        ]
    return Reference.begin(name, catalogue.part(name).kind, captures)


@dataclass(frozen=True, slots=True)
class Truth:
    """A part's healthy ring and how far its units spread, from a population of its own."""

    frequency_hz: float
    q: float
    spread_f: float
    spread_q: float


@lru_cache(maxsize=64)
def truth(name: str, farads: float) -> Truth:
    """Nominal ring and standard deviations of ln f and ln Q over 120 units."""
    nominal = main_ring(Winding(catalogue.part(name)), farads)
    units = [main_ring(world, farads) for world in catalogue.population(name, "healthy", 120, 987)]
    rings = [u for u in units if u is not None]
    assert nominal is not None
    return Truth(
        nominal.natural_frequency_hz,
        nominal.q,
        float(np.std([math.log(r.natural_frequency_hz) for r in rings])),
        float(np.std([math.log(r.q) for r in rings])),
    )


def expected(name: str, state: str, test: tuple[float, ...]) -> tuple[str | None, float]:
    """What may be said of the nominal part in that state, and how many spreads it moves f or Q.

    By the largest of the test capacitors with which it rings, as it is judged.
    None where physics separates nothing: a loop at 10 to 20 degrees in the shift plane or hardly moving f
    (between load and short), every rectifier shorted with the tube returned (rings like a short), and
    parts whose healthy Q is below 5 (the spread of their loss hides a short's) unless like healthy.
    """
    condition = CONDITIONS[state]
    world = Winding(catalogue.part(name), state)
    mode, farads = next(((m, c) for c in test if (m := main_ring(world, c))), (None, 0.0))
    if mode is None:
        return "no ring", math.inf
    healthy = truth(name, farads)
    ratio = mode.natural_frequency_hz / healthy.frequency_hz
    moved = max(abs(math.log(ratio)) / healthy.spread_f, abs(math.log(mode.q / healthy.q)) / healthy.spread_q)
    if state == "rectifier-all-shorted-tube-returned" or condition.explanation == "no ring":
        return None, moved
    if healthy.q < 5 and state != "healthy":
        return None, moved
    if not condition.shorted:
        return condition.explanation, moved
    g, b = ratio / mode.q - 1 / healthy.q, ratio**2 - 1
    angle = math.degrees(math.atan2(b, g)) if abs(b) > 0.02 else 0.0
    if angle < 10:
        return "loaded", moved
    return (None if angle < 20 or abs(math.log(ratio)) < 3 * healthy.spread_f else "like shorted"), moved
