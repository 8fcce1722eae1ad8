"""How many modes, and why.

Components are added one at a time, the strongest first, each kept only if the sum of squares falls by
more than chance could explain; then each is tried without. A first component must exceed the noise
seen before the pulse; a further mode must also exceed the residual's own level around its frequency
(so that coloured noise and leftover of the first ring are not taken for rings), and must not be slower
than the window can show, overdamped or smaller than the converter's steps can carry. Equal shots are
searched in their average, where a component common to all needs less to be seen, and then each in its own.
Last, the whole is weighed against fewer modes with a defect of the ring (`rivals`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from coilbell.decay.average import ensemble_average
from coilbell.decay.model import ModeStep
from coilbell.decay.search import (
    Candidate,
    Thresholds,
    early_level,
    residual_spectrum,
    strongest_exponential,
    strongest_ring,
)
from coilbell.decay.selection import Limits, Selection
from coilbell.decay.solve import Array, Block, Bounds, Solution, Structure, solve, span
from coilbell.decay.transient import unfounded

__all__ = ["select"]

_COARSE = 1e-3
"""Gain at which a trial stops [variances of one sample]: enough to choose by; the chosen one is
polished."""
_FINE = 1e-6
"""What a further step may gain where the poles are found [variances of one sample]: a thousandth of a
standard uncertainty."""
_ROUNDS = 3
"""Times that components are added and dropped by turns [1]; assumed."""
_MAX_EXPONENTIALS = 2
"""Most exponentials [1]: assumed: three are seldom told from two."""
_LOCAL_MARGIN = 1.3
"""Factor on a further mode's price where the residual around it is no stronger than noise [1]; benchmark:
accuracy, K."""
_LOCAL_LINES = 12
"""Least reach of what lies around a mode, to either side [spectral lines]; assumed."""
_CLEAR = 2.0
"""Q from which no exponential can pass for a ring, nor a ring for an exponential."""
_NEARLY_ALL = 0.5
"""Share of a sluggish ring's promised gain from which an exponential is tried alone, the ring later."""
_PLAIN = 50.0
"""Energy from which a component is kept without trying the fit without it, where nothing else can be mistaken
for it [thresholds that its gain had to pass]; assumed."""


class _Search:
    """Forward addition and backward removal over one set of blocks."""

    def __init__(self, blocks: list[Block], limits: Limits, start: Solution | None) -> None:
        self.blocks, self.limits = blocks, limits
        self.length = span(blocks)
        self.shots = sum(b.shots for b in blocks)
        self.thresholds = Thresholds.for_size(int(self.length), self.shots)
        self.bounds = Bounds.within(blocks, limits.lowest_angular)
        self.account: list[ModeStep] = []
        self.best = start or solve(blocks, np.empty(0), Structure(0, 0), self.bounds)
        self.passed: list[Solution] = []

    def price(self, solution: Solution) -> float:
        structure = solution.structure
        return self.thresholds.mode * structure.modes + self.thresholds.exponential * structure.exponentials

    def score(self, solution: Solution, variance: float) -> float:
        return solution.rss / variance + self.price(solution)

    def grow(self) -> None:
        """Add components until none is worth its price."""
        for _ in range(self.limits.max_modes + _MAX_EXPONENTIALS):
            if not self._grow_once():
                break

    def _grow_once(self) -> bool:
        best, limits = self.best, self.limits
        ring = strongest_ring(self.blocks, best.residuals, limits.lowest_angular)
        recovery = strongest_exponential(self.blocks, best.residuals)
        likely = [s for s in self._trials(ring, recovery) if s is not None]
        likely.sort(key=lambda s: self.score(s, limits.noise_variance) + self._refusal(s))
        if any(self._accept(trial) for trial in likely):
            return True
        tried = {s.structure for s in likely}
        if any(self._accept(trial) for trial in self._second_choice(ring, recovery, tried)):
            return True
        if any(self._accept(trial) for trial in self._pairs(likely)):
            return True
        if not likely:
            self._note(ring, recovery)
        return False

    def _asked(self, ring: Candidate, recovery: Candidate) -> tuple[bool, bool]:
        """Whether the residual asks for a mode, and for an exponential, and more of them may be had."""
        structure, variance = self.best.structure, self.limits.noise_variance
        return (
            ring.gain > self.thresholds.mode * variance and structure.modes < self.limits.max_modes,
            recovery.gain > self.thresholds.exponential * variance
            and structure.exponentials < _MAX_EXPONENTIALS,
        )

    def _accept(self, trial: Solution) -> bool:
        """Take a trial over unless something speaks against it; either way it enters the account."""
        best, structure = self.best, trial.structure
        modes = structure.modes - best.structure.modes
        exponentials = structure.exponentials - best.structure.exponentials
        gain = (best.rss - trial.rss) / self.limits.noise_variance
        threshold = self.thresholds.mode * modes + self.thresholds.exponential * exponentials
        reason = self._objection(trial, modes > 0, gain, threshold)
        names = [f"mode {structure.modes}"] * modes + ["exponential recovery"] * exponentials
        step = ModeStep(" and ".join(names), gain, threshold, reason == "", reason or "gain above threshold")
        self.account.append(step)
        if reason:
            return False
        if best.structure.modes:
            self.passed.append(best)
        self.best = trial
        return True

    def _with_mode(self, ring: Candidate, theta: Array, structure: Structure) -> tuple[Array, Structure]:
        split = 2 * structure.modes
        start = np.concatenate((theta[:split], (ring.decay, ring.angular), theta[split:]))
        return start, replace(structure, modes=structure.modes + 1)

    def _with_exponential(self, recovery: Candidate) -> tuple[Array, Structure]:
        structure = self.best.structure
        start = np.append(self.best.theta, recovery.decay)
        return start, replace(structure, exponentials=structure.exponentials + 1)

    def _trials(self, ring: Candidate, recovery: Candidate) -> list[Solution | None]:
        """Coarse fits with one more mode, one more exponential, or both where either could be meant."""
        ask_ring, ask_recovery = self._asked(ring, recovery)
        clear = ring.angular > _CLEAR * 2 * ring.decay
        plainly_ring = ask_ring and clear and ring.gain > recovery.gain
        trials: list[Solution | None] = []
        done = False
        if ask_recovery and not plainly_ring and ring.gain <= 30 * recovery.gain:
            first = self._try(*self._with_exponential(recovery))
            trials.append(first)
            done = first is not None and self.best.rss - first.rss > _NEARLY_ALL * ring.gain
        if ask_ring and recovery.gain <= 300 * ring.gain and (clear or not done):
            trials.append(self._try(*self._with_mode(ring, self.best.theta, self.best.structure)))
        return trials

    def _second_choice(
        self, ring: Candidate, recovery: Candidate, tried: set[Structure]
    ) -> Iterator[Solution]:
        """What was not tried at first: the exponential, the mode, and both at once."""
        ask_ring, ask_recovery = self._asked(ring, recovery)
        starts = []
        if ask_recovery:
            starts.append(self._with_exponential(recovery))
        if ask_ring:
            starts.append(self._with_mode(ring, self.best.theta, self.best.structure))
        if ask_ring and ask_recovery:
            starts.append(self._with_mode(ring, *self._with_exponential(recovery)))
        for start, structure in starts:
            trial = None if structure in tried else self._try(start, structure)
            if trial is not None:
                yield trial

    def _pairs(self, refused: list[Solution]) -> Iterator[Solution]:
        """Two modes at once, where one alone drowns in what it leaves of the other beside it."""
        for one in refused:
            structure = one.structure
            added = structure.modes - self.best.structure.modes
            if added != 1 or structure.modes >= self.limits.max_modes or self._misshapen(one):
                continue
            if self.best.rss - one.rss < self.thresholds.mode * self.limits.noise_variance:
                continue
            beside = strongest_ring(self.blocks, one.residuals, self.limits.lowest_angular)
            if beside.gain > self.thresholds.mode * self.limits.noise_variance:
                pair = self._try(*self._with_mode(beside, one.theta, structure))
                if pair is not None:
                    yield pair

    def _try(
        self, start: Array, structure: Structure, hold: bool = True, enough: float = math.inf
    ) -> Solution | None:
        try:
            solution = solve(
                self.blocks,
                start,
                structure,
                self.bounds,
                tolerance=_COARSE,
                max_iterations=15,
                enough=enough,
            )
        except np.linalg.LinAlgError:
            return None
        if hold and (solution.theta[: 2 * structure.modes : 2] < 0.02 / self.length).any():
            # beats or an interferer: a growing solution would chase what other components explain
            self.bounds = replace(self.bounds, lowest_decay=0.0)
            return self._try(solution.theta, structure, hold=False)
        return solution

    def _refusal(self, solution: Solution) -> float:
        return 1e6 if self._misshapen(solution) else 0.0

    def _misshapen(self, solution: Solution) -> str:
        """Why the newest mode is no ring, or ""."""
        modes = solution.structure.modes
        if modes == self.best.structure.modes:
            return ""
        decay, angular = solution.decay(modes - 1), solution.angular(modes - 1)
        if angular <= self.limits.lowest_angular * 1.0001:
            return "slower than the window can show"
        if decay > 2 * angular:
            return "overdamped: gone within a fraction of a period"
        sluggish = angular < _CLEAR * 2 * decay
        if solution.mode_amplitude(modes - 1) < self.limits.smallest(sluggish):
            return "smaller than the converter's steps can carry"
        return ""

    def _objection(self, trial: Solution, added: bool, gain: float, threshold: float) -> str:
        """Why the trial is not accepted, or ""."""
        if gain < threshold:
            return "gain below threshold"
        if not added:
            return ""
        reason = self._misshapen(trial)
        if reason:
            return reason
        variance = self.limits.noise_variance
        gained = self.best.rss - trial.rss
        highest = max(trial.rss / (2 * _LOCAL_LINES), variance)  # if all that is left lay there
        if gained >= _LOCAL_MARGIN * threshold * highest:
            return ""
        level = max(self._local_level(trial), variance)
        if self.best.structure.modes:
            level = max(
                level, early_level(self.blocks, trial.residuals, trial.decay(trial.structure.modes - 1))
            )
        if gained < _LOCAL_MARGIN * threshold * level:
            return "no stronger than the residual around it"
        return ""

    def _local_level(self, trial: Solution) -> float:
        """Mean residual periodogram within a few linewidths of the newest mode [variance per sample]."""
        power = residual_spectrum(self.blocks, trial.residuals)
        newest = trial.structure.modes - 1
        per_line = np.pi / max(1, power.size - 1)
        centre = trial.angular(newest) / per_line
        reach = max(float(_LOCAL_LINES), 2 * trial.decay(newest) / per_line)
        low, high = int(max(1, centre - reach)), int(min(power.size - 1, centre + reach + 1))
        return float(power[low:high].mean()) if high > low else 0.0

    def _note(self, ring: Candidate, recovery: Candidate) -> None:
        variance = self.limits.noise_variance
        for what, candidate, threshold in (
            (f"mode {self.best.structure.modes + 1}", ring, self.thresholds.mode),
            ("exponential recovery", recovery, self.thresholds.exponential),
        ):
            reason = "nothing left above the noise"
            if candidate.gain > threshold * variance:
                reason = "no more components are looked for"
            self.account.append(ModeStep(what, candidate.gain / variance, threshold, False, reason))

    def prune(self) -> bool:
        """Drop any component the rest can do without; True when something was dropped."""
        dropped = False
        while self.best.structure.poles and self._prune_once():
            dropped = True
        return dropped

    def _prune_once(self) -> bool:
        best = self.best
        variance = max(self.limits.noise_variance, best.variance)
        for structure, theta, what in [*self._swaps(), *self._reductions()]:
            saved = self.thresholds.mode * (best.structure.modes - structure.modes)
            saved += self.thresholds.exponential * (best.structure.exponentials - structure.exponentials)
            trial = self._try(theta, structure, hold=False, enough=best.rss + saved * variance)
            if trial is not None and self.score(trial, variance) < self.score(best, variance):
                loss = (trial.rss - best.rss) / variance
                self.account.append(
                    ModeStep(what, loss, self.price(best) - self.price(trial), False, "not needed")
                )
                self.best = trial
                return True
        return False

    def polish(self) -> None:
        """Refine the poles, and drop modes that turn out to be none."""
        while True:
            best = self.best
            if not best.converged or best.left > _FINE * best.variance:
                best = solve(self.blocks, best.theta, best.structure, self.bounds, damping=1e-10)
                self.best = best
            k = unfounded(self.blocks, best, self.bounds, self.limits.noise_variance)
            if k is None:
                return
            theta = np.delete(best.theta, [2 * k, 2 * k + 1])
            structure = replace(best.structure, modes=best.structure.modes - 1)
            reason = "over within a few samples, which do not tell its figures"
            self.account.append(ModeStep(f"mode {k + 1}", 0.0, self.thresholds.mode, False, reason))
            self.best = solve(self.blocks, theta, structure, self.bounds)

    def _swaps(self) -> list[tuple[Structure, Array, str]]:
        """Each sluggish mode replaced by an exponential, which it may have been taken for."""
        best, structure = self.best, self.best.structure
        if structure.exponentials >= _MAX_EXPONENTIALS:
            return []
        out = []
        for k in range(structure.modes):
            if best.angular(k) > _CLEAR * 2 * best.decay(k):
                continue
            swapped = replace(structure, modes=structure.modes - 1, exponentials=structure.exponentials + 1)
            for share in (1.0, 0.4, 2.5):
                theta = np.append(np.delete(best.theta, [2 * k, 2 * k + 1]), share * abs(best.decay(k)))
                out.append((swapped, theta, f"mode {k + 1}"))
        return out

    def _reductions(self) -> list[tuple[Structure, Array, str]]:
        best, structure = self.best, self.best.structure
        decays, angulars = best.theta[: 2 * structure.modes : 2], best.theta[1 : 2 * structure.modes : 2]
        clear = angulars > _CLEAR * 2 * decays
        sure = _PLAIN * self.thresholds.mode * max(best.variance, self.limits.noise_variance)
        alone = bool(clear.all()) and structure.exponentials == 1
        out = []
        for j in range(structure.exponentials):
            if alone and best.exponential_energy(j) > sure:
                continue
            theta = np.delete(best.theta, 2 * structure.modes + j)
            out.append(
                (replace(structure, exponentials=structure.exponentials - 1), theta, "exponential recovery")
            )
        for k in range(structure.modes):
            if (clear[k] or structure.exponentials == 0) and best.mode_energy(k) > sure and _apart(best, k):
                continue
            theta = np.delete(best.theta, [2 * k, 2 * k + 1])
            out.append((replace(structure, modes=structure.modes - 1), theta, f"mode {k + 1}"))
        return out


def _apart(solution: Solution, mode: int) -> bool:
    """True when no other mode lies within two linewidths."""
    for other in range(solution.structure.modes):
        reach = 2 * (abs(solution.decay(other)) + abs(solution.decay(mode)))
        if other != mode and abs(solution.angular(other) - solution.angular(mode)) < reach:
            return False
    return True


def select(blocks: list[Block], limits: Limits, start: Solution | None = None) -> Selection:
    """Choose the components of the decay and fit them; start: components taken for granted."""
    average = None if start or limits.undithered else ensemble_average(blocks, limits.noise_variance)
    if average is None:
        return _searched(blocks, limits, start)
    common = _searched([average], replace(limits, quantum=limits.quantum * float(np.sqrt(blocks[0].shots))))
    seen = common.solution
    solution = solve(blocks, seen.theta, seen.structure, common.bounds, damping=1e-10)
    own = _Search(blocks, limits, solution)
    own.bounds = common.bounds
    own.grow()
    if own.best is solution:
        return replace(common, solution=solution)
    further = _searched(blocks, limits, own.best)
    return replace(further, account=(*common.account, *own.account, *further.account))


def _searched(blocks: list[Block], limits: Limits, start: Solution | None = None) -> Selection:
    """Grow and prune by turns."""
    search = _Search(blocks, limits, start)
    for _ in range(_ROUNDS):
        search.grow()
        if not search.prune():
            break
    if search.best.structure.poles:
        search.polish()
    solution = search.best
    return Selection(solution, tuple(search.account), search.bounds, tuple(search.passed), search.thresholds)
