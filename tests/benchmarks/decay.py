"""One table of what the decay estimator reaches, beside general-purpose tools.

    python tests/benchmarks/decay.py --seed 1 --records 1000 --jobs 2
    python tests/benchmarks/decay.py --part accuracy --records 200

Definitions are in score.py (efficiency, gross failure), signals.py (the domain), bound.py (the bound),
mismatch.py (what breaks the model), hard.py and noises.py (what users feed it besides) and peers.py (how
each tool is used). Ours is blind; peers are told the number of rings and whether there is an exponential.
Every record is drawn from (seed, index), and lines that begin with a call such as
``domain(seed=1, rings=2, index=417)`` name records that went wrong. Times are taken in one process and one
thread, the tools by turns on the same record.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from importlib import import_module
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"  # one thread for everybody; numpy is loaded only below

PARTS = {
    "accuracy": ("accuracy", "accuracy"),
    "coverage": ("accuracy", "coverage"),
    "false-ring": ("alarms", "false_ring"),
    "time": ("timing", "times"),
    "clip": ("accuracy", "clip"),
    "mismatch": ("alarms", "mismatch"),
    "guessed": ("hard", "guessed"),
    "wild": ("hard", "wild"),
    "pairs": ("hard", "pairs"),
    "laws": ("hard", "laws"),
    "nothing": ("hard", "nothing"),
    "same": ("hard", "same"),
    "noises": ("noises", "noises"),
    "flags": ("noises", "flags"),
}
"""part -> module and function that measures it."""


def mapper(jobs: int) -> Callable[[Callable[[int], object], Iterable[int]], list]:
    """Apply in this process, or in several, keeping the order."""
    if jobs == 1:
        return lambda task, indices: [task(i) for i in indices]
    pool = ProcessPoolExecutor(jobs)
    return lambda task, indices: list(pool.map(task, indices, chunksize=8))


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1, help="any whole number; the table names it")
    parser.add_argument("--records", type=int, default=1000, help="records for each row")
    parser.add_argument("--part", choices=PARTS, action="append", help="only this part; may be repeated")
    parser.add_argument("--jobs", type=int, default=1, help="processes (times are always taken in one)")
    parser.add_argument("--no-peers", action="store_true", help="leave the other tools out")
    options = parser.parse_args(arguments)
    import numpy as np
    import scipy

    if options.no_peers:
        from benchmarks import peers

        peers.NAMES.clear()
    print(
        f"seed {options.seed}, {options.records} records a row; numpy {np.__version__}, "
        f"scipy {scipy.__version__}, python {platform.python_version()}, {platform.machine()}, one thread"
    )
    began = time.perf_counter()
    run = mapper(options.jobs)
    for name, (module, function) in PARTS.items():
        if options.part and name not in options.part:
            continue
        part = getattr(import_module(f"benchmarks.{module}"), function)
        print()
        for text in part(options.seed, options.records, run):
            print(text, flush=True)
    print(f"\n{time.perf_counter() - began:.0f} s in all")
    return 0


if __name__ == "__main__":
    sys.exit(main())
