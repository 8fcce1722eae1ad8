"""A ring whose decay and frequency follow its own amplitude, or whose frequency follows time.

With the envelope e(n) relative to its start, a ring obeying

    de/dn = -a (1 + eps e) e,     dphase/dn = w (1 + eta e) + kappa n

has the closed form (E = exp(-a n), L = ln(1 + eps - eps E))

    e(n) = E exp(-L),             phase(n) = w n + eta (w / a) L / eps + kappa n^2 / 2

so a and w are the figures for vanishing amplitude (and, for kappa, at the window's start). eps > 0 is a
loss that grows with amplitude: a junction that starts to conduct, or iron. Only the main mode is
bent; other components keep their poles and get free amplitudes. Solved by projecting the linear
amplitudes out (see `solve`) with a Levenberg-Marquardt search over the few bent figures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coilbell.decay.defects import main_mode
from coilbell.decay.solve import Array, Block, Solution, basis

__all__ = ["Law", "fit_law"]

_STEP = 1e-4
_MAX_ITERATIONS = 25


@dataclass(frozen=True, slots=True, eq=False)
class Law:
    """Bent figures of the main mode, in sampling steps.

    values: (4 or 3,) decay, angular frequency, then eps and eta, or kappa; covariance to match.
    """

    values: Array
    covariance: Array
    rss: float
    free: int
    drift: bool
    residuals: list[Array]
    converged: bool


def bent_wave(values: Array, times: Array, drift: bool) -> tuple[Array, Array]:
    """In-phase and quarter-period-later waves of unit start amplitude."""
    decay, angular = values[0], values[1]
    fall = np.exp(-decay * times)
    if drift:
        phase = angular * times + 0.5 * values[2] * times**2
        return fall * np.cos(phase), fall * np.sin(phase)
    eps, eta = values[2], values[3]
    fade = 1 - fall
    bend = np.log(np.maximum(1 + eps * fade, 1e-9))
    delay = bend / eps if abs(eps) > 1e-6 else fade
    phase = angular * times + eta * angular / decay * delay
    envelope = fall * np.exp(-bend)
    return envelope * np.cos(phase), envelope * np.sin(phase)


class _Bent:
    """Projected residuals of the blocks as a function of the bent figures."""

    def __init__(self, blocks: list[Block], solution: Solution, drift: bool) -> None:
        self.blocks, self.drift = blocks, drift
        mode = main_mode(solution)
        keep = [i for i in range(solution.structure.columns) if i not in (2 * mode, 2 * mode + 1)]
        self.others = [basis(b, solution.theta, solution.structure)[keep] for b in blocks]

    def residuals(self, values: Array) -> list[Array]:
        out = []
        for block, others in zip(self.blocks, self.others, strict=True):
            wave = np.array(bent_wave(values, block.times, self.drift))
            if block.weights is not None:
                wave = wave * block.weights
            orthonormal, _ = np.linalg.qr(np.concatenate((wave, others)).T)
            out.append(block.values - (block.values @ orthonormal) @ orthonormal.T)
        return out

    def stacked(self, values: Array) -> Array:
        return np.concatenate([r.ravel() for r in self.residuals(values)])


def fit_law(blocks: list[Block], solution: Solution, *, drift: bool = False) -> Law | None:
    """Bend the main mode of a solution: by its amplitude, or by time when `drift`.

    Returns None when the main mode does not decay, or the search fails.
    """
    mode = main_mode(solution)
    decay, angular = solution.decay(mode), solution.angular(mode)
    if decay <= 0:
        return None
    bent = _Bent(blocks, solution, drift)
    length = max(float(b.times[-1]) for b in blocks)
    scale = (
        np.array([decay * 0.01, angular * 1e-4, 1 / length**2])
        if drift
        else np.array([decay * 0.01, angular * 1e-4, 0.01, 1e-4])
    )
    start = np.array([decay, angular, 0.0] if drift else [decay, angular, 0.0, 0.0])
    try:
        return _search(bent, start, scale, solution)
    except np.linalg.LinAlgError:
        return None


def _search(bent: _Bent, values: Array, scale: Array, solution: Solution) -> Law:
    residual = bent.stacked(values)
    rss, damping, converged = float(residual @ residual), 1e-3, False
    slope = _slope(bent, values, scale, residual)
    free = max(1, solution.free - (values.size - 2))
    for _ in range(_MAX_ITERATIONS):
        normal, gradient = slope @ slope.T, slope @ residual
        diagonal = np.maximum(normal.diagonal(), 1e-300)
        step = np.linalg.solve(normal + damping * np.diag(diagonal), -gradient)
        trial = values + step * scale
        gain = float(-gradient @ step)
        if trial[0] <= 0 or not (0 < trial[1] < np.pi) or (not bent.drift and trial[2] <= -0.95):
            damping *= 10
            if damping > 1e6:
                break
            continue
        after = bent.stacked(trial)
        if float(after @ after) < rss:
            values, residual, rss = trial, after, float(after @ after)
            damping = max(damping * 0.1, 1e-9)
            if gain < 1e-4 * rss / free:
                converged = True
                break
            slope = _slope(bent, values, scale, residual)
            continue
        if gain < 1e-4 * rss / free:
            converged = True
            break
        damping *= 10
    slope = _slope(bent, values, scale, residual)
    covariance = np.linalg.inv(slope @ slope.T) * np.outer(scale, scale) * rss / free
    return Law(values, covariance, rss, free, bent.drift, bent.residuals(values), converged)


def _slope(bent: _Bent, values: Array, scale: Array, residual: Array) -> Array:
    """(v, n) finite differences of the projected residual to each scaled figure."""
    rows = []
    for i in range(values.size):
        moved = values.copy()
        moved[i] += _STEP * scale[i]
        rows.append((bent.stacked(moved) - residual) / _STEP)
    return np.array(rows)
