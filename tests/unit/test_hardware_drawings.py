"""The drawings of the tester board join what the netlist joins, and are current."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

from outside import require

HARDWARE = Path(__file__).resolve().parents[2] / "hardware-notes"
sys.path.insert(0, str(HARDWARE))

from circuit import netlist  # noqa: E402


@pytest.fixture(scope="module")
def schematic():
    require("schemdraw")
    from circuit import schematic

    return schematic


def test_the_schematic_joins_what_the_netlist_joins(schematic):
    assert schematic.differences() == []


def test_a_wire_drawn_wrong_is_noticed(schematic, monkeypatch):
    def crossed():
        sheet = schematic.leads()
        sheet.wire(sheet.at("D1", 2), sheet.at("D4", 1))
        return sheet

    monkeypatch.setitem(schematic.SHEETS, "leads", crossed)
    assert "D1 pin 2" in "\n".join(schematic.differences())


def test_a_part_left_out_is_noticed(schematic, monkeypatch):
    monkeypatch.setitem(schematic.SHEETS, "module", lambda: schematic.Sheet())
    assert any(line.startswith("U3 pin 31 is on nothing in the drawing") for line in schematic.differences())


def test_the_drawn_files_show_every_part_and_its_value(schematic):
    from circuit.sheet import shown

    text = " ".join(
        file.read_text(encoding="utf-8") for file in sorted(schematic.DRAWINGS.glob("schematic-*.svg"))
    )
    words = " ".join(re.findall(r"<!-- (.*?) -->", text))
    for part in netlist.parts():
        if part.ref != "J1":
            assert re.search(rf"\b{part.ref}[A-D]?\b", words), part.ref
        if part.ref[0] in "RC":
            assert re.search(rf"\b{part.ref}\s+{re.escape(shown(part))}(?= |$)", words), part
