"""Calibration by a resistor and a turn of wire on the simulated circuit; what the notes say each buys."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from outside import require

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "hardware-notes"))

from circuit.claims import hobby  # noqa: E402

KEPT = json.loads(hobby.KEPT.read_text(encoding="utf-8"))
ERRORS = KEPT["root mean square errors"]


def test_two_resistors_halve_the_error_of_an_inductance() -> None:
    assert KEPT["draws"] >= 60
    assert ERRORS["inductance by two resistors"] < 0.6 * ERRORS["inductance as it comes"]
    assert ERRORS["inductance by one resistor"] < 0.01


def test_ngspice_still_says_so() -> None:
    require("ngspice")
    now = hobby.bought(4, 3)
    for name, error in now.items():
        assert error < 2.5 * ERRORS[name], (name, error)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("inductance as it comes", "{percent} %"),
        ("inductance by one resistor", "{percent} %"),
        ("inductance by two resistors", "{percent} %"),
        ("ratio of A to C", "{percent} %"),
        ("series resistance of A, ohm", "{milliohm} milliohm"),
        ("series resistance of C, ohm", "{milliohm} milliohm"),
    ],
)
def test_the_notes_quote_these_figures(name: str, words: str) -> None:
    text = (ROOT / "hardware-notes" / "calibration.md").read_text(encoding="utf-8")
    shown = words.format(percent=f"{100 * ERRORS[name]:.2g}", milliohm=f"{1e3 * ERRORS[name]:.2g}")
    assert f"| {shown} |" in text, shown
