"""The documents keep up with the commands, and the public list with what is visible."""

from __future__ import annotations

import argparse
import importlib
import io
import os
import re
import shlex
import subprocess
import sys
import types
from pathlib import Path

import pytest

import coilbell
from coilbell.cli import COMMANDS, EXIT_CODES, main
from coilbell.isolate import shipped
from coilbell.winding import KINDS

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"


@pytest.mark.parametrize("name", COMMANDS)
def test_readme_shows_every_command(name: str) -> None:
    assert f"coilbell {name}" in (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    text = capsys.readouterr().out
    assert ended.value.code == 0
    assert "example" in text.lower()
    assert text.count(f"coilbell {name}") >= 2, "the usage line and at least one example"
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_is_explained(name: str) -> None:
    parser = argparse.ArgumentParser()
    importlib.import_module(f"coilbell.commands.{name}").add_arguments(parser)
    for action in _actions(parser):
        assert action.help, action


def _actions(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    found: list[argparse.Action] = []
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below in action.choices.values():
                found += _actions(below)
        else:
            found.append(action)
    return found


def _readme_commands() -> list[list[str]]:
    """Every command line that the README shows, as words."""
    text = README.read_text(encoding="utf-8")
    lines = [line[2:].partition("  #")[0] for line in text.splitlines() if line.startswith("$ coilbell ")]
    lines += list(re.findall(r"`(coilbell [^`]+)`", text))
    # Words in capitals stand for the user's own, and are words all the same.
    return [shlex.split(line)[1:] for line in lines]


@pytest.mark.parametrize("words", _readme_commands(), ids=" ".join)
def test_every_command_line_in_the_readme_is_understood(words: list[str]) -> None:
    parser = argparse.ArgumentParser(exit_on_error=False, allow_abbrev=False)
    importlib.import_module(f"coilbell.commands.{words[0]}").add_arguments(parser)
    if "--help" in words:
        return
    options = parser.parse_args(words[1:])
    kind = getattr(options, "kind", None)
    assert kind in (None, "", *KINDS, *shipped())


def test_the_readmes_python_runs(tmp_path: Path) -> None:
    blocks = re.findall(r"```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert blocks
    (tmp_path / "part.json").write_bytes(coilbell.example().read_bytes())
    for block in blocks:
        done = subprocess.run(
            [sys.executable, "-c", block], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        assert "more: --full" in done.stdout


def test_overview_lists_commands_and_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    text = capsys.readouterr().out
    assert all(f"  {name} " in text for name in COMMANDS)
    rows = [line.split(maxsplit=1) for line in text.splitlines()]
    assert all([str(code), meaning] in rows for code, meaning in EXIT_CODES.items())
    assert max(map(len, text.splitlines())) <= 80


def test_an_unknown_command_lists_the_choices(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rattle"]) == 2
    assert "choose one of: " in capsys.readouterr().err


def test_public_names_are_what_is_visible() -> None:
    visible = {name for name in dir(coilbell) if not name.startswith("_")}
    assert visible == set(coilbell.__all__)
    for name in coilbell.__all__:
        assert getattr(coilbell, name) is not None


@pytest.mark.parametrize(
    "package", ["bench", "board", "commands", "decay", "errors", "isolate", "record", "winding"]
)
def test_each_package_offers_what_it_names(package: str) -> None:
    module = importlib.import_module(f"coilbell.{package}")
    for name in getattr(module, "__all__", ()):
        assert getattr(module, name) is not None
        assert not isinstance(getattr(module, name), types.FunctionType) or getattr(module, name).__doc__


def test_a_name_the_terminal_cannot_show_is_no_traceback(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "coilbell", "fit", str(tmp_path / "\u00e9.csv")],
        capture_output=True,
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1
    assert b"\\xe9.csv: no such file" in done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full device here")
def test_a_full_disk_is_one_line() -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "coilbell", "fit", "--example"],
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
        )
    assert done.returncode == 3
    assert done.stderr.count(b"\n") == 1
    assert done.stderr.startswith(b"coilbell: the system refused: ")


def test_the_paths_that_the_developers_page_names_are_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert len(text.split()) < 2200, "ten minutes at 200 words a minute, and some code"
    homes = (
        ROOT,
        ROOT / "host" / "coilbell",
        ROOT / "firmware",
        ROOT / "host" / "coilbell" / "bench" / "page",
    )
    named = set(re.findall(r"`([a-z_/-]+(?:\.py|\.toml|/))`", text)) | set(re.findall(r"\]\(([^)]+)\)", text))
    missing = [place for place in named if not any((home / place).exists() for home in homes)]
    assert not missing
    assert len(named) > 15


def test_decisions_are_dated_and_found_from_the_developers_page() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    listed = subprocess.run(
        ["git", "ls-files", "*decisions.md"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    for name in listed.stdout.split():
        assert f"]({name})" in text, name
    places = re.findall(r"\]\(([^)]*decisions\.md)\)", text)
    assert len(places) >= 8
    for place in places:
        bullets = [
            x for x in (ROOT / place).read_text(encoding="utf-8").splitlines() if x[:1] not in ("", " ", "#")
        ]
        assert bullets
        assert all(re.match(r"- 20\d\d-\d\d-\d\d\. \S", bullet) for bullet in bullets), place


def _table_of_the_whole_job() -> list[str]:
    """The commands of README's table, from top to bottom."""
    part = README.read_text(encoding="utf-8").split("## The whole job")[1].split("\n## ")[0]
    rows = re.findall(r"^\| .*? \| (`.*`) \|$", part, re.MULTILINE)
    return [command for row in rows for command in re.findall(r"`(coilbell [^`]*)`", row)]


def test_readmes_table_runs_from_top_to_bottom_without_a_board(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = _table_of_the_whole_job()
    assert len(lines) >= 15
    monkeypatch.chdir(tmp_path)
    for name in ("LOG", "REFERENCES", "SETTINGS"):
        monkeypatch.setenv(f"COILBELL_{name}", str(tmp_path / name.lower()))
    from coilbell.board import constants

    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    for line in lines:
        monkeypatch.setattr("sys.stdin", io.StringIO("\n" * 6))
        program, *words = shlex.split(line)
        assert program == "coilbell"
        # A board in software need not wait for its own pulses.
        words = [f"{word}&hurry=1" if word.startswith("virtual:") else word for word in words]
        assert main(words) == 0, line
    assert "A TURN IS SHORTED" in capsys.readouterr().out
    assert (tmp_path / "lot-3.html").stat().st_size > 10_000
    assert (tmp_path / "lot-3.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "plane.png").exists()
