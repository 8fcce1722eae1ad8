"""The commands at an 80-column terminal and in a shell's pipes: what a technician would stumble over."""

from __future__ import annotations

import argparse
import importlib
import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from coilbell.bench.files.records import example
from coilbell.bench.log import Log
from coilbell.bench.words.fit import wrapped
from coilbell.cli import COMMANDS, main
from coilbell.commands.options import Parser
from coilbell.quantities import counted

COILBELL = [sys.executable, "-m", "coilbell"]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    """A folder with a reference `line` and a log with one judged item."""
    monkeypatch.setenv("COILBELL_REFERENCES", str(tmp_path / "store"))
    monkeypatch.setenv("COILBELL_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.chdir(tmp_path)
    kind = ["--kind", "line-output transformer"]
    assert main(["reference", "add", "line", str(example()), "--unit", "u1", *kind, "--anyway"]) == 0
    assert main(["log", "add", "lot-3", str(example("shorted")), "--reference", "line"]) == 0
    capsys.readouterr()
    return tmp_path


def objects(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, object]]:
    capsys.readouterr()
    assert main([*words]) == 0
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert all("schema" in one for one in found)
    return found


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_every_action_fits_the_terminal(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    parser = argparse.ArgumentParser(prog=f"coilbell {name}")
    importlib.import_module(f"coilbell.commands.{name}").add_arguments(parser)
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below in action.choices.values():
                assert max(map(len, below.format_help().splitlines())) <= 80, below.prog
                needed = [one for one in below._actions if one.required]
                assert not needed or f"  {below.prog} " in (below.epilog or ""), below.prog


@pytest.mark.parametrize("name", COMMANDS)
def test_every_example_is_understood(name: str) -> None:
    parser = Parser(prog=f"coilbell {name}")
    importlib.import_module(f"coilbell.commands.{name}").add_arguments(parser)
    text = re.sub(r"\\\n\s*", " ", parser.epilog or "")
    lines = re.findall(rf"^  coilbell {name}\b(.*)", text, re.MULTILINE)
    assert lines
    for line in lines:
        parser.parse_args(shlex.split(re.split(" {2,}|>", line)[0]))  # what stands behind is a remark


def test_everything_that_reports_has_json(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (added,) = objects(capsys, "log", "add", "lot-4", str(example()), "--json")
    assert (added["what"], added["name"]) == ("item", "lot-4")
    (checked,) = objects(capsys, "log", "check", "--json")
    assert (checked["items"], checked["problems"]) == (2, [])
    assert main(["log", "export", "a.zip"]) == 0
    names = [one["name"] for one in objects(capsys, "log", "import", "a.zip", "--prefix", "x-", "--json")]
    assert names == ["x-lot-3", "x-lot-4"]
    (reference,) = objects(
        capsys, "reference", "add", "line", str(example()), "--unit", "u1", "--json", "--anyway"
    )
    assert reference["name"] == "line"
    (sound,) = objects(capsys, "reference", "check", "--json")
    assert (sound["name"], sound["problem"]) == ("line", None)
    assert main(["reference", "export", "line", "line.json"]) == 0
    (arrived,) = objects(capsys, "reference", "import", "line.json", "--name", "other", "--json")
    assert arrived["name"] == "other"
    kinds = objects(capsys, "isolate", "kinds", "--json")
    assert {"CRT monitor", "switch-mode supply"} <= {str(one["name"]) for one in kinds}
    (kind,) = objects(capsys, "isolate", "kinds", "CRT monitor", "--json")
    assert kind["hypotheses"]
    assert kind["steps"]
    assert main(["isolate", "new", "--item", "lot-3"]) == 0
    assert main(["isolate", "observe", "--item", "lot-3", "collector-emitter", "normal"]) == 0
    (sheet,) = objects(capsys, "isolate", "withdraw", "--item", "lot-3", "2", "misread", "--json")
    assert sheet["readings"] == []


def test_a_damaged_log_is_told_in_json_too(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Log() as log:
        log.base.execute("DROP TRIGGER fit_stays")
        log.base.execute("UPDATE fit SET facts = 'x' WHERE id = 1")
    assert main(["log", "check", "--json"]) == 2
    out, err = capsys.readouterr()
    told = json.loads(out)["problems"]
    assert any(one.startswith("fit 1: ") for one in told)
    assert any("fit_stays" in one for one in told)
    assert f"{len(told)} problems; restore" in err


@pytest.mark.parametrize("command", ["log", "reference", "isolate"])
def test_a_command_without_its_action_names_them(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command]) == 2
    err = capsys.readouterr().err
    assert err.startswith("coilbell: no action given; choose one of: ")
    assert "show" in err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["fit", "--example", "--capacitor", "22"], "--capacitor 22 is 22 F, which is no test capacitor"),
        (["judge", "r.json", "--reference", "line", "--capacitor", "0"], "--capacitor 0 is 0 F"),
        (["listen", "table.csv"], "table.csv: is no sound file; give a recording as WAV, FLAC or AIFF"),
        (["listen", "."], ".: is a folder"),
        (["judge", "r.json", "--reference", "hollow"], "hollow.reference.json: is empty; restore it"),
        (["fit", "C:\\records\\part.json"], "C:\\records\\part.json: no such file"),
        (["fit", "r.json", "--from=--"], "--from=-- gives no value"),
        (["log", "show", "caf\udce9"], "a name holds '\\udce9', which is no letter"),
        (["reference", "add", "new", "r.json", "--unit", "\udce9", "--kind", "relay coil"], "is no letter"),
    ],
)
def test_what_is_wrong_is_said_in_the_users_words(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    (bench / "r.json").write_bytes(example().read_bytes())
    (bench / "table.csv").write_text("item,part\nlot-3,x\n", encoding="utf-8")
    (bench / "store" / "hollow.reference.json").touch()
    assert main(words) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1


def test_a_reference_is_shown_with_uncertainties(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["reference", "show", "line"]) == 0
    out = capsys.readouterr().out
    assert "21.59995(10) kHz  34.026(11)" in out
    assert " UTC, sha256" in out
    assert main(["reference", "add", "line", str(example()), "--unit", "u1", "--anyway"]) == 0
    assert "nothing added, it holds these rings of u1 already" in capsys.readouterr().err


def test_counts_are_words() -> None:
    assert [counted(n, "item") for n in (0, 1, 2)] == ["0 items", "1 item", "2 items"]


@pytest.mark.parametrize("kept", ["16 %", "22 nF", "21.634(12) kHz", "7.8 ohm", "Q 104", "3 V", "10 s"])
def test_a_number_is_not_parted_from_its_unit(kept: str) -> None:
    for before in range(60, 80):
        assert kept in wrapped(f"{'x' * before} {kept} and more", indent=0)
    assert "\n" in wrapped(f"{'x' * 76} 3 shots", indent=0), "words may be parted"


def test_an_interrupted_demo_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("coilbell.commands.demo._Afternoon.play", stopped)
    assert main(["demo", "--folder", str(tmp_path / "d")]) == 130
    assert list(tmp_path.iterdir()) == []


def test_what_the_system_refuses_is_named(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["judge", str(example()), "--reference", "line", "--store", "x" * 5000]) == 3
    err = capsys.readouterr().err
    assert err.startswith(f"coilbell: the system refused: {'x' * 60}: ")
    assert err.count("\n") == 1


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe nobody reads")
@pytest.mark.parametrize("words", [[], ["--version"], ["judge", "--help"], ["fit", "--example"]])
def test_a_pipe_that_nobody_reads_is_no_failure(words: list[str]) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run([*COILBELL, *words], stdout=writer, stderr=subprocess.PIPE, check=False)
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full device here")
@pytest.mark.parametrize("words", [[], ["--version"]])
def test_help_on_a_full_disk_is_one_line(words: list[str]) -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run([*COILBELL, *words], stdout=full, stderr=subprocess.PIPE, check=False)
    assert done.returncode == 3
    assert done.stderr.count(b"\n") == 1
    assert done.stderr.startswith(b"coilbell: the system refused: ")


@pytest.mark.skipif(sys.platform == "win32", reason="needs a terminal of its own")
@pytest.mark.parametrize(
    "words",
    [
        ["rattle"],
        ["judge", str(example()), "--kind", "gramophone"],
        ["isolate", "observe", "--item", "lot-3", "nostep", "x"],
        ["log", "add", "lot-5", str(example()), "--note", "a"],
    ],
)
def test_on_a_terminal_all_lines_fit(bench: Path, words: list[str]) -> None:
    assert main(["isolate", "new", "--item", "lot-3"]) == 0
    import pty

    ours, theirs = pty.openpty()
    done = subprocess.Popen([*COILBELL, *words], stdout=theirs, stderr=theirs)
    os.close(theirs)
    shown = b""
    while True:
        try:
            block = os.read(ours, 65536)
        except OSError:  # the other side is closed
            break
        if not block:
            break
        shown += block
    os.close(ours)
    done.wait(timeout=60)
    lines = shown.decode().splitlines()
    assert lines
    # A path that is longer than a line stays whole, so that it can be copied.
    long = [line for line in lines if len(line) > 80 and " " in line.strip()]
    assert long == []


def test_every_command_ends_with_a_code_of_the_table_without_a_home(tmp_path: Path) -> None:
    bare = {k: v for k, v in os.environ.items() if k not in ("HOME", "COILBELL_LOG", "COILBELL_REFERENCES")}
    bare |= {"XDG_DATA_HOME": str(tmp_path / "data")}
    for words in (["log", "list"], ["reference", "list"], ["report", "x", "-o", "x.html"], ["board", "list"]):
        done = subprocess.run([*COILBELL, *words], env=bare, capture_output=True, cwd=tmp_path, check=False)
        assert done.returncode in (0, 3), (words, done.stderr)
        assert b"Traceback" not in done.stderr
    assert set(COMMANDS) >= {"log", "reference", "report", "board"}
