"""How an audit and a new outcome grow with the log: ratios of processor time, and SQLite's own steps.

    python tests/benchmarks/audits.py --captures 10000

Logs of a tenth and of all captures are made, an item, a fit, a finding and an outcome to each; figures and
findings are made by hand, so that only keeping and auditing are timed. Goals: the audit of ten times as many
captures takes at most twelve times as long; a new outcome takes at most 1.2 times the steps.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from coilbell.bench.audit import audit
from coilbell.bench.log import Log, add_outcome, outcome_of
from ended import ended_log

CHUNK = 50
"""Items kept in one transaction."""

ENDS = ((0.02, "sound", 0.99), (0.97, "shorted-turn", 0.9), (0.6, "load", 1.0), (0.04, "sound", 0.99))


def made(folder: Path, captures: int) -> Log:
    """A log of so many captures."""
    log = Log(folder / f"{captures}.sqlite")
    for start in range(0, captures, CHUNK):
        rows = [ENDS[k % len(ENDS)] for k in range(start, min(start + CHUNK, captures))]
        ended_log(log, rows, prefix=f"part-{start}", rung=True)
    return log


def seconds(log: Log, repeats: int = 3) -> float:
    """Processor time of an audit, the least of several [s]."""
    found = []
    for _ in range(repeats):
        begun = time.process_time()
        audit(log)
        found.append(time.process_time() - begun)
    return min(found)


def steps(log: Log) -> int:
    """Steps of SQLite's machine for one new item's outcome."""
    item = log.add_item("one-more")
    outcome = outcome_of(log, item, "sound")
    counted = 0

    def count() -> int:
        nonlocal counted
        counted += 1
        return 0

    log.base._connection.set_progress_handler(count, 1)
    add_outcome(log, item, outcome)
    log.base._connection.set_progress_handler(None, 0)
    return counted


def main() -> None:
    """Make both logs and print the ratios."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--captures", type=int, default=10_000)
    options = parser.parse_args()
    sizes = options.captures // 10, options.captures
    with tempfile.TemporaryDirectory() as folder:
        times, grown = [], []
        for size in sizes:
            log = made(Path(folder), size)
            times.append(seconds(log))
            grown.append(steps(log))
            log.base.close()
    print(
        f"audit of {sizes[0]} and {sizes[1]} captures: {times[0]:.2f} and {times[1]:.2f} s of processor time"
    )
    print(f"  ratio {times[1] / times[0]:.2f} (goal at most 12)")
    print(f"a new outcome: {grown[0]} and {grown[1]} steps of SQLite, ratio {grown[1] / grown[0]:.3f} (1.2)")


if __name__ == "__main__":
    main()
