"""A ring whose decay and frequency follow its own amplitude, or whose frequency follows time.

With the envelope e(n) relative to its start, a ring obeying

    de/dn = -a (1 + eps e) e,     dphase/dn = w (1 + eta e) + kappa n

has the closed form (E = exp(-a n), L = ln(1 + eps - eps E))

    e(n) = E exp(-L),             phase(n) = w n + eta (w / a) L / eps + kappa n^2 / 2

so a and w are the figures for vanishing amplitude (and, for kappa, at the window's start). eps > 0 is a
loss that grows with amplitude: a junction that starts to conduct, or iron. Only the main mode is
bent. Solved by projecting the linear amplitudes out (see `solve`) with a Levenberg-Marquardt search over
the bent figures and the other poles.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from coilbell.decay.defects import main_mode
from coilbell.decay.model import DoubtKind
from coilbell.decay.solve import Array, Block, Solution, basis

__all__ = ["Law", "fit_law"]

_STEP = 1e-4
_SILENT = 138.0
"""Exponent beyond which a fall is not followed (see `solve`)."""
_MAX_ITERATIONS = 15


@dataclass(frozen=True, slots=True, eq=False)
class Law:
    """Bent figures of the main mode, in sampling steps.

    values: decay, angular frequency, then what bends them: eps and eta, or kappa; covariance to match.
    """

    kind: DoubtKind
    """What bends them."""
    values: Array
    covariance: Array
    rss: float
    free: int
    converged: bool


def bent_wave(values: Array, times: Array, drift: bool) -> tuple[Array, Array]:
    """In-phase and quarter-period-later waves of unit start amplitude."""
    decay, angular = values[0], values[1]
    fall = np.exp(-np.minimum(decay * times, _SILENT))
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
    """Projected residuals of the blocks as a function of the bent figures and of all other poles."""

    def __init__(self, blocks: list[Block], solution: Solution, drift: bool) -> None:
        self.blocks, self.drift = blocks, drift
        mode = main_mode(solution)
        structure = solution.structure
        self.structure = replace(structure, modes=structure.modes - 1)
        self.others = np.delete(solution.theta, [2 * mode, 2 * mode + 1])
        self.bends = 3 if drift else 4
        decay, angular = solution.decay(mode), solution.angular(mode)
        length = max(float(b.times[-1]) for b in blocks)
        bent = [1 / length**2] if drift else [0.01, 1e-4]
        self.start = np.concatenate(([decay, angular], np.zeros(self.bends - 2), self.others))
        pairs = self.others[: 2 * self.structure.modes].reshape(-1, 2)
        spread = np.column_stack((np.abs(pairs[:, 0]) * 0.01 + 1e-6, pairs[:, 1] * 1e-4)).ravel()
        rates = self.others[2 * self.structure.modes :] * 0.01
        self.scale = np.concatenate(([decay * 0.01, angular * 1e-4], bent, spread, rates))

    def allowed(self, values: Array) -> bool:
        """False for figures outside the model: growth, negative frequency, a loss that turns to gain."""
        others = values[self.bends :]
        return bool(
            values[0] > 0
            and 0 < values[1] < np.pi
            and (self.drift or values[2] > -0.95)
            and (others[1 : 2 * self.structure.modes : 2] > 0).all()
            and (others[2 * self.structure.modes :] > 0).all()
        )

    def residuals(self, values: Array) -> list[Array]:
        out = []
        for block in self.blocks:
            wave = np.array(bent_wave(values, block.times, self.drift))
            if block.weights is not None:
                wave = wave * block.weights
            others = basis(block, values[self.bends :], self.structure)[: self.structure.columns]
            orthonormal, _ = np.linalg.qr(np.concatenate((wave, others)).T)
            out.append(block.values - (block.values @ orthonormal) @ orthonormal.T)
        return out

    def stacked(self, values: Array) -> Array:
        return np.concatenate([r.ravel() for r in self.residuals(values)])


def fit_law(blocks: list[Block], solution: Solution, *, drift: bool = False) -> Law | None:
    """Bend the main mode of a solution: by its amplitude, or by time when `drift`.

    Returns None when the main mode does not decay, or the search fails.
    """
    if solution.decay(main_mode(solution)) <= 0:
        return None
    try:
        return _search(_Bent(blocks, solution, drift), solution)
    except np.linalg.LinAlgError:
        return None


def _search(bent: _Bent, solution: Solution) -> Law:
    values, scale = bent.start, bent.scale
    residual = bent.stacked(values)
    rss, damping, converged = float(residual @ residual), 1e-3, False
    slope = _slope(bent, values, scale, residual)
    free = max(1, solution.free - (bent.bends - 2))
    for _ in range(_MAX_ITERATIONS):
        normal, gradient = slope @ slope.T, slope @ residual
        diagonal = np.maximum(normal.diagonal(), 1e-300)
        step = np.linalg.solve(normal + damping * np.diag(diagonal), -gradient)
        trial = values + step * scale
        gain = float(-gradient @ step)
        if not bent.allowed(trial):
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
    keep = slice(None, bent.bends)
    kind = DoubtKind.FREQUENCY_DRIFT if bent.drift else DoubtKind.AMPLITUDE_DEPENDENT
    return Law(kind, values[keep], covariance[keep, keep], rss, free, converged)


def _slope(bent: _Bent, values: Array, scale: Array, residual: Array) -> Array:
    """(v, n) finite differences of the projected residual to each scaled figure."""
    rows = []
    for i in range(values.size):
        moved = values.copy()
        moved[i] += _STEP * scale[i]
        rows.append((bent.stacked(moved) - residual) / _STEP)
    return np.array(rows)
