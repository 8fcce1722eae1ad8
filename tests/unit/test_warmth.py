"""A bench warmer than the reference's is no fault: rings of closed cores follow the temperature."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path
from statistics import median

import pytest

from coilbell.record import Capacitor, Temperature
from coilbell.terms import Headline
from coilbell.winding import KINDS, Capture, Condition, Explanation, Observation, Reference, find, kind_named
from coilbell.winding.odds.warmth import UNKNOWN_K, moved_by_warmth, warmth

A, B = Capacitor(22e-9, 0.01, "A"), Capacitor(2.2e-9, 0.01, "B")
_TABLE = Path(__file__).parents[2] / "../shared/open-data/permeability_temperature.csv"


def rung(warmer: float, celsius: float | None, board: str = "") -> list[Observation]:
    """An ungapped choke of power ferrite (published: +0.63 %/K) so much warmer than at its reference."""
    warm = None if celsius is None else Temperature(celsius, 0.5, board)
    factor = math.exp(-0.0063 * warmer / 2)
    return [
        Observation(A, 11e3 * factor, 40.0, temperature=warm),
        Observation(B, 34e3 * factor, 30.0, temperature=warm),
    ]


def by(celsius: float | None, board: str = "") -> Reference:
    captures = [Capture("own", Condition.GOOD, o) for _ in range(3) for o in rung(0.0, celsius, board)]
    return Reference.begin("own", "common-mode choke", captures)


@pytest.mark.parametrize("kelvin", [-10.0, -5.0, 5.0, 10.0])
@pytest.mark.parametrize("typed", [True, False])
def test_a_healthy_ungapped_part_stays_healthy_on_a_bench_of_another_temperature(
    kelvin: float, typed: bool
) -> None:
    reference = by(20.0 if typed else None)
    finding = find(rung(kelvin, 20.0 + kelvin if typed else None), reference, unit="own")
    assert finding.verdict.headline is Headline.NO_SHORT
    if typed or abs(kelvin) <= 5:
        assert finding.explanation is Explanation.LIKE_HEALTHY


def test_a_temperature_that_was_measured_leaves_less_room_than_one_that_was_not() -> None:
    kind = kind_named("common-mode choke")
    _, known = moved_by_warmth(kind, 2, (0.0, 0.7))
    _, unknown = moved_by_warmth(kind, 2, (0.0, UNKNOWN_K))
    assert known[0, 0] < 0.1 * unknown[0, 0]
    assert known[0, 1] == known[0, 0], "alike with every test capacitor"


def test_a_chips_temperature_tells_differences_on_one_board_only() -> None:
    same = find(rung(5.0, 25.0, "one"), by(20.0, "one"), unit="own").healthy
    other = find(rung(5.0, 25.0, "two"), by(20.0, "one"), unit="own").healthy
    assert same is not None
    assert other is not None
    assert same.warmer == (5.0, pytest.approx(0.71))
    assert other.warmer == (0.0, UNKNOWN_K)


def test_one_ring_without_a_temperature_leaves_all_unknown() -> None:
    reference = by(20.0)
    mixed = replace(reference, captures=(*reference.captures, replace(reference.captures[0], unit="b")))
    bare = replace(mixed.captures[0], observation=replace(mixed.captures[0].observation, temperature=None))
    assert warmth(replace(mixed, captures=(bare, *mixed.captures[1:])), (), "own") == (0.0, UNKNOWN_K)


@pytest.mark.skipif(not _TABLE.exists(), reason="open table of permeabilities is not on this machine")
def test_kinds_of_closed_cores_cover_the_permeabilities_of_open_data() -> None:
    """PyOpenMagnetics 1.7.35, makers' figures: d ln mu/dT at 15 to 35 Celsius."""
    with _TABLE.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    manganese = [float(r["percent_per_K_15_35"]) / 100 for r in rows if r["mat"] == "MnZn"]
    assert median(manganese) == pytest.approx(0.006, abs=0.002)
    low, high = KINDS["common-mode choke"].warming
    assert low < median(manganese) < high
