"""A good board passes every reading and each row of `board check`; a wrong one fails a row naming the part.

The circuit is solved by ngspice; the limits are those that notes and program state.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from outside import require

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "hardware-notes"))

from circuit import netlist  # noqa: E402
from circuit.claims import bench_rows, faults  # noqa: E402

from coilbell.board import LIMITS  # noqa: E402

KEPT = json.loads(bench_rows.KEPT.read_text(encoding="utf-8"))


def test_of_500_boards_each_row_passes_99_percent() -> None:
    """Kept figures: `python -m circuit.claims.bench_rows 500 6` in hardware-notes, twenty minutes."""
    assert KEPT["draws"] >= 500
    assert min(KEPT["passed"].values()) >= 0.99, KEPT["passed"]
    assert {"offset", "lead voltage", "cell", "pulse current", "input resistance"} <= KEPT["passed"].keys()
    assert {"A to B", "A to C", bench_rows.OHMS, "DRAINA", "LEAD"} <= KEPT["passed"].keys()
    assert KEPT["all rows passed"] >= 0.98


def test_boards_drawn_now_pass_as_well() -> None:
    require("ngspice")
    rng = np.random.default_rng(1)
    for _ in range(5):
        assert bench_rows.failed(bench_rows.figures(bench_rows.drawn(rng))) == {}


@pytest.mark.parametrize("fault", faults.FAULTS, ids=lambda fault: fault.words)
def test_a_fault_fails_a_row_that_names_it_or_is_on_the_list(fault: faults.Fault) -> None:
    require("ngspice")
    rows = faults.found(fault)
    if rows:
        assert faults.names(rows, fault.part), rows
    else:
        assert fault.part in faults.UNSEEN


def test_there_are_forty_faults_and_more_and_few_are_silent() -> None:
    assert len({fault.words for fault in faults.FAULTS}) >= 40
    assert len(faults.UNSEEN) <= 10


def test_what_no_reading_sees_stands_in_the_notes() -> None:
    text = (ROOT / "hardware-notes" / "building.md").read_text(encoding="utf-8")
    place = text[text.index("**What no reading sees**") : text.index("Look at these")]
    for part in faults.UNSEEN:
        assert re.search(rf"\b{part}\b", place), part


def test_the_rows_name_parts_that_there_are() -> None:
    known = {part.ref for part in netlist.parts()}
    for name, limit in LIMITS.items():
        named = set(re.findall(r"\b[RCDQUFEJ]\d+\b", limit.blame))
        assert named <= known, (name, named - known)
