"""Calibration with a resistor and a turn of wire: formulas against circuits solved apart, and the way."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import scripted
from coilbell.board import (
    Identity,
    Known,
    Rung,
    Tester,
    Wire,
    best_ohms,
    by_resistor,
    capacitances,
    constants,
    series,
    wire_ohms,
)
from coilbell.cli import main
from coilbell.commands import boardguide

TRUE = {"A": 22.3e-9, "B": 2.19e-9, "C": 99.1e-9}
STRAY, SIEMENS = 2.0e-9, 42e-9
WAY = 9e-3


def rung(
    henries: float,
    ohms: float,
    letter: str,
    beside: float = math.inf,
    way: float = WAY,
    stray: float = STRAY,
) -> Rung:
    """Eigenvalues of coil, test capacitor behind its way, stray, input and a resistor beside."""
    g = 1 / way
    farads = TRUE[letter]
    states = np.array(
        [
            [-ohms / henries, 0, 1 / henries],
            [0, -g / farads, g / farads],
            [-1 / stray, g / stray, -(g + SIEMENS + 1 / beside) / stray],
        ]
    )
    root = max(np.linalg.eigvals(states), key=lambda r: r.imag)
    hz, q = abs(root) / (2 * math.pi), abs(root) / (-2 * root.real)
    return Rung(float(hz), 1e-5 * float(hz), "", float(q), 1e-3 * float(q))


@pytest.fixture
def identity() -> Identity:
    board = scripted.ScriptedBoard()
    board.constants = NEW
    with Tester(board) as tester:
        return replace(tester.hello(), capacitors=("A", "B", "C"))


NEW = {
    **scripted.CONSTANTS,
    "stray_ff": 1_900_000,
    "stray_uncertainty_ff": 300_000,
    "input_psi": 42_000,
    "input_uncertainty_psi": 5_000,
    "A_loss_ppm": 0,
    "B_ff": 2_200_000,
    "B_tolerance_ppm": 10_000,
    "B_loss_ppm": 0,
    "C_ff": 100_000_000,
    "C_tolerance_ppm": 20_000,
    "C_loss_ppm": 0,
    **{f"{k}_series_uohm": 7_400 for k in "ABC"},
    **{f"{k}_series_uncertainty_uohm": 1_000 for k in "ABC"},
}


@pytest.mark.parametrize("letter", ["A", "B", "C"])
@pytest.mark.parametrize("ohms", [3e3, 30e3])
def test_a_resistor_tells_all_capacitance_whatever_the_coil(letter: str, ohms: float) -> None:
    found = by_resistor(rung(2.2e-3, 3.0, letter), rung(2.2e-3, 3.0, letter, ohms), Known(ohms, 0.005 * ohms))
    assert found is not None
    assert found.value == pytest.approx(TRUE[letter] + STRAY, rel=1e-3)
    assert found.uncertainty > 0.005 * found.value


def test_a_resistor_that_does_nothing_tells_nothing() -> None:
    assert by_resistor(rung(2.2e-3, 3.0, "A"), rung(2.2e-3, 3.0, "A"), Known(1e4, 50.0)) is None


def test_the_best_resistor_takes_q_to_a_third(identity: Identity) -> None:
    alone = rung(2.2e-3, 3.0, "A")
    ohms = best_ohms(alone, identity, "A")
    assert rung(2.2e-3, 3.0, "A", ohms).q == pytest.approx(alone.q / 3, rel=0.05)


def test_constants_make_each_total_what_was_found(identity: Identity) -> None:
    totals = {letter: Known(f + STRAY, 0.002 * f) for letter, f in TRUE.items()}
    rows, kept = capacitances(totals, identity)
    assert [row.name for row in rows] == ["stray capacitance", "capacitor A", "capacitor C"]
    assert all(row.passed for row in rows)
    for letter, room in (("A", 0.005), ("B", 0.01), ("C", 0.005)):
        farads = kept.get(f"{letter}_ff", NEW[f"{letter}_ff"])
        assert (farads + kept["stray_ff"]) * 1e-15 == pytest.approx(TRUE[letter] + STRAY, rel=room)
    assert kept["A_tolerance_ppm"] < NEW["A_tolerance_ppm"]


def test_a_wrong_capacitor_fails_and_is_not_kept(identity: Identity) -> None:
    totals = {"A": Known(12e-9, 1e-10), "B": Known(TRUE["B"] + STRAY, 2e-11)}
    rows, kept = capacitances(totals, identity)
    assert [row.passed for row in rows] == [True, False]
    assert "look at C1" in rows[1].note
    assert not any(name.startswith("A_") for name in kept)


def turn(letter: str, way: float = WAY, stray: float = STRAY) -> Rung:
    henries = 1.2e-6
    hz = 1 / (2 * math.pi * math.sqrt(henries * (TRUE[letter] + stray)))
    return rung(henries, wire_ohms(1.0, 1.38e-3, hz), letter, way=way, stray=stray)


def calibrated(identity: Identity) -> Identity:
    right = {f"{k}_ff": round(f * 1e15) for k, f in TRUE.items()} | {"stray_ff": round(STRAY * 1e15)}
    right |= {f"{k}_tolerance_ppm": 6_000 for k in TRUE}
    return replace(identity, constants={**identity.constants, **right})


@pytest.mark.parametrize("letter", ["A", "C"])
def test_a_turn_of_wire_tells_the_series_resistance(identity: Identity, letter: str) -> None:
    rows, kept = series(turn(letter), letter, Wire(1.0, 1.38e-3), calibrated(identity))
    value, spread = rows[1].value, rows[1].uncertainty
    assert value == pytest.approx(WAY, abs=0.3e-3)
    assert spread is not None
    assert 0.3e-3 < spread < 3e-3
    assert rows[0].passed
    assert rows[1].passed
    if spread < 1e-3:
        assert 7_400 < kept[f"{letter}_series_uohm"] < 9_000
        assert kept[f"{letter}_series_uncertainty_uohm"] < 1_000
    else:
        assert kept == {}


def test_a_bad_joint_fails_and_is_not_kept(identity: Identity) -> None:
    rows, kept = series(turn("C", 60e-3), "C", Wire(1.0, 1.38e-3), calibrated(identity))
    assert rows[1].passed is False
    assert "joints of C3 and Q3" in rows[1].note
    assert kept == {}


def test_what_is_no_turn_of_that_wire_measures_nothing(identity: Identity) -> None:
    rows, kept = series(turn("C"), "C", Wire(2.0, 1.38e-3), calibrated(identity))
    assert rows[0].passed is False
    assert kept == {}


# --- the way through it ---


class Steps:
    """Answers to prompts, and the rings that what is on the leads would give."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.asked: list[str] = []

    def ask(self, words: str) -> str:
        self.asked.append(words)
        return self.answers.pop(0)

    def rings(self, tester: Tester, letters: tuple[str, ...], interleave: int) -> Mapping[str, Rung]:
        # The virtual board has 25 pF of its own and no copper.
        if interleave > 1:
            return {letter: turn(letter, 1e-6, 25e-12) for letter in letters}
        beside = 10e3 if "Beside the same coil" in self.asked[-1] else math.inf
        return {letter: rung(2.2e-3, 3.0, letter, beside, 1e-3, 25e-12) for letter in letters}


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")


def test_all_steps_and_what_they_keep(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    steps = Steps("\n", "\n", "10k\n", "10.00k 0.5%\n", "\n", "1.00 1.38\n")
    monkeypatch.setattr(boardguide, "_asked", steps.ask)
    monkeypatch.setattr(boardguide, "_rings", steps.rings)
    port = "virtual:?part=moss-choke&state=open&seed=5&hurry=1"
    code = main(["board", "check", "--guide", "--port", port, "--json"])
    printed = capsys.readouterr()
    assert printed.out, printed.err
    facts = json.loads(printed.out)
    rows = {row["name"]: row for row in facts["rows"]}
    assert not steps.answers
    assert [words.split(".")[0] for words in steps.asked[:3]] == ["Step 1 of 4", "Step 2 of 4", "Step 3 of 4"]
    assert rows["capacitor C"]["value"] == pytest.approx(99.1e-9, rel=0.01)
    assert {"hum", "A to C", "turn of wire C", "series resistance C"} <= rows.keys()
    assert code in (0, 1)


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        (("\n", "\n", "ten\n"), "resistor"),
        (("\n", "\n", "10k five\n"), "give per cent"),
        (("\n", "skip\n", "1.00\n"), "give its length"),
        (("\n", "skip\n", "1.00 0.00138\n"), "0.2 to 5 mm"),
    ],
)
def test_wrong_answers_are_one_line(
    answers: tuple[str, ...], words: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    steps = Steps(*answers)
    monkeypatch.setattr(boardguide, "_asked", steps.ask)
    monkeypatch.setattr(boardguide, "_rings", steps.rings)
    port = "virtual:?part=moss-choke&state=open&seed=5&hurry=1"
    assert main(["board", "check", "--guide", "--port", port]) == 2
    assert words in capsys.readouterr().err
