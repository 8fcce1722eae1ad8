"""What the judgement reaches on populations it has not seen, in seven tables.

    python tests/benchmarks/judgement.py
    python tests/benchmarks/judgement.py --part detection --references 8 --seed 1

Parts, references and units are drawn afresh in each run from the seed that is printed. The units come from
circuit simulation (see populations.py). Words used:

detectable    a short whose nominal part moves f or Q by more than three spreads of healthy units
called bad    the ring is likelier with a short that shows on this part than with a healthy winding
best possible the same by the densities that the population itself has (see best.py), from the same rings
              and references: told how severe the benchmark's shorts are, and not told
tuned on      parts of every other kind, on which constants may be chosen; the rest are not looked at for it
named         the explanation that a finding states
ECE           mean distance between stated and true share over ten bins of the probability
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from importlib import import_module
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"  # numpy is loaded only below

PARTS = {
    "detection": ("verdicts", "detection"),
    "stated": ("calibration", "stated"),
    "calibration": ("odds", "calibration"),
    "rectifiers": ("sets", "rectifiers"),
    "in-circuit": ("sets", "in_circuit"),
    "trade": ("known", "trade"),
    "real": ("known", "real"),
}
"""part -> module and function that measures it."""


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--part", choices=PARTS, action="append", help="all when left out")
    parser.add_argument("--references", type=int, default=4, help="references drawn for each part (4)")
    parser.add_argument("--units", type=int, default=3, help="units judged for each state and reference (3)")
    parser.add_argument("--items", type=int, default=5000, help="items drawn from the stated prior (5000)")
    parser.add_argument("--jobs", type=int, default=1, help="processes for these (1)")
    parser.add_argument("--seed", type=int, help="fresh when left out")
    options = parser.parse_args()
    if options.seed is None:
        options.seed = int.from_bytes(os.urandom(4), "big")
    print(f"seed {options.seed}, {options.references} references a part, {options.units} units a state")
    for name in options.part or PARTS:
        begun = time.perf_counter()
        module, function = PARTS[name]
        getattr(import_module(f"benchmarks.{module}"), function)(options)
        print(f"[{time.perf_counter() - begun:.0f} s]")


if __name__ == "__main__":
    main()
