"""A log that outgrows one machine: fitting everything again, one by one, in processes and on a Dask cluster.

    python -m tests.benchmarks.archive                        2,000 records, a few minutes
    python -m tests.benchmarks.archive --records 100000       the full size; hours of one processor
    python -m tests.benchmarks.archive --only dask --workers 8

Records are synthetic rings of one and two modes with noise, rounded to converter codes. The script fills a
log, fits everything again three ways on copies of it, and compares what was kept, row by row: they have to
be the same to the last digit. It also stops one run half-way and lets it go on.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import shutil
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

from coilbell.bench.log import Log, RefitSummary, refit
from coilbell.bench.log.derivation import fitted
from coilbell.record import Capacitor, Record

RATE_HZ = 500e3


def ring(rng: np.random.Generator, number: int, samples: int) -> Record:
    """One synthetic ring, in converter codes."""
    time_s = np.arange(samples) / RATE_HZ
    volts = np.zeros(samples)
    for amplitude in (800.0, 80.0)[: int(rng.integers(1, 3))]:
        frequency, q = (
            np.exp(rng.uniform(np.log(8e3), np.log(60e3))),
            np.exp(rng.uniform(np.log(5), np.log(60))),
        )
        decay = np.pi * frequency / q
        volts += (
            amplitude * np.exp(-decay * time_s) * np.cos(2 * np.pi * frequency * time_s + rng.uniform(0, 6))
        )
    codes = np.clip(np.rint(2048 + volts + rng.normal(0, 1, samples)), 0, 4095).astype(np.int16)
    return Record(
        samples=codes,
        rate_hz=RATE_HZ,
        volts_per_count=0.8e-3,
        resolution=1.0,
        full_scale=(0.0, 4095.0),
        test_capacitor=Capacitor(22e-9),
        shot=number,
    )


def fill(path: Path, records: int, samples: int, seed: int) -> None:
    """A log of that many captures, 1000 an item. The first fit of each is a copy of one template's."""
    rng = np.random.default_rng(seed)
    _, facts = fitted([ring(rng, 0, samples)], "template")
    with Log(path) as log:
        for first in range(0, records, 1000):
            with log.together():
                item = log.add_item(f"batch-{first // 1000}")
                for number in range(first, min(first + 1000, records)):
                    log.add_fit(log.add_capture(item, [ring(rng, number, samples)]), facts)
            print(f"\rfilled {min(first + 1000, records):,}", end="", file=sys.stderr)
    print(file=sys.stderr)


def fingerprint(path: Path) -> str:
    """Hash over every fit's row, but for the moment it was made."""
    whole = hashlib.sha256()
    with Log(path, writable=False) as log:
        for row in log.base.each("SELECT id, capture_id, versions, facts FROM fit ORDER BY id"):
            whole.update(repr(tuple(row)).encode())
    return whole.hexdigest()


def refitted(path: Path, jobs: int | None) -> RefitSummary:
    """Fit the log again, with progress on stderr."""
    began = time.perf_counter()

    def progress(done: int, total: int) -> None:
        rate = done / (time.perf_counter() - began)
        print(f"\r{done:,} of {total:,}, {rate:.1f}/s ", end="", file=sys.stderr)

    with Log(path) as log:
        outcome = refit(log, jobs=jobs, progress=progress)
    print(file=sys.stderr)
    return outcome


def on_dask(path: Path, workers: int) -> RefitSummary:
    """The same through joblib's Dask backend, on a cluster of local processes."""
    from dask.distributed import Client, LocalCluster
    from joblib import parallel_config

    cluster = LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None)
    with cluster, Client(cluster), parallel_config("dask"):
        return refitted(path, None)


def interrupted(path: Path, workers: int) -> RefitSummary:
    """Stopped after a third, then gone on with."""

    class Stop(Exception):
        pass

    def progress(done: int, total: int) -> None:
        if done >= total / 3:
            raise Stop

    with Log(path) as log, contextlib.suppress(Stop), warnings.catch_warnings(action="ignore"):
        refit(log, jobs=workers, progress=progress)
    return refitted(path, workers)


def main() -> int:
    """Print a table; 1 when two ways differ."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--records", type=int, default=2000)
    parser.add_argument("--samples", type=int, default=512)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--only", choices=("serial", "processes", "dask", "resumed"), action="append")
    parser.add_argument("--keep", type=Path, help="folder for the logs; a temporary one without")
    options = parser.parse_args()
    ways: dict[str, Callable[[Path], RefitSummary]] = {
        "serial": lambda path: refitted(path, 1),
        "processes": lambda path: refitted(path, options.workers),
        "dask": lambda path: on_dask(path, options.workers),
        "resumed": lambda path: interrupted(path, options.workers),
    }
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        base = folder / "base.sqlite"
        began = time.perf_counter()
        fill(base, options.records, options.samples, options.seed)
        size = base.stat().st_size / 1e6
        print(f"{options.records:,} records, {size:.0f} MB, filled in {time.perf_counter() - began:.0f} s")
        print(f"{'way':<11}{'seconds':>9}{'fits/s':>9}{'problems':>10}  fingerprint")
        seen = set()
        for name in options.only or ways:
            path = folder / f"{name}.sqlite"
            shutil.copy(base, path)
            began = time.perf_counter()
            outcome = ways[name](path)
            spent = time.perf_counter() - began
            mark = fingerprint(path)
            seen.add(mark)
            rate = options.records / spent
            print(f"{name:<11}{spent:>9.1f}{rate:>9.1f}{len(outcome.problems):>10}  {mark[:16]}", flush=True)
    print("all ways the same" if len(seen) == 1 else "WAYS DIFFER")
    return int(len(seen) > 1)


if __name__ == "__main__":
    sys.exit(main())
