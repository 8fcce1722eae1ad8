"""How long a fit takes: the tools by turns on the same records, one process, one thread."""

from __future__ import annotations

import gc
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchmarks import peers
from benchmarks.ours import fitted
from benchmarks.signals import PRETRIGGER, Case, captured, domain, generator
from coilbell.decay import fit

LENGTH = 2048
MOST = {"harminv": 30, "lmfit": 60, "ringdownanalysis": 60, "matrix pencil": 100}


def seconds(call: Callable[[], object]) -> float:
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def by_turns(cases: list[Case], tools: list[str]) -> dict[str, list[float]]:
    """Seconds of every tool on every case; ours is "coilbell"."""
    spent: dict[str, list[float]] = {tool: [] for tool in ("coilbell", *tools)}
    gc.collect()
    gc.disable()
    for i, case in enumerate(cases):
        spent["coilbell"].append(seconds(lambda case=case: fitted(case)))
        for tool in tools:
            if i < MOST.get(tool, len(cases)):
                spent[tool].append(seconds(lambda tool=tool, case=case: peers.answer(tool, case)))
    gc.enable()
    return spent


def _row(name: str, times: list[float], ours: float) -> str:
    milliseconds = 1e3 * np.array(times)
    median = float(np.median(milliseconds))
    return (
        f"{name:34s}{len(times):8d}{median:9.2f}{np.percentile(milliseconds, 95):9.2f}"
        f"{milliseconds.max():9.2f}{median / ours:12.2f}"
    )


def _block(title: str, spent: dict[str, list[float]]) -> list[str]:
    ours = 1e3 * float(np.median(spent["coilbell"]))
    return [title, *(_row(f"  {tool}", times, ours) for tool, times in spent.items() if times)]


def times(seed: int, records: int, run: Callable[..., list]) -> list[str]:
    """Every row in this process, whatever --jobs says."""
    for i in range(20):
        fitted(domain(seed, 1 + i % 3, 10_000 + i, samples=LENGTH))  # caches, lazy imports
    head = f"{'':34s}{'records':>8s}{'median':>9s}{'p95':>9s}{'worst':>9s}{'x coilbell':>12s}"
    lines = ["TIME [ms]", head]
    one = [domain(seed, 1, i, samples=LENGTH) for i in range(min(records, 300))]
    spent = by_turns(one, list(peers.NAMES))
    lines += _block(f"one ring, {LENGTH} samples", spent)
    lines += _overhead(one, spent)
    three = [domain(seed, 3, i, samples=LENGTH) for i in range(min(records, 40))]
    tools = [name for name in peers.NAMES if name in ("curve_fit", "lmfit", "matrix pencil")]
    lines += _block(f"three rings, {LENGTH} samples", by_turns(three, tools))
    mixed = [domain(seed, 1 + i % 3, i, samples=LENGTH) for i in range(min(records, 900))]
    lines += _spread(f"domain, K = 1, 2, 3, {LENGTH} samples", mixed)
    whole = [domain(seed, 1 + i % 3, i) for i in range(min(records, 900))]
    lines += _spread("domain, K = 1, 2, 3, 512..8192 samples", whole)
    for rings in (1, 2, 3):
        lines.append(_warm(seed, rings, min(records, 200)))
    return [*lines, _import()]


def _overhead(cases: list[Case], spent: dict[str, list[float]]) -> list[str]:
    """How much of a fit is numpy's calls: the same fit of a sixteenth of the samples, which hardly adds up
    anything."""
    pure = [i for i, case in enumerate(cases) if not case.recoveries]
    few = [
        replace(cases[i].record, samples=cases[i].record.samples[: PRETRIGGER + LENGTH // 16]) for i in pure
    ]
    took = [
        seconds(lambda one=one, i=i: fit(one, start_s=cases[i].start_s))
        for one, i in zip(few, pure, strict=True)
    ]
    lines = [
        f"  without recoveries: coilbell {1e3 * np.median([spent['coilbell'][i] for i in pure]):.2f}, "
        f"calls alone ({LENGTH // 16} samples) {1e3 * np.median(took):.2f}"
    ]
    if "curve_fit" in spent:
        ours, theirs = np.array(spent["coilbell"]), np.array(spent["curve_fit"])
        p95 = np.percentile(ours, 95) / np.percentile(theirs, 95)
        lines[0] += f", curve_fit {1e3 * np.median(theirs[pure]):.2f}"
        lines.append(f"  over curve_fit: median {np.median(ours) / np.median(theirs):.2f}, p95 {p95:.2f}")
    return lines


def _spread(title: str, cases: list[Case]) -> list[str]:
    spent = by_turns(cases, [])["coilbell"]
    ratio = np.percentile(spent, 95) / np.median(spent)
    return [title, _row("  coilbell", spent, 1e3 * float(np.median(spent))), f"  p95 over median {ratio:.2f}"]


def _warm(seed: int, rings: int, records: int) -> str:
    """The next shot of the same winding, with the last fit as its start, against a fit from nothing."""
    cold, warm = [], []
    for i in range(records):
        case = domain(seed, rings, i, samples=LENGTH)
        before = fitted(case)
        rest = float(np.mean(case.record.samples[: case.record.pretrigger]))
        shot = captured(generator(seed, 5, rings, i), case.clean, rest, case.sigma)
        tasks: list[tuple[list[float], Callable[[], object]]] = [
            (cold, lambda shot=shot, case=case: fit(shot, start_s=case.start_s)),
            (warm, lambda shot=shot, case=case, before=before: fit(shot, start_s=case.start_s, near=before)),
        ]
        for into, call in tasks if i % 2 else tasks[::-1]:
            into.append(seconds(call))
    ratio = np.median(warm) / np.median(cold)
    return (
        f"next shot, K = {rings}: warm {1e3 * np.median(warm):.2f} ms, cold {1e3 * np.median(cold):.2f} ms, "
        f"ratio {ratio:.2f}, {records} records"
    )


def _import() -> str:
    """Time to import coilbell.decay in a fresh interpreter, beyond numpy's own, and what it drags in."""
    code = (
        "import numpy, time, sys; t = time.perf_counter(); import coilbell.decay; "
        "heavy = [m for m in ('matplotlib', 'pandas', 'scipy.optimize') if m in sys.modules]; "
        "print(1e3 * (time.perf_counter() - t), heavy)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    took, heavy = done.stdout.split(maxsplit=1)
    return (
        f"import coilbell.decay: {float(took):.0f} ms after numpy; of the heavy ones loaded: {heavy.strip()}"
    )
