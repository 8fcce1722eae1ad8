"""Accuracy, number of modes, gross failures and coverage over the domain, ours and the peers'."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial

import numpy as np

from benchmarks import peers
from benchmarks.bound import bounds
from benchmarks.oracle import from_truth
from benchmarks.ours import Result, judged
from benchmarks.score import RingScore, efficiency, score
from benchmarks.signals import clipped, domain

Mapper = Callable[[Callable[[int], object], Iterable[int]], list]
"""Applies a function to indices, in one process or several."""


def accuracy_of(seed: int, rings: int, index: int) -> Result:
    return judged(domain(seed, rings, index))


def quiet_of(seed: int, index: int) -> Result:
    return judged(domain(seed, 1, index, noise_counts=(0.05, 0.3)))


def coloured_of(seed: int, rho: float, index: int) -> Result:
    return judged(domain(seed, 1 + index % 2, index, rho=rho))


def clipped_of(seed: int, index: int) -> Result:
    return judged(clipped(seed, index))


_white: dict[tuple[int, int, int], list[Result]] = {}


def white(seed: int, rings: int, records: int, run: Mapper) -> list[Result]:
    """The domain sweep with that many rings, kept: two parts of the table need it."""
    key = seed, rings, records
    if key not in _white:
        _white[key] = run(partial(accuracy_of, seed, rings), range(records))
    return _white[key]


@dataclass(frozen=True)
class PeerResult:
    name: str
    rings: tuple[RingScore, ...]

    @property
    def gross(self) -> bool:
        return any(r.gross for r in self.rings)


def peer_of(peer: str, seed: int, rings: int, index: int) -> PeerResult:
    case = domain(seed, rings, index)
    return PeerResult(case.name, score(case.rings, bounds(case), peers.answer(peer, case)))


def oracle_of(seed: int, rings: int, index: int) -> PeerResult:
    case = domain(seed, rings, index)
    return PeerResult(case.name, score(case.rings, bounds(case), from_truth(case)))


def clipped_oracle_of(seed: int, index: int) -> PeerResult:
    case = clipped(seed, index)
    return PeerResult(case.name, score(case.rings, bounds(case), from_truth(case)))


HEAD = f"{'':38s}{'records':>8s}{'eff f':>8s}{'eff tau':>8s}{'eff Q':>8s}{'gross %':>9s}{'K right %':>10s}"


def line(name: str, results: list, k: list[int] | None = None) -> str:
    """One row of the accuracy table; k: the true number of rings of each record, for blind tools."""
    flat = [s for r in results for s in r.rings]
    eff = [efficiency(flat, what) for what in ("frequency", "tau", "q")]
    gross = 100 * np.mean([r.gross for r in results])
    right = (
        "told"
        if k is None
        else f"{100 * np.mean([r.modes == n for r, n in zip(results, k, strict=True)]):.1f}"
    )
    return f"{name:38s}{len(results):8d}{eff[0]:8.3f}{eff[1]:8.3f}{eff[2]:8.3f}{gross:9.2f}{right:>10s}"


def failures(results: list[Result], k: list[int], show: int = 6) -> list[str]:
    """The records to look at: raised, gross, with the wrong number of modes, or over 5 bounds off."""
    lines = [
        f"    {r.name}: {r.raised or what}, {r.modes} mode(s) found"
        for r, n in zip(results, k, strict=True)
        if (what := complaint(r, n))
    ]
    return lines[:show] + ([f"    ... and {len(lines) - show} more"] if len(lines) > show else [])


def complaint(result: Result, rings: int) -> str:
    """What is wrong with a record's answer, in a word; "" when nothing is."""
    if result.gross:
        return "gross"
    if result.modes != rings:
        return "K wrong"
    far = max(max(abs(s.frequency), abs(s.tau), abs(s.q)) for s in result.rings)
    return f"{far:.1f} bounds off" if far > 5 else ""


def coverage_line(name: str, results: list[Result], low: float = 0.0, high: float = np.inf) -> str:
    """Shares of intervals that hold the truth, of the rings with frequencies in a range [Hz]."""
    hits = np.array([c[1:] for r in results for c in r.covered if low <= c[0] < high], dtype=float)
    if not hits.size:
        return f"{name:38s}{'no ring found':>30s}"
    share = 100 * hits.mean(axis=0)
    return f"{name:38s}{len(hits):8d}{share[0]:7.1f}{share[1]:8.1f}{share[2]:7.1f}"


def accuracy(seed: int, records: int, run: Mapper) -> list[str]:
    """The domain, blind, K = 1, 2, 3; noise below 0.3 steps; then the peers, told K and the baseline."""
    lines = ["ACCURACY (root mean square of errors in Cramer-Rao bounds)", HEAD]
    sweep: list[Result] = []
    for rings in (1, 2, 3):
        results = white(seed, rings, records, run)
        sweep += results
        lines += [line(f"coilbell, blind, K = {rings}", results, [rings] * records)]
        lines += failures(results, [rings] * records)
        perfect = run(partial(oracle_of, seed, rings), range(records))
        lines += [line(f"  least squares from the truth, K = {rings}", perfect)]
    results = run(partial(quiet_of, seed), range(records))
    lines += [
        line("coilbell, noise 0.05..0.3 step", results, [1] * records),
        *failures(results, [1] * records),
    ]
    flagged = 100 * np.mean([r.mismatched for r in sweep])
    lines += [
        f"  false mismatch doubts over the K = 1, 2, 3 records: {flagged:.2f} %",
        *(f"    {kind.value}: {n}" for kind, n in _counted(sweep)),
    ]
    for rings in (1, 2, 3):
        for peer in peers.NAMES:
            if rings > 1 and peer in peers.SINGLE:
                continue
            count = min(records, peers.most_records(peer, rings))
            answers = run(partial(peer_of, peer, seed, rings), range(count))
            lines += [line(f"{peer}, K = {rings}", answers)]
    return lines


def _counted(results: list[Result]) -> list:
    from collections import Counter

    return sorted(Counter(kind for r in results for kind in r.doubts).items(), key=lambda item: -item[1])


def coverage(seed: int, records: int, run: Mapper) -> list[str]:
    """Share of 95 % intervals that hold the truth."""
    lines = [
        "COVERAGE of the stated 95 % intervals (%)",
        f"{'':38s}{'rings':>8s}{'f':>7s}{'decay':>8s}{'Q':>7s}",
    ]
    for rings in (1, 2, 3):
        results = white(seed, rings, records, run)
        lines.append(coverage_line(f"white noise, K = {rings}", results))
    for rho in (0.9, -0.5):
        results = run(partial(coloured_of, seed, rho), range(records))
        k = [1 + i % 2 for i in range(records)]
        right = 100 * np.mean([r.modes == n for r, n in zip(results, k, strict=True)])
        gross = 100 * np.mean([r.gross for r in results])
        head = coverage_line(f"AR(1) noise, rho {rho:g}, K = 1, 2", results)
        lines += [
            f"{head}   K right {right:.1f} %, gross {gross:.2f} %",
            coverage_line("  rings below 20 kHz", results, 0.0, 20e3),
            coverage_line("  rings above 60 kHz", results, 60e3),
        ]
        lines += failures(results, k)
    return lines


def clip(seed: int, records: int, run: Mapper) -> list[str]:
    """Rings too large for the converter, against the bound of the samples left inside its range."""
    results = run(partial(clipped_of, seed), range(records))
    perfect = run(partial(clipped_oracle_of, seed), range(records))
    return [
        "CLIPPING, 1.05 to 2.4 times the converter's range (bound of the unclipped samples)",
        HEAD,
        line("coilbell, blind", results, [1] * records),
        *failures(results, [1] * records),
        line("  least squares from the truth", perfect),
        coverage_line("  coverage of f, decay, Q (%)", results),
    ]
