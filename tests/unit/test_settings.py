"""Settings: where a value comes from, what the file survives, and what a wrong one is told."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from coilbell.bench.log import default_path
from coilbell.bench.settings import SETTINGS, setting, values
from coilbell.bench.shelf import Shelf
from coilbell.cli import main
from coilbell.errors import FileError


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for variable in ("COILBELL_LOG", "COILBELL_REFERENCES"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setenv("COILBELL_SETTINGS", str(tmp_path / "in" / "settings.toml"))
    return tmp_path / "in" / "settings.toml"


def test_a_value_is_written_shown_and_taken_out(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings", "set", "port", "virtual:?seed=3"]) == 0
    assert setting("port") == "virtual:?seed=3"
    assert main(["settings", "show"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert f"port virtual:?seed=3 where the tester is; from {file}" in out
    assert main(["settings", "unset", "port"]) == 0
    assert setting("port") == ""


def test_environment_wins_over_the_file_and_says_so(
    file: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["settings", "set", "log", str(file.parent / "kept.sqlite")]) == 0
    assert default_path() == file.parent / "kept.sqlite"
    monkeypatch.setenv("COILBELL_LOG", "other.sqlite")
    assert default_path() == Path("other.sqlite")
    capsys.readouterr()
    assert main(["settings", "show", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["settings"]["log"]
    assert told == {"value": "other.sqlite", "source": "environment variable COILBELL_LOG"}


def test_folder_of_references_and_home(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(file.parent))
    monkeypatch.setenv("USERPROFILE", str(file.parent))
    assert main(["settings", "set", "references", "~/shelf"]) == 0
    assert Shelf().folder == file.parent / "shelf"


def test_the_tester_is_found_by_the_settings(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings", "set", "port", "virtual:?part=none&seed=1"]) == 0
    assert main(["capture"]) == 2
    assert "part=none" in capsys.readouterr().err.replace("'none'", "part=none")


def test_comments_survive(file: Path) -> None:
    file.parent.mkdir()
    file.write_text('# the bench by the window\nport = "COM5"  # left socket\n', encoding="utf-8")
    assert main(["settings", "set", "shop", "Heron Bench"]) == 0
    text = file.read_text(encoding="utf-8")
    assert "# the bench by the window" in text
    assert "# left socket" in text
    assert setting("port") == "COM5"
    assert setting("shop") == "Heron Bench"


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("colour", "red", "no setting 'colour'; choose one of: port, shop"),
        ("tolerance", "120", "tolerance 120 is no percentage; write 1 for 1 %"),
        ("sure", "0.2", "sure 0.2: how sure a verdict must be lies between 0.5 and 1"),
        ("sound", "loud", "'loud' is neither on nor off"),
        ("shop", "a\x1b[2Jb", "cannot be; write one such as"),
        ("shop", " ", "an empty value; take one out by"),
        ("shop", "x" * 401, "cannot be"),
    ],
)
def test_what_cannot_be_is_one_clear_line(
    file: Path, capsys: pytest.CaptureFixture[str], name: str, value: str, told: str
) -> None:
    assert main(["settings", "set", name, value]) == 2
    err = capsys.readouterr().err
    assert told in err
    assert err.count("\n") == 1
    assert not file.exists()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("port = ", "is no file of settings"),
        ("port = [1, 2]", "port is to be one value"),
        ("prot = 'COM5'", "no setting 'prot'"),
        ("a = " + "[" * 5000, "is no file of settings"),
        ("port = 'x'\n" + "#" * 100_000, "larger than any file of settings"),
        ("tolerance = 1e999", "tolerance"),
    ],
)
def test_a_damaged_file_is_told_and_left_alone(file: Path, text: str, told: str) -> None:
    file.parent.mkdir()
    file.write_text(text, encoding="utf-8")
    with pytest.raises(FileError, match=told):
        setting("port")
    assert main(["settings", "set", "port", "COM5"]) == 2
    assert file.read_text(encoding="utf-8") == text


def test_every_example_is_a_value_that_can_be(file: Path) -> None:
    for one in SETTINGS.values():
        assert main(["settings", "set", one.name, one.example]) == 0
    assert {v.source for v in values()} == {str(file)}
