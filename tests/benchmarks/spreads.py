"""Do learned spreads foretell good units? Parts of a kind whose stated spreads are too wide, right, too
narrow.

    python tests/benchmarks/spreads.py --seed 1 --draws 60

A kind's units are drawn as textbook tanks whose inductance, losses and stray capacitance spread by `times`
the figures the kind states, part by part between 0.85 and 1.15 times that again. References of 0, 20 or 200
units of other parts, and of 3, 8 or 20 of the part judged, hold one mislabelled unit in ten: more loss and
frequency, as a closed turn makes. What a reference refuses is left out of it, as a user is told to. Then good
units that nobody has seen are held against the density: how many lie in its 95 % interval of ln f and of
ln 1/Q, and how wide it is beside that of the stated spreads alone, with the same reference.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np
from scipy.stats import t as student

from coilbell.errors import ReferenceMismatch
from coilbell.record import Capacitor
from coilbell.winding import Capture, Condition, Observation, Reference, grouped, kind_named
from coilbell.winding.odds.healthy import Healthy, healthy
from coilbell.winding.odds.spreads import PartCurve, learned
from coilbell.winding.odds.unitpoints import unit_points

KIND = "line-output transformer"
A, B = Capacitor(22e-9, 0.01, "A"), Capacitor(4.7e-9, 0.01, "B")
OF_PART, OF_KIND = (3, 8, 20), (0, 20, 200)
TIMES = (0.5, 1.0, 2.0)
PER_PART = 7
"""Units of each further part of the kind."""
MISLABELLED = 0.1
UNSEEN = 40
"""Good units held against each density."""


def unit(rng: np.random.Generator, henries: float, times: float, *, bad: bool = False) -> list[Observation]:
    """Rings of one unit with both capacitors: 1/Q = R/(w L) + w L G, f = 1/(2 pi sqrt(L (C_t + C_s)))."""
    spread = kind_named(KIND).spread
    one = times * rng.standard_normal(4)
    more, faster = (math.exp(rng.uniform(0.3, 1.5)), math.exp(rng.uniform(0, 0.3))) if bad else (1.0, 1.0)
    own = henries * math.exp(spread.inductance * one[0])
    stray = 1.9e-9 * math.exp(spread.capacitance * one[1])
    found = []
    for capacitor in (A, B):
        reactance = math.sqrt(own / (capacitor.farads + stray))
        core = 0.65 / 110 * math.exp(spread.core_loss * one[2]) * (reactance / math.sqrt(henries / 24e-9))
        copper = 0.35 / 110 * math.exp(spread.resistance * one[3]) * math.sqrt(henries / 24e-9) / reactance
        loss = (core + copper) * more * math.exp(times * spread.loss_slope * rng.standard_normal())
        hz = reactance / own / (2 * math.pi) * faster
        hz *= math.exp(times * spread.own_frequency * rng.standard_normal())
        found.append(Observation(capacitor, hz * math.sqrt(1 - loss**2 / 4), 1 / loss, 1e-4, 3e-3))
    return found


def reference(
    rng: np.random.Generator, name: str, units: int, times: float
) -> tuple[Reference, float, float]:
    """A part's reference with the inductance of the part and how far its units stray."""
    henries = 2e-3 * math.exp(rng.uniform(-1, 1))
    stray = times * math.exp(rng.uniform(-0.15, 0.15))
    made: Reference | None = None
    for k in range(units):
        seen = unit(rng, henries, stray, bad=rng.random() < MISLABELLED)
        captures = [Capture(f"{name}-{k}", Condition.GOOD, one) for one in seen]
        try:
            made = Reference.begin(name, KIND, captures) if made is None else made.having(captures)
        except ReferenceMismatch:
            continue
    assert made is not None
    return made, henries, stray


def inside(by: Healthy, seen: list[Observation]) -> tuple[bool, bool]:
    """Does a good unit lie in the 95 % intervals of ln f and ln 1/Q?"""
    reach = student.ppf(0.975, by.freedom) * np.sqrt(np.diag(by.scale))
    away = np.abs([math.log(seen[0].natural_hz) - by.location[0], math.log(seen[0].loss) - by.location[1]])
    return tuple(bool(one) for one in away <= reach)  # type: ignore[return-value]


def measured(seed: int, draws: int) -> dict[tuple[float, int, int], np.ndarray]:
    """For each cell (draws, 4): share inside for f and loss, width over the stated one's for f and loss."""
    found: dict[tuple[float, int, int], list[tuple[float, ...]]] = {}
    kind = kind_named(KIND)
    for draw in range(draws):
        for times in TIMES:
            rng = np.random.default_rng((seed, draw, round(100 * times)))
            curves: list[PartCurve] = []
            while sum(c.units for c in curves) < max(OF_KIND):
                points = unit_points(reference(rng, f"part-{len(curves)}", PER_PART, times)[0])
                curve = points.curve() if points else None
                curves += [curve] if curve else []
            whole, henries, stray = reference(rng, "judged", max(OF_PART), times)
            good = [unit(rng, henries, stray)[:1] for _ in range(UNSEEN)]
            for units in OF_PART:
                names = set(whole.units()[:units])
                part = replace(whole, captures=tuple(c for c in whole.captures if c.unit in names))
                plain = healthy(part, grouped(good[0]))
                for others in OF_KIND:
                    told = [c for k, c in enumerate(curves) if k * PER_PART < others]
                    by = healthy(replace(part, spreads=learned(kind, [], told)), grouped(good[0]))
                    hits = np.mean([inside(by, seen) for seen in good], axis=0)
                    widths = np.sqrt(np.diag(by.scale)) * student.ppf(0.975, by.freedom)
                    usual = np.sqrt(np.diag(plain.scale)) * student.ppf(0.975, plain.freedom)
                    found.setdefault((times, units, others), []).append((*hits, *(widths / usual)))
    return {cell: np.array(rows) for cell, rows in found.items()}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--draws", type=int, default=60)
    options = parser.parse_args()
    print(f"seed {options.seed}, {options.draws} draws, {UNSEEN} unseen units each, 10 % mislabelled")
    print("coverage of 95 % intervals of f and loss (standard error), width over that of the statement alone")
    cells = measured(options.seed, options.draws)
    for times in TIMES:
        print(f"\nunits stray {times:g} times what the kind states")
        print(f"{'part':>5}{'kind':>6}{'f':>16}{'loss':>16}{'width f':>10}{'width loss':>12}")
        for (one, units, others), rows in cells.items():
            if one == times:
                mean, error = rows.mean(axis=0), rows.std(axis=0) / math.sqrt(len(rows))
                told = "".join(f"{100 * mean[k]:9.1f} ({100 * error[k]:.1f})" for k in (0, 1))
                print(f"{units:>5}{others:>6}{told}{mean[2]:>10.2f}{mean[3]:>12.2f}")
    print("\nall three statements together")
    for units in OF_PART:
        for others in OF_KIND:
            rows = np.concatenate([cells[times, units, others] for times in TIMES])
            print(f"{units:>5}{others:>6}" + "".join(f"{100 * rows[:, k].mean():9.1f}" for k in (0, 1)))


if __name__ == "__main__":
    main()
