"""Copper of the printed board: the ring's way, and resistance and inductance against handbook formulas.

Sources: sheet resistance times length over width; partial inductance of a straight flat conductor,
0.2 l (ln(2 l/(w + t)) + 0.5 + 0.2235 (w + t)/l) nH with lengths in mm (Grover, Inductance Calculations,
1946; from memory).
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import numpy as np
import pytest

from outside import require

HARDWARE = Path(__file__).resolve().parents[2] / "hardware-notes"
sys.path.insert(0, str(HARDWARE))
require("gerbonara")

from circuit import copper, plan, ringpath  # noqa: E402
from circuit.gerber import PIXEL, Board, Hole, PadSpot  # noqa: E402

MOST_OHMS = 3e-3


@pytest.mark.parametrize("letter", ["A", "B", "C"])
def test_the_rings_way_is_short_and_wide(letter):
    ohms, henries = copper.ring_path(letter)
    assert 0.5e-3 < ohms <= MOST_OHMS
    assert henries < 100e-9


def test_the_kept_file_is_current():
    for letter, kept in ringpath.kept()["printed"].items():
        ohms, henries = copper.ring_path(letter)
        assert kept["copper_ohms"] == pytest.approx(ohms, rel=0.01)
        assert kept["copper_henries"] == pytest.approx(henries, rel=0.01)
        assert kept["series_ohms"] == pytest.approx(ohms + kept["switch_ohms"], rel=0.01)


def strip(length: float, width: float, layers: str = "F", hole: float = 0.0) -> Board:
    """A board with one strip of copper [mm], a pad at either end; with a hole, half of it on each side."""
    size = (int((length + 4) / PIXEL), int((width + 4) / PIXEL))
    blank = np.zeros(size[::-1], bool)
    rows = slice(int(2 / PIXEL), int((2 + width) / PIXEL))
    sides = {side: blank.copy() for side in "FB"}
    middle = 2 + length / 2
    first, last = int(2 / PIXEL), int((2 + length) / PIXEL)
    cut = int(middle / PIXEL)
    if layers == "F":
        sides["F"][rows, first:last] = True
    else:
        sides["F"][rows, first : cut + 60] = True
        sides["B"][rows, cut - 60 : last] = True
    holes = (Hole(middle, 2 + width / 2, hole, True),) if hole else ()
    pads = {
        ("A", "1"): (PadSpot(2.2, 2 + width / 2, "F"),),
        ("B", "1"): (PadSpot(1.8 + length, 2 + width / 2, layers[-1]),),
    }
    return Board(length + 4, width + 4, sides, holes, pads, width)


def solved(board: Board) -> tuple[float, float]:
    """Ohms and henries from pad A to pad B; each pad is as wide as the strip."""
    spots = [[(s.x, s.y, s.sides)] for pads in board.pads.values() for s in pads]
    grid = copper._Grid(board, [spot for each in spots for spot in each])
    ends = [grid.terminal(each, 0.6) for each in spots]
    ohms, currents = grid.solved(ends)
    return float(ohms[0, 0]), grid.partial_henries(currents[0])


@pytest.mark.parametrize(("length", "width"), [(50.0, 1.0), (40.0, 1.25)])
def test_a_straight_strip_against_the_handbook(length, width):
    ohms, henries = solved(strip(length, width))
    between = length - 0.4 - 2 * 0.6
    assert ohms == pytest.approx(copper.SHEET_OHMS * between / width, rel=0.04)
    thick = width + 0.035
    formula = 0.2e-9 * between * (math.log(2 * between / thick) + 0.5 + 0.2235 * thick / between)
    assert henries == pytest.approx(formula, rel=0.1)


def test_a_hole_adds_the_resistance_of_its_wall():
    without = solved(strip(40.0, 1.25))[0]
    through = solved(strip(40.0, 1.25, "FB", 0.4))[0]
    wall = 1.75e-8 * 1.6e-3 / (math.pi * 0.4e-3 * 20e-6)
    assert through - without == pytest.approx(wall, abs=2.5 * copper.SHEET_OHMS)


def test_inductance_is_that_of_the_whole_way_not_of_its_mesh():
    """A mesh of resistors with one time constant gives back resistance and inductance between its pins."""
    of = copper.mesh("LEAD")
    red, a = ("J1", 1), ("C1", 1)
    assert of.henries(red, a) == pytest.approx(of.ohms(red, a) * of.seconds, rel=1e-9)
    assert 1e-9 < of.henries(red, a) < 40e-9


@pytest.mark.parametrize("net", copper.NETS)
def test_the_meshes_kept_are_those_of_the_package(net):
    """Simulations take them from mesh.json: `python -m circuit.copper` writes it anew."""
    kept, solved_now = copper.kept_mesh(net), copper.mesh(net)
    assert json.loads(copper.MESHES.read_text(encoding="utf-8"))["package"] == copper.digest()
    assert kept.pins == solved_now.pins
    assert np.allclose(kept.siemens, solved_now.siemens, rtol=1e-3)
    assert kept.seconds == pytest.approx(solved_now.seconds, rel=1e-3)
    assert kept.farads == pytest.approx(solved_now.farads, rel=1e-3)


def test_power_and_signal_ground_meet_at_the_black_post_alone():
    """Two ways that share nothing but the post: their resistances add up, as in a star."""
    ground = copper.mesh("0")
    post, module = ("J1", 2), copper.MODULE
    for clamp in (("E1", 2), ("D2", 2), ("Q3", 3)):
        assert ground.ohms(clamp, module) == pytest.approx(
            ground.ohms(clamp, post) + ground.ohms(post, module), rel=0.02
        )


def test_every_pin_on_power_ground_is_a_pin_of_ground():
    from circuit.netlist import nets

    assert set(nets()["0"]) >= plan.POWER
