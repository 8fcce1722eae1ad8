"""The stripboard layout joins what the netlist joins, and keeps 400 V away from everything else."""

from __future__ import annotations

import dataclasses
import re
import sys
from pathlib import Path

import pytest

from outside import require

HARDWARE = Path(__file__).resolve().parents[2] / "hardware-notes"
sys.path.insert(0, str(HARDWARE))

from circuit import netlist, stripboard, strips  # noqa: E402


@pytest.fixture
def changed(monkeypatch):
    """Puts a changed layout in the place of the true one."""

    def change(**parts_of_laid):
        true = stripboard.layout()
        laid = dataclasses.replace(true.laid, **parts_of_laid)
        board = dataclasses.replace(true, laid=laid)
        monkeypatch.setattr(stripboard, "layout", lambda: board)

    return change


def test_the_board_joins_what_the_netlist_joins():
    assert stripboard.differences() == []


def test_no_hole_is_used_twice_and_nothing_lies_beside_400_volts():
    assert stripboard.close_calls() == []


def test_each_missing_wire_is_noticed(changed):
    wires = list(stripboard.layout().laid.wires)
    for k in range(len(wires)):
        changed(wires=wires[:k] + wires[k + 1 :])
        assert stripboard.differences(), wires[k]


def test_a_part_one_strip_off_is_noticed(changed):
    pins = dict(stripboard.layout().laid.pins)
    column, row = pins["R24", 1]
    changed(pins=pins | {("R24", 1): (column, row + 1)})
    assert any("R24" in line for line in stripboard.differences())


def test_a_missing_cut_would_join_nets():
    """Every gap that is not cut would join strips of different nets: each of the cut columns is needed."""
    board = stripboard.layout()
    ends = {(row, last) for row, _, last in board.laid.strips}
    starts = {(row, first) for row, first, _ in board.laid.strips}
    for row, last in ends:
        after = [first for r, first in starts if r == row and first > last]
        if after:
            assert any((column, row) in board.cuts for column in range(last + 1, min(after))), (row, last)


def test_bodies_do_not_overlap():
    for zone in stripboard.layout().zones.values():
        used: dict[tuple[int, int], str] = {}
        for ref, (centre, seat) in zone.placed.items():
            first = centre - (seat.columns - 1) // 2
            for column in range(first, first + seat.columns):
                for row in range(seat.low, seat.high + 1):
                    assert used.setdefault((column, row), ref) == ref


def test_high_nets_are_those_with_no_clamp_between_them_and_the_leads():
    """From the red lead on through fuse, resistors and D10, up to the clamp at RING, the low tap at SENSE
    and R17, whose far end D9 and D11 hold."""
    reached, edge = {"LEAD"}, ["LEAD"]
    while edge:
        at = edge.pop()
        for part in netlist.parts():
            if at in part.nodes and part.ref in ("F1", "R3", "R4", "R5", "D10"):
                new = set(part.nodes) - reached - {"0", "RING", "SENSE"}
                reached |= new
                edge += new
    assert reached == strips.HIGH


def test_the_list_of_holes_is_current_and_complete():
    text = stripboard.LIST.read_text(encoding="utf-8")
    assert text == stripboard.listed()
    refs = {line.split(",")[0] for line in text.splitlines()}
    assert {part.ref for part in netlist.parts()} <= refs


def test_building_names_the_wires_that_may_carry_400_volts():
    text = (HARDWARE / "building.md").read_text(encoding="utf-8")
    rows = [line.split(",") for line in stripboard.LIST.read_text(encoding="utf-8").splitlines()]
    wires = {row[0].removeprefix("wire "): row[1] for row in rows if row[0].startswith("wire ")}
    numbers, nets = re.search(r"insulated; ([\d, and]+) \(([A-Z, ]+)\) rated 600 V", text).groups()
    assert re.findall(r"\d+", numbers) == [k for k, net in wires.items() if net in strips.HIGH]
    assert set(nets.split(", ")) == set(wires.values()) & strips.HIGH
    assert f" {len(wires)} numbered wires" in text


def test_the_drawing_is_current_and_names_every_part_and_wire():
    require("matplotlib")
    from circuit.stripboard_picture import fingerprint

    text = (HARDWARE / "drawings" / "stripboard.svg").read_text(encoding="utf-8")
    assert fingerprint() in text
    for part in netlist.parts():
        assert f"<!-- {part.ref}" in text, part.ref
    for k in range(1, len(stripboard.layout().laid.wires) + 1):
        assert text.count(f"<!-- {k} -->") >= 2
