"""The guided examination on the page: the terminal's own, begun in either and gone on with in the other."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbell.bench.examination.core import Asked
from coilbell.bench.examination.desk import Desk
from coilbell.bench.facts.examination import Confirm
from coilbell.bench.log import ItemLog, Log
from coilbell.bench.page import Wish
from coilbell.bench.page.order import Work
from coilbell.bench.shelf import Shelf
from coilbell.commands.portsource import PortSource
from coilbell.decay import fit
from coilbell.record import Connection
from coilbell.terms import Step
from coilbell.winding import Capture, Condition, Reference, observe
from page.steered import serving
from page.struck import picture

KIND = "line-output transformer"


@pytest.fixture
def shelved(served: Any, struck: Any) -> None:
    """A reference of one good unit on the served page's shelf."""
    _shelve(served.folder, struck)


def _shelve(folder: Path, struck: Any) -> None:
    good = [
        Capture("unit-1", Condition.GOOD, observe(fit(one), one, connection=Connection.OUT_OF_CIRCUIT))
        for one in struck["healthy"].values()
    ]
    Shelf(folder / "references").put(Reference.begin("tarn-21-line", KIND, good))


def _asked(page: Any, asked: Asked) -> dict[str, Any]:
    return dict(
        page.until(lambda m: m["what"] == "examination" and m["asked"] == asked and not m["busy"], 60)
    )


def _choices(message: dict[str, Any]) -> list[str]:
    return [choice for choice, _ in message["choices"]]


def _terminal(served: Any) -> Desk:
    return Desk(ItemLog(Log(served.folder / "log.sqlite"), "lot-3"), str(served.folder / "references"))


@pytest.mark.usefixtures("shelved")
def test_begun_here_it_stands_the_same_in_a_terminal(
    served: Any, watch: Callable[..., Any], source: Any, struck: Any
) -> None:
    source.records = dict(struck["turn-dead"])
    page = watch()
    assert "no item is on the bench" in _asked(page, Asked.WHAT)["words"]
    assert "begun" in page.answer("examine", item="lot-3", what="tarn-21-line")["words"]
    cautions = page.last["examination"]
    assert cautions["asked"] == Asked.CAUTION
    assert "Never connect the tester to anything live or charged." in cautions["cautions"]
    page.order("choose", item="lot-3", choice="go")
    assert _choices(_asked(page, Asked.STRIKE)) == ["go", "back"]
    page.order("choose", item="lot-3", choice="go")
    end = _asked(page, Asked.END)
    assert source.guided == [(Connection.OUT_OF_CIRCUIT, ())]
    assert end["verdict"][0].startswith("lot-3: A TURN IS SHORTED")
    assert end["hand"]["headline"].startswith("A TURN IS SHORTED")
    assert end["hand"]["healthy"].startswith("healthy ")
    assert _choices(end)[0] == "report"
    desk = _terminal(served)
    prompt = desk.resume()
    assert (prompt.asked, prompt.stands) == (Asked.END, True)
    assert len(desk.drawer.log.judgements(desk.drawer.log.item("lot-3"))) == 1
    page.order("choose", item="lot-3", choice="back")
    assert _asked(page, Asked.STRIKE)["verdict"] == []


@pytest.mark.usefixtures("shelved")
def test_begun_in_a_terminal_it_goes_on_here(
    served: Any, watch: Callable[..., Any], source: Any, struck: Any
) -> None:
    desk = _terminal(served)
    desk.begin("tarn-21-line", in_circuit=True)
    page = watch()
    page.order("work", item="lot-3")
    assert any("Pull the plug" in words for words in _asked(page, Asked.CAUTION)["cautions"])
    desk.act(Confirm())
    assert _asked(page, Asked.STRIKE)["words"] == "strike it, in circuit"
    page.order("choose", item="lot-3", choice="go")
    step = page.until(
        lambda m: m["what"] == "examination" and m["asked"] in (Asked.STEP, Asked.END) and not m["busy"], 60
    )
    assert step["verdict"]
    desk.resume()
    assert desk.finding is not None
    assert step["verdict"][0].partition(": ")[2].startswith(str(desk.finding.verdict.headline).upper())


def test_a_loop_round_the_core_is_proposed_where_nobody_has_seen_a_short_and_stays_a_check(
    watch: Callable[..., Any], source: Any, struck: Any
) -> None:
    source.looped = dict(struck["turn-dead"])
    page = watch()
    page.answer("examine", item="lot-3", what=KIND)
    for asked in (Asked.STRIKE, Asked.STEP):
        page.order("choose", item="lot-3", choice="go")
        step = _asked(page, asked)
    before = step["verdict"][:2]
    assert "OPEN QUESTION: nothing wrong, or a shorted turn" in before[0]
    assert "one closed loop of thick wire round the core" in step["words"]
    assert "a current that burns" in step["cautions"][0]
    page.order("choose", item="lot-3", choice="go")
    after = _asked(page, Asked.END)
    assert source.guided[-1] == (Connection.OUT_OF_CIRCUIT, (Step.LOOP,))
    assert "a shorted turn shows on this part" in after["told"][0]
    assert after["verdict"][:2] == before, "the ring with the loop is not the winding's own"
    page.order("choose", item="lot-3", choice="ring")
    page.until(lambda m: m["what"] == "examination" and m["busy"], 60)
    page.until(lambda m: m["what"] == "examination" and not m["busy"], 60)
    assert source.guided[-1] == (Connection.OUT_OF_CIRCUIT, ()), "the loop came off with its ring"


def test_live_leads_are_told_and_nothing_is_lost(watch: Callable[..., Any], source: Any) -> None:
    page = watch()
    page.answer("examine", item="lot-3", what=KIND)
    page.order("choose", item="lot-3", choice="go")
    _asked(page, Asked.STRIKE)
    source.volts = 12.0
    page.order("choose", item="lot-3", choice="go")
    refused = page.until(lambda m: m["what"] == "answer" and m["failed"], 60)
    assert "live leads" in refused["words"]
    assert page.answer("choose", item="lot-3", choice="skip")["failed"]
    source.volts = 0.0
    page.order("choose", item="lot-3", choice="go")
    _asked(page, Asked.STEP)


def test_from_the_item_to_the_verdict_by_at_most_six_keys(
    tmp_path: Path, struck: Any, look: Callable[..., Any], record_property: Callable[..., None]
) -> None:
    """On the virtual board, out of circuit, with a known reference; the seconds are told, never judged."""
    _shelve(tmp_path, struck)
    source = PortSource("virtual:?part=tarn-line-split&state=turn-dead&seed=1")
    wish = Wish("A", Connection.OUT_OF_CIRCUIT, reference="tarn-21-line", kind=KIND)
    with serving(source, tmp_path, wish, "lot-3") as served:
        page = look(served.address)
        page.locator("#exam[data-asked='what it is and where']").wait_for()
        begun, pressed = time.monotonic(), 0
        for key, asked in (
            ("5", "dialog[open]"),
            ("Control+Enter", "#exam[data-asked=cautions]"),
            ("Enter", "#exam[data-asked=strike]"),
            ("Enter", "#exam[data-asked=end]"),
        ):
            page.keyboard.press(key)
            pressed += 1
            page.locator(asked).wait_for()
        seconds = round(time.monotonic() - begun, 1)
        record_property("seconds", seconds)
        print(f"{pressed} keys, {seconds} s")
        assert pressed <= 6
        assert page.locator("#exam-verdict").inner_text().startswith("lot-3: A TURN IS SHORTED")
        assert page.locator("#hand-headline").inner_text().startswith("A TURN IS SHORTED")
        assert "Q " in page.locator("#hand-q").inner_text()
        picture(page, "examination")
        with page.context.expect_page(timeout=120_000) as opened:
            page.keyboard.press("Enter")
        opened.value.wait_for_load_state()
        assert "lot-3" in opened.value.title()


def test_enter_strikes_only_with_the_cursor_in_the_examination(bench: Any) -> None:
    page = bench.page
    page.keyboard.press("5")
    page.locator("#ask-item").fill("lot-9")
    page.keyboard.press("Control+Enter")
    page.locator("#exam[data-asked=cautions]").wait_for()
    page.keyboard.press("u")
    page.keyboard.press("Enter")
    page.keyboard.press("s")
    page.locator("body[data-shot]").wait_for()
    assert page.locator("#exam").get_attribute("data-asked") == "cautions"
    page.keyboard.press("u")
    page.keyboard.press("Enter")
    page.locator("#exam[data-asked=strike]").wait_for()
    assert not bench.source.guided
    page.keyboard.press("u")
    bench.served.desk.obey(Work(item=""))
