"""The readings that building.md promises are those of the simulated board, and point at the right fault."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from outside import require

HARDWARE = Path(__file__).resolve().parents[2] / "hardware-notes"
sys.path.insert(0, str(HARDWARE))

from circuit import netlist, readings  # noqa: E402
from circuit.deck import Deck  # noqa: E402


@pytest.fixture(scope="module")
def found():
    require("ngspice")
    return readings.readings()


def test_the_table_in_the_note_is_current(found):
    text = readings.NOTE.read_text(encoding="utf-8")
    assert readings.written(text, readings.block(found)) == text


def test_every_point_is_a_net_of_the_board(found):
    assert {reading.net for reading in found} <= set(netlist.nets())


def test_dividers_read_what_ohms_law_says(found):
    """Hand arithmetic: halves of the reference; 1, 4.7 and 22 Mohm into a meter of 10 Mohm."""
    volts = {reading.net: reading.volts for reading in found}
    half = 100e3 * 10e6 / (100e3 + 10e6)
    assert volts["VHALF"] == pytest.approx(3.3 * half / (half + 100e3), abs=0.01)
    assert volts["VMID"] == pytest.approx(1.65, abs=0.01)
    for net, megohms in (("DRAINA", 4.7), ("DRAINB", 22), ("DRAINC", 1)):
        assert volts[net] == pytest.approx(1.65 * 10 / (10 + megohms), abs=0.02)


@pytest.mark.parametrize(
    ("fault", "values", "net"),
    [
        ("R23 of 10 kohm instead of 100 kohm", {"R23": 10e3}, "VHALF"),
        ("R26 of 1 Mohm instead of 10 Mohm", {"R26": 1e6}, "SENSEOUT"),
        ("R6 of 22 Mohm instead of 4.7 Mohm", {"R6": 22e6}, "DRAINA"),
        ("R29 of 10 kohm instead of 10 ohm", {"R29": 10e3}, "VA"),
    ],
)
def test_a_wrong_part_is_seen_in_its_reading(found, fault, values, net):
    reading = next(r for r in found if r.net == net)
    deck = Deck("", values=values).add(f"Rmeter {net} 0 10e6")
    volts = float(deck.run("op", [f"v({net})"])[f"v({net.lower()})"][0])
    assert abs(volts - reading.volts) > reading.margin, fault
