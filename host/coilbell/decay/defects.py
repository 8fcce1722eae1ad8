"""Is something wrong with the ring itself? Score tests for defects of a fitted decay.

Each defect is a direction d(n) in which the record would move if it were present. With r the residual
and P the projector off the tangent J of the record's own poles and amplitudes

    gain = (D P r)^T [D P D^T]^-1 (D P r)    for the rows D of one defect

is the drop in the sum of squares that the defect would bring, and gain / variance is chi-square with
as many degrees of freedom as rows where the defect is absent (Rao's score test; C. R. Rao, Proc.
Camb. Phil. Soc. 44 (1948) 50). P r is r itself for a record fitted alone; where records share their poles
each residual still leans on its own pole directions, by chance alone, and that must not count.
Directions, with m the main mode, m' the same a quarter period later,
E = exp(-a n), v the fitted curve:

    amplitude-dependent decay   (1 - E) m, (1 - E) m'   decay and frequency vary with the envelope
    frequency drift             n^2 m'                  frequency varies with time
    converter non-linearity     T2(v) .. T5(v), and steps at the codes where converters jump
    time slip                   m, m' after sample n0   samples lost or doubled, n0 searched

The directions overlap (a short, strong ring shows the first two alike), so the strongest is named.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from coilbell.decay.converter import Converter
from coilbell.decay.model import DoubtKind
from coilbell.decay.search import chance_limit
from coilbell.decay.solve import Array, Block, Solution, definite_solution, gram
from coilbell.decay.tangent import inverse_gram, jacobians

__all__ = ["Defect", "Survey", "main_mode", "over_code", "survey"]

Places = npt.NDArray[np.intp]

_FADES = 0.1
"""Time constants within the window from which a mode is a ring rather than a tone."""
SLIP_PLACES = 32
"""Places at which a slip is looked for [1]; benchmark: mismatch."""
FALSE_ALARM = 5e-4
"""Chance that a record without a defect shows one of a kind [1]: four kinds give 0.2 % of records;
benchmark: accuracy, false mismatch doubts."""
_RIDGE = 1e-8
"""Keeps nearly parallel directions from inventing gain."""
_BOW = slice(3, 5)
"""Directions of a bow alone, T2(v) and T3(v): fewer figures see a weaker bend."""
_LEAST_LEFT = 1e-6
"""A first-order gain may promise more than there is; evidence stays finite."""


@dataclass(frozen=True, slots=True)
class Defect:
    """How strongly one defect shows."""

    kind: DoubtKind
    gain: float
    """Drop in the sum of squares [sample units squared]."""
    freedom: int
    threshold: float
    """Gain in units of the noise variance that chance exceeds in 1 of 2000 records."""
    place: int = 0
    """Sample of a time slip."""


@dataclass(frozen=True, slots=True)
class Survey:
    """All defects looked for in one solution, strongest evidence first."""

    defects: tuple[Defect, ...]
    rss: float
    free: int

    def ratio(self, defect: Defect) -> float:
        """Gain over the noise variance that is left when the defect is taken out."""
        left = max(self.rss - defect.gain, _LEAST_LEFT * self.rss, 1e-300)
        return defect.gain * max(1, self.free - defect.freedom) / left

    @property
    def found(self) -> tuple[Defect, ...]:
        """Defects beyond their thresholds, the most improbable first."""
        shown = [d for d in self.defects if self.ratio(d) > d.threshold]
        return tuple(sorted(shown, key=lambda d: d.threshold - self.ratio(d)))


def main_mode(solution: Solution) -> int:
    """Index of the mode with most energy, of those that fade within the window where one does."""
    modes = range(solution.structure.modes)
    fading = [k for k in modes if solution.decay(k) * solution.length > _FADES]
    return max(fading or modes, key=solution.mode_energy)


def _threshold(freedom: int, places: int = 1) -> float:
    return chance_limit(freedom, FALSE_ALARM / places)


class _Score:
    """Sums over records of D r and D P D^T for all directions."""

    def __init__(self, rows: int) -> None:
        self.score = np.zeros(rows)
        self.information = np.zeros((rows, rows))

    def add(self, directions: Array, residual: Array, jacobian: Array, inverse: Array) -> None:
        cross = directions @ jacobian.T
        self.score += directions @ residual
        self.information += gram(directions) - cross @ inverse @ cross.T

    def defect(self, kind: DoubtKind, rows: slice) -> Defect:
        """Gain of one group of directions; a direction that the tangent already holds does not count."""
        information, score = self.information[rows, rows], self.score[rows]
        scale = np.sqrt(np.maximum(information.diagonal(), 0.0))
        keep = scale > 1e-9 * max(float(scale.max()), 1e-300)
        if not keep.all():
            information, score, scale = information[np.ix_(keep, keep)], score[keep], scale[keep]
        if not score.size:
            return Defect(kind, 0.0, 0, math.inf)
        unit = information / np.multiply.outer(scale, scale)
        unit.flat[:: score.size + 1] += _RIDGE
        score = score / scale
        gain = float(score @ definite_solution(unit, score))
        return Defect(kind, gain, score.size, _threshold(score.size))


def survey(
    blocks: list[Block], solution: Solution, converter: Converter, tangents: list[Array] | None = None
) -> Survey:
    """Look for every defect in the residual of a solution with at least one mode.

    tangents: what `jacobians` gives for the same solution, where it is at hand.
    """
    mode = main_mode(solution)
    converter = _reached(blocks, converter)
    scores = _Score(7 + len(converter.jumps))
    tangents = jacobians(blocks, solution) if tangents is None else tangents
    slips: Array | None = None
    grid: Places | None = None
    for block, coefficients, residuals, jacobian in zip(
        blocks, solution.coefficients, solution.residuals, tangents, strict=True
    ):
        for shot in range(block.shots):
            one, rest = jacobian[shot], residuals[shot]
            inverse = inverse_gram(one)
            free = rest - (inverse @ (one @ rest)) @ one
            pair = coefficients[shot, 2 * mode : 2 * mode + 2]
            turn = np.array(((pair[0], pair[1]), (-pair[1], pair[0])))  # the mode, and a quarter period later
            waves = turn @ one[2 * mode : 2 * mode + 2]
            directions = np.empty((scores.score.size, rest.size))
            fade = -np.expm1(-max(solution.decay(mode), 1e-9) * block.times)
            np.multiply(fade, waves, out=directions[:2])
            np.multiply(np.square(block.times / block.times[-1]), waves[1], out=directions[2])
            directions[3:] = _static(block, shot, rest, converter)
            scores.add(directions, free, one, inverse)
            part, grid = _slip_gains(mode, turn, free, one, inverse)
            if slips is None or slips.size == part.size:
                slips = part if slips is None else slips + part
    assert slips is not None
    assert grid is not None
    found = [
        scores.defect(DoubtKind.AMPLITUDE_DEPENDENT, slice(0, 2)),
        scores.defect(DoubtKind.FREQUENCY_DRIFT, slice(2, 3)),
        max(
            (scores.defect(DoubtKind.CONVERTER_NONLINEARITY, rows) for rows in (_BOW, slice(3, None))),
            key=lambda defect: defect.gain - defect.threshold * solution.variance,
        ),
    ]
    best = int(np.argmax(slips))
    freedom = 2 * sum(b.shots for b in blocks)
    found.append(
        Defect(
            DoubtKind.TIME_SLIP, float(slips[best]), freedom, _threshold(freedom, slips.size), int(grid[best])
        )
    )
    return Survey(tuple(found), solution.rss, solution.free)


def _reached(blocks: list[Block], converter: Converter) -> Converter:
    """The jumps that lie well inside what the fitted curves run through."""
    if not converter.jumps:
        return converter
    low = min(float(b.values.min()) for b in blocks)
    high = max(float(b.values.max()) for b in blocks)
    return replace(converter, jumps=tuple(j for j in converter.jumps if low < j < high))


def _static(block: Block, shot: int, residual: Array, converter: Converter) -> Array:
    curve = block.values[shot] - residual
    rows = over_code(curve, converter, float(curve.min()), float(curve.max()))
    return rows if block.weights is None else rows * block.weights


def over_code(curve: Array, converter: Converter, low: float, high: float) -> Array:
    """Chebyshev polynomials of a curve over a range, and a step at each code where the converter may jump."""
    x = curve * (2 / max(high - low, 1e-300)) - (low + high) / max(high - low, 1e-300)
    rows = np.empty((4 + len(converter.jumps), curve.size))
    twice = 2 * x
    rows[0] = twice * x - 1
    rows[1] = twice * rows[0] - x
    rows[2] = twice * rows[1] - rows[0]
    rows[3] = twice * rows[2] - rows[1]
    rows[4:] = curve > np.array(converter.jumps)[:, None]
    return rows


def _slip_gains(
    mode: int, turn: Array, residual: Array, jacobian: Array, inverse: Array
) -> tuple[Array, Places]:
    """Gain for a change of the mode's amplitude and phase after each of a grid of samples.

    Inner products with a step are sums from n0 to the end, so one pass of partial sums serves all places.
    turn: (2, 2) the mode, and the same a quarter period later, from its cosine and its sine.
    """
    places, pair = _grid(residual.size), slice(2 * mode, 2 * mode + 2)
    rows = np.vstack((jacobian, residual))
    parts = np.add.reduceat(jacobian[pair, None] * rows, places, axis=2)
    tails = (turn @ parts[..., ::-1].cumsum(axis=2)[..., ::-1].reshape(2, -1)).reshape(parts.shape)
    squares = turn @ tails[:, pair]
    held = inverse @ tails[:, :-1]
    kk = squares[0, 0] - (tails[0, :-1] * held[0]).sum(0)
    kq = squares[0, 1] - (tails[1, :-1] * held[0]).sum(0)
    qq = squares[1, 1] - (tails[1, :-1] * held[1]).sum(0)
    determinant = kk * qq - kq * kq
    usable = (determinant > 1e-6 * np.maximum(squares[0, 0] * squares[1, 1], 1e-300)) & (kk > 0) & (qq > 0)
    a, b = tails[:, -1]
    gain = (qq * a * a - 2 * kq * a * b + kk * b * b) / np.where(usable, determinant, 1.0)
    return np.where(usable, gain, 0.0)[1:], places[1:]


@lru_cache(maxsize=64)
def _grid(length: int) -> Places:
    """Where slips are looked for: evenly over the window."""
    return np.unique(np.linspace(0, length, SLIP_PLACES + 1).astype(np.intp))[:-1]
