"""The isolation worksheet as the page gets it, and what the commanding page may write. No browser."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbell.bench.log import Log, outcomes_of
from coilbell.bench.log.corrections import withdrawals
from coilbell.bench.log.keeper import LogKeeper
from coilbell.bench.worksheet.sentences import odds_ratio
from coilbell.cli import main
from coilbell.isolate import shipped
from page.steered import Watcher, serving

CRT = shipped()["CRT monitor"]
RAILS = (
    ("rails-loaded", "142=79 33=18.4 9=5"),
    ("rails-unloaded", "142=141 33=32.8 9=8.9"),
    ("rails-secondaries-off", "142=136 33=31.5 9=8.6"),
)


def _sheet(page: Watcher) -> dict[str, Any]:
    """The next worksheet that can be shown."""
    return page.until(lambda m: m["what"] == "sheet" and m["state"] == "open")


def _after(page: Watcher, do: str, **what: Any) -> dict[str, Any]:
    """The worksheet of heron-14 after an order that is carried out."""
    answer = page.answer(do, item="heron-14", **what)
    assert not answer["failed"], answer
    return page.last["sheet"]


def _begun(page: Watcher, **more: Any) -> dict[str, Any]:
    return _after(page, "begin", kind="CRT monitor", **more)


def _entries(served: Any, item: str = "heron-14") -> list[Any]:
    with Log(served.folder / "log.sqlite", writable=False) as log:
        return [entry for _, entry in LogKeeper(log, log.item(item)).entries()]


def _terminal(served: Any, capsys: Any, *words: str) -> Any:
    action, *rest = words
    place = ["--item", "heron-14", "--log", str(served.folder / "log.sqlite")]
    assert main(["isolate", action, *place, *rest]) == 0
    return capsys.readouterr().out


def test_a_page_is_told_that_no_item_is_on_the_bench(watch: Callable[..., Any]) -> None:
    sheet = watch().next("sheet")
    assert sheet["state"] == "none"
    assert "causes" not in sheet
    assert [name for name, _ in sheet["kinds"]] == list(shipped())


def test_the_page_ranks_as_the_terminal_does(watch: Callable[..., Any], served: Any, capsys: Any) -> None:
    page = watch()
    sheet = _begun(page)
    assert "priors of the trade" in sheet["unmoved"]
    for step, numbers in RAILS:
        sheet = _after(page, "observe", step=step, numbers=numbers)
    told = json.loads(_terminal(served, capsys, "show", "--json"))
    assert [c["name"] for c in sheet["causes"]] == [h["name"] for h in told["hypotheses"]]
    assert [c["share"] for c in sheet["causes"]] == [round(h["probability"], 4) for h in told["hypotheses"]]
    assert "low-voltage windings" in sheet["causes"][0]["name"]
    assert "shorted turns" in sheet["causes"][1]["name"]
    assert len(sheet["moves"]) == 3
    assert any("times less likely with" in move["words"] for move in sheet["moves"])
    assert all(move["because"].startswith("because ") for move in sheet["moves"])
    assert sheet["next"]["step"] == told["next"][0]["step"]
    assert "nothing here is certain" in sheet["certain"]
    chances = [c["share"] for c in sheet["causes"]]
    assert chances == sorted(chances, reverse=True)
    assert sum(chances) == pytest.approx(1, abs=1e-3)


def test_what_does_not_fit_is_told(watch: Callable[..., Any]) -> None:
    page = watch()
    _begun(page)
    assert not _after(page, "observe", step="collector-emitter", outcome="shorted")["conflicts"]
    (conflict,) = _after(page, "observe", step="collector-emitter", outcome="normal")["conflicts"]
    assert "disagree" in conflict
    assert "Check it before the next step" in conflict


def test_nothing_live_is_instructed_beyond_what_was_stated(watch: Callable[..., Any]) -> None:
    page = watch()
    for qualified, allowed in (
        ("none", {"none"}),
        ("mains", {"none", "low voltage", "mains"}),
        ("high voltage", {"none", "low voltage", "mains", "high voltage"}),
    ):
        asks = _begun(page, qualified=qualified, again=True)["form"]["asks"]
        assert set(asks) == {step.key for step in CRT.step}
        for step in CRT.step:
            assert (step.how_after(()) in asks[step.key]["how"]) == (step.live in allowed), step.key
            assert ("not instructed" in asks[step.key]["how"]) == (step.live not in allowed), step.key
            own = {*step.hazards} - {"mains", "stored charge"}
            assert len(asks[step.key]["cautions"]) == len(own), step.key
    assert "nothing live" not in page.last["sheet"]["words"]


def test_general_cautions_stand_once_and_a_tests_own_beside_its_how(
    watch: Callable[..., Any],
) -> None:
    """As in the terminal: what holds before any step is no wall before each of them."""
    sheet = _begun(watch())
    general, best = sheet["general"], sheet["next"]
    for word in ("Mains voltage kills", "Reservoir capacitors", "Local codes and licensed practice"):
        assert sum(word in caution for caution in general) == 1, word
    step = CRT.step_named(best["step"])
    assert step.how_after(()) in best["how"]
    own = [*best["cautions"], *sheet["settle"]["cautions"], *sheet["form"]["asks"]["signs"]["cautions"]]
    assert any("picture tube" in caution for caution in own)
    assert not set(own) & set(general)


def test_a_reading_from_a_terminal_beside_it_arrives(
    watch: Callable[..., Any], served: Any, capsys: Any
) -> None:
    page = watch()
    _begun(page)
    _terminal(served, capsys, "observe", "collector-emitter", "normal")
    assert "as a junction one way" in _sheet(page)["moves"][0]["words"]


def test_a_finding_that_lands_is_offered_and_entered(
    watch: Callable[..., Any], source: Any, struck: Any
) -> None:
    page = watch()
    page.order("wish", connection="out of circuit")
    page.order("strike")
    page.next("shot")
    page.answer("mark", reference="tarn", unit="unit-1")
    page.order("wish", reference="tarn")
    before = _begun(page)
    assert not before["waiting"]
    source.records = dict(struck["turn-dead"])
    page.order("strike")
    page.next("shot")
    offered = _after(page, "keep")
    assert "like shorted, out of circuit" in offered["waiting"]
    assert offered["form"]["first"] == "ring-out"
    value, _ = offered["form"]["asks"]["ring-out"]["outcomes"][0]
    after = _after(page, "observe", step="ring-out", outcome=value)
    assert not after["waiting"]
    chance = {c["name"]: c["share"] for c in before["causes"]}["shorted turns in the transformer"]
    assert after["causes"][0]["name"] == "shorted turns in the transformer"
    assert after["causes"][0]["share"] > 3 * chance


def test_a_reading_is_taken_back_with_a_reason(watch: Callable[..., Any], served: Any) -> None:
    page = watch()
    before = _begun(page)
    seen = _after(page, "observe", step="collector-emitter", outcome="shorted", sure="80%")
    assert "80 % sure" in seen["moves"][0]["words"]
    assert page.answer("withdraw", item="heron-14", entry=2, why=" ")["failed"]
    assert page.answer("withdraw", item="heron-14", entry=9, why="wrong part")["failed"]
    after = _after(page, "withdraw", entry=2, why="wrong transistor")
    assert after["causes"] == before["causes"]
    assert "wrong transistor" in after["withdrawn"][0]
    assert [type(entry).__name__ for entry in _entries(served)] == ["Begin", "Observe", "Withdraw"]


def test_what_it_was_in_the_end_is_kept_once(watch: Callable[..., Any], served: Any) -> None:
    page = watch()
    sheet = _begun(page)
    assert dict(sheet["ends"])["driver"] == "drive to the output transistor"
    assert sheet["ended"] == ""
    after = _after(page, "end", cause="driver", how="dry joint, set runs", sure="90 %")
    assert after["ended"] == "in the end: driver, of a CRT monitor (sure to 90 %): dry joint, set runs"
    for odd in ({"cause": "moths"}, {"cause": "tube"}, {"cause": "driver", "sure": "30%"}):
        assert page.answer("end", item="heron-14", **odd)["failed"], odd
    with Log(served.folder / "log.sqlite", writable=False) as log:
        (kept,) = outcomes_of(log, log.item("heron-14"))
    assert (kept.outcome.cause, kept.outcome.sure) == ("driver", 0.9)


def test_an_end_is_taken_back_with_a_reason_and_stays_kept(watch: Callable[..., Any], served: Any) -> None:
    page = watch()
    _begun(page)
    assert _after(page, "end", cause="driver")["standing"] == [["driver", "driver, of a CRT monitor"]]
    again = page.answer("end", item="heron-14", cause="tube")
    assert "or V on the page" in again["words"]
    for odd in ({"cause": "driver", "why": " "}, {"cause": "tube", "why": "mixed up"}):
        assert page.answer("unend", item="heron-14", **odd)["failed"], odd
    after = _after(page, "unend", cause="driver", why="the old fault is back")
    assert (after["ended"], after["standing"]) == ("", [])
    assert _after(page, "end", cause="tube")["ended"] == "in the end: tube, of a CRT monitor"
    with Log(served.folder / "log.sqlite", writable=False) as log:
        (kept,) = outcomes_of(log, log.item("heron-14"))
        assert kept.outcome.cause == "tube"
        assert len(log.base.rows("SELECT * FROM outcome")) == 2
        (gone,) = withdrawals(log, log.item("heron-14"))
    assert gone.why == "the old fault is back"


def test_only_the_commanding_page_writes(watch: Callable[..., Any], served: Any) -> None:
    first, second = watch(), watch()
    first.next("status")
    begin = {"item": "heron-14", "kind": "CRT monitor"}
    assert "take over" in second.answer("begin", **begin)["words"]
    assert not (served.folder / "log.sqlite").exists()
    _begun(first)
    assert _sheet(second)["item"] == "heron-14"
    for do, what in (
        ("observe", {"step": "signs", "outcome": "nothing"}),
        ("withdraw", {"entry": 1, "why": "x"}),
        ("end", {"cause": "driver"}),
        ("unend", {"cause": "driver", "why": "x"}),
        ("begin", {"kind": "CRT monitor", "again": True}),
        ("work", {}),
    ):
        assert "take over" in second.answer(do, item="heron-14", **what)["words"], do
    assert len(_entries(served)) == 1


@pytest.mark.parametrize(
    ("step", "numbers"),
    [
        ("line-heard", "wav={0} hz=15625"),
        ("ring-out", "finding={0}"),
        ("ring-out", "finding=../log"),
        ("line-heard", "hz=15625 wav={0}"),
    ],
)
def test_a_page_cannot_have_files_read(
    watch: Callable[..., Any], served: Any, tmp_path: Path, step: str, numbers: str
) -> None:
    page = watch()
    _begun(page)
    place = tmp_path / "secret.json"
    place.write_text('{"what": "finding", "shorted_turn": {"log10_likelihood_ratio": 3}}')
    answer = page.answer("observe", item="heron-14", step=step, numbers=numbers.format(place))
    assert answer["failed"]
    assert "cannot name files" in answer["words"]
    assert len(_entries(served)) == 1


REFUSED = [
    ("begin", {"kind": "toaster"}, "CRT monitor"),
    ("begin", {"kind": "CRT monitor", "qualified": "all"}, "high voltage"),
    ("begin", {"kind": "CRT monitor"}, "already"),
    ("observe", {"step": "signs", "outcome": "purple"}, "signs"),
    ("observe", {"step": "nowhere", "outcome": "x"}, "collector-emitter"),
    ("observe", {"step": "base-emitter", "numbers": "read=three"}, "base-emitter"),
    ("observe", {"step": "base-emitter"}, "outcomes: network"),
    ("observe", {"step": "signs", "outcome": "nothing", "sure": "0%"}, "sure"),
    ("observe", {"step": "base-emitter", "numbers": "read=3 parts=68", "meter": "good"}, "meter"),
    ("observe", {"item": "elder-2", "step": "signs", "outcome": "nothing"}, "elder-2"),
    ("begin", {"item": "bad\nname", "kind": "CRT monitor"}, "name"),
    ("work", {"item": "bad\nname"}, "name"),
]


def test_what_cannot_be_kept_is_named_and_not_kept(watch: Callable[..., Any], served: Any) -> None:
    page = watch()
    _begun(page)
    for do, what, word in REFUSED:
        answer = page.answer(do, **{"item": "heron-14", **what})
        assert answer["failed"], (do, what)
        assert word in answer["words"], (do, what, answer["words"])
    assert len(_entries(served)) == 1
    with Log(served.folder / "log.sqlite", writable=False) as log:
        assert [item.name for item in log.items()] == ["heron-14"]


def test_an_item_without_a_worksheet_has_none_to_enter_in(watch: Callable[..., Any]) -> None:
    page = watch()
    page.answer("note", item="elder-2", words="came in dead")
    assert page.last["sheet"]["state"] == "unbegun"
    assert page.last["sheet"]["item"] == "elder-2"
    answer = page.answer("observe", item="elder-2", step="signs", outcome="nothing")
    assert "no worksheet yet" in answer["words"]


def test_a_worksheet_that_cannot_be_shown_says_why(watch: Callable[..., Any], served: Any) -> None:
    page = watch()
    _begun(page)
    with Log(served.folder / "log.sqlite") as log, log.together():
        entry = '{"schema": 1, "what": "observe", "utc": "2026-01-01T00:00:00.000Z", "step": "gone"}'
        log.base.insert("worksheet", item_id=1, added_utc="2026-01-01T00:00:00.000Z", entry=entry)
    damaged = page.until(lambda m: m["what"] == "sheet" and m["state"] == "damaged")
    assert "cannot be shown" in damaged["words"]
    assert not _begun(page, again=True)["moves"]


def test_the_item_of_the_command_line_is_on_the_bench(source: Any, tmp_path: Path, capsys: Any) -> None:
    place = str(tmp_path / "log.sqlite")
    assert main(["isolate", "new", "--item", "heron-14", "--log", place]) == 0
    with serving(source, tmp_path, item="heron-14") as served:
        page = Watcher(served)
        assert _sheet(page)["item"] == "heron-14"
        page.answer("work", item="")
        assert page.last["sheet"]["state"] == "none"
        page.close()


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.5, "1.0 : 1"), (0.8, "4.0 : 1"), (0.25, "1 : 3.0"), (0.99, "99 : 1"), (1e-5, "< 1 : 1000")],
)
def test_odds_from_probabilities(chance: float, words: str) -> None:
    """By hand: 0.8 is 4 to 1, 0.25 is 1 to 3."""
    assert odds_ratio(chance) == words
