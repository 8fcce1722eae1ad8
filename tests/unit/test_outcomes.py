"""What items were in the end: kept, withdrawn with a reason, never overwritten; told and handed on."""

from __future__ import annotations

import hashlib
import json
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbell.bench.facts.outcome import NEVER_KNOWN, Outcome
from coilbell.bench.log import (
    Log,
    add_outcome,
    causes,
    concluded,
    item_facts,
    item_text,
    outcome_of,
    outcomes_of,
    withdraw_outcome,
    write_archive,
)
from coilbell.bench.log.check import problems
from coilbell.bench.log.keeper import LogKeeper
from coilbell.bench.log.takeover import take_over
from coilbell.bench.worksheet.sheet import begin
from coilbell.cli import main
from coilbell.errors import FileError, InputError
from coilbell.isolate import shipped
from coilbell.terms import FOUND, Cause


@pytest.fixture
def log(tmp_path: Path) -> Any:
    with Log(tmp_path / "log.sqlite", wait_s=0.2) as opened:
        yield opened


_WORDS = st.text(st.characters(codec="utf-8", categories=("L", "N", "P")), max_size=20)


@settings(max_examples=40, deadline=None)
@given(
    acts=st.lists(
        st.tuples(st.sampled_from([*FOUND, NEVER_KNOWN, ""]), st.floats(0.5, 1.0), _WORDS), max_size=12
    )
)
def test_the_store_follows_a_model_of_itself(acts: list[tuple[str, float, str]]) -> None:
    """An outcome stands until it is withdrawn; nothing that was kept ever changes or goes."""
    with tempfile.TemporaryDirectory() as folder, Log(Path(folder, "log.sqlite")) as log:
        item = log.add_item("choke-7")
        stands: Outcome | None = None
        rows: list[tuple[Any, ...]] = []
        for cause, sure, words in acts:
            if not cause:
                if stands is None:
                    with pytest.raises(InputError, match="no outcome"):
                        withdraw_outcome(log, item, "slip")
                else:
                    assert withdraw_outcome(log, item, "slip").outcome == stands
                stands = None
                continue
            found = outcome_of(log, item, cause, how=words, sure=sure)
            if stands is not None:
                with pytest.raises(InputError, match="as what it was in the end"):
                    add_outcome(log, item, found)
            else:
                add_outcome(log, item, found)
                stands = found
            kept = [tuple(row) for row in log.base.rows("SELECT * FROM outcome ORDER BY id")]
            assert kept[: len(rows)] == rows
            rows = kept
            assert [one.outcome for one in outcomes_of(log, item)] == [stands]
        assert list(problems(log)) == []


def _sheet(log: Log, name: str, winding: str) -> Any:
    item = log.add_item(name, kind=winding)
    begin(LogKeeper(log, item), shipped()["CRT monitor"], "none")
    return item


@pytest.mark.parametrize(
    ("winding", "cause", "state"),
    [
        ("line-output transformer", "shorted-turns", Cause.SHORTED),
        ("line-output transformer", "driver", Cause.NOTHING),
        ("line-output transformer", "rectifier", None),
        ("horizontal yoke", "yoke", Cause.SHORTED),
        ("horizontal yoke", "shorted-turns", Cause.NOTHING),
        ("", "shorted-turns", None),
        ("line-output transformer", "unknown", None),
        ("motor winding", "driver", None),
    ],
)
def test_a_worksheets_cause_says_what_the_winding_was(
    log: Log, winding: str, cause: str, state: Cause | None
) -> None:
    item = _sheet(log, "heron-14", winding)
    assert cause in causes(log, item)
    found = outcome_of(log, item, cause)
    assert (found.equipment, found.state) == ("CRT monitor", state)


def test_both_questions_have_an_answer_that_cannot_contradict_the_other(log: Log) -> None:
    item = _sheet(log, "heron-14", "line-output transformer")
    add_outcome(log, item, outcome_of(log, item, "driver"))
    with pytest.raises(InputError, match=r"driver was kept on .* which shorted-turn contradicts"):
        add_outcome(log, item, outcome_of(log, item, "shorted-turn"))
    with pytest.raises(InputError, match=r"driver was kept .* and not never-known"):
        add_outcome(log, item, outcome_of(log, item, NEVER_KNOWN))
    add_outcome(log, item, outcome_of(log, item, "sound", sure=0.8))
    (told,) = concluded(log)
    assert told.of_winding is not None
    assert (told.of_winding.cause, told.of_winding.sure) == ("sound", 0.8)
    with pytest.raises(InputError, match="say which of: driver, sound"):
        withdraw_outcome(log, item, "slip")
    withdraw_outcome(log, item, "slip", "driver")
    assert [one.outcome.cause for one in outcomes_of(log, item)] == ["sound"]


@pytest.mark.parametrize(
    "odd",
    [
        {"cause": "sound", "state": "shorted turn"},
        {"cause": "nobody"},
        {"cause": "sound", "state": "nothing", "sure": 0.4},
        {"cause": "sound", "state": "nothing", "sure": 1.5},
        {"cause": "sound", "state": "nothing", "schema": 9},
        {"cause": NEVER_KNOWN, "equipment": "CRT monitor"},
        {"cause": "sound", "state": "nothing", "whose": "mine"},
    ],
)
def test_what_cannot_be_is_no_outcome(odd: dict[str, Any]) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert(odd, Outcome)


def test_it_stands_in_what_is_shown_and_comes_back_from_an_archive(log: Log, tmp_path: Path) -> None:
    item = log.add_item("choke-7")
    add_outcome(log, item, outcome_of(log, item, "open", how="set runs with another", sure=0.9))
    withdraw_outcome(log, item, "wrong part", "open")
    add_outcome(log, item, outcome_of(log, item, "core", how="gap was glued"))
    text = item_text(item_facts(log, item))
    assert "another core, gap or part: gap was glued" in text
    assert "taken back" in text
    assert log.search("glued")[0][0] == item
    write_archive(log, [item], tmp_path / "a.zip")
    with Log(tmp_path / "other.sqlite") as other:
        take_over(other, tmp_path / "a.zip", "theirs/")
        (kept,) = outcomes_of(other, other.item("theirs/choke-7"))
        assert kept.outcome == outcomes_of(log, item)[0].outcome
        assert list(problems(other)) == []


def _rewritten(path: Path, change: Callable[[Any], None]) -> Path:
    """The archive with another log.json, of which its manifest holds the right hash."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: json.loads(archive.read(name)) for name in archive.namelist()}
    change(parts["log.json"])
    content = json.dumps(parts["log.json"]).encode()
    stated = {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    parts["manifest.json"]["parts"]["log.json"] = stated
    with zipfile.ZipFile(path.with_name("odd.zip"), "w") as archive:
        for name, part in parts.items():
            archive.writestr(name, json.dumps(part))
    return path.with_name("odd.zip")


def _other_item(told: Any) -> None:
    told["items"][0]["outcomes"][0]["item"] = "choke-8"


def _other_beginning(told: Any) -> None:
    told["items"][0]["outcomes"][0]["begun_utc"] = "2001-01-01T00:00:00Z"


def _both(told: Any) -> None:
    one = told["items"][0]["outcomes"][0]
    other = one | {"outcome": one["outcome"] | {"cause": "sound", "state": "nothing"}}
    told["items"][0]["outcomes"].append(other)


def _steering(told: Any) -> None:
    told["items"][0]["outcomes"][0]["outcome"]["how"] = "\x1b[2J"


def _unknown(told: Any) -> None:
    told["items"][0]["outcomes"][0]["outcome"]["cause"] = "moths"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_other_item, "holds an outcome of another item, 'choke-8'"),
        (_other_beginning, "holds an outcome of another item"),
        (_both, "contradict each other"),
        (_steering, "cannot be shown"),
        (_unknown, "no state of a winding 'moths'"),
    ],
)
def test_an_archive_that_claims_what_is_not_its_own_is_refused(
    log: Log, tmp_path: Path, change: Callable[[Any], None], said: str
) -> None:
    item = log.add_item("choke-7")
    add_outcome(log, item, outcome_of(log, item, "open"))
    write_archive(log, [item], tmp_path / "a.zip")
    odd = _rewritten(tmp_path / "a.zip", change)
    with Log(tmp_path / "other.sqlite") as other:
        with pytest.raises(FileError, match=said) as refused:
            take_over(other, odd)
        assert "\n" not in str(refused.value)
        assert other.items() == []


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["choke-7", "moths"], 2, "no cause 'moths'; choose one of: sound, shorted-turn"),
        (["choke-7", "sound", "--sure", "0.2"], 2, "sure to 0.2 lies outside 0.5 to 1"),
        (["choke-7", "sound", "--sure", "much"], 2, "--sure 'much'"),
        (["choke-8", "sound"], 2, "no item 'choke-8'"),
        (["choke-7", "--withdraw", "slip"], 2, "has no outcome"),
        (["choke-7", "--withdraw", " "], 2, "a withdrawal needs its reason"),
        (["choke-7", "--withdraw", "slip", "--how", "x"], 2, "leave them out beside --withdraw"),
        (["choke-7", "sound", "--how", "x" * 501], 2, "keep it to 500"),
        (["choke-7", "sound", "--how", "\x1b[2J"], 2, "cannot be shown"),
        (["choke-7", "Sound ", "--sure", "90%"], 0, "the winding was sound (sure to 90 %)"),
        (["choke-7"], 0, ""),
    ],
)
def test_the_command_answers_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int, said: str
) -> None:
    with Log(tmp_path / "log.sqlite") as log:
        log.add_item("choke-7")
    capsys.readouterr()
    assert main(["log", "outcome", "--log", str(tmp_path / "log.sqlite"), *words]) == code
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") <= 1


def test_a_contradiction_overwrites_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(tmp_path / "log.sqlite")
    with Log(Path(path)) as log:
        log.add_item("choke-7")
    assert main(["log", "outcome", "choke-7", "open", "--log", path]) == 0
    assert main(["log", "outcome", "choke-7", "sound", "--log", path]) == 2
    assert "and not sound; to change it, take that one back first" in capsys.readouterr().err
    assert main(["log", "outcome", "choke-7", "--withdraw", "was a bad lead", "--log", path]) == 0
    assert main(["log", "outcome", "choke-7", "sound", "--log", path]) == 0
    assert main(["log", "undo", "choke-7", "--log", path]) == 0
    with Log(Path(path)) as log:
        assert outcomes_of(log, log.item("choke-7")) == []
        assert len(log.base.rows("SELECT * FROM outcome")) == 2


def test_the_list_shows_the_end_in_a_word(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = ["--log", str(tmp_path / "log.sqlite")]
    with Log(tmp_path / "log.sqlite") as log:
        log.add_item("choke-7")
    assert main(["log", "outcome", "choke-7", "shorted-turn", "--how", "replaced", *place]) == 0
    capsys.readouterr()
    assert main(["log", "list", *place]) == 0
    assert capsys.readouterr().out.endswith("choke-7: no details; not judged; in the end: shorted-turn\n")
    assert main(["log", "list", "--json", *place]) == 0
    assert json.loads(capsys.readouterr().out)["ended"] == ["shorted-turn"]
    assert main(["log", "outcome", "choke-7", "--withdraw", "a bad lead", *place]) == 0
    assert main(["log", "list", *place]) == 0
    assert "in the end" not in capsys.readouterr().out


def test_causes_complete_in_the_shell(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", "causes"]) == 0
    listed = capsys.readouterr().out.split()
    assert {"sound", "shorted-turn", "never-known", "output-transistor"} <= set(listed)
