"""Five benches judge each other's parts: by a reference of one's own, and by one that another handed on.

    python tests/benchmarks/benches.py --seed 1

Each bench has a board of its own: values of its test capacitors within 1 % of what they state, input
conductance and capacitance, resistance of the way to the capacitor, leads; and what its check knows of each,
within its uncertainty. Wide codes add to Q: known ones 0.3 %, unknown ones 2 %, as the fits of such boards
state. Every unit is simulated as a circuit with the true board across it (`board/simulation`); the judgement
is told only what the board states. A paired judgement is one suspect on one bench, judged once by that
bench's own reference and once by another's of as many good units, the same units or others. Counted as
called bad: a ring that is likelier with a short that shows than with a healthy winding, as
tests/benchmarks/judgement.py has it; shorts are those that move f or Q of the nominal part by more than
three spreads. Parts whose healthy Q is below 5 are left out, as there.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.populations import capacitors, expected, main_ring, truth
from coilbell.board.simulation import CONDITIONS, Fixture, Winding, catalogue
from coilbell.board.simulation.network import GROUND, Network
from coilbell.board.simulation.part import LEAD
from coilbell.record import Capacitor, Connection, Loading
from coilbell.winding import Capture, Condition, Observation, Reference, find

BENCHES = 5
GOOD = 5
"""Good units of each reference."""


@dataclass(frozen=True, slots=True)
class Board(Fixture):
    """A tester whose capacitors stand behind a resistance, and whose own value is not the stated one."""

    series_ohms: float = 0.0
    off: float = 0.0
    """Relative error of its capacitors [1]."""

    def build(self, network: Network, capacitor_farads: float) -> None:
        """Add the tester to `network`."""
        farads = capacitor_farads * (1 + self.off)
        network.capacitor("way", GROUND, farads)
        network.resistor(LEAD, "way", max(self.series_ohms, 1e-6))
        network.capacitor(LEAD, GROUND, self.stray_farads)
        network.resistor(LEAD, GROUND, self.input_ohms)
        network.resistor(LEAD, GROUND, 1 / max(self.loss_tangent * 2 * math.pi * 5e4 * farads, 1e-12))


@dataclass(frozen=True, slots=True)
class Bench:
    """A board as it is, and as it states itself."""

    name: str
    true: Board
    loading: Loading
    series: tuple[float, float]
    tolerance: float
    error_q: float
    """Relative error of Q of its fits, which they state [1]."""

    def capacitor(self, farads: float) -> Capacitor:
        """What it states of a test capacitor."""
        return Capacitor(farads, self.tolerance, "A", 1e-4, *self.series)

    def rung(self, world: Winding, farads: float, rng: np.random.Generator) -> Observation:
        """One ring of a winding on this bench."""
        mode = main_ring(world, farads)
        known, out = self.capacitor(farads), Connection.OUT_OF_CIRCUIT
        if mode is None:
            return Observation(known, None, None, board=self.name, loading=self.loading, connection=out)
        hz = mode.frequency_hz * (1 + 1e-4 * rng.standard_normal())
        q = max(mode.q * (1 + self.error_q * rng.standard_normal()), 0.51)
        told = Observation(known, hz, q, 1e-4, self.error_q, board=self.name, connection=out)
        return replace(told, loading=self.loading)


def bench(number: int, rng: np.random.Generator) -> Bench:
    """A bench with its board drawn; what it states lies as far from the truth as it says that it may."""
    siemens, unsure = 10 ** rng.uniform(-6.3, -5.3), 0.05
    stray, series = 10 ** rng.uniform(math.log10(20e-12), math.log10(2e-9)), rng.uniform(0.005, 0.08)
    tolerance = float(rng.choice([0.002, 0.005, 0.01]))
    true = Board(
        input_ohms=1 / siemens,
        stray_farads=stray,
        series_ohms=series,
        off=tolerance * rng.standard_normal(),
        loss_tangent=1e-4,
    )
    stated = [one * (1 + 0.05 * rng.standard_normal()) for one in (siemens, stray, series)]
    loading = Loading(stated[0], stated[1], unsure * stated[0], unsure * stated[1])
    error_q = float(rng.choice([0.003, 0.02]))
    return Bench(f"board {number}", true, loading, (stated[2], 0.05 * stated[2]), tolerance, error_q)


def parts() -> list[str]:
    """Parts that ring well enough to be judged by one ring."""
    found = []
    for name in catalogue.names():
        test = capacitors(name)
        mode = main_ring(Winding(catalogue.part(name)), test[0])
        if mode is not None and truth(name, test[0]).q >= 5:
            found.append(name)
    return found


def made(name: str, on: Bench, seed: int, test: tuple[float, ...], rng: np.random.Generator) -> Reference:
    """A bench's own reference of a part, of units that it alone has."""
    captures = [
        Capture(f"u{k}", Condition.GOOD, on.rung(unit, farads, rng))
        for k, unit in enumerate(catalogue.population(name, "healthy", GOOD, seed, on.true))
        for farads in test
    ]
    return Reference.begin(name, catalogue.part(name).kind, captures)


@dataclass(frozen=True, slots=True)
class Pair:
    """One suspect by both references: was it shorted, what did they say, how probable was a short."""

    part: str
    shorted: bool
    own: bool
    other: bool
    chances: tuple[float, float]


def called(seen: list[Observation], by: Reference) -> tuple[bool, float]:
    """Called bad? And how probable a short that shows is."""
    odds = find(seen, by).odds
    assert odds is not None
    return odds.log10_shows >= 0, odds.shows


def pairs(seed: int, number: int, healthy: int, shorts: int, names: list[str]) -> Iterator[Pair]:
    """All paired judgements. number: of test capacitors; healthy, shorts: suspects of each bench and part."""
    rng = np.random.default_rng(seed)
    benches = [bench(k, rng) for k in range(BENCHES)]
    for name in names:
        test = capacitors(name, number)
        bad = [
            s
            for s in catalogue.states(name)
            if CONDITIONS[s].shorted and not CONDITIONS[s].in_circuit and expected(name, s, test)[1] > 3
        ]
        seeds = rng.integers(2**31, size=(BENCHES, 2))
        references = [made(name, on, int(seeds[k, 0]), test, rng) for k, on in enumerate(benches)]
        for k, on in enumerate(benches):
            states = ["healthy"] * healthy + [str(rng.choice(bad)) for _ in range(shorts if bad else 0)]
            units = catalogue.population(name, states.__getitem__, len(states), int(seeds[k, 1]), on.true)
            for state, world in zip(states, units, strict=True):
                seen = [on.rung(world, farads, rng) for farads in test]
                own, chance = called(seen, references[k])
                for other in range(BENCHES):
                    if other != k:
                        said, theirs = called(seen, references[other])
                        yield Pair(name, state != "healthy", own, said, (chance, theirs))


def balanced(found: list[Pair], which: str) -> float:
    """Mean of the shares of shorts called bad and of healthy ones not called so."""
    shorts = [getattr(p, which) for p in found if p.shorted]
    whole = [getattr(p, which) for p in found if not p.shorted]
    return float(np.mean(shorts) + 1 - np.mean(whole)) / 2


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--healthy", type=int, default=4, help="healthy suspects of each bench and part (4)")
    parser.add_argument("--shorts", type=int, default=4, help="shorted ones (4)")
    parser.add_argument("--capacitors", type=int, default=1, choices=(1, 2))
    parser.add_argument("--parts", type=int, help="only so many parts")
    options = parser.parse_args()
    names = parts()[: options.parts]
    found = list(pairs(options.seed, options.capacitors, options.healthy, options.shorts, names))
    print(f"seed {options.seed}, {BENCHES} benches, {len(names)} parts, {len(found)} paired judgements")
    own, other = balanced(found, "own"), balanced(found, "other")
    # Suspects are drawn again part by part and bench by bench: those of one suspect hang together.
    rng = np.random.default_rng(options.seed)
    suspects = [found[k : k + BENCHES - 1] for k in range(0, len(found), BENCHES - 1)]
    draws = []
    for _ in range(400):
        again = [p for k in rng.integers(len(suspects), size=len(suspects)) for p in suspects[k]]
        draws.append(balanced(again, "other") - balanced(again, "own"))
    low, high = np.quantile(draws, [0.025, 0.975])
    print(f"balanced accuracy by one's own {own:.4f}, by another's {other:.4f}")
    print(f"difference {other - own:+.4f}, 95 % interval {low:+.4f} to {high:+.4f} (bootstrap over suspects)")
    for which, place in (("own", 0), ("other", 1)):
        sure = [p for p in found if p.chances[place] > 0.95]
        wrong = sum(not p.shorted for p in sure)
        print(f"convicted over 95 % by {which}: {len(sure)}, of them healthy {wrong}")


if __name__ == "__main__":
    main()
