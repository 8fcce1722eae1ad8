"""`capture --items`: parts in a row, each under its own name, and the table at the end."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from coilbell.bench.log import Log
from coilbell.board import constants
from coilbell.cli import main
from coilbell.commands.series import names_of
from coilbell.errors import InputError

PORT = "virtual:?part=tarn-line-split&seed=3&hurry=1"


def test_names_are_a_range_or_themselves() -> None:
    assert names_of(["lot-{8..11}", "choke-7"]) == ["lot-8", "lot-9", "lot-10", "lot-11", "choke-7"]
    assert names_of(["a{03..01}b"]) == ["a03b", "a02b", "a01b"]


@pytest.mark.parametrize("words", [["lot-1", "lot-1"], ["lot-{1..5000}"], ["-lot"]])
def test_names_that_cannot_be_are_refused(words: list[str]) -> None:
    with pytest.raises(InputError):
        names_of(words)


def test_each_part_is_kept_under_its_name_and_all_stand_in_a_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    monkeypatch.setattr("sys.stdin", io.StringIO("\ns\n\nq\n"))
    words = ["capture", "--port", PORT, "--out-of-circuit", "--log", str(tmp_path / "log.sqlite")]
    assert main([*words, "--shots", "2", "--items", "lot-{1..4}"]) == 0
    out = capsys.readouterr().out
    table = out[out.index("part  ") :].splitlines()
    assert [line.split()[0] for line in table] == ["part", "lot-1", "lot-3"]
    assert "to the middle" in table[0]
    assert all(line.split()[3:5] in (["+0", "%"], ["-0", "%"]) for line in table[1:])
    assert max(map(len, out.splitlines())) <= 80
    with Log(tmp_path / "log.sqlite") as log:
        assert [item.name for item in log.items()] == ["lot-1", "lot-3"]
        assert all(len(log.captures(item)) == 1 for item in log.items())


@pytest.mark.parametrize("more", [["--item", "lot-1"], ["--watch"], ["--count", "2"], ["--json"]])
def test_what_does_not_go_with_it_is_refused(more: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["capture", "--items", "lot-1", "lot-2", "--port", PORT, *more]) == 2
    assert "--items" in capsys.readouterr().err
