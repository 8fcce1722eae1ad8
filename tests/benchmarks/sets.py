"""Shorted rectifiers by two capacitors, and healthy windings in their sets."""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np

from benchmarks.best import best_found
from benchmarks.populations import capacitors, observed, reference
from benchmarks.verdicts import Bench
from coilbell.board.simulation import Winding, catalogue
from coilbell.record import Connection
from coilbell.winding import Explanation, Observation, Relation, compare

__all__ = ["in_circuit", "rectifiers"]

IN = Connection.IN_CIRCUIT


def rectifiers(options: argparse.Namespace) -> None:
    """Requirement 3: what two capacitors see of shorted high-voltage rectifiers."""
    print("\n## 3. High-voltage rectifiers by two capacitors (22 and 4.7 nF)")
    print("share named 'extra capacitance'; share with more evidence for it than 98 % of healthy; and what")
    print("the best possible detector, told the part's spreads and the very state, finds at 2 % false")
    for name in ("tarn-line-split", "tarn-line-single"):
        for good in (3, 8):
            _rectifier_table(options, name, good)


def _rectifier_table(options: argparse.Namespace, name: str, good: int) -> None:
    states = ["healthy", *(s for s in catalogue.states(name) if s.startswith("rectifier"))]
    found: dict[str, list[tuple[float, str]]] = {s: [] for s in states}
    # Many references with few units each: it is the reference's own error that decides.
    for turn in range(8 * options.references):
        rng = np.random.default_rng((options.seed, 3, good, turn))
        bench = Bench(reference(name, _BOTH, good, int(rng.integers(2**31)), shorted=True, rng=rng))
        for state in states:
            n = 8 if state == "healthy" else options.units
            for unit in catalogue.population(name, state, n, int(rng.integers(2**31))):
                odds, says = bench.judge([observed(unit, c, rng) for c in _BOTH])
                found[state].append((odds.explanations[Explanation.EXTRA_CAPACITANCE], says))
    limit = float(np.quantile([p for p, _ in found["healthy"]], 0.98))
    best = best_found(name, tuple(states[1:]), _BOTH, good)
    print(f"\n{name}, {good} good units, {8 * options.references} references")
    for state, cases in found.items():
        share = np.mean([says == "extra capacitance" for _, says in cases])
        above = np.mean([p > limit for p, _ in cases])
        mean = np.mean([p for p, _ in cases])
        print(
            f"  {state:38} named {share:5.3f}  at 2 % false {above:5.3f}  best possible "
            f"{best.get(state, 0.02):5.3f}  mean probability {mean:4.2f}"
        )


_BOTH = (22e-9, 4.7e-9)

SETS = {
    "in-circuit": "tuning capacitor",
    "in-circuit-yoke": "yoke",
    "in-circuit-yoke-heater-cold": "yoke and tube heater",
    "in-circuit-yoke-heater-hot": "yoke and tube heater",
    "in-circuit-heater-cold": "tube heater",
    "in-circuit-transistor-shorted": "shorted device",
    "in-circuit-rectifier-shorted": "shorted rectifier",
}


def in_circuit(options: argparse.Namespace) -> None:
    """Requirement 4: healthy but connected parts, against units of the reference and against themselves."""
    print("\n## 4. In circuit, healthy windings")
    for number in (1, 2):
        total, accused, highest, cleared = 0, 0, 0.0, Counter[str]()
        right: dict[str, list[bool]] = {}
        for name in catalogue.names():
            states = [s for s in catalogue.states(name) if s.startswith("in-circuit")]
            if not states:
                continue
            for turn in range(options.references):
                rng = np.random.default_rng((options.seed, 4, number, turn))
                test = capacitors(name, number)
                bench = Bench(reference(name, test, 3, int(rng.integers(2**31)), shorted=True, rng=rng), IN)
                for state in states:
                    for unit in catalogue.population(name, state, options.units, int(rng.integers(2**31))):
                        seen = [observed(unit, farads, rng) for farads in test]
                        odds, says = bench.judge(seen)
                        total, accused = total + 1, accused + (says == "like shorted")
                        highest = max(highest, odds.shorted)
                        cleared[says] += 1
                        if state in SETS:
                            hit = _set_named(unit, seen, test, rng) == SETS[state]
                            right.setdefault(state, []).append(hit)
        listed = ", ".join(f"{k} {v}" for k, v in cleared.most_common())
        print(f"\n{number} capacitor(s): {total} connected parts, judged shorted {accused}; named {listed}")
        print(f"highest stated probability of a shorted turn {highest:.2f} (it convicts nothing in circuit)")
        for state, hits in right.items():
            print(f"  {state:34} connection named right {np.mean(hits):5.3f} of {len(hits)}")
        print(f"  all {np.mean([h for hits in right.values() for h in hits]):.3f}")


def _set_named(
    unit: Winding, seen: list[Observation], test: tuple[float, ...], rng: np.random.Generator
) -> str:
    """The connection that a comparison with the same unit out of circuit names."""
    free = Winding(unit.part, "healthy")
    before = [observed(free, farads, rng) for farads in test]
    after = [replace(o, connection=IN) for o in seen]
    return compare(before, after, kind=unit.part.kind, relation=Relation.CIRCUIT).connection[0]
