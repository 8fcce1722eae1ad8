"""The parts list: current, complete, and each part rated for what it is."""

from __future__ import annotations

import csv
import io
import re
import sys
from pathlib import Path

import pytest

HARDWARE = Path(__file__).resolve().parents[2] / "hardware-notes"
sys.path.insert(0, str(HARDWARE))

from circuit import netlist, partslist  # noqa: E402


@pytest.fixture(scope="module")
def rows() -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(partslist.FILE.read_text(encoding="utf-8"))))


def test_the_file_is_current():
    assert partslist.FILE.read_text(encoding="utf-8") == partslist.text()


def test_every_part_of_the_netlist_is_listed_once(rows):
    listed = [ref for row in rows for ref in row["references"].split()]
    assert sorted(listed) == sorted(part.ref for part in netlist.parts())
    assert sorted(netlist.table()) == sorted(listed), "parts.toml knows parts that the netlist does not"
    assert all(int(row["quantity"]) == len(row["references"].split()) for row in rows)


def test_every_part_can_be_bought_in_two_other_ways_and_from_anybody(rows):
    for row in rows:
        assert row["must"], row
        assert row["alternative_1"] != row["alternative_2"] != "", row
        assert row["alternative_1"], row
        assert row["footprint"].count(":") == 1, row
        assert not re.search(r"https?:|www\.", " ".join(row.values())), row


def test_what_is_bought_has_the_value_of_the_netlist(rows):
    units = {"f": "pF", "n": "nF", "u": "uF", "k": "kohm", "meg": "Mohm", "p": "pF", "": "ohm"}
    for row in rows:
        if not re.fullmatch(r"[RC]\d+", row["references"].split()[0]):
            continue
        figure, scale = re.fullmatch(r"([\d.]+)([a-z]*)", row["value"].lower()).groups()
        assert f"{figure} {units[scale]}" in row["what"], row


def test_resistors_and_capacitors_say_what_a_builder_must_ask_for(rows):
    for row in rows:
        letter = row["references"][0]
        if letter == "R":
            assert all(row[name] for name in ("tolerance_percent", "watts")), row
        if letter == "C":
            assert all(row[name] for name in ("tolerance_percent", "volts", "dielectric")), row


def test_test_capacitors_have_a_dielectric_with_little_loss(rows):
    for row in rows:
        if "test capacitor" in row["what"]:
            assert row["dielectric"] in ("polypropylene", "C0G")
            assert float(row["volts"]) >= 400


def test_the_note_s_rough_price_is_the_list_s():
    text = (HARDWARE / "building.md").read_text(encoding="utf-8")
    assert f"roughly {partslist.total():.0f} euro" in text


def test_semiconductors_have_types_whose_cost_is_simulated(rows):
    """For each diode, transistor and amplifier about the ring, a type of another maker in `claims.types`."""
    from circuit.claims.types import TYPES

    simulated = " ".join(TYPES)
    for row in rows:
        ref = row["references"].split()[0]
        if ref in ("D1", "D10", "Q1", "Q4", "U1"):
            assert any(
                name.split()[0] in simulated for name in (row["alternative_1"], row["alternative_2"])
            ), row
