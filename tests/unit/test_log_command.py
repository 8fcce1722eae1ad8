"""`coilbell log` from the outside: every action once, with its words, its JSON and its exit codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs

from coilbell.bench.files.records import example
from coilbell.bench.log import Log, item_facts, item_text, take_back
from coilbell.cli import main


@pytest.fixture(scope="module")
def log_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log made by the command itself: a good unit as reference, a judged part."""
    folder = tmp_path_factory.mktemp("command")
    store, path = str(folder / "references"), folder / "log.sqlite"
    whole, shorted = (str(example(name)) for name in ("whole", "shorted"))
    kind = ["--kind", "line-output transformer", "--store", store]
    assert main(["reference", "add", "tarn-21-line", whole, "--unit", "unit-1", *kind, "--anyway"]) == 0
    words = ["log", "add", "lot-3", shorted, "--log", str(path), "--out-of-circuit", "--store", store]
    details = ["--equipment", "Tarn 21 set", "--kind", "line-output transformer", "--note", "lacquer dark"]
    assert main([*words, *details, "--reference", "tarn-21-line", "--prior", "0.2"]) == 0
    assert main(["log", "add", "choke-7", whole, "--log", str(path), "--label", "first ring"]) == 0
    return path


@pytest.fixture
def say(log_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """Runs an action on a copy of the log; returns exit code, stdout, stderr."""
    copy = tmp_path / "log.sqlite"
    with Log(log_file, writable=False) as log:
        log.base.copy_to(copy)

    def run(*words: str) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main(["log", words[0], "--log", str(copy), *words[1:]])
        return code, *capsys.readouterr()

    return run


def _objects(text: str) -> list[dict[str, Any]]:
    found = [json.loads(line) for line in text.splitlines()]
    assert all(one["schema"] == 1 for one in found)
    return found


def test_list(say: Any) -> None:
    code, out, _ = say("list")
    assert code == 0
    assert [line.split()[1] for line in out.splitlines()] == ["lot-3:", "choke-7:"]
    assert "not judged" in out
    names = [one["name"] for one in _objects(say("list", "--json")[1])]
    assert names == ["lot-3", "choke-7"]


def test_show(say: Any, tmp_path: Path) -> None:
    code, out, _ = say("show", "lot-3")
    assert code == 0
    for wanted in (
        "Tarn 21 set",
        "out of circuit",
        "rings at 24.69",
        "tarn-21-line",
        "prior of 20 %",
        "dark",
    ):
        assert wanted in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80
    (one,) = _objects(say("show", "lot-3", "--json")[1])
    assert one["judgements"][0]["question"]["prior"] == 0.2
    assert "(22 nF, 3 shots, out of circuit)" in out
    with Log(tmp_path / "log.sqlite") as log:
        facts = item_facts(log, log.item("lot-3"))
    unsaid = structs.replace(facts.captures[0], connection="unknown")
    told = structs.replace(facts, captures=(unsaid, *facts.captures[1:]))
    assert "(22 nF, 3 shots, connection not said)" in item_text(told)
    code, _, err = say("show", "lot-4")
    assert code == 2
    assert "there are: lot-3, choke-7" in err


def test_note_and_search(say: Any) -> None:
    assert say("note", "choke-7", "smells", "of", "varnish")[0] == 0
    assert say("search", "VARNISH", "smells")[1] == "choke-7: smells of varnish\n"
    assert [one["name"] for one in _objects(say("search", "--json", "dark")[1])] == ["lot-3"]
    code, out, err = say("search", "nowhere")
    assert (code, out) == (0, "")
    assert "nothing holds" in err


def test_add_refuses_what_would_overwrite(say: Any) -> None:
    code, _, err = say("add", "lot-3", "--serial", "28")
    assert code == 2
    assert "coilbell log set lot-3" in err
    code, _, err = say("add", "lot-3", str(example("shorted")), "--out-of-circuit")
    assert code == 2
    assert "as capture 1" in err
    code, _, err = say("add", "new", "missing.json", "--note", "x")
    assert code == 2
    assert "lot-3" in say("list")[1]
    assert "new" not in say("list")[1], "nothing of a failed entry is kept"
    assert say("add", "new", "--prior", "2")[0] == 2
    assert say("add", "new", str(example()), "--reference", "nobody", "--store", "nowhere")[0] == 3


def test_export_import(say: Any, tmp_path: Path) -> None:
    assert main(["isolate", "new", "--item", "heron-14", "--log", str(tmp_path / "log.sqlite")]) == 0
    for name, what in (("all.csv", "2 captures of 3 items"), ("all.zip", "3 items")):
        code, _, err = say("export", str(tmp_path / name))
        assert (code, err.partition(" written")[0]) == (0, what)
    code, _, err = say("export", str(tmp_path / "all.zip"))
    assert code == 2
    assert "left as it is" in err
    assert say("import", str(tmp_path / "all.zip"))[0] == 2
    assert say("import", str(tmp_path / "all.zip"), "--prefix", "x-")[1] == "x-lot-3\nx-choke-7\nx-heron-14\n"
    assert say("check")[0] == 0


def test_refit(say: Any) -> None:
    code, out, _ = say("refit", "--jobs", "1")
    assert code == 0
    assert "2 captures fitted and 1 judgement made again" in out
    assert "no explanation changed" in out
    (one,) = _objects(say("refit", "--jobs", "1", "--json")[1])
    assert (one["fits"], one["judgements"], one["problems"]) == (2, 1, [])
    assert say("show", "lot-3", "--all")[1].count("judged 20") == 3
    assert say("refit", "--jobs", "0")[0] == 2


def test_backup_remove_check(say: Any, tmp_path: Path) -> None:
    assert say("backup", str(tmp_path / "b.sqlite"))[0] == 0
    assert say("backup", str(tmp_path / "b.sqlite"))[0] == 2
    assert say("remove", "lot-3", "--backup", str(tmp_path / "c.sqlite"))[0] == 0
    assert "lot-3" not in say("list")[1]
    for name in ("b.sqlite", "c.sqlite"):
        with Log(tmp_path / name, writable=False) as log:
            assert log.holds("lot-3")
    code, out, _ = say("check")
    assert code == 0
    assert "sound, 1 item" in out


def test_check_tells_of_damage(say: Any, tmp_path: Path) -> None:
    with Log(tmp_path / "log.sqlite") as log:
        log.base.execute("DROP TRIGGER fit_stays")
        log.base.execute("UPDATE fit SET facts = 'x' WHERE id = 1")
    code, out, err = say("check")
    assert code == 2
    assert out.splitlines() == [
        "file: trigger fit_stays is not laid out as it should be",
        "fit 1: is not as it was kept",
        "judgement 1: rests on fit 1, which is not as it was kept",
    ]
    assert "restore" in err


def test_a_log_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["log", "list", "--log", str(tmp_path / "none.sqlite")]) == 3
    assert "no bench log" in capsys.readouterr().err


def test_details_are_corrected_and_the_old_words_stay(say: Any) -> None:
    code, _, err = say("set", "lot-3", "--equipment", "Tarn 21 chassis", "--serial", "0417")
    assert code == 0
    assert "Tarn 21 chassis" in err
    (shown,) = _objects(say("show", "lot-3", "--json")[1])
    assert (shown["equipment"], shown["serial"]) == ("Tarn 21 chassis", "0417")
    assert shown["corrected"][0].startswith("equipment: Tarn 21 set, until 20")
    assert "before: equipment: Tarn 21 set" in say("show", "lot-3")[1]
    assert "lot-3" in say("search", "chassis")[1]
    assert say("check")[0] == 0


@pytest.mark.parametrize(
    ("words", "told"),
    [([], "nothing to set"), (["--equipment", "Tarn 21 set"], "already"), (["--part", "x" * 201], "200")],
)
def test_details_that_change_nothing_or_cannot_be_are_refused(say: Any, words: list[str], told: str) -> None:
    code, _, err = say("set", "lot-3", *words)
    assert code == 2
    assert told in err


def test_undo_takes_back_one_entry_after_the_other_and_deletes_none(say: Any) -> None:
    (before,) = _objects(say("show", "lot-3", "--json")[1])
    taken = [say("undo", "lot-3", "wrong", "part")[2] for _ in range(3)]
    assert [line.split("kept: ")[1].split()[0] for line in taken] == ["note", "judgement", "capture"]
    (shown,) = _objects(say("show", "lot-3", "--json")[1])
    assert shown["captures"] == shown["judgements"] == shown["notes"] == []
    assert shown["explanation"] is None
    assert [one["entry"].split()[0] for one in shown["taken_back"]] == ["note", "judgement", "capture"]
    assert {one["why"] for one in shown["taken_back"]} == {"wrong part"}
    assert before["captures"][0]["label"] in shown["taken_back"][2]["entry"]
    assert "taken back" in say("show", "lot-3")[1]
    assert say("check")[0] == 0
    assert "nothing that could be taken back" in say("undo", "lot-3")[2]


def test_a_finding_goes_with_a_ring_that_it_rests_on(say: Any, log_file: Path, tmp_path: Path) -> None:
    with Log(tmp_path / "log.sqlite") as log:
        item = log.item("lot-3")
        take_back(log, item, "capture", log.captures(item)[0].id)
        assert log.judgements(item) == []
        assert log.explanation(item) is None


def test_a_ring_taken_back_counts_again_when_it_is_added_again(say: Any) -> None:
    say("undo", "choke-7")
    code, out, _ = say("add", "choke-7", str(example("whole")), "--json")
    assert code == 0
    (shown,) = _objects(out)
    assert len(shown["captures"]) == 1
    assert "taken_back" not in shown
