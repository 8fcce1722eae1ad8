"""The first design of the board: flashed by name, remembered, said on every screen, refused in circuit."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from coilbell.board import constants, deploy
from coilbell.board.identity import FIRST_WORDS, Identity
from coilbell.board.limits import FIRST
from coilbell.board.settings import Settings, check
from coilbell.cli import main
from coilbell.commands.portsource import PortSource
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


# A board of the first design in software: every screen says what it is not for.

PORT = "virtual:?design=first&part=moss-choke&hurry=1&seed=3"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("state", ["open", "healthy"])
def test_its_check_has_its_own_rows_and_limits(
    place: Path, capsys: pytest.CaptureFixture[str], state: str
) -> None:
    assert main(["board", "check", "--save", "--json", "--port", f"{PORT}&state={state}"]) == 0
    told = capsys.readouterr()
    facts = json.loads(told.out)
    rows = {row["name"]: row for row in facts["rows"]}
    assert FIRST_WORDS in facts["board"]
    assert FIRST_WORDS in told.err
    assert "stray, all open" not in rows, "its test capacitor cannot be switched off"
    assert (rows["offset"]["low"], rows["offset"]["high"]) == (FIRST["offset"].low, FIRST["offset"].high)
    if state == "open":
        # Its open leads rest at 0.3 V: that is no zero of the converter's.
        assert rows["lead voltage"]["value"] == pytest.approx(0.33, abs=0.05)
        assert rows["pulse current"]["high"] == FIRST["pulse current"].high
        assert rows["input resistance"]["value"] == pytest.approx(1 / 579e-9, rel=0.1)
        assert not {"offset_code_16", "lead_offset_code_16"} & set(facts["saved"])


def test_its_guide_leaves_out_the_posts_that_it_has_not(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("\n\n6.8k\n\n"))
    assert main(["board", "check", "--guide", "--port", PORT]) == 0
    told = capsys.readouterr()
    assert "Step 3 of 3" in told.err
    assert "posts" not in told.err
    assert "all passed" in told.out


def test_its_rings_say_so_wherever_they_are_shown(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    keep = ["--item", "choke-7", "--log", "log.sqlite"]
    assert main(["capture", "--port", PORT, "--out-of-circuit", *keep]) == 0
    assert FIRST_WORDS in capsys.readouterr().err
    source = PortSource(PORT)  # of --watch and of the page
    assert FIRST_WORDS in source.link().words
    source.close()
    assert FIRST_WORDS in capsys.readouterr().err
    assert main(["judge", *keep, "--kind", "power inductor"]) == 0
    assert "first board: new parts only" in capsys.readouterr().out
    assert main(["report", "choke-7", "--log", "log.sqlite", "-o", "page.html"]) == 0
    assert "whose leads nothing protects" in Path("page.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("words", [["capture"], ["capture", "--watch"], ["capture", "--ladder"]])
def test_it_is_never_connected_to_a_set(
    place: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    assert main([*words, "--in-circuit", "--port", PORT]) == 2
    assert "whose leads nothing protects" in capsys.readouterr().err
