"""One record of a table, looked at closely: truth, bounds, our answer and the oracle's.

    python tests/benchmarks/look.py "domain(seed=7, rings=2, index=388)" "clipped(seed=7, index=44)"

The argument is the name that the table prints beside a record that went wrong.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.bound import bounds
from benchmarks.mismatch import mismatched
from benchmarks.oracle import from_truth
from benchmarks.ours import fitted, judged
from benchmarks.score import score
from benchmarks.signals import RATE_HZ, Case, clipped, domain, silent

MAKERS: dict[str, Callable[..., Case]] = {
    "domain": domain,
    "clipped": clipped,
    "silent": silent,
    "mismatched": mismatched,
}


def named(text: str) -> Case:
    """The case behind a name such as ``domain(seed=7, rings=2, index=388)``; ValueError when it is none."""
    call = ast.parse(text, mode="eval").body
    if not (isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id in MAKERS):
        raise ValueError(f"{text!r} is no record; give a name such as 'domain(seed=7, rings=2, index=388)'")
    plain = [ast.literal_eval(argument) for argument in call.args]
    keyed = {keyword.arg: ast.literal_eval(keyword.value) for keyword in call.keywords if keyword.arg}
    return MAKERS[call.func.id](*plain, **keyed)


def picture(case: Case) -> list[str]:
    """Lines of text: the truth with errors in bounds, then what was found and why."""
    answer, result = fitted(case), judged(case)
    recoveries = ", ".join(f"{1e6 / rate:.1f} us of {height:.1f}" for rate, height in case.recoveries)
    lines = [
        f"{case.name}: {case.clean.size} samples, noise {case.sigma:.2f}, recovery {recoveries or 'none'}",
        f"  {'truth':>12s} {'Q':>7s} {'height':>8s} {'tau/n':>6s} {'sd Q %':>7s}"
        f" {'ours: f':>9s} {'tau':>6s} {'Q':>6s} {'oracle: f':>10s} {'tau':>6s} {'Q':>6s}",
    ]
    limits = bounds(case) if case.rings else ()
    oracle = score(case.rings, limits, from_truth(case)) if case.rings else ()
    for ring, limit, ours, best in zip(case.rings, limits, result.rings, oracle, strict=True):
        lines.append(
            f"  {ring.frequency_hz:9.1f} Hz {ring.q:7.2f} {ring.amplitude:8.2f}"
            f" {ring.tau_s * RATE_HZ / case.clean.size:6.3f} {100 * limit.q / ring.q:7.2f}"
            f" {ours.frequency:9.2f} {ours.tau:6.2f} {ours.q:6.2f}"
            f" {best.frequency:10.2f} {best.tau:6.2f} {best.q:6.2f}"
        )
    for what, modes in (("found", answer.modes), ("tone", answer.tones)):
        lines += [
            f"  {what} {m.frequency_hz.value:.1f}({m.frequency_hz.standard_uncertainty:.1g}) Hz,"
            f" Q {m.q.value:.2f}({m.q.standard_uncertainty:.1g}), height {m.amplitude.value:.2f}"
            for m in modes
        ]
    lines += [
        f"  found recovery {1e6 / r.decay_per_s.value:.1f} us of {r.amplitude.value:.1f}"
        for r in answer.recoveries
    ]
    lines += [
        f"  {'took' if step.accepted else 'left'} {step.what}: {step.statistic:.1f} against"
        f" {step.threshold:.1f}, {step.reason}"
        for step in answer.account
    ]
    return lines + [f"  doubt: {d.kind.value}: {d.detail}" for d in answer.doubts]


if __name__ == "__main__":
    for name in sys.argv[1:]:
        print("\n".join(picture(named(name))))
