"""Least squares that starts from the truth: what a perfect search would end in.

Beside the bound it shows the luck of the draw: with n rings the efficiency of a perfect estimator still
scatters by 1/sqrt(2 n) about 1, and ours sees the same noise as this one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchmarks.bound import sensitivities
from benchmarks.score import Estimate
from benchmarks.signals import Case, Ring, noise_free

Array = npt.NDArray[np.float64]
Recoveries = tuple[tuple[float, float], ...]


def descend(
    values: Array,
    times: Array,
    rings: tuple[Ring, ...],
    recoveries: Recoveries,
    used: npt.NDArray[np.bool_] | None = None,
    steps: int = 12,
) -> tuple[tuple[Ring, ...], float]:
    """Gauss-Newton on the full model: the rings found, and the least sum of squares met on the way."""
    used = np.ones(values.size, bool) if used is None else used
    best = np.inf
    for _ in range(steps):
        residual = values - noise_free(values.size, rings, recoveries, 0.0)
        rates, amplitudes = zip(*recoveries, strict=True) if recoveries else ((), ())
        jacobian = sensitivities(times, rings, rates, amplitudes)
        solved, *_ = np.linalg.lstsq(jacobian[used], residual[used], rcond=1e-12)
        step = np.asarray(solved, dtype=np.float64)
        level = residual[used] - residual[used].mean()
        best = min(best, float(level @ level))
        recoveries = tuple(
            (max(rate + step[2 + 2 * k], 1.0), amplitude + step[1 + 2 * k])
            for k, (rate, amplitude) in enumerate(recoveries)
        )
        first = 1 + 2 * len(recoveries)
        rings = tuple(_moved(r, step[first + 4 * k : first + 4 * k + 4]) for k, r in enumerate(rings))
    return rings, best


def _moved(ring: Ring, step: Array) -> Ring:
    c = ring.amplitude * np.cos(ring.phase_rad) + step[0]
    s = -ring.amplitude * np.sin(ring.phase_rad) + step[1]
    return Ring(
        ring.frequency_hz + step[3] / (2 * np.pi),
        max(ring.decay_per_s + step[2], 1.0),
        float(np.hypot(c, s)),
        float(np.arctan2(-s, c)),
    )


def from_truth(case: Case) -> tuple[Estimate, ...]:
    """The oracle's estimates, with the true number of rings, start and mask."""
    rings, _ = descend(case.values, case.ring_times_s, case.rings, case.recoveries, case.used)
    return tuple(Estimate(r.frequency_hz, r.decay_per_s) for r in rings)
