"""The printed board on disk: its pads carry the netlist's nets, and KiCad's design rule check is content."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from outside import require

HARDWARE = Path(__file__).resolve().parents[2] / "hardware-notes"
BOARD = HARDWARE / "printed" / "tester.kicad_pcb"
sys.path.insert(0, str(HARDWARE))

from circuit import netlist, plan  # noqa: E402

KICADS_PYTHON = "/usr/bin/python3"  # Debian's pcbnew module belongs to Debian's Python


def pads(text: str) -> dict[tuple[str, str], str]:
    """(reference, pad number) -> net, read from the file's own text."""
    found: dict[tuple[str, str], str] = {}
    for block in re.split(r"\n  \(footprint ", text)[1:]:
        ref = re.search(r'fp_text reference "([^"]+)"', block)[1]
        for pad in re.split(r"\n    \(pad ", block)[1:]:
            number = re.match(r'"([^"]*)"', pad)[1]
            net = re.search(r'\(net \d+ "([^"]+)"\)', pad)
            found[ref, number] = "nothing" if net is None else net[1]
    return found


def wanted() -> dict[tuple[str, str], str]:
    nets: dict[tuple[str, str], str] = {}
    for part in netlist.parts():
        for pin, net in enumerate(part.nodes, 1):
            # The cathode is pad 1 of a diode's footprint and the second node of its line in the netlist.
            pad = str(3 - pin) if part.ref[0] == "D" else str(pin)
            nets[part.ref, pad] = "GND" if net == "0" else "nothing" if net.startswith("nc") else net
    return nets


@pytest.fixture(scope="module")
def text() -> str:
    return BOARD.read_text(encoding="utf-8")


def test_every_pad_carries_the_net_of_the_netlist(text):
    found = {
        pad: net
        for pad, net in pads(text).items()
        if pad[0][0] != "H" and not pad[0].startswith("TP_") and pad[1]
    }
    assert found == wanted()


def test_footprints_are_those_of_the_parts_list(text):
    placed = dict(re.findall(r'\n  \(footprint "([^"]+)".*?fp_text reference "([^"]+)"', text, re.DOTALL))
    assert placed
    of_ref = {
        re.search(r'fp_text reference "([^"]+)"', block)[1]: re.match(r'"([^"]+)"', block)[1]
        for block in re.split(r"\n  \(footprint ", text)[1:]
    }
    for part in netlist.parts():
        assert of_ref[part.ref].split(":")[-1] == str(netlist.table()[part.ref]["footprint"]).split(":")[1], (
            part.ref
        )


def test_nets_of_400_volts_are_in_the_class_that_keeps_its_distance():
    import json

    project = json.loads(BOARD.with_suffix(".kicad_pro").read_text(encoding="utf-8"))
    (high,) = [c for c in project["net_settings"]["classes"] if c["name"] == "High"]
    assert set(high["nets"]) == plan.HIGH
    assert high["clearance"] >= 2.5


def started(folder: Path, board: str) -> subprocess.Popen[str]:
    """KiCad's check of a copy of everything, with this text as the board."""
    for name in ("circuit", "printed"):
        (folder / name).mkdir(parents=True)
        for file in (HARDWARE / name).glob("*.*"):
            (folder / name / file.name).write_bytes(file.read_bytes())
    (folder / "printed" / BOARD.name).write_text(board, encoding="utf-8")
    return subprocess.Popen(
        [KICADS_PYTHON, "-m", "circuit.printed", "--check"],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def test_kicad_is_content_with_the_board_and_not_with_one_that_lacks_tracks(tmp_path, text):
    """The second half says that the first half can fail."""
    require("pcbnew")
    code = re.search(r'\(net (\d+) "AMPOUT"\)', text)[1]
    harmed = re.sub(rf"\n  \(segment [^\n]*\(net {code}\)[^\n]*(?=\n)", "", text)
    assert harmed != text
    whole, lacking = started(tmp_path / "whole", text), started(tmp_path / "lacking", harmed)
    said = whole.communicate(timeout=200)[0]
    said_of_lacking = lacking.communicate(timeout=200)[0]
    assert "0 complaints" in said, said[-3000:]
    assert whole.returncode == 0
    assert lacking.returncode == 1
    assert re.search(r"unconnected|dangling", said_of_lacking)
