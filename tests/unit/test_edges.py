"""What a hurried user types and feeds at the edges of the commands: one line, the documented exit code."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from coilbell.bench.files.records import example, read
from coilbell.cli import main


def _refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """What is said to words that cannot be."""
    assert main(list(words)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("coilbell: ")
    assert err.count("\n") == 1
    return err


@pytest.mark.parametrize("rate", ["0", "-500k"])
def test_a_rate_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str], rate: str) -> None:
    table = tmp_path / "column.csv"
    table.write_text("\n".join(map(str, range(100))))
    assert f"--rate {rate}; give a rate above 0" in _refused(capsys, "fit", str(table), f"--rate={rate}")


@pytest.mark.parametrize("jobs", ["1.5", "9" * 30, "0"])
def test_processes_in_numbers_that_are_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], jobs: str
) -> None:
    log = ["--log", str(tmp_path / "log.sqlite")]
    assert main(["log", "add", "heron-14", *log]) == 0
    capsys.readouterr()
    assert f"--jobs {jobs}; give a whole number" in _refused(capsys, "log", "refit", *log, "--jobs", jobs)


def test_half_a_reading_is_not_the_one_before(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = ["--item", "heron-14", "--sheet", str(tmp_path / "sheet.jsonl")]
    assert main(["isolate", "new", *sheet]) == 0
    assert main(["isolate", "observe", *sheet, "collector-emitter", "normal"]) == 0
    capsys.readouterr()
    assert "2.5; give a whole number" in _refused(capsys, "isolate", "withdraw", *sheet, "2.5", "why")
    assert main(["isolate", "withdraw", *sheet, "2", "why"]) == 0


@pytest.mark.parametrize(
    ("reading", "told"),
    [
        (["read=-5.0", "parts=150,22"], "less than none: something there holds a charge"),
        (["read=19", "parts=1e-320"], "need values above 0"),
    ],
)
def test_resistances_that_cannot_be(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], reading: list[str], told: str
) -> None:
    sheet = ["--item", "heron-14", "--sheet", str(tmp_path / "sheet.jsonl")]
    assert main(["isolate", "new", *sheet]) == 0
    capsys.readouterr()
    assert told in _refused(capsys, "isolate", "observe", *sheet, "base-emitter", *reading)
    assert main(["isolate", "observe", *sheet, "base-emitter", "read=-0.1", "parts=150,22"]) == 0


def test_a_finding_nested_without_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = ["--item", "heron-14", "--sheet", str(tmp_path / "sheet.jsonl")]
    deep = tmp_path / "deep.json"
    deep.write_text("[" * 100_000)
    assert main(["isolate", "new", *sheet]) == 0
    capsys.readouterr()
    assert "is no finding" in _refused(capsys, "isolate", "observe", *sheet, "ring-out", f"finding={deep}")


def test_records_that_a_windows_shell_redirected(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "part.json"
    kept.write_text(example().read_text(encoding="utf-8"), encoding="utf-16")
    assert main(["fit", str(kept)]) == 0
    here = capsys.readouterr().out.partition(":")[2]
    assert main(["fit", str(example())]) == 0
    assert here == capsys.readouterr().out.partition(":")[2]


def test_json_keeps_its_capitals(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bad.json"
    path.write_text('{"format": NaN}')
    assert "is damaged JSON: JSON is malformed" in _refused(capsys, "fit", str(path))


def test_one_channel_is_listened_to_at_a_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "both.wav"
    soundfile.write(path, np.zeros((44100, 2)), 44100)
    assert "one channel at a time" in _refused(capsys, "listen", str(path), "--channel", "all")


def test_a_compressed_recording_that_cannot_be_wound_back(tmp_path: Path) -> None:
    path, times = tmp_path / "phone.wav", np.arange(8000) / 8000
    soundfile.write(path, 0.8 * np.cos(2 * np.pi * 440 * times), 8000, "GSM610")
    (record,) = read(path)
    assert int(np.abs(np.fft.rfft(record.samples[:8000])).argmax()) == 440


def test_a_page_with_pictures_inside_is_no_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One quoted field beyond the limit of Python's csv."""
    page = tmp_path / "report.html"
    page.write_text("<html>\n" + f'<img src="{"A" * 200_000}">\n' * 3, encoding="utf-8")
    assert "holds no table of figures" in _refused(capsys, "fit", str(page))


def test_an_address_with_half_a_bracket(capsys: pytest.CaptureFixture[str]) -> None:
    assert "no address of a socket" in _refused(capsys, "capture", "--port", "socket://[::1")


@pytest.mark.skipif(sys.platform == "win32", reason="a shell closes no output there")
@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-"])
def test_closed_outputs(closed: str) -> None:
    command = f'"{sys.executable}" -m coilbell fit --example {closed}'
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


def test_names_in_files_do_not_steer_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table, rows = tmp_path / "scope.csv", [f"{1e-6 * i:.6f},{np.cos(0.3 * i):.3f}" for i in range(100)]
    table.write_text("\n".join(["time (s),\x1b]0;gone\x07\u202eCH1 (V)", *rows]), encoding="utf-8")
    assert main(["fit", str(table)]) == 0
    assert main(["fit", str(table), "--channel", "2"]) == 2
    assert main(["fit", str(tmp_path / "no\x1b[31m\nsuch.csv")]) == 2
    said = capsys.readouterr()
    for text in (said.out, said.err):
        assert "\\x1b" in text
        assert not {"\x1b", "\x07", "\u202e"} & set(text)
    assert said.err.count("\n") == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--item", "heron-14", "--label", "x" * 450], "--label of 450 characters; keep it to 400"),
        (["--item", "heron-14", "--label", "\x1b[31m"], "--label holds the character '\\x1b'"),
        (["--note", "\x1b[31m"], "--note holds the character '\\x1b'"),
        (["--out", "x" * 300 + ".json"], "choose another name"),
        (["--out", "folder.json"], "nothing can be written there"),
    ],
)
def test_what_could_not_be_kept_is_told_before_a_winding_is_struck(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    told: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("folder.json").mkdir()
    log = ["--log", "log.sqlite"] if "--item" in words else []
    # A port that is not there would be told first if it were opened first.
    assert told in _refused(capsys, "capture", "--port", "/dev/no-such-port", *words, *log)


def test_a_setting_above_a_single_column_is_not_its_name(tmp_path: Path) -> None:
    table = tmp_path / "scope.csv"
    figures = [f"{np.cos(0.3 * i):.4f}" for i in range(100)]
    table.write_text("\n".join(["Sample Interval,1e-6,s", "Record Length,100", *figures]))
    (record,) = read(table)
    assert record.rate_hz == 1e6
    assert "channel" not in record.extra


@pytest.mark.parametrize("option", ["--unit=1", "--resistance=0.4", "--store=shelf"])
def test_what_only_a_judgement_needs_is_not_passed_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str
) -> None:
    words = ["log", "add", "heron-14", str(example()), "--log", str(tmp_path / "log.sqlite"), option]
    assert "needs --reference: without one nothing is judged" in _refused(capsys, *words)
