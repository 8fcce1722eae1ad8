"""Take out of the samples what the code alone explains, and fit again.

A bent converter, a saturating amplifier or a diode adds to each sample a function of the ring's own level.
With v the fitted curve and S_j a set of functions over the code, the samples are y = v + sum_j s_j S_j(v),
with s common to all shots. Poles, amplitudes and s are found together by Gauss-Newton steps on [J, S], J the
model's tangent; what v moves in S is left out, since the bend is small. The covariance of the poles is that
with s unknown.

Polynomials serve first. Where they leave more than noise, straight pieces between 16, then 32 knots follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from coilbell.decay.converter import Converter
from coilbell.decay.defects import over_code
from coilbell.decay.solve import Array, Block, Bounds, Solution, basis, span
from coilbell.decay.tangent import jacobians

__all__ = ["Straight", "straightened"]

_STEPS = 12
"""Steps after which poles and bend are taken as they are [1]; benchmark: laws."""
_DAMPING = 1e-3
"""First damping of the poles' step, in their own normal matrix [1]."""
_SETTLED = 1e-2
"""Step of the poles, in standard uncertainties, at which they are found."""
_KNOTS = (16, 32)
"""Knots over the range of the curve, tried in turn [1]; benchmark: laws, one-sided diode."""
_NOISE = 3.0
"""Standard deviations by which the residual variance may exceed the noise and count as noise."""
_NOTHING = 1e-280
"""Square of a row that counts as none: a function over codes that no sample has."""
_WORTH = 0.85
"""Share of the sum of squares that finer pieces may leave to be worth the freedom they cost the poles."""
_RIDGE = 1e-9
"""Keeps functions apart that the samples hardly tell apart, of unit rows."""


@dataclass(frozen=True, slots=True, eq=False)
class Straight:
    """Samples without the bend, the solution on them, and what is known of its poles beside the bend."""

    blocks: list[Block]
    solution: Solution
    poles: Array
    """(q, q) for unit noise variance."""


def straightened(
    blocks: list[Block],
    solution: Solution,
    converter: Converter,
    noise_variance: float = math.inf,
) -> Straight:
    """Blocks without the bend over the code, and the solution on them.

    noise_variance: what is to be left; polynomials alone by default.
    Raises numpy.linalg.LinAlgError when the poles run together.
    """
    best = _joint(blocks, solution, _Polynomials(converter))
    for knots in _KNOTS:
        free = best.solution.free
        if best.solution.rss <= noise_variance * (free + _NOISE * math.sqrt(2 * free)):
            break
        finer = _joint(blocks, best.solution, _Pieces(knots, converter))
        if finer.solution.rss > _WORTH * best.solution.rss:
            break
        best = finer
    return best


class _Polynomials:
    """Chebyshev polynomials over the curve's range and steps where converters jump."""

    def __init__(self, converter: Converter) -> None:
        self.converter = converter

    def __call__(self, curve: Array, low: float, high: float) -> Array:
        return over_code(curve, self.converter, low, high)


class _Pieces:
    """Hat functions between evenly spaced knots, and steps where converters jump; two knots stay at zero."""

    def __init__(self, knots: int, converter: Converter) -> None:
        self.knots, self.converter = knots, converter

    def __call__(self, curve: Array, low: float, high: float) -> Array:
        place = (curve - low) * (self.knots / max(high - low, 1e-300))
        inner = [k for k in range(self.knots + 1) if k not in (self.knots // 4, 3 * self.knots // 4)]
        hats = np.maximum(1 - np.abs(place - np.array(inner)[:, None]), 0.0)
        steps = over_code(curve, self.converter, low, high)[4:]
        return np.vstack((hats, steps))


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """A trial: the solution, with residuals of the samples without the bend, and the bend itself."""

    solution: Solution
    shares: Array
    rows: list[Array]
    """For each block (s, k, n)."""

    @property
    def bends(self) -> list[Array]:
        return [np.einsum("k,skn->sn", self.shares, rows) for rows in self.rows]


def _joint(blocks: list[Block], start: Solution, functions: _Polynomials | _Pieces) -> Straight:
    bounds, length, q = Bounds.within(blocks), span(blocks), start.structure.poles
    now = _point(blocks, start, start.theta, start.coefficients, None, functions)
    damping, inverse = 0.0, np.zeros((q, q))
    for _ in range(_STEPS):
        inverse, right = _normal(blocks, now, damping)
        step = inverse @ right
        theta = bounds.apply(now.solution.theta + step[:q], start.structure, length)
        cut = step.size - now.shares.size
        coefficients = _moved(now.solution.coefficients, step[q:cut])
        trial = _point(blocks, start, theta, coefficients, now.shares + step[cut:], functions)
        if not trial.solution.rss <= now.solution.rss:
            damping = max(10 * damping, _DAMPING)
            continue
        moved = theta - now.solution.theta
        now, damping = trial, 0.1 * damping
        if (moved**2 <= _SETTLED**2 * max(now.solution.variance, 1e-300) * inverse.diagonal()[:q]).all():
            break
    inverse, _ = _normal(blocks, now, 0.0)
    straight = [replace(b, values=b.values - bend) for b, bend in zip(blocks, now.bends, strict=True)]
    return Straight(straight, now.solution, inverse[:q, :q])


def _moved(coefficients: list[Array], step: Array) -> list[Array]:
    out, row = [], 0
    for one in coefficients:
        out.append(one + step[row : row + one.size].reshape(one.shape))
        row += one.size
    return out


def _point(
    blocks: list[Block],
    like: Solution,
    theta: Array,
    coefficients: list[Array],
    shares: Array | None,
    functions: _Polynomials | _Pieces,
) -> _Point:
    """These figures, the bend's rows over their curve, and what they leave; no bend where shares is None."""
    bases = [basis(b, theta, like.structure) for b in blocks]
    p = like.structure.columns
    curves = [c @ rows[:p] for c, rows in zip(coefficients, bases, strict=True)]
    low, high = min(float(c.min()) for c in curves), max(float(c.max()) for c in curves)
    rows = [np.array([functions(one, low, high) for one in c]) for c in curves]
    rows = [r if b.weights is None else r * b.weights for r, b in zip(rows, blocks, strict=True)]
    shares = np.zeros(rows[0].shape[1]) if shares is None else shares
    residuals = [
        b.values - curve - np.einsum("k,skn->sn", shares, r)
        for b, curve, r in zip(blocks, curves, rows, strict=True)
    ]
    rss = float(sum(np.vdot(r, r) for r in residuals))
    solution = replace(
        like,
        theta=theta,
        coefficients=coefficients,
        residuals=residuals,
        rss=rss,
        bases=bases,
        converged=True,
    )
    return _Point(solution, shares, rows)


def _normal(blocks: list[Block], now: _Point, damping: float) -> tuple[Array, Array]:
    """Inverse normal matrix and right side of one step; damping holds the poles back."""
    solution = now.solution
    p, q, k = solution.structure.columns, solution.structure.poles, now.shares.size
    size = q + sum(p * b.shots for b in blocks) + k
    normal, right = np.zeros((size, size)), np.zeros(size)
    at = q
    for index, tangent in enumerate(jacobians(blocks, solution)):
        for shot in range(blocks[index].shots):
            place = np.concatenate((np.arange(at, at + p), np.arange(q), np.arange(size - k, size)))
            whole = np.vstack((tangent[shot], now.rows[index][shot]))
            normal[np.ix_(place, place)] += whole @ whole.T
            right[place] += whole @ solution.residuals[index][shot]
            at += p
    squares = normal.diagonal()
    scale = np.where(squares > _NOTHING, 1 / np.sqrt(np.maximum(squares, _NOTHING)), 0.0)
    unit = normal * scale[:, None] * scale
    unit.flat[:: size + 1] += _RIDGE
    unit.flat[: q * (size + 1) : size + 1] += damping
    return np.asarray(np.linalg.inv(unit) * scale[:, None] * scale), right
