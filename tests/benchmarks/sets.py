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
from coilbell.winding import (
    Capture,
    Condition,
    Explanation,
    Observation,
    Reference,
    Relation,
    compare,
    healthy_of,
)
from coilbell.winding.odds.visible import chance_of_capacitance

__all__ = ["in_circuit", "rectifiers"]

IN = Connection.IN_CIRCUIT


def rectifiers(options: argparse.Namespace) -> None:
    """Requirement 3: what two capacitors see of shorted high-voltage rectifiers."""
    print("\n## 3. High-voltage rectifiers by two capacitors (22 and 4.7 nF)")
    print(
        "share named 'extra capacitance'; share with more evidence for it than 98 % of healthy; what the best"
    )
    print(
        "possible detector, told the part's spreads and the very state, finds at 2 % false; mean probability;"
    )
    print(
        "and the chance that the references themselves state for stray capacitance up by half, or by a fifth"
    )
    for name in ("tarn-line-split", "tarn-line-single"):
        for good in (1, 3, 8, 16):
            _rectifier_table(options, name, good)
        _own_ring_table(options, name)


def _rectifier_states(name: str) -> list[str]:
    return ["healthy", *(s for s in catalogue.states(name) if s.startswith("rectifier"))]


def _rectifier_table(options: argparse.Namespace, name: str, good: int) -> None:
    states = _rectifier_states(name)
    found: dict[str, list[tuple[float, str]]] = {s: [] for s in states}
    stated = []
    # Many references with few units each: it is the reference's own error that decides.
    turns = 8 * options.references
    for turn in range(turns):
        rng = np.random.default_rng((options.seed, 3, good, turn))
        bench = Bench(reference(name, _BOTH, good, int(rng.integers(2**31)), shorted=True, rng=rng))
        by = healthy_of(bench.reference, bench.reference.capacitors())
        stated.append([chance_of_capacitance(by, share, 0.02) for share in (0.5, 0.2)])
        for state in states:
            n = 8 if state == "healthy" else options.units
            for unit in catalogue.population(name, state, n, int(rng.integers(2**31))):
                odds, says = bench.judge([observed(unit, c, rng) for c in _BOTH])
                found[state].append((odds.explanations[Explanation.EXTRA_CAPACITANCE], says))
    half, fifth = np.mean(stated, axis=0)
    print(
        f"\n{name}, {good} good units, {turns} references, "
        f"stating {half:.3f} for a half, {fifth:.3f} for a fifth"
    )
    _print_found(found, best_found(name, tuple(states[1:]), _BOTH, good))


def _own_ring_table(options: argparse.Namespace, name: str) -> None:
    """The same unit's own earlier rings as the reference; nothing but the estimator's error comes between."""
    states = _rectifier_states(name)
    found: dict[str, list[tuple[float, str]]] = {s: [] for s in states}
    for turn in range(8 * options.references):
        rng = np.random.default_rng((options.seed, 3, 0, turn))
        seed = int(rng.integers(2**31))
        before = next(catalogue.population(name, "healthy", 1, seed))
        captures = [Capture("own", Condition.GOOD, observed(before, c, rng)) for c in _BOTH for _ in range(3)]
        bench = Bench(Reference.begin(name, catalogue.part(name).kind, captures))
        for state in states:
            after = next(catalogue.population(name, state, 1, seed))
            odds, says = bench.judge([observed(after, c, rng) for c in _BOTH], unit="own")
            found[state].append((odds.explanations[Explanation.EXTRA_CAPACITANCE], says))
    print(f"\n{name}, the unit's own three earlier rings, {8 * options.references} units")
    _print_found(found, {})


def _print_found(found: dict[str, list[tuple[float, str]]], best: dict[str, float]) -> None:
    limit = float(np.quantile([p for p, _ in found["healthy"]], 0.98))
    first_or_middle = [s for s in found if s in ("rectifier-first-shorted", "rectifier-middle-shorted")]
    if first_or_middle:
        found = {**found, "first or middle together": [case for s in first_or_middle for case in found[s]]}
        if best:
            best = {**best, "first or middle together": float(np.mean([best[s] for s in first_or_middle]))}
    for state, cases in found.items():
        share = np.mean([says == "extra capacitance" for _, says in cases])
        above = np.mean([p > limit for p, _ in cases])
        mean = np.mean([p for p, _ in cases])
        most = f"best possible {best[state]:5.3f}" if state in best else " " * 19
        print(f"  {state:38} named {share:5.3f}  at 2 % false {above:5.3f}  {most}  mean {mean:4.2f}")


_BOTH = (22e-9, 4.7e-9)

SETS = {
    "in-circuit": {"tuning capacitor"},
    "in-circuit-yoke": {"deflection yoke"},
    "in-circuit-yoke-heater-cold": {"deflection yoke", "tube heater"},
    "in-circuit-yoke-heater-hot": {"deflection yoke", "tube heater"},
    "in-circuit-heater-cold": {"tube heater"},
    "in-circuit-transistor-shorted": {"shorted device"},
    "in-circuit-rectifier-shorted": {"shorted rectifier"},
}
"""State -> what a comparison has to name, among what else it names."""


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
                            hit = SETS[state] <= _set_named(unit, seen, test, rng)
                            right.setdefault(state, []).append(hit)
        listed = ", ".join(f"{k} {v}" for k, v in cleared.most_common())
        print(f"\n{number} capacitor(s): {total} connected parts, judged shorted {accused}; named {listed}")
        print(f"highest stated probability of a shorted turn {highest:.2f} (it convicts nothing in circuit)")
        for state, hits in right.items():
            print(f"  {state:34} connection named right {np.mean(hits):5.3f} of {len(hits)}")
        print(f"  all {np.mean([h for hits in right.values() for h in hits]):.3f}")


def _set_named(
    unit: Winding, seen: list[Observation], test: tuple[float, ...], rng: np.random.Generator
) -> set[str]:
    """The connections that a comparison with the same unit out of circuit names."""
    free = Winding(unit.part, "healthy")
    before = [observed(free, farads, rng) for farads in test]
    after = [replace(o, connection=IN) for o in seen]
    return set(
        compare(before, after, kind=unit.part.kind, relation=Relation.CIRCUIT).connection[0].split(" and ")
    )
