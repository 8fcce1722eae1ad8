"""Solving the slow equation on the windows of all rungs: one linear pole, and one law of the amplitude or
none."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from coilbell.decay.envelope import Path, Slow, trajectory
from coilbell.decay.rungs import Seen
from coilbell.errors import InputError

__all__ = ["SIGNIFICANT", "Bend", "Law", "Problem", "Solution", "at_bound", "likeliest"]

Array = npt.NDArray[np.float64]

_VOLTS = (0.012, 1.2)
"""Bounds of V, from a Schottky junction on twice the winding's turns to silicon on a fiftieth [V]."""
SIGNIFICANT = 16.0
"""Fall of chi squared, over the residual's own variance, from which a law is named: four standard
uncertainties."""
_TRIED_VOLTS = tuple(float(v) for v in np.geomspace(*_VOLTS, 7))
_V_ROUNDS, _V_FOUND = 10, 0.2
_STARTS = 3
_STEPS = (1e-5, 1e-8, 1e-4, 1e-5)
_ROUNDS, _HALVINGS, _ENDED = 12, 6, 1e-3


class Bend(StrEnum):
    """What makes the loss follow the amplitude."""

    NONE = "none"
    JUNCTION = "a junction conducts"
    CORE = "the core's own"
    FAILED = "no law fits"


@dataclass(frozen=True, slots=True)
class Law:
    """What bends, and V of a junction [V]."""

    bend: Bend
    volts: float = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Values, chi squared, Jacobian (residuals, values) and residuals of one law."""

    law: Law
    values: Array
    chi: float
    jacobian: Array
    left: Array


def at_bound(volts: float) -> bool:
    """True where V stands at the end of what was tried."""
    return not _VOLTS[0] * 1.05 < volts < _VOLTS[1] / 1.05


class Problem:
    """Weighted residuals of all windows as a function of (ln rate, shift of w, eta, and what bends).

    pole: what the windows' amplitudes are relative to; core: how the rate of the core alone
    rises with the amplitude, from elsewhere [1/(s V)].
    """

    def __init__(self, seen: list[Seen], pole: complex, core: float | None) -> None:
        self.seen, self.pole = seen, pole
        self.core = core or 0.0
        self.largest = 2.0 * max((one.start for one in seen), default=1.0)
        self.count = 2 * sum(one.times.size for one in seen) - 2 * len(seen)

    def below(self, volts: float) -> Problem:
        """The same with the rungs that start below that amplitude."""
        return Problem([one for one in self.seen if one.start < volts], self.pole, self.core)

    def slow(self, values: Array, law: Law) -> Slow:
        """The figures of the slow equation. A junction's or the core's part is in units of the linear
        rate."""
        rate = -self.pole.real * math.exp(min(values[0], 50.0))
        bent = rate * float(values[3]) if values.size > 3 else 0.0
        if law.bend is Bend.JUNCTION:
            return Slow(rate, bent, law.volts, self.core, values[2])
        return Slow(rate, core=bent + self.core, eta=values[2])

    def residuals(self, values: Array, law: Law) -> Array | None:
        """None where the law would turn the loss into a gain."""
        slow = self.slow(values, law)
        if not (slow.loss(np.array([self.largest])) > 0.1 * slow.rate).all():
            return None
        path = trajectory(slow, self.largest)
        angular = self.pole.imag * (1 + values[1])
        return np.concatenate([self._left(one, path, slow, angular) for one in self.seen])

    def _left(self, one: Seen, path: Path, slow: Slow, angular: float) -> Array:
        """Residuals of one rung. Its start is the amplitude that the law itself gives it: an exponential
        through a bent ring begins too low, and V would follow."""
        start = one.start
        for _ in range(_STARTS):
            envelope, turned = path.at(start, one.times, slow)
            phase = (angular - self.pole.imag) * one.times + angular * slow.eta * turned
            wave = envelope / start * np.exp(-self.pole.real * one.times + 1j * phase) * one.weights
            scale = np.vdot(wave, one.amplitudes * one.weights) / np.vdot(wave, wave)
            start = float(np.clip(abs(scale), 0.5 * one.start, self.largest))
        left = one.amplitudes * one.weights - scale * wave
        return np.concatenate([left.real, left.imag])

    def jacobian(self, values: Array, law: Law, base: Array) -> Array:
        """(residuals, values) by forward differences."""
        columns = []
        for k, step in enumerate(_STEPS[: values.size]):
            moved = values.copy()
            moved[k] += step
            after = self.residuals(moved, law)
            columns.append(np.zeros_like(base) if after is None else (after - base) / step)
        return np.array(columns).T

    def solve(self, law: Law, start: Array) -> Solution:
        """Gauss-Newton with halved steps where one goes too far; the problem is nearly linear."""
        values = start
        base = self.residuals(values, law)
        if base is None:
            raise InputError("a ladder's law began with a gain; this is a bug, tell it with the records")
        for _ in range(_ROUNDS):
            slope = self.jacobian(values, law, base)
            step = -np.linalg.lstsq(slope, base, rcond=None)[0]
            for _ in range(_HALVINGS):
                after = self.residuals(values + step, law)
                if after is not None and after @ after <= base @ base:
                    break
                step = step / 2
            else:
                break
            gain = float(base @ base - after @ after)
            values, base = values + step, after
            if gain < _ENDED * max(1.0, float(base @ base) / self.count):
                break
        return Solution(law, values, float(base @ base), self.jacobian(values, law, base), base)


def _hinted(problem: Problem, none: Solution, law: Law) -> float:
    """How far chi squared may fall with that law, by the direction in which it pulls the residuals."""
    start = np.append(none.values, 1e-4)
    moved = problem.residuals(start, law)
    if moved is None:
        return 0.0
    slope = (moved - none.left) / 1e-4
    across = slope - none.jacobian @ np.linalg.lstsq(none.jacobian, slope, rcond=None)[0]
    power = float(across @ across)
    pull = -float(across @ none.left)
    return pull**2 / power if power > 0 and pull > 0 else 0.0


def likeliest(problem: Problem, none: Solution, volts: float | None) -> Solution | None:
    """The law with the least chi squared; None where no direction pulls the residuals enough to look further.

    volts: V where it is known [V].
    """
    laws = [*(Law(Bend.JUNCTION, v) for v in (_TRIED_VOLTS if volts is None else (volts,))), Law(Bend.CORE)]
    hints = {law: _hinted(problem, none, law) for law in laws}
    if max(hints.values()) < SIGNIFICANT * max(1.0, none.chi / problem.count) / 4:
        return None
    start = np.append(none.values, 0.01)
    core = problem.solve(Law(Bend.CORE), start)
    junction = _junction(problem, start, hints, volts)
    variance = max(1.0, min(junction.chi, core.chi) / problem.count)
    return junction if junction.chi <= core.chi + variance else core


def _junction(problem: Problem, start: Array, hints: dict[Law, float], volts: float | None) -> Solution:
    """The best solution along V: from the best hint's neighbours by parabolas in ln V, in which chi is
    smooth."""
    if volts is not None:
        return problem.solve(Law(Bend.JUNCTION, volts), start)
    order = [law for law in hints if law.bend is Bend.JUNCTION]
    k = int(np.argmax([hints[law] for law in order]))
    solved = {math.log(law.volts): problem.solve(law, start) for law in order[max(0, k - 1) : k + 2]}
    for _ in range(_V_ROUNDS):
        best = min(solved, key=lambda x: solved[x].chi)
        place = _next_place(sorted(solved), best, {x: one.chi for x, one in solved.items()})
        if place is None:
            break
        solved[place] = problem.solve(Law(Bend.JUNCTION, math.exp(place)), solved[best].values)
    return solved[min(solved, key=lambda x: solved[x].chi)]


def _next_place(places: list[float], best: float, chi: dict[float, float]) -> float | None:
    """The next ln V to try: beyond the row where the best ends it, else the vertex of a parabola through
    the best
    and its neighbours, else the middle of the wider side; None where it is found within `_V_FOUND`."""
    low, high = (math.log(v) for v in _VOLTS)
    if best == places[0]:
        return max(low, best - 0.5) if best > low + 1e-9 else None
    if best == places[-1]:
        return min(high, best + 0.5) if best < high - 1e-9 else None
    k = places.index(best)
    before, after = places[k - 1], places[k + 1]
    if after - before < _V_FOUND:
        return None
    vertex = _lowest([(x, chi[x]) for x in (before, best, after)])
    if vertex is not None and min(abs(vertex - x) for x in (before, best, after)) > _V_FOUND / 8:
        return vertex
    return (before + best) / 2 if best - before > after - best else (best + after) / 2


def _lowest(points: list[tuple[float, float]]) -> float | None:
    """The vertex of the parabola through three points, None where it opens downwards or lies outside."""
    if len(points) < 3:
        return None
    (x0, y0), (x1, y1), (x2, y2) = sorted(points)
    curve = np.polyfit([x0, x1, x2], [y0, y1, y2], 2)
    if curve[0] <= 0:
        return None
    vertex = float(-curve[1] / (2 * curve[0]))
    return vertex if x0 < vertex < x2 else None
