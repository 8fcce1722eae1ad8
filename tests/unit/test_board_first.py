"""The first design of the board: flashed by name, remembered, said on every screen, refused in circuit."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from coilbell.board import constants, deploy
from coilbell.board.identity import FIRST_WORDS, Identity
from coilbell.board.settings import Settings, check
from coilbell.errors import InputError
from coilbell.record import Connection

BASE = ("1.2.0", "Raspberry Pi Pico", "e661", "1.28", 144_000_000, 288, Fraction(500_000), 0.0, 16384, 227, 2)
VALUES = {"A_ff": 22_000_000, "A_tolerance_ppm": 50_000, "A_loss_ppm": 200}


def board(design: int) -> Identity:
    return Identity(*BASE, 1728, 999, 0.5, ("A",), "file", VALUES | {"design": design})


def test_the_first_board_says_what_it_is_not_for() -> None:
    assert FIRST_WORDS in board(1).words
    assert FIRST_WORDS not in board(0).words
    assert "without protection" in FIRST_WORDS


def test_a_part_in_a_set_is_refused() -> None:
    asked = Settings(pretrigger=64, samples=4096, connection=Connection.IN_CIRCUIT)
    with pytest.raises(InputError, match="nothing protects"):
        check(asked, board(1))
    check(asked, board(0))
    check(replace(asked, connection=Connection.OUT_OF_CIRCUIT), board(1))


def test_one_design_s_constants_are_not_put_on_the_other(tmp_path: Path) -> None:
    constants.keep(board(0), tmp_path)
    assert constants.kept(board(0).copy_name, tmp_path) == board(0).constants
    assert constants.kept(board(1).copy_name, tmp_path) is None


def test_the_firmware_differs_in_its_design_alone() -> None:
    full, first = (deploy.firmware_files(design=design) for design in deploy.DESIGNS)
    assert {name for name in full if full[name].read_bytes() != first[name].read_bytes()} == {"board.py"}
    lines = zip(
        full["board.py"].read_text().splitlines(), first["board.py"].read_text().splitlines(), strict=True
    )
    assert [pair for pair in lines if pair[0] != pair[1]] == [('DESIGN = "full"', 'DESIGN = "first"')]


class Asked:
    """A board's prompt that answers what it was flashed as."""

    def __init__(self, design: Any) -> None:
        self.design = design

    def execute(self, script: str) -> str:
        return json.dumps({"design": self.design})

    def copy(self, source: Path, target: str) -> None:
        raise AssertionError("nothing is copied")

    def reset(self) -> None:
        raise AssertionError("nothing is reset")


@pytest.mark.parametrize(("said", "taken"), [("first", "first"), ("full", "full"), ("", None), (7, None)])
def test_a_board_flashed_again_keeps_its_design(said: Any, taken: str | None) -> None:
    assert deploy.installed_design(Asked(said)) == taken
