"""The best that can be done with a population: likelihood ratios by its own densities.

Every state of a part is a normal density over (ln f, ln d) at each capacitor, whose mean and covariance come
from simulated units; a unit is held against the mean of the reference's good units, whose own spread adds
1/n of the healthy covariance. This knows the true spreads of the part, and

    told      which states the benchmark holds, each as likely as the next
    untold    shorts that show, but not how severe: contacts of a leaky turn anywhere from 0.03 to 300 ohm
              (half of the cases), the other shorts of the part (the other half)

so that no judgement from the same rings can be better than `told`, and none that is not told the benchmark's
severities better than `untold`, but for chance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from benchmarks.populations import expected, main_ring
from coilbell.board.simulation import CONDITIONS, catalogue, connection
from coilbell.winding import Reference, Ring

__all__ = ["best_found", "best_ratios"]

Array = npt.NDArray[np.float64]

_UNITS = 60
_MANY = 800
"""The same where tails are looked at."""
_SEED = 190_555
"""Units of their own, none of which is judged."""

_LEAKS = np.geomspace(0.03, 300.0, 24)
_CERTAIN = 9.0


@dataclass(frozen=True)
class _State:
    mean: Array
    covariance: Array
    rings: float


def best_ratios(rings: Sequence[Ring], reference: Reference, name: str) -> tuple[float, float]:
    """log10 of p(rings | short that shows) over p(rings | healthy): told, and untold."""
    test = tuple(r.capacitor.farads for r in rings)
    if not all(r.rings for r in rings):
        return _CERTAIN, _CERTAIN
    units = reference.good_means([r.capacitor for r in rings])
    at = np.array([r.point for r in rings]).T.ravel() - np.mean([u.point for u in units], axis=0)
    whole, shorts, leaks, others = _states(name, test)
    share = 1 / len(units)
    usual = _log_normal(at, whole.covariance * (1 + share))

    def ratio(weighed: Sequence[tuple[float, _State]]) -> float:
        logs = [
            math.log(w * s.rings)
            + _log_normal(at - (s.mean - whole.mean), s.covariance + share * whole.covariance)
            for w, s in weighed
            if s.rings > 0
        ]
        return (float(np.logaddexp.reduce(logs)) - usual) / math.log(10) if logs else -_CERTAIN

    told = [(1 / len(shorts), s) for s in shorts]
    groups = [g for g in (leaks, others) if g]
    untold = [(1 / len(groups) / len(g), s) for g in groups for s in g]
    return ratio(told), ratio(untold)


def best_found(
    name: str, states: tuple[str, ...], test: tuple[float, ...], good: int, false: float = 0.02
) -> dict[str, float]:
    """Share of each state that a detector told that very state finds, at that share of false alarms.

    The detector knows the normal densities; the units are simulated ones, eight of a state against the mean
    of `good` others, 500 times.
    """
    rng = np.random.default_rng(_SEED)
    whole, usual = _state(name, "healthy", test, _MANY), _units(name, "healthy", test, _MANY)
    found = {}
    for state in states:
        short, units = _state(name, state, test, _MANY // 4), _units(name, state, test, _MANY // 4)
        if len(units) < 10:
            continue
        shift, spread = short.mean - whole.mean, short.covariance + whole.covariance / good
        evidence: tuple[list[float], list[float]] = ([], [])
        for _ in range(500):
            picked = rng.choice(len(usual), good + 8, replace=False)
            centre = usual[picked[:good]].mean(axis=0)
            for side, rows in zip(
                evidence, (usual[picked[good:]], units[rng.choice(len(units), 8)]), strict=True
            ):
                side += [
                    _log_normal(x - centre - shift, spread)
                    - _log_normal(x - centre, whole.covariance * (1 + 1 / good))
                    for x in rows
                ]
        found[state] = float(np.mean(np.array(evidence[1]) > np.quantile(evidence[0], 1 - false)))
    return found


def _log_normal(at: Array, covariance: Array) -> float:
    root = np.linalg.cholesky(covariance)
    white = np.linalg.solve(root, at)
    return float(-0.5 * white @ white - np.log(np.diag(root)).sum() - 0.5 * at.size * math.log(2 * math.pi))


@lru_cache(maxsize=64)
def _states(name: str, test: tuple[float, ...]) -> tuple[_State, list[_State], list[_State], list[_State]]:
    """Healthy, the catalogue's shorts that show, leaky turns of any size that show, and the other shorts."""
    shown = [
        s
        for s in catalogue.states(name)
        if CONDITIONS[s].shorted and not CONDITIONS[s].in_circuit and expected(name, s, test)[1] > 3
    ]
    shorts = {s: _state(name, s, test, _UNITS) for s in shown}
    others = [shorts[s] for s in shown if s == "turn-dead" or not s.startswith("turn-")]
    return _state(name, "healthy", test, _UNITS), list(shorts.values()), _leaks(name, test), others


def _leaks(name: str, test: tuple[float, ...]) -> list[_State]:
    found = []
    for ohms in _LEAKS:
        state = f"turn-{ohms:.3g}-ohm-for-the-bound"
        CONDITIONS[state] = replace(
            CONDITIONS["turn-1-ohm"], name=state, attach=(connection.loop("turn", float(ohms)),)
        )
        try:
            if expected(name, state, test)[1] > 3:
                found.append(_state(name, state, test, _UNITS // 2))
        finally:
            del CONDITIONS[state]
    return found


def _state(name: str, state: str, test: tuple[float, ...], units: int) -> _State:
    rows = _units(name, state, test, units)
    # The tester's own error, as in `populations.observed`.
    error = np.diag([1e-4**2] * len(test) + [3e-3**2] * len(test))
    if len(rows) < 10:
        return _State(np.zeros(2 * len(test)), error, 0.0)
    return _State(rows.mean(axis=0), np.cov(rows.T) + error, len(rows) / units)


@lru_cache(maxsize=8)
def _units(name: str, state: str, test: tuple[float, ...], units: int) -> Array:
    """(n, 2 m) ln f and ln d of those units that ring with every capacitor."""
    rows = []
    for world in catalogue.population(name, state, units, _SEED):
        modes = [main_ring(world, farads) for farads in test]
        if all(modes):
            rows.append(
                [math.log(m.natural_frequency_hz) for m in modes if m] + [-math.log(m.q) for m in modes if m]
            )
    return np.array(rows).reshape(-1, 2 * len(test))
