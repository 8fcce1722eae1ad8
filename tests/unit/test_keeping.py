"""--item on capture, judge and compare: one command at the bench keeps what it made, as new rows."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from coilbell.bench.facts.base import json_line
from coilbell.bench.files.records import write
from coilbell.bench.log import KeptJudgement, Log, refit
from coilbell.bench.log.archive import write_archive
from coilbell.bench.log.takeover import take_over
from coilbell.board import constants
from coilbell.cli import main
from coilbell.record import Record
from simulated import simulated_record

PART = "tarn-line-split"
PORT = ["--port", "virtual:?part=moss-choke&seed=1&hurry=1", "--shots", "1", "--samples", "1024"]


def record(seed: int, state: str, farads: float = 22e-9) -> Record:
    """A ring whose connection is not stated."""
    return simulated_record(PART, seed, state, farads)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a store and a log of its own, and record files of one unit in several states."""
    monkeypatch.setenv("COILBELL_REFERENCES", str(tmp_path / "store"))
    monkeypatch.setenv("COILBELL_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    monkeypatch.chdir(tmp_path)
    for name, state in (("good", "healthy"), ("dead", "turn-dead"), ("set", "in-circuit-yoke")):
        write([record(9, state)], tmp_path / f"{name}.json")
    write([record(1, "healthy")], tmp_path / "other.json")
    kind = ["--kind", "line-output transformer"]
    assert main(["reference", "add", "line", "other.json", "--unit", "u1", *kind]) == 0
    return tmp_path


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    """What a command says with --json; it must succeed."""
    capsys.readouterr()
    assert main([*words, "--json"]) == 0
    facts: dict[str, Any] = json.loads(capsys.readouterr().out)
    return facts


def told(judgement: KeptJudgement) -> Any:
    """A judgement of the log as a command prints it."""
    return json.loads(json_line(judgement.facts))


def test_judge_keeps_rings_and_finding(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["judge", "dead.json", "--reference", "line", "--item", "lot-3", "--label", "on the bench"]
    facts = shown(capsys, *words, "--prior", "0.2", "--out-of-circuit")
    kept = facts.pop("kept")
    assert kept == {
        "log": str(bench / "log.sqlite"),
        "item": "lot-3",
        "new": True,
        "captures": [1],
        "judgement": 1,
    }
    with Log(writable=False) as log:
        (judgement,), (capture,) = (f(log.item("lot-3")) for f in (log.judgements, log.captures))
        assert told(judgement) == facts
        assert judgement.question.prior == 0.2
        assert judgement.reference is not None
        assert (capture.label, capture.connection) == ("on the bench (dead.json)", "out of circuit")
        assert log.item("lot-3").kind == "line-output transformer"


def test_judging_again_reuses_the_ring_and_adds_a_row(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["judge", "dead.json", "--reference", "line", "--item", "lot-3"]
    assert [shown(capsys, *words)["kept"]["captures"] for _ in range(2)] == [[1], [1]]
    by_number = shown(capsys, "judge", "1", "--reference", "line", "--item", "lot-3")
    assert by_number["kept"]["judgement"] == 3
    with Log(writable=False) as log:
        item = log.item("lot-3")
        assert (len(log.captures(item)), len(log.judgements(item))) == (1, 3)
        assert len(log.fits(log.captures(item)[0])) == 1


def test_without_files_the_last_ring_of_each_capacitor_is_judged(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, farads in (("small", 4.7e-9), ("large", 22e-9)):
        write([record(2, "healthy", farads)], bench / f"{name}.json")
        assert main(["reference", "add", "line", f"{name}.json", "--unit", "u2"]) == 0
        write([replace(record(9, "turn-dead", farads), shot=1)], bench / f"{name}.json")
    assert main(["log", "add", "lot-3", "good.json", "small.json", "large.json"]) == 0
    capsys.readouterr()
    assert main(["judge", "--item", "lot-3", "--reference", "line"]) == 0
    out, err = capsys.readouterr()
    assert "judged: capture 2 (small.json), capture 3 (large.json) of lot-3\n" in err
    assert "kept in " in err
    assert "A TURN IS SHORTED" in out
    assert main(["judge", "--item", "lot-3", "--reference", "line", "--in-circuit"]) == 2
    assert "holds no ring in circuit; capture one with --item NAME --in-circuit" in capsys.readouterr().err


def test_compare_keeps_the_comparison(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["compare", "good.json", "set.json", "--in-circuit", "--item", "lot-3"]
    facts = shown(capsys, *words, "--kind", "line-output transformer")
    assert facts.pop("kept")["captures"] == [1, 2]
    with Log(writable=False) as log:
        (judgement,) = log.judgements(log.item("lot-3"))
        assert told(judgement) == facts
        connections = [capture.connection for capture in log.captures(log.item("lot-3"))]
    assert connections == ["out of circuit", "in circuit"], "stated by --in-circuit"
    capsys.readouterr()
    assert main(["log", "show", "lot-3"]) == 0
    out = capsys.readouterr().out
    assert "compared 20" in out
    assert "frequency times " in out
    assert main(["log", "list"]) == 0
    assert "not judged" in capsys.readouterr().out, "a comparison is no finding"


def test_compare_takes_both_sides_from_the_log(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        main(["log", "add", "lot-3", "good.json", "--out-of-circuit", "--kind", "line-output transformer"])
        == 0
    )
    assert main(["compare", "--item", "lot-3", "--in-circuit"]) == 2
    assert "holds no ring in circuit" in capsys.readouterr().err
    assert main(["compare", "--item", "lot-3"]) == 2
    assert "holds no earlier ring like 'good.json'" in capsys.readouterr().err
    assert main(["log", "add", "lot-3", "dead.json", "--out-of-circuit"]) == 0
    facts = shown(capsys, "compare", "--item", "lot-3")
    assert facts["relation"] == "one unit, before and after"
    assert facts["title"] == "good.json -> dead.json"
    assert main(["log", "add", "lot-3", "set.json", "--in-circuit"]) == 0
    facts = shown(capsys, "compare", "--item", "lot-3")
    assert facts["relation"] == "out of circuit, then in circuit"
    assert facts["title"] == "dead.json -> set.json", "the last of each"
    assert facts["kind"] == "line-output transformer", "the item's own"
    assert facts["kept"]["captures"] == [2, 3]
    assert shown(capsys, "compare", "1", "3", "--item", "lot-3")["title"] == "good.json -> set.json"


def test_a_kept_comparison_is_made_again_and_handed_on(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["compare", "good.json", "other.json", "--units", "--item", "lot-3"]
    facts = shown(capsys, *words)
    facts.pop("kept")
    with Log() as log:
        outcome = refit(log, jobs=1)
        assert (outcome.judgements, outcome.problems) == (1, ())
        assert [told(one) for one in log.judgements(log.item("lot-3"))] == [facts, facts]
        write_archive(log, log.items(), bench / "all.zip")
    with Log(bench / "second.sqlite") as log:
        take_over(log, bench / "all.zip")
        first = log.judgements(log.item("lot-3"))[0]
        assert told(first) == facts
        assert first.question.relation == "two units of one kind"
        assert refit(log, jobs=1).changed == ()


def test_capture_keeps_what_it_struck(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["capture", *PORT, "--capacitor", "both", "--item", "choke-7", "--out-of-circuit"]
    assert main(words) == 0
    out, err = capsys.readouterr()
    assert f"kept in {bench / 'log.sqlite'}: new item choke-7, capture 1\n" in err
    assert f"kept in {bench / 'log.sqlite'}: choke-7, capture 2\n" in err
    assert out.count("rings") >= 2
    facts = shown(capsys, "capture", *PORT, "--item", "choke-7", "--label", "after")
    assert facts["kept"]["captures"] == [3]
    with Log(writable=False) as log:
        captures = log.captures(log.item("choke-7"))
        labels = [capture.label for capture in captures]
        assert labels == ["capacitor A", "capacitor B", "after (capacitor A)"]
        assert captures[0].connection == "out of circuit"
        kept = log.fits(captures[2])[0].facts
        assert json.loads(json_line(kept))["modes"] == facts["modes"]
    assert main(["log", "check"]) == 0
    assert main(["log", "refit", "--jobs", "1"]) == 0
    assert "every fit stays inside" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["judge", "dead.json", "--reference", "line", "--log", "x.sqlite"], 2, "give --item NAME as well"),
        (["compare", "good.json", "dead.json", "--label", "x"], 2, "give --item NAME as well"),
        (["judge", "--reference", "line"], 2, "no ring to judge"),
        (["compare"], 2, "nothing to compare"),
        (["compare", "good.json"], 2, "one side is missing"),
        (
            ["judge", "--item", "lot-9", "--reference", "line"],
            2,
            "no item 'lot-9' in the log; there is: none yet; capture",
        ),
        (["judge", "7", "--item", "lot-9", "--reference", "line"], 2, "has no capture 7; it has: none"),
        (["judge", "--item", " lot", "--reference", "line"], 2, "item name"),
        (["judge", "--item", "lot-9", "--reference", "line", "--capacitor", "1n"], 2, "is for record files"),
        (["compare", "--item", "lot-9", "--units"], 2, "give the record files of both"),
        (["judge", "dead.json", "--item", "lot-9"], 2, "nothing to judge by"),
        (["judge", "gone.json", "--item", "lot-9", "--reference", "line"], 2, "no such file"),
        (["capture", *PORT, "--item", "lot-9", "--log", "no.txt/x"], 3, "cannot be made"),
        (["capture", *PORT, "--log", "x.sqlite"], 2, "give --item NAME as well"),
    ],
)
def test_what_cannot_be_kept(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int, says: str
) -> None:
    (bench / "no.txt").write_text("a file", encoding="utf-8")
    capsys.readouterr()
    assert main(words) == code
    out, err = capsys.readouterr()
    assert says in err
    assert err.count("\n") == 1
    assert out == ""
    if (bench / "log.sqlite").exists():
        with Log(writable=False) as log:
            assert log.items() == []


def test_a_log_that_cannot_be_written_is_told_before_anything_is_struck(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coilbell.board.Tester.open", lambda *_: pytest.fail("the board was opened"))
    with Log() as log, log.together():
        monkeypatch.setattr("coilbell.bench.log.reader._WAIT_S", 0.1)
        assert main(["capture", *PORT, "--item", "lot-3"]) == 3
    assert "another coilbell has been writing for more than 0.1 s" in capsys.readouterr().err


def test_a_result_that_cannot_be_kept_is_shown_all_the_same(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from coilbell.errors import MissingError

    def full(*_: Any) -> None:
        raise MissingError("the disk refused")

    monkeypatch.setattr("coilbell.bench.log.itemlog.keep_captures", full)
    assert main(["judge", "dead.json", "--reference", "line", "--item", "lot-3"]) == 3
    out, err = capsys.readouterr()
    assert out.startswith("lot-3: A TURN IS SHORTED")
    assert err == "coilbell: the disk refused\n"
    assert main(["capture", *PORT, "--item", "lot-3"]) == 3
    assert "rings" in capsys.readouterr().out


def test_judged_and_compared_an_item_has_one_verdict(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The bare winding has a dead turn; in circuit it rings the same, which says nothing in its favour."""
    assert main(["judge", "dead.json", "--reference", "line", "--item", "lot-3", "--out-of-circuit"]) == 0
    write([replace(record(9, "turn-dead"), shot=1)], bench / "again.json")
    assert main(["log", "add", "lot-3", "again.json", "--in-circuit"]) == 0
    facts = shown(capsys, "compare", "--item", "lot-3")
    facts.pop("kept")
    assert facts["verdict"]["headline"] == "a turn is shorted"
    assert not facts["cleared"]
    assert main(["judge", "--item", "lot-3", "--reference", "line", "1", "2", "--json"]) == 0
    again = json.loads(capsys.readouterr().out)["verdict"]
    assert (again["headline"], again["shows"]) == (facts["verdict"]["headline"], facts["verdict"]["shows"])
    assert main(["log", "show", "lot-3"]) == 0
    assert "which clears it" not in capsys.readouterr().out
    with Log() as log:
        refit(log, jobs=1)
        found = [told(one) for one in log.judgements(log.item("lot-3")) if one.facts.what == "comparison"]
        assert found == [facts, facts]
        write_archive(log, log.items(), bench / "all.zip")
    with Log(bench / "second.sqlite") as log:
        take_over(log, bench / "all.zip")


def test_sides_with_one_name_are_told_apart_by_their_numbers(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for seed in ("1", "2"):
        port = [f"virtual:?part=moss-choke&seed={seed}&hurry=1", "--shots", "1", "--samples", "1024"]
        assert main(["capture", "--item", "lot-3", "--port", *port]) == 0
    told = shown(capsys, "compare", "--item", "lot-3")["title"]
    assert told == "capacitor A (capture 1) -> capacitor A (capture 2) (simulated board)"


def test_against_a_ring_judged_healthy_it_may_clear(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write([record(1, "healthy")], bench / "good.json")
    assert main(["judge", "good.json", "--reference", "line", "--item", "lot-3", "--out-of-circuit"]) == 0
    facts = shown(capsys, "compare", "1", "set.json", "--item", "lot-3", "--in-circuit")
    assert "first_judged" not in facts
    assert facts["shorted_turn"]
