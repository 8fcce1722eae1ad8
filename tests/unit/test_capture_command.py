"""`coilbell capture` from the outside: what it shows, keeps, and how it ends."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from coilbell.bench.files.records import read
from coilbell.board import constants, transport
from coilbell.board.simulation import Winding, catalogue
from coilbell.cli import main

PORT = "virtual:?part=moss-choke&seed=1&hurry=1"
SHORT = ["--port", PORT, "--shots", "2", "--samples", "1024"]


@pytest.fixture(autouse=True)
def _place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")


def test_a_table_of_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["capture", *SHORT]) == 0
    shown = capsys.readouterr()
    assert f"{PORT}, capacitor A: rings" in shown.out
    assert "the board is not calibrated" in shown.out
    assert max(map(len, shown.out.splitlines())) <= 80
    assert shown.err == ""


def test_json_holds_the_fit_and_the_capture(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["capture", *SHORT, "--json", "--capacitor", "both", "--in-circuit"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line["test_capacitor_f"] for line in lines] == [pytest.approx(22e-9), pytest.approx(2.2e-9)]
    for line, farads in zip(lines, (22e-9, 2.2e-9), strict=True):
        assert (line["schema"], line["kind"], line["connection"]) == (1, "fit", "in circuit")
        truth = Winding(catalogue.part("moss-choke", 1)).ring_mode(farads)
        assert truth is not None
        assert line["modes"][0]["frequency_hz"]["value"] == pytest.approx(truth.frequency_hz, rel=1e-3)
        assert line["capture"]["port"] == PORT
        assert line["capture"]["captures_retried"] == 0


def test_a_ring_above_half_the_rate_is_not_taken_for_another(capsys: pytest.CaptureFixture[str]) -> None:
    """A dead turn lifts the ring with the smaller capacitor above 250 kHz: a probe sees it."""
    port = PORT.replace("?part=moss-choke", "?part=moss-choke&state=turn-dead")
    asked = ["capture", "--port", port, "--shots", "2", "--json", "--capacitor", "both"]
    truth = Winding(catalogue.part("moss-choke", 1), "turn-dead").ring_mode(2.2e-9)
    assert truth is not None
    assert truth.frequency_hz > 250e3
    assert main(asked) == 0
    found = json.loads(capsys.readouterr().out.splitlines()[1])
    assert found["modes"][0]["frequency_hz"]["value"] == pytest.approx(truth.frequency_hz, rel=1e-2)
    assert main([*asked, "--interleave", "1"]) == 0
    folded = json.loads(capsys.readouterr().out.splitlines()[1])
    assert folded["modes"][0]["frequency_hz"]["value"] < 250e3  # as asked for: no second answer behind it


def test_a_small_letter_means_the_same_capacitor(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["capture", *SHORT, "--json", "--capacitor", "c"]) == 0
    assert json.loads(capsys.readouterr().out)["test_capacitor_f"] == pytest.approx(100e-9)
    assert main(["capture", *SHORT, "--capacitor", "d"]) == 2
    assert "no test capacitor 'D'; choose one of: A, B, C" in capsys.readouterr().err


def test_both_capacitors_tell_one_inductance(capsys: pytest.CaptureFixture[str]) -> None:
    """Each ring alone says another one; the catalogue knows the true one."""
    part = catalogue.part("tarn-line-split", 1)
    true = part.core.henries * part.coils[0].turns ** 2
    words = ["--port", "virtual:?part=tarn-line-split&seed=1&hurry=1", "--shots", "2", "--capacitor", "both"]
    assert main(["capture", *words, "--out-of-circuit"]) == 0
    shown = capsys.readouterr().out
    assert shown.count("inductance") == 1
    assert "\nby 22 nF and 2.2 nF together: inductance " in shown
    assert "second test capacitor" not in shown
    assert max(map(len, shown.splitlines())) <= 80
    assert main(["capture", *words, "--json"]) == 0
    first, last = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    assert "winding" not in first
    told = last["winding"]["inductance_h"]
    assert told["low"] < true < told["high"]
    assert first["tank"]["inductance_h"]["low"] > told["high"]
    assert main(["capture", *words, "--in-circuit"]) == 0
    assert "together" not in capsys.readouterr().out


def test_records_are_kept_and_read_back(tmp_path: Path) -> None:
    out = tmp_path / "part.json"
    words = ["--capacitor", "both", "--interleave", "2", "--out", str(out), "--note", "invented choke"]
    assert main(["capture", *SHORT, *words]) == 0
    records = read(out)
    assert [(r.shot, r.test_capacitor.name) for r in records if r.test_capacitor] == [
        (0, "A"),
        (1, "A"),
        (0, "B"),
        (1, "B"),
    ]
    assert {(r.rate_hz, len(r), r.note) for r in records} == {(1e6, 2048, "invented choke")}


def test_records_to_stdout_leave_the_table_to_stderr(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main(["capture", *SHORT, "--out", "-"]) == 0
    shown = capsys.readouterr()
    kept = tmp_path / "kept.json"
    kept.write_text(shown.out, encoding="utf-8")
    assert len(read(kept)) == 2
    assert "rings" in shown.err


def test_several_captures_get_numbers_and_spare_what_is_there(tmp_path: Path) -> None:
    (tmp_path / "part-2.json").write_text("precious")
    assert main(["capture", *SHORT, "--count", "2", "--out", str(tmp_path / "part.json")]) == 0
    assert sorted(path.name for path in tmp_path.glob("*.json")) == [
        "part-1.json",
        "part-2.json",
        "part-3.json",
    ]
    assert (tmp_path / "part-2.json").read_text() == "precious"


def test_no_ring_is_a_result(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--port", "virtual:?part=moss-choke&state=leads-shorted&hurry=1", "--shots", "1"]
    assert main(["capture", *words, "--samples", "512"]) == 0
    assert "no ring" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--port", "virtual:?state=live-leads&hurry=1"], 1, "the leads carry"),
        (["--port", "virtual:?part=nothing"], 2, "no part 'nothing'"),
        ([*SHORT, "--pulse", "1ms"], 2, "this board fires"),
        ([*SHORT, "--pulse", "long"], 2, "--pulse"),
        ([*SHORT, "--capacitor", "Q"], 2, "choose one of: A, B, C"),
        ([*SHORT, "--interleave", "7"], 2, "does not divide"),
        ([*SHORT, "--shots", "0"], 2, "from 1 to"),
        ([*SHORT, "--count", "0"], 2, "give 1 or more"),
        ([*SHORT, "--count-to", "2"], 2, "between 0 and 1"),
        ([*SHORT, "--out", "part.txt"], 2, "kept as .json"),
        ([*SHORT, "--out", "no/such/part.json"], 2, "make it first"),
        ([*SHORT, "--out", "-", "--json"], 2, "would mix"),
        (["--port", "/dev/no-such-port"], 3, "is not there"),
        (["--port", "socket://127.0.0.1:9"], 3, "nothing answers"),
        (["--port", "virtual:?hurry=1&pace=0&vanish=8000", "--pulse", "1u"], 1, "vanished"),
    ],
)
def test_each_way_it_cannot_be_done(
    words: list[str], code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["capture", *words]) == code
    shown = capsys.readouterr()
    assert said in shown.err
    assert shown.err.count("\n") == 1
    assert shown.out == ""


def test_without_a_board_it_is_never_silently_virtual(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(transport, "serial_ports", list)
    monkeypatch.setattr("coilbell.board.tester.serial_ports", list)
    assert main(["capture"]) == 3
    assert "no board found" in capsys.readouterr().err


def _watch(arguments: list[str], enough: int, folder: Path) -> tuple[int, str, str]:
    """Watch until that many files are kept, then Ctrl-C; exit code, stdout, stderr."""
    watching = subprocess.Popen(
        [sys.executable, "-m", "coilbell", "capture", *arguments, "--watch"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    until = time.monotonic() + 60
    while len(list(folder.glob("part-*.json"))) < enough and time.monotonic() < until:
        time.sleep(0.05)
    os.kill(watching.pid, signal.SIGINT)
    out, err = watching.communicate(timeout=30)
    return watching.returncode, out, err


@pytest.mark.skipif(sys.platform == "win32", reason="sends SIGINT")
def test_watching_ends_cleanly_on_ctrl_c_with_every_record_kept(tmp_path: Path) -> None:
    short = ["--port", PORT, "--samples", "1024"]
    code, out, err = _watch([*short, "--out", str(tmp_path / "part.json")], 3, tmp_path)
    assert code == 0, err
    assert "Traceback" not in err
    files = sorted(tmp_path.glob("part-*.json"))
    assert len(files) >= 3
    assert all(len(read(path)) == 1 for path in files)
    assert re.search(r"\d+ captures taken, \d+ kept", err)
    assert out.count("rings") >= 2
    assert not list(tmp_path.glob(".part*")), "no half-written file"


@pytest.mark.skipif(sys.platform == "win32", reason="sends SIGINT")
def test_watching_goes_on_while_the_leads_are_live(tmp_path: Path) -> None:
    watching = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "coilbell",
            "capture",
            "--port",
            "virtual:?state=live-leads&hurry=1",
            "--watch",
        ],
        stderr=subprocess.PIPE,
        text=True,
    )
    assert watching.stderr is not None
    lines = [watching.stderr.readline() for _ in range(2)]
    assert all("the leads carry" in line for line in lines)
    os.kill(watching.pid, signal.SIGINT)
    assert "0 captures taken" in watching.communicate(timeout=30)[1]
    assert watching.returncode == 0
