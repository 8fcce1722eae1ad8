"""Learned spreads and pooled testers against other ways to the same figures.

The hierarchical model against numerical integration by scipy.integrate (adaptive quadrature over the centre
of each part, Gauss-Legendre over ln r and ln t), and good units of several testers against conditioning of
one joint normal distribution (numpy.linalg), written out here from the model's equations alone.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import digamma, polygamma

from coilbell.record import Capacitor, Loading
from coilbell.winding import Capture, Condition, Observation, Reference, kind_named
from coilbell.winding.odds.pooled import pooled
from coilbell.winding.odds.spreads import curve_of, learned

KIND = kind_named("power inductor")
E, K = 0.05, 6.0


def likelihood(z: np.ndarray, r: float) -> float:
    """Integral over the centre of the product over the units, by adaptive quadrature."""

    def at(mu: float) -> float:
        good = (1 - E) * np.exp(-0.5 * ((z - mu) / r) ** 2) / r
        bad = E * np.exp(-0.5 * (z - mu) ** 2 / (r**2 + K**2)) / math.sqrt(r**2 + K**2)
        return float(np.prod(good + bad))

    middle = float(np.median(z))
    return quad(at, middle - 25, middle + 25, points=[middle, *z], limit=200)[0]


def test_the_hierarchy_is_that_of_numerical_integration() -> None:
    rng = np.random.default_rng(7)
    parts = [1.6 * rng.standard_normal(6) for _ in range(4)]
    nodes, weights = np.polynomial.legendre.leggauss(60)
    low, high = math.log(1 / 3), math.log(6)
    at = (nodes + 1) / 2 * (high - low) + low
    curves = [np.array([likelihood(z, math.exp(x)) for x in at]) for z in parts]
    n0 = KIND.spread.weight
    total = polygamma(1, n0 / 2) / 4
    mean = (math.log(n0 / 2 - 1) - digamma(n0 / 2)) / 2
    posterior = np.zeros(at.size)
    for within in (0.3, 0.6, 0.9):
        a2 = total * (1 - within) / 3
        of_kind = (1 + (at - mean) ** 2 / 3 / a2) ** -2.0
        given = np.exp(-((at - at[:, None]) ** 2) / (2 * within * total))  # rows: t
        given /= (given @ weights)[:, None]
        of_kind /= of_kind @ weights
        for curve in curves:
            of_kind = of_kind * (given @ (weights * curve))
        posterior += (weights * of_kind) @ given
    chance = posterior * weights / (posterior @ weights)
    expected = float(chance @ (2 * at))
    variance = float(chance @ (2 * at - expected) ** 2)
    points = [np.column_stack([z, z, np.full(6, math.nan)]) for z in parts]
    told = learned(KIND, [], [curve_of(f"p{k}", p, np.ones(3)) for k, p in enumerate(points)])
    freedom = told.weight
    assert polygamma(1, freedom / 2) == pytest.approx(variance, rel=0.02)
    scale = told.frequency**2 * (freedom - 2) / freedom
    assert math.log(scale) + math.log(freedom / 2) - digamma(freedom / 2) == pytest.approx(expected, abs=0.01)
    assert told.stray == pytest.approx(1.0, abs=0.02), "nothing was told of it"


def test_units_of_two_testers_are_conditioned_as_one_normal_distribution() -> None:
    """Five units on one tester, three on another, one of them on both, judged with a third."""
    first, second = Capacitor(22e-9, 0.01, "A"), Capacitor(22.3e-9, 0.02, "A")
    ours = Capacitor(21.9e-9, 0.005, "A")
    load = Loading(2e-6, 50e-12, 1e-7, 5e-12)
    rng = np.random.default_rng(3)
    rung = [(u, 0) for u in range(5)] + [(u, 1) for u in range(4, 7)]
    captures = []
    for u, t in rung:
        hz = 30e3 * math.exp(0.01 * rng.standard_normal())
        ring = Observation((first, second)[t], hz, 45.0, 1e-4, 3e-3, loading=load, board=f"board {t}")
        captures.append(Capture(f"u{u}", Condition.GOOD, ring))
    made = Reference.begin("coil", KIND, captures)
    names = [f"u{u}" for u in range(7)]
    sigma2 = 0.05**2
    pool = pooled(made, names, ((ours, load, "board 2"),), np.diag([sigma2, 0.2**2]), 1e9)
    stray = math.sqrt(KIND.stray_farads[0] * KIND.stray_farads[1])
    part = ours.farads / (ours.farads + stray)
    y = np.array(
        [
            math.log(c.observation.natural_hz)
            - 0.5 * part * math.log(ours.farads / c.observation.capacitor.farads)
            for c in captures
        ]
    )
    # Columns: mu (flat: a hundred times any spread), seven units, errors of three testers.
    prior = np.diag(
        [1e4 * sigma2, *[sigma2] * 7, *[(0.5 * part * c.tolerance) ** 2 for c in (first, second, ours)]]
    )
    rows = np.zeros((len(rung), 11))
    for j, (u, t) in enumerate(rung):
        rows[j, [0, 1 + u, 8 + t, 10]] = 1, 1, 1, -1
    noise = np.eye(len(rung)) * (KIND.spread.repeat_frequency**2 + 1e-8)
    start = y.mean()
    gain = prior @ rows.T @ np.linalg.inv(rows @ prior @ rows.T + noise)
    mu = start + (gain @ (y - start))[0]
    variance = (prior - gain @ rows @ prior)[0, 0]
    assert pool.location[0] == pytest.approx(mu, abs=2e-5)
    alone = np.delete(np.delete(prior, [8, 9, 10], 0), [8, 9, 10], 1)
    less = np.delete(rows, [8, 9, 10], 1)
    gain = alone @ less.T @ np.linalg.inv(less @ alone @ less.T + noise)
    assert pool.extra[0, 0] == pytest.approx(variance - (alone - gain @ less @ alone)[0, 0], rel=0.01)
    assert pool.extra[0, 0] > (0.5 * part * ours.tolerance) ** 2, "our own error is in it"
