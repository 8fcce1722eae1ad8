"""False rings, and records the model does not describe: are they flagged, and only they?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial

import numpy as np

from benchmarks.mismatch import KINDS, VISIBLE, lack_of_fit, mismatched
from benchmarks.ours import MISMATCH, covers, estimates, fitted
from benchmarks.score import paired, upper_limit
from benchmarks.signals import silent
from coilbell.decay import DoubtKind

Mapper = Callable[[Callable[[int], object], Iterable[int]], list]


def rings_in_silence(seed: int, exponentials: int, rho: float, index: int) -> str:
    """What rings where nothing should, in words; "" when nothing does."""
    case = silent(seed, index, exponentials, rho)
    try:
        answer = fitted(case)
    except Exception as error:
        return f"{case.name}: {type(error).__name__}: {error}"
    if not answer.rings:
        return ""
    main = answer.main
    found = f"{main.frequency_hz.value:.0f} Hz, Q {main.q.value:.2f}, {main.amplitude.value:.2f} counts"
    return f"{case.name}: {found}"


def false_ring(seed: int, records: int, run: Mapper) -> list[str]:
    """Noise alone (30 records for each one asked for), one and two exponentials (3 for each)."""
    lines = [
        "FALSE RINGS where nothing rings",
        f"{'':34s}{'records':>8s}{'rings':>7s}{'rate':>10s}{'upper 95 % limit':>18s}",
    ]
    rows = (
        ("noise", 0, 0.0, 30 * records),
        ("one exponential", 1, 0.0, 3 * records),
        ("two exponentials", 2, 0.0, 3 * records),
        ("noise, AR(1) rho 0.9", 0, 0.9, 3 * records),
        ("noise, AR(1) rho -0.5", 0, -0.5, 3 * records),
    )
    for name, exponentials, rho, count in rows:
        found = [
            text for text in run(partial(rings_in_silence, seed, exponentials, rho), range(count)) if text
        ]
        lines.append(
            f"{name:34s}{count:8d}{len(found):7d}{len(found) / count:10.1e}"
            f"{upper_limit(len(found), count):18.1e}"
        )
        lines += [f"    {text}" for text in found[:4]]
    return lines


@dataclass(frozen=True)
class Outcome:
    name: str
    modes: int
    doubts: frozenset[DoubtKind]
    covered: bool
    """Small-signal Q inside the stated interval of the mode nearest to the ring."""
    q_error: float
    misfit: float


def outcome_of(kind: str, seed: int, index: int) -> Outcome:
    case = mismatched(kind, seed, index)
    answer = fitted(case)
    doubts = frozenset(d.kind for d in answer.doubts)
    pairs = paired(case.rings, estimates(answer))
    if 0 not in pairs:
        return Outcome(case.name, 0, doubts, False, float("nan"), lack_of_fit(case))
    ring, which = case.rings[0], pairs[0]
    covered = covers(ring, answer, which)[2]
    error = answer.modes[which].q.value / ring.q - 1
    return Outcome(case.name, len(answer.modes), doubts, covered, error, lack_of_fit(case))


def mismatch(seed: int, records: int, run: Mapper) -> list[str]:
    """Each way to break the model, half as many records of each as asked for, and what becomes of Q."""
    lines = [
        "MISMATCH: records that are not sums of damped sinusoids",
        f"{'':18s}{'records':>8s}{'flagged %':>10s}{'named %':>8s}{'visible':>8s}{'flagged %':>10s}"
        f"{'one mode %':>11s}{'Q inside %':>11s}{'|Q error| %':>12s}",
    ]
    for kind in KINDS:
        results: list[Outcome] = run(partial(outcome_of, kind, seed), range(max(1, records // 2)))
        lines += [mismatch_line(kind, results), *_details(kind, results)]
    lines += [
        f"  visible: records whose misfit energy is at least {VISIBLE:g} noise variances, and how many of",
        "  those are flagged; Q inside: small-signal Q in the stated 95 % interval; |Q error|: median",
    ]
    return lines


def flagged(result: Outcome) -> bool:
    return bool(result.doubts & MISMATCH)


def mismatch_line(kind: str, results: list[Outcome]) -> str:
    names = KINDS[kind]
    visible = [r for r in results if r.misfit >= VISIBLE]
    error = 100 * np.nanmedian([abs(r.q_error) for r in results])
    named = f"{_share(bool(r.doubts & names) for r in results):8.1f}" if names else f"{'-':>8s}"
    seen = f"{_share(map(flagged, visible)):10.1f}" if visible else f"{'-':>10s}"
    return (
        f"{kind:18s}{len(results):8d}{_share(map(flagged, results)):10.1f}{named}{len(visible):8d}{seen}"
        f"{_share(r.modes == 1 for r in results):11.1f}{_share(r.covered for r in results):11.1f}"
        f"{error:12.3f}"
    )


def _details(kind: str, results: list[Outcome]) -> list[str]:
    tally = Counter(d.value for r in results for d in r.doubts)
    lines = [f"    {value}: {100 * n / len(results):.1f} %" for value, n in tally.most_common(5)]
    if kind == "control":
        wrong = [r for r in results if flagged(r)]
    else:
        wrong = [r for r in results if r.misfit >= VISIBLE and not flagged(r)]
    word = "flagged for nothing" if kind == "control" else "missed"
    return lines + [f"    {r.name}: {word}, lack of fit {r.misfit:.0f}" for r in wrong[:4]]


def _share(hits: Iterable[bool]) -> float:
    return 100 * float(np.mean([*hits]))
