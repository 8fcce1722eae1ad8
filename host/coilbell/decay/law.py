"""A ring whose decay and frequency follow its own amplitude, or whose frequency follows time.

With the envelope e(n) relative to its start, a ring obeying

    de/dn = -a (1 + eps e^p) e,     dphase/dn = w (1 + eta e^p) + kappa n

has the closed form (Bernoulli's equation; E = exp(-a n), L = ln(1 + eps - eps E^p))

    e(n) = E exp(-L / p),           phase(n) = w n + eta (w / a) L / (p eps) + kappa n^2 / 2

so a and w are the figures for vanishing amplitude (and, for kappa, at the window's start). eps > 0 is a
loss that grows with amplitude: a junction that starts to conduct, or iron. How it grows nobody knows: p = 1/2
and 2 are seen as well as 1, and dry friction falls as the ring grows (p = -1). So p is searched along, with
the prior EXPONENT, and what it leaves open is in the covariance. Only the main mode is bent. Solved by
projecting the linear amplitudes out (see `solve`) with a Levenberg-Marquardt search over the bent figures and
the other poles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from coilbell.decay.defects import main_mode
from coilbell.decay.model import DoubtKind
from coilbell.decay.solve import Array, Block, Solution, basis

__all__ = ["Law", "fit_law"]

_EXPONENT = 0.5
"""Standard deviation of ln |p| about 0 before anything is seen [1]: 1/2, 1, 2 are what is seen; assumed."""
_FALLING = (-0.5, -0.8, -1.2)
"""Exponents to start from again, where a law that grows with the ring does not explain it [1]."""
_STRENGTHS = (0.005, 0.015, 0.05, 0.15)
"""Strengths tried with these [1]; benchmark: laws."""
_MISFIT = 5.0
"""Standard deviations by which the residual variance may exceed the noise before that."""
_EXPONENTS = (0.2, 4.0)
"""Least and largest magnitude of the exponent that is followed [1]: near 0 a law is none."""
_STEP = 1e-4
"""Step of the finite differences, in the scale of each figure [1]; assumed."""
_SILENT = 138.0
"""Exponent beyond which a fall is not followed (see `solve`)."""
_STOPPED = 1e-9
"""Least of 1 + eps - eps E^p: friction brings a ring to rest in finite time [1]."""
_NO_LAW = 1e-6
"""Strength below which the law's limit for none is used [1]."""
_MAX_ITERATIONS = 60
"""Steps after which a law counts as not found [1]; benchmark: laws."""


@dataclass(frozen=True, slots=True, eq=False)
class Law:
    """Bent figures of the main mode, in sampling steps.

    values: decay, angular frequency, then what bends them: eps, eta and p, or kappa; covariance to match.
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
    eps, eta, power = values[2], values[3], values[4]
    fade = -np.expm1(-np.clip(power * decay * times, -_SILENT, _SILENT))
    bend = np.log(np.maximum(1 + eps * fade, _STOPPED))
    delay = bend / eps if abs(eps) > _NO_LAW else fade
    phase = angular * times + eta * angular / (decay * power) * delay
    envelope = fall * np.exp(-bend / power)
    return envelope * np.cos(phase), envelope * np.sin(phase)


class _Bent:
    """Projected residuals of the blocks as a function of the bent figures and of all other poles."""

    def __init__(self, blocks: list[Block], solution: Solution, drift: bool, noise_variance: float) -> None:
        self.blocks, self.drift = blocks, drift
        mode = main_mode(solution)
        structure = solution.structure
        self.structure = replace(structure, modes=structure.modes - 1)
        self.others = np.delete(solution.theta, [2 * mode, 2 * mode + 1])
        self.bends = 3 if drift else 5
        self.weight = 0.0 if drift else float(np.sqrt(noise_variance)) / _EXPONENT
        decay, angular = solution.decay(mode), solution.angular(mode)
        self.length = length = max(float(b.times[-1]) for b in blocks)
        bent = [1 / length**2] if drift else [0.01, 1e-4, 0.1]
        straight = [0.0] if drift else [0.0, 0.0, 1.0]
        self.start = np.concatenate(([decay, angular], straight, self.others))
        pairs = self.others[: 2 * self.structure.modes].reshape(-1, 2)
        spread = np.column_stack((np.abs(pairs[:, 0]) * 0.01 + 1e-6, pairs[:, 1] * 1e-4)).ravel()
        rates = self.others[2 * self.structure.modes :] * 0.01
        self.scale = np.concatenate(([decay * 0.01, angular * 1e-4], bent, spread, rates))

    def falling(self) -> list[Array]:
        """Starts whose loss falls as the ring grows.

        Over the ring's energy the mean of e^p is 2/(2 + p): each decays as the plain exponential does.
        """
        out = []
        for power in _FALLING:
            for eps in _STRENGTHS:
                one = self.start.copy()
                one[0] /= 1 + eps * 2 / (2 + power)
                one[2], one[4] = eps, power
                out.append(one)
        return out

    def allowed(self, values: Array) -> bool:
        """False for figures outside the model: growth, negative frequency, a loss that turns to gain."""
        others = values[self.bends :]
        return bool(
            values[0] > 0
            and 0 < values[1] < np.pi
            and (self.drift or (values[2] > -0.95 and _EXPONENTS[0] < abs(values[4]) < _EXPONENTS[1]))
            and (others[1 : 2 * self.structure.modes : 2] > 0).all()
            and (others[: 2 * self.structure.modes : 2] * self.length > -1).all()
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
        """All residuals, and last how far the exponent is from what is expected, in noise deviations."""
        astray = 0.0 if self.drift else self.weight * math.log(abs(values[4]))
        return np.concatenate([*(r.ravel() for r in self.residuals(values)), [astray]])


def fit_law(
    blocks: list[Block], solution: Solution, noise_variance: float, *, drift: bool = False
) -> Law | None:
    """Bend the main mode of a solution: by its amplitude, or by time when `drift`.

    Returns None when the main mode does not decay, or the search fails.
    """
    if solution.decay(main_mode(solution)) <= 0:
        return None
    bent = _Bent(blocks, solution, drift, noise_variance)
    law = _found(bent, solution)
    if drift:
        return law
    enough = noise_variance * (1 + _MISFIT * math.sqrt(2 / solution.free))
    if law and law.converged and law.rss / law.free < enough:
        return law
    bent.start = min(bent.falling(), key=lambda values: _squares(bent.stacked(values)))
    both = [one for one in (law, _found(bent, solution)) if one is not None]
    return min(both, key=lambda one: one.rss, default=None)


def _found(bent: _Bent, solution: Solution) -> Law | None:
    try:
        return _search(bent, solution)
    except np.linalg.LinAlgError:
        return None


def _squares(residual: Array) -> float:
    return float(residual @ residual)


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
