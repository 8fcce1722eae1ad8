"""The first board: its breadboard joins what its netlist joins, and it does what is said of it.

What ngspice's answers are judged by: Ohm's law, G/(w C) of a parallel conductance, and the limits of
board.py.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from outside import require

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "hardware-notes"))

from circuit import breadboard, first, simulated  # noqa: E402


@pytest.fixture(scope="module")
def figures():
    require("ngspice")
    return SimpleNamespace(**first.figures())


@pytest.fixture(scope="module")
def board():
    """firmware/board.py as `coilbell board flash --design first` sends it."""
    import runpy

    from coilbell.board.deploy import firmware_files

    return runpy.run_path(str(firmware_files(design="first")["board.py"]))


def test_fifteen_parts_and_a_module():
    assert len([part for part in first.parts() if part.ref != "U3"]) <= 15
    assert {part.ref for part in first.parts()} == set(first.table())


def test_the_breadboard_joins_what_the_netlist_joins():
    assert breadboard.differences() == []


@pytest.mark.parametrize("number", range(len(breadboard.JUMPERS)))
def test_each_jumper_left_out_is_noticed(number, monkeypatch):
    left = breadboard.JUMPERS[:number] + breadboard.JUMPERS[number + 1 :]
    monkeypatch.setattr(breadboard, "JUMPERS", left)
    assert breadboard.differences()


def test_a_leg_one_hole_off_is_noticed(monkeypatch):
    monkeypatch.setitem(breadboard.LEGS, "R8", ("h30", "h27"))
    assert any("R8" in line for line in breadboard.differences())


def test_the_list_of_holes_is_current():
    assert breadboard.LIST.read_text(encoding="utf-8") == breadboard.listed()


def test_the_ring_passes_no_contact_of_the_breadboard():
    """Red and black lead are soldered to C1's own legs: nothing else carries the ring's current."""
    (capacitor,) = [p for p in first.parts() if p.value == "22n"]
    assert capacitor.nodes == ("LEAD", "0")


def test_loading_is_one_conductance(figures):
    c = figures.constants
    for row in figures.loading:
        assert abs(row["corrected_error"]) <= 0.002, row
        w = 2 * math.pi * row["hz"]
        share = c["siemens"] / (w * (first.FARADS + c["stray_farads"])) + 2e-4
        assert row["read_error"] == pytest.approx(1 / (1 + 150 * share) - 1, abs=0.003)
    # R2 beside R4, which C2 puts across the ring; two diodes of 1N4148 at rest add Is/(n V_T)/2.
    resistors = 1 / 2.2e6 + 1 / 10e6
    diodes = 2.5e-9 / (1.75 * 0.02585) / 2
    assert c["siemens"] == pytest.approx(resistors + diodes, rel=0.06)


def test_it_is_aimed_where_its_diodes_load_little(figures, board):
    assert board["AIM_HIGH_UV"] * 1e-6 <= 0.2
    for row in figures.amplitudes:
        if row["first_peak_volts"] <= 0.2:
            assert abs(row["early_change"]) < 0.005, row
    heights = [row["first_peak_volts"] for row in figures.amplitudes]
    assert min(heights) < board["AIM_LOW_UV"] * 1e-6 < board["AIM_HIGH_UV"] * 1e-6 < max(heights)


def test_readings_by_ohms_law(figures):
    volts = {row["net"]: row["volts"] for row in figures.readings}
    half = 100e3 * 10e6 / (100e3 + 10e6)
    assert volts["VHALF"] == pytest.approx(3.3 * half / (half + 100e3), abs=0.01)
    meter = 2.2e6 * 10e6 / 12.2e6
    assert volts["LEAD"] == pytest.approx(3.3 * meter / (meter + 20e6), abs=0.02)


def test_open_leads_are_not_taken_for_charged(figures, board):
    opened = 3.3 * 2.2 / 22.2
    assert opened < 0.9 * board["LEAD_LIMIT_MV"] * 1e-3


def test_the_constants_are_those_of_the_simulated_board(figures, board):
    told = {name: (value, low, high) for name, value, low, high in board["CONSTANTS"]}
    c = figures.constants
    assert told["gain_ppm"][0] == pytest.approx(1e6 * c["gain"], rel=0.01)
    assert told["input_psi"][0] == pytest.approx(1e12 * c["siemens"], rel=0.05)
    assert told["stray_ff"][0] == pytest.approx(1e15 * c["stray_farads"], abs=5000)
    assert told["lead_uv"][0] == pytest.approx(1e6 * c["lead_volts_per_code"], rel=0.01)
    assert told["lead_offset_code_16"][0] == pytest.approx(16 * c["offset_code"], abs=160)
    assert told["coupling_per_ks"][0] == pytest.approx(1e3 * c["coupling_rate"], rel=0.1)
    assert told["design"] == (1, 1, 1)
    for name, (value, low, high) in told.items():
        assert low <= value <= high, name


def test_kept_figures_are_those_of_ngspice_now(figures):
    kept = simulated.kept()["first"]
    for fresh, stored in zip(figures.loading, kept["loading"], strict=True):
        assert fresh["read_error"] == pytest.approx(stored["read_error"], abs=0.003)
