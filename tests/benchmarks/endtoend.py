"""From the pulse to the figures: capture and fit on the virtual board against the circuit's eigenvalues.

    python tests/benchmarks/endtoend.py --pairs 200 --seed 1 --jobs 2

Each pair is a unit of a catalogue part in a state, with a test capacitor, drawn from (seed, index). The
real firmware captures it over TCP with converter steps and noise; f and Q of the fit's main mode are held
against the eigenvalues of the circuit's own matrix. Wanted: 93 to 97 % of the 95 % intervals hold the truth.
Left out, since there is no one truth: states with junctions that conduct or with voltage on the leads,
rings above 200 kHz (which need interleaving, see --interleave) and Q below 2.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"

import numpy as np  # noqa: E402

from coilbell.board import Settings, Tester  # noqa: E402
from coilbell.board.simulation import CONDITIONS, TrueMode, Winding, catalogue  # noqa: E402
from coilbell.decay import fit  # noqa: E402
from coilbell.record import Record  # noqa: E402

CAPACITORS = {"A": 22e-9, "B": 2.2e-9, "C": 100e-9}
HIGHEST_HZ = 200e3
LOWEST_Q = 2.0


@dataclass(frozen=True)
class Pair:
    """One unit in one state with one test capacitor."""

    part: str
    state: str
    seed: int
    capacitor: str

    @property
    def port(self) -> str:
        """Where it is captured."""
        return f"virtual:?part={self.part}&state={self.state}&seed={self.seed}&hurry=1&pace=0"

    @property
    def world(self) -> Winding:
        """The circuit."""
        return Winding(catalogue.part(self.part, self.seed), self.state)

    def __str__(self) -> str:
        return f"{self.part} {self.state} seed {self.seed} {self.capacitor}"


@dataclass(frozen=True)
class Result:
    """What came of a pair: errors in standard uncertainties, and whether the intervals held the truth."""

    pair: Pair
    truth: TrueMode
    found: bool
    z: tuple[float, float] = (0.0, 0.0)
    held: tuple[bool, bool] = (False, False)
    doubts: tuple[str, ...] = ()
    retried: int = 0


def pairs(seed: int, interleave: int = 1) -> Iterator[Pair]:
    """Random pairs that have one truth, without end."""
    index = 0
    while True:
        rng = np.random.default_rng((seed, index))
        index += 1
        part = str(rng.choice(catalogue.names()))
        state = str(rng.choice(catalogue.states(part)))
        pair = Pair(part, state, int(rng.integers(1 << 31)), str(rng.choice(list(CAPACITORS))))
        if CONDITIONS[state].lead_volts or pair.world.network(CAPACITORS[pair.capacitor]).junctions:
            continue
        truth = pair.world.ring_mode(CAPACITORS[pair.capacitor], 1e-6)
        if truth is not None and truth.frequency_hz < HIGHEST_HZ * interleave and truth.q >= LOWEST_Q:
            yield pair


def result(pair: Pair, interleave: int = 1, shots: int = 8, samples: int = 4096) -> Result:
    """Capture, fit, compare."""
    asked = Settings(capacitor=pair.capacitor, shots=shots, interleave=interleave, samples=samples)
    with Tester.open(pair.port) as tester:
        records = tester.capture(asked)
        retried = tester.tally.retried
    found = fit(records)
    truth = _strongest(pair, records[0], found.start_s)
    doubts = tuple(str(doubt.kind) for doubt in found.doubts)
    if not found.rings:
        return Result(pair, truth, False, doubts=doubts, retried=retried)
    seen = ((found.main.frequency_hz, truth.frequency_hz), (found.main.q, truth.q))
    return Result(
        pair,
        truth,
        True,
        tuple((q.value - true) / q.standard_uncertainty for q, true in seen),  # type: ignore[arg-type]
        tuple(q.low <= true <= q.high for q, true in seen),  # type: ignore[arg-type]
        doubts,
        retried,
    )


def _strongest(pair: Pair, record: Record, start_s: float) -> TrueMode:
    """The circuit's ring of most energy in the window: what is gone before its start is not the main ring."""
    pulse_s = record.pulse_s or 0.0
    waited = start_s - float(record.time_axis[record.pretrigger]) - pulse_s
    rings = [m for m in pair.world.true_modes(CAPACITORS[pair.capacitor], pulse_s) if m.frequency_hz > 0]
    return max(rings, key=lambda m: abs(m.residue) ** 2 / m.decay_per_s * np.exp(-2 * m.decay_per_s * waited))


def _band(results: list[Result], name: str) -> str:
    found = [r for r in results if r.found]
    if not found:
        return f"{name:<22}{len(results):>6}{0:>7}"
    held = 100 * np.mean([r.held for r in found], axis=0)
    spread = np.std([r.z for r in found], axis=0)
    return (
        f"{name:<22}{len(results):>6}{len(found):>7}{held[0]:>9.1f}{held[1]:>9.1f}"
        f"{spread[0]:>10.2f}{spread[1]:>8.2f}"
    )


def table(results: list[Result]) -> str:
    """Coverage by Q, and the pairs furthest off."""
    lines = [f"{'':<22}{'pairs':>6}{'rings':>7}{'f held %':>9}{'Q held %':>9}{'z of f':>10}{'z of Q':>8}"]
    edges = (2, 5, 15, 50, 1e9)
    for low, high in pairwise(edges):
        some = [r for r in results if low <= r.truth.q < high]
        if some:
            lines.append(_band(some, f"Q {low:g} to {high:g}" if high < 1e9 else f"Q above {low:g}"))
    for name, some in (
        ("without doubts", [r for r in results if not r.doubts]),
        ("with doubts", [r for r in results if r.doubts]),
        ("all", results),
    ):
        if some:
            lines.append(_band(some, name))
    worst = sorted(results, key=lambda r: -max(map(abs, r.z)) if r.found else -1e9)[:8]
    for r in worst:
        z = f"z {r.z[0]:+.1f} {r.z[1]:+.1f}" if r.found else "no ring found"
        lines.append(
            f"  {r.pair}: f {r.truth.frequency_hz:.0f} Q {r.truth.q:.1f}, {z}; {', '.join(r.doubts)}"
        )
    return "\n".join(lines)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--pairs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--interleave", type=int, default=1)
    options = parser.parse_args()
    source = pairs(options.seed, options.interleave)
    chosen = [next(source) for _ in range(options.pairs)]
    begin = time.perf_counter()
    with ProcessPoolExecutor(options.jobs) as pool:
        results = list(pool.map(result, chosen, [options.interleave] * len(chosen)))
    print(table(results))
    print(f"{len(results)} pairs in {time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
