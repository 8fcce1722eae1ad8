"""The package that the printed board is ordered with, read by gerbonara; each of its faults is noticed."""

from __future__ import annotations

import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from outside import require

HARDWARE = Path(__file__).resolve().parents[2] / "hardware-notes"
sys.path.insert(0, str(HARDWARE))
require("gerbonara")

from circuit import fabrication, plan  # noqa: E402
from circuit.copper import PACKAGE, board  # noqa: E402
from circuit.netlist import parts  # noqa: E402


@pytest.fixture(scope="module")
def ordered():
    return board()


def test_the_package_has_no_fault():
    assert fabrication.complaints() == []


def test_the_board_is_of_the_size_that_is_cheap(ordered):
    assert max(ordered.width, ordered.height) <= 100.0 + 1e-6


def test_posts_are_19_mm_apart_and_at_the_edge(ordered):
    (red,), (black,) = ordered.pads["J1", "1"], ordered.pads["J1", "2"]
    assert np.hypot(red.x - black.x, red.y - black.y) == pytest.approx(19.0, abs=0.01)
    assert max(red.x, black.x) <= 10.0


def test_there_are_screw_holes(ordered):
    assert sum(not hole.plated and hole.across >= 3.2 for hole in ordered.holes) == 4


def test_test_points_are_those_of_the_readings_table():
    from circuit import readings

    assert {point[0] for point in readings.POINTS} == set(plan.TEST_POINTS) | {"LEAD"}


def without(tmp_path: Path, name: str, text: str | None = None) -> Path:
    """The package with a file left out or changed."""
    file = tmp_path / "package.zip"
    with zipfile.ZipFile(PACKAGE) as old, zipfile.ZipFile(file, "w") as new:
        for each in old.namelist():
            if each != name:
                new.writestr(each, old.read(each))
            elif text is not None:
                new.writestr(each, text)
    return file


def test_a_missing_layer_is_noticed(tmp_path):
    told = fabrication._missing(_folder(tmp_path, without(tmp_path, "tester-F_Mask.gts")))
    assert told == ["tester-F_Mask.gts is missing"]


def test_a_part_left_out_of_a_table_is_noticed(tmp_path):
    with zipfile.ZipFile(PACKAGE) as files:
        lines = files.read("placement.csv").decode().splitlines(keepends=True)
    text = "".join(line for line in lines if not line.startswith("R24,"))
    told = fabrication._listed(_folder(tmp_path, without(tmp_path, "placement.csv", text)))
    assert "R24" in "".join(told)


def _folder(tmp_path: Path, file: Path) -> Path:
    folder = tmp_path / "files"
    folder.mkdir()
    with zipfile.ZipFile(file) as files:
        files.extractall(folder)
    return folder


def changed(ordered, x: float, y: float, across: float, copper: bool):
    """The board with a square of copper added or taken away on both sides [mm]."""
    sides = {side: pixels.copy() for side, pixels in ordered.copper.items()}
    low, high = ordered.at(x - across / 2, y - across / 2), ordered.at(x + across / 2, y + across / 2)
    for pixels in sides.values():
        pixels[low[0] : high[0], low[1] : high[1]] = copper
    return replace(ordered, copper=sides)


def test_a_bridge_is_noticed(ordered):
    (a,), (b,) = ordered.pads["U1", "1"], ordered.pads["U1", "2"]
    told = fabrication._joins(changed(ordered, (a.x + b.x) / 2, (a.y + b.y) / 2, 1.4, True))
    assert any("copper joins AMPFB, AMPOUT" in line for line in told), told


def test_a_pad_without_copper_is_noticed(ordered):
    (pad,) = ordered.pads["R15", "1"]
    told = fabrication._joins(changed(ordered, pad.x, pad.y, 3.0, False))
    assert any("lies in" in line for line in told), told


def test_grounds_that_meet_elsewhere_are_noticed(ordered):
    assert fabrication._grounds(ordered) == []
    right, low = 72.4, plan.SIZE[1] - 50.0
    assert fabrication._grounds(changed(ordered, right, low, 3.0, True))


def test_copper_near_400_volts_is_noticed(ordered):
    (red,) = ordered.pads["J1", "1"]
    told = fabrication._measured(changed(ordered, red.x, red.y - 7.0, 0.8, True))
    assert any("gap beside 400 V" in line for line in told), told


def test_every_value_is_on_the_silk():
    """Words on the parts side as KiCad's file has them: reference and value of every part but the posts."""
    import re

    text = (HARDWARE / "printed" / "tester.kicad_pcb").read_text(encoding="utf-8")
    words = set(re.findall(r'\(gr_text "([^"]+)"', text))
    for part in parts():
        value = part.value.replace("Meg", "M")
        if part.ref[0] in "RC":
            assert f"{part.ref} {value}" in words, part.ref
        elif part.ref != "J1":
            assert any(word.startswith(f"{part.ref} ") for word in words), part.ref
    assert set(plan.TEST_POINTS) <= words


def test_the_package_is_made_of_the_board_that_is_here(tmp_path):
    require("pcbnew")
    fresh = tmp_path / "fresh.zip"
    fabrication.package(fresh)
    with zipfile.ZipFile(fresh) as new, zipfile.ZipFile(PACKAGE) as kept:
        assert new.namelist() == kept.namelist()
        for name in kept.namelist():
            assert new.read(name) == kept.read(name), name
