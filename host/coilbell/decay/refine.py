"""Least squares to the last digit, from given starting values.

The fit of `fit` stops when further digits lie far below the noise, and works in normal equations. For
comparison with certified answers the same separable problem is solved here by orthogonal factorization,
with Levenberg-Marquardt steps on the poles and Kaufman's Jacobian: slower, and good to 9 and more digits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.decay.solve import Array
from coilbell.errors import InputError

__all__ = ["Refined", "refine"]

_MAX_ITERATIONS = 500
"""Steps to the minimum [1]; enough for the certified data."""
_MAX_POLISH = 200
"""Steps that only mend the last digits [1]."""
_ROUNDING = 1e-11
"""Relative change of the sum of squares that is rounding [1]."""
_SLACK = 1e-6
"""Share by which the sum of squares may rise in a step and count as level [1]."""


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """Least-squares poles and amplitudes.

    covariance is that of (decays, angulars, rates, coefficients) in this order, zero for held values.
    """

    decays: Array
    """(K,) [1/unit of the times]"""
    angulars: Array
    """(K,) [rad/unit of the times]"""
    rates: Array
    """(E,) of the exponentials [1/unit of the times]"""
    coefficients: Array
    """(2 K + E + offset,) cosine and sine of each mode, exponentials, offset."""
    covariance: Array
    residual_sum_of_squares: float
    residuals: Array
    iterations: int


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    times: Array
    values: Array
    modes: int
    exponentials: int
    offset: bool
    free: npt.NDArray[np.intp]
    """Which of (decays, angulars, rates) are searched."""

    def columns(self, theta: Array) -> Array:
        """(n, p) model columns."""
        t, k = self.times, self.modes
        columns = []
        for decay, angular in zip(theta[:k], theta[k : 2 * k], strict=True):
            fall = np.exp(-decay * t)
            columns += [fall * np.cos(angular * t), fall * np.sin(angular * t)]
        columns += [np.exp(-rate * t) for rate in theta[2 * k :]]
        if self.offset:
            columns.append(np.ones_like(t))
        return np.array(columns).T

    def derivatives(self, columns: Array, coefficients: Array) -> Array:
        """(n, f) derivatives of the model to the free poles, amplitudes held."""
        t, k = self.times, self.modes
        cosine, sine = columns[:, : 2 * k : 2], columns[:, 1 : 2 * k : 2]
        c, s = coefficients[: 2 * k : 2], coefficients[1 : 2 * k : 2]
        rates = (
            columns[:, 2 * k : 2 * k + self.exponentials] * coefficients[2 * k : 2 * k + self.exponentials]
        )
        every = np.hstack((-(cosine * c + sine * s), cosine * s - sine * c, -rates)) * t[:, None]
        return np.asarray(every[:, self.free])


class _Trial:
    """Amplitudes and residual for given poles, by QR with one step of refinement."""

    __slots__ = ("coefficients", "columns", "orthonormal", "residual", "rss", "theta")

    def __init__(self, problem: _Problem, theta: Array) -> None:
        self.theta = theta
        self.columns = problem.columns(theta)
        scale = np.linalg.norm(self.columns, axis=0)
        scale[scale == 0] = 1.0
        self.orthonormal, triangle = np.linalg.qr(self.columns / scale)
        first = np.linalg.solve(triangle, self.orthonormal.T @ problem.values) / scale
        rest = problem.values - self.columns @ first
        self.coefficients = first + np.linalg.solve(triangle, self.orthonormal.T @ rest) / scale
        self.residual = problem.values - self.columns @ self.coefficients
        self.rss = float(self.residual @ self.residual)


def refine(
    times: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    modes: Sequence[tuple[float, float]] = (),
    exponentials: Sequence[float] = (),
    offset: bool = True,
    undamped: bool = False,
    fixed_angulars: Sequence[float] = (),
) -> Refined:
    """Least squares for damped sinusoids and exponentials from starting values.

    Parameters
    ----------
    times, values : (n,) samples, times in any unit
    modes : starting (decay, angular frequency) of each sinusoid [1/unit, rad/unit]
    exponentials : starting rates [1/unit]
    offset : whether a constant is fitted
    undamped : hold every mode's decay where it starts
    fixed_angulars : further undamped sinusoids whose frequency is held [rad/unit]

    Raises
    ------
    InputError
        Arrays of different length, or no more samples than parameters.
    """
    t, y = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    held = [(0.0, float(w)) for w in fixed_angulars]
    every = [*modes, *held]
    k, e = len(every), len(exponentials)
    free = np.arange(2 * k + e)
    locked = np.zeros(free.size, dtype=bool)
    locked[:k] = undamped
    locked[len(modes) : k] = True
    locked[k + len(modes) : 2 * k] = True
    problem = _Problem(t, y, k, e, offset, free[~locked])
    parameters = problem.free.size + 2 * k + e + offset
    if t.shape != y.shape or t.ndim != 1 or t.size <= parameters:
        raise InputError(
            f"{t.size} times and {y.size} values for {parameters} parameters; "
            "give as many times as values, and more than parameters"
        )
    start = np.array([*(a for a, _ in every), *(w for _, w in every), *exponentials], dtype=np.float64)
    trial, iterations = _descend(problem, start)
    return Refined(
        decays=trial.theta[:k],
        angulars=trial.theta[k : 2 * k],
        rates=trial.theta[2 * k :],
        coefficients=trial.coefficients,
        covariance=_covariance(problem, trial, parameters),
        residual_sum_of_squares=trial.rss,
        residuals=trial.residual,
        iterations=iterations,
    )


def _descend(problem: _Problem, start: Array) -> tuple[_Trial, int]:
    """Damped steps while the sum of squares falls, then full steps while they shrink."""
    trial, damping = _Trial(problem, start), 1e-3
    iteration = 0
    while iteration < _MAX_ITERATIONS:
        iteration += 1
        slope, scale = _slope(problem, trial)
        better, damping = _damped_step(problem, trial, slope, scale, damping)
        gained = 0.0 if better is None else trial.rss - better.rss
        trial = trial if better is None else better
        if gained <= _ROUNDING * trial.rss:
            break
    return _full_steps(problem, trial), iteration


def _slope(problem: _Problem, trial: _Trial) -> tuple[Array, Array]:
    """Projected derivatives with columns of length one, and their lengths."""
    slope = problem.derivatives(trial.columns, trial.coefficients)
    slope = slope - trial.orthonormal @ (trial.orthonormal.T @ slope)
    scale = np.linalg.norm(slope, axis=0)
    scale[scale == 0] = 1.0
    return slope / scale, scale


def _full_steps(problem: _Problem, trial: _Trial) -> _Trial:
    """Gauss-Newton steps until they stop shrinking; where the sum of squares is flat, poles still move."""
    last = np.inf
    for _ in range(_MAX_POLISH):
        slope, scale = _slope(problem, trial)
        step = np.linalg.lstsq(slope, trial.residual, rcond=None)[0] / scale
        size = float(np.max(np.abs(step) * scale, initial=0.0))
        if not size < last:
            return trial
        theta = trial.theta.copy()
        theta[problem.free] += step
        after = _tried(problem, theta)
        if after is None or after.rss > trial.rss * (1 + _SLACK):
            return trial
        trial, last = after, size
    return trial


def _damped_step(
    problem: _Problem, trial: _Trial, slope: Array, scale: Array, damping: float
) -> tuple[_Trial | None, float]:
    """A step that lowers the sum of squares (None when no damping finds one), and the new damping."""
    unit = np.eye(scale.size)
    target = np.concatenate((trial.residual, np.zeros(scale.size)))
    for _ in range(30):
        stacked = np.vstack((slope, np.sqrt(damping) * unit))
        step = np.linalg.lstsq(stacked, target, rcond=None)[0] / scale
        theta = trial.theta.copy()
        theta[problem.free] += step
        if np.isfinite(theta).all() and (theta[2 * problem.modes :] > 0).all():
            after = _tried(problem, theta)
            if after is not None and after.rss <= trial.rss:
                return after, damping * 0.1
        damping = max(damping * 10, 1e-12)
    return None, damping


def _tried(problem: _Problem, theta: Array) -> _Trial | None:
    with np.errstate(over="ignore", invalid="ignore"):
        try:
            trial = _Trial(problem, theta)
        except np.linalg.LinAlgError:
            return None
    return trial if np.isfinite(trial.rss) else None


def _covariance(problem: _Problem, trial: _Trial, parameters: int) -> Array:
    """s^2 (J^T J)^-1 from the triangular factor of the full Jacobian."""
    jacobian = np.hstack((problem.derivatives(trial.columns, trial.coefficients), trial.columns))
    scale = np.linalg.norm(jacobian, axis=0)
    scale[scale == 0] = 1.0
    inverse = np.linalg.inv(np.linalg.qr(jacobian / scale)[1])
    variance = trial.rss / (problem.times.size - parameters)
    small = variance * (inverse @ inverse.T) / np.outer(scale, scale)
    poles = 2 * problem.modes + problem.exponentials
    places = np.concatenate((problem.free, poles + np.arange(trial.coefficients.size)))
    full = np.zeros((poles + trial.coefficients.size,) * 2)
    full[np.ix_(places, places)] = small
    return full
