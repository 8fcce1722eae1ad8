"""Is the predictive density of a healthy unit true? By the probability integral transform.

Where a density is right, the chance that it gives to rings farther out than the one that came is uniform
between 0 and 1 (Rosenblatt 1952; checked by the Kolmogorov-Smirnov test of scipy.stats.kstest). Units come
once from the stated spreads themselves, drawn apart from the judgement's own algebra, and once from simulated
circuits, whose spreads are 10 % in inductance, 25 % in core loss, 5 % in resistance, 15 % in capacitance.
"""

from __future__ import annotations

import math
import os

import numpy as np
import pytest
from scipy.stats import kstest

from benchmarks.populations import capacitors, main_ring
from coilbell.board.simulation import catalogue
from coilbell.errors import ReferenceMismatch
from coilbell.record import Capacitor
from coilbell.winding import Capture, Condition, Observation, Reference, grouped, kind_named
from coilbell.winding.odds.healthy import Healthy, healthy
from coilbell.winding.odds.posterior import _tail

SEED = int(os.environ.get("COILBELL_SEED", "1"))
PRIOR_UNITS = kind_named("horizontal yoke").spread.weight
A, B = Capacitor(22e-9, 0.01, "A"), Capacitor(4.7e-9, 0.01, "B")
HENRIES, STRAY = 1.2e-3, 0.15e-9


def stated_unit(rng: np.random.Generator, off: tuple[float, ...], size: float) -> list[Observation]:
    """A horizontal yoke drawn by `size` times the kind's stated spreads; off: errors of the capacitors [1].

    f = 1/(2 pi sqrt(L (C_t + C_s))), 1/Q = R/(w L) + w L G: the textbook tank, nothing of the package.
    """
    spread = kind_named("horizontal yoke").spread
    one = size * rng.standard_normal(4)
    henries = HENRIES * math.exp(spread.inductance * one[0])
    stray = STRAY * math.exp(spread.capacitance * one[1])
    siemens = 1 / 13e3 * math.exp(spread.core_loss * one[2]) * HENRIES / henries
    ohms = 1.6 * math.exp(spread.resistance * one[3])
    found = []
    for capacitor, error in zip((A, B), off, strict=False):
        reactance = math.sqrt(henries / (capacitor.farads * (1 + error) + stray))
        hz = (
            reactance
            / henries
            / (2 * math.pi)
            * math.exp(size * spread.own_frequency * rng.standard_normal())
        )
        loss = (ohms / reactance + reactance * siemens) * math.exp(
            size * spread.loss_slope * rng.standard_normal()
        )
        found.append(Observation(capacitor, hz * math.sqrt(1 - loss**2 / 4), 1 / loss, 1e-5, 1e-5))
    return found


@pytest.mark.parametrize("number", [1, 2])
@pytest.mark.parametrize("good", [1, 3, 8])
def test_units_with_the_stated_spreads_fall_as_foretold(good: int, number: int) -> None:
    """Reference and unit on different testers, whose capacitors are off by their tolerance of 1 %.

    The stated spreads are worth twelve units, so the true ones differ from them as twelve units leave it:
    their squares go as 10 over a chi-square of 12 degrees, whose mean is 1.
    """
    rng = np.random.default_rng((SEED, good, number))
    chances, whitened = [], []
    for _ in range(300):
        size = math.sqrt((PRIOR_UNITS - 2) / rng.chisquare(PRIOR_UNITS))
        theirs, ours = (tuple(0.01 * rng.standard_normal(number)) for _ in range(2))
        captures = [
            Capture(f"u{k}", Condition.GOOD, seen)
            for k in range(good)
            for seen in stated_unit(rng, theirs, size)
        ]
        rings = grouped(stated_unit(rng, ours, size))
        try:
            reference = Reference.begin("yokes", "horizontal yoke", captures)
        except ReferenceMismatch:
            continue  # two units more than four spreads apart: such a reference is refused
        by = healthy(reference, rings)
        chances.append(_tail(rings, range(len(rings)), by))
        whitened.append(along_axes(by, np.array([r.point for r in rings]).T.ravel() - by.location))
    assert len(chances) > 280
    # Each axis by itself: with two capacitors the narrowest is made by their tolerance, once, not twice.
    spread = np.sqrt(np.mean(np.square(whitened), axis=0))
    assert (np.abs(np.log(spread)) < 0.25).all(), f"{spread}, seed {SEED}"
    assert kstest(chances, "uniform").pvalue > 1e-3, f"seed {SEED}"


def along_axes(by: Healthy, deviation: np.ndarray) -> np.ndarray:
    """The deviation along each axis of the density, narrowest first, in its standard deviations."""
    sizes, axes = np.linalg.eigh(by.covariance)
    return np.asarray(deviation @ axes / np.sqrt(sizes))


def simulated(
    name: str, test: tuple[float, ...], good: int, units: int, rng: np.random.Generator
) -> list[tuple[Healthy, np.ndarray, float]]:
    """(density, deviation, chance of farther out) of simulated units, each against a reference of its own."""
    found = []
    for _ in range(units):
        worlds = list(catalogue.population(name, "healthy", good + 1, int(rng.integers(2**31))))
        seen = []
        for world in worlds:
            modes = [main_ring(world, farads) for farads in test]
            seen.append(
                [
                    Observation(Capacitor(c, 0.01), m.frequency_hz, m.q, 1e-4, 3e-3, board="simulated")
                    for c, m in zip(test, modes, strict=True)
                    if m
                ]
            )
        captures = [Capture(f"u{k}", Condition.GOOD, o) for k, one in enumerate(seen[:-1]) for o in one]
        rings = grouped(seen[-1])
        by = healthy(Reference.begin(name, catalogue.part(name).kind, captures), rings)
        found.append(
            (
                by,
                np.array([r.point for r in rings]).T.ravel() - by.location,
                _tail(rings, range(len(rings)), by),
            )
        )
    return found


COPPER_AND_FERRITE = ("tarn-line-single", "fell-yoke-line", "moss-switcher", "moss-choke", "tarn-driver")


def test_simulated_units_fall_as_foretold_with_one_capacitor() -> None:
    rng = np.random.default_rng((SEED, 11))
    chances = [
        chance
        for name in COPPER_AND_FERRITE
        for _, _, chance in simulated(name, capacitors(name, 1), 3, 40, rng)
    ]
    assert kstest(chances, "uniform").pvalue > 1e-3, f"seed {SEED}"


@pytest.mark.parametrize("name", ["tarn-line-split", "moss-choke", "tarn-driver"])
def test_two_capacitors_pin_a_simulated_unit_no_tighter_than_it_lies(name: str) -> None:
    """Along each axis of the density; the narrow ones are what two capacitors tell beyond one.

    They hold an allowance for units that follow frequency differently, which simulated ones hardly do: so
    they may be wider than these units need, at worst sixteen times, never narrower.
    """
    rng = np.random.default_rng((SEED, 12))
    whitened = []
    for by, deviation, _ in simulated(name, capacitors(name, 2), 3, 60, rng):
        whitened.append(along_axes(by, deviation))
    spread = np.sqrt(np.mean(np.square(whitened), axis=0))
    assert (spread < 1.3).all(), f"{spread}, seed {SEED}"
    assert (spread > 0.06).all(), f"{spread}, seed {SEED}"
    assert (spread[2:] > 0.75).all(), f"{spread}, seed {SEED}"


def test_damped_yokes_spread_as_their_resistors_do() -> None:
    """With 750 ohm across 22 mH the resistor makes the loss, and the core's 25 % do not matter."""
    rng = np.random.default_rng((SEED, 13))
    found = simulated("tarn-yoke-frame-damped", (100e-9,), 3, 30, rng)
    loss = [by.spreads[1] for by, _, _ in found]
    assert max(loss) < 0.1
    spread = math.sqrt(np.mean([deviation[1] ** 2 for _, deviation, _ in found]))
    assert spread < 1.2 * np.mean(loss), f"seed {SEED}"
