"""A unit that is withdrawn: findings that rest on it are listed and stay marked, wherever they are shown."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from coilbell.bench.files import recordjson
from coilbell.bench.log import Log
from coilbell.bench.log.marks import marks
from coilbell.bench.log.takeover import take_over
from coilbell.bench.report import basis_of, sheet_of
from coilbell.cli import main
from simulated import simulated_record

KIND = "line-output transformer"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    """Two good units; lot-3 was judged by both, lot-4 by a reference of the other name."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COILBELL_REFERENCES", str(tmp_path / "references"))
    monkeypatch.setenv("COILBELL_LOG", str(tmp_path / "log.sqlite"))
    for name, seed, state in (("one", 11, "healthy"), ("two", 12, "healthy"), ("dead", 27, "turn-dead")):
        record = simulated_record("tarn-line-split", seed, state, 22e-9)
        Path(f"{name}.json").write_bytes(recordjson.encode([record]))
    for name, unit in (("line", "one"), ("line", "two"), ("other", "two")):
        assert main(["reference", "add", name, f"{unit}.json", "--unit", unit, "--kind", KIND]) == 0
    assert main(["judge", "dead.json", "--reference", "line", "--item", "lot-3"]) == 0
    assert main(["judge", "dead.json", "--reference", "other", "--item", "lot-4"]) == 0
    capsys.readouterr()
    return tmp_path


def test_withdrawing_lists_and_marks_the_findings(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["reference", "withdraw", "line", "two", "--why", "shorted after all"]) == 0
    out, err = capsys.readouterr()
    assert "lot-3: judgement 1 of " in out
    assert "lot-4" not in out
    assert "1 finding of" in err
    told = "two of line was withdrawn since (shorted after all); judge it again"
    assert main(["log", "show", "lot-3", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["judgements"][0]["marks"] == [told]
    assert main(["log", "show", "lot-3"]) == 0
    assert "MARKED: two of line was withdrawn since" in " ".join(capsys.readouterr().out.split())
    with Log(writable=False) as log:
        for full in (False, True):
            sections = dict(sheet_of(basis_of(log, log.item("lot-3")), full=full).sections)
            assert sections["To be judged again"] == (told,)
        assert marks(log, log.judgements(log.item("lot-4"))[0]) == ()


def test_a_finding_that_is_made_again_has_no_mark_and_the_old_one_keeps_it(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["reference", "withdraw", "line", "two", "--why", "shorted after all"]) == 0
    assert main(["judge", "--item", "lot-3", "--reference", "line"]) == 0
    assert main(["log", "export", "lot.zip", "lot-3"]) == 0
    assert main(["reference", "add", "line", "two.json", "--unit", "two"]) == 0
    assert main(["judge", "--item", "lot-3", "--reference", "line"]) == 0
    with Log(writable=False) as ours:
        assert [bool(marks(ours, one)) for one in ours.judgements(ours.item("lot-3"))] == [True, False, False]
    with Log(bench / "theirs.sqlite") as theirs:
        take_over(theirs, bench / "lot.zip")
        found = [bool(marks(theirs, one)) for one in theirs.judgements(theirs.item("lot-3"))]
    assert found == [True, False], "the mark is handed on"


def test_without_a_log_nothing_is_made(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = ["--why", "shorted after all", "--log", "none.sqlite"]
    assert main(["reference", "withdraw", "line", "two", *more]) == 0
    assert "no bench log at none.sqlite" in capsys.readouterr().err
    assert not Path("none.sqlite").exists()
