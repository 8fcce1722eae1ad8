"""What a page shows is of one strike, as it was asked, and does not pass for what is there when it is not."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from page.struck import painted, strike, until


def _ready(page: Any) -> None:
    page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "ready")


def test_a_single_strike_is_not_judged_with_a_ring_of_the_strike_before(watch: Callable[..., Any]) -> None:
    """Between two strikes the clips may have gone to another winding."""
    page = watch()
    _ready(page)
    page.order("wish", capacitor="both")
    titles = []
    for _ in range(2):
        page.order("strike")
        titles += [page.next("shot")["title"] for _ in "AB"]
    assert [" and B" in title for title in titles] == [False, True, False, True]
    page.order("run", on=True)
    page.until(lambda m: m["what"] == "shot" and m["number"] >= 6)
    assert all(" and B" in page.next("shot")["title"] for _ in range(3))


def test_rings_from_before_a_loss_are_not_put_with_those_after_it(
    watch: Callable[..., Any], source: Any
) -> None:
    page = watch()
    _ready(page)
    page.order("wish", capacitor="both")
    page.order("run", on=True)
    number = page.until(lambda m: m["what"] == "shot" and " and B" in m["title"])["number"]
    source.unplugged = True
    page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "lost")
    source.unplugged = False
    page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "ready" and not m["running"])
    page.order("run", on=True)
    titles = {}
    while len(titles) < 4:
        shot = page.until(lambda m: m["what"] == "shot" and m["number"] > number)
        titles[shot["number"]] = shot["title"]
    assert any(" and B" not in title for title in titles.values())


def test_a_ring_that_does_not_answer_what_is_asked_is_told(watch: Callable[..., Any]) -> None:
    page = watch()
    _ready(page)
    assert page.last["status"]["unstruck"] == ""
    page.order("strike")
    page.next("shot")
    page.order("wish", capacitor="B", connection="in circuit")
    told = page.until(lambda m: m["what"] == "status" and m["unstruck"])
    assert "capacitor B, connection in circuit" in told["unstruck"]
    page.order("strike")
    page.until(lambda m: m["what"] == "status" and not m["unstruck"])
    page.order("wish", prior="30%")  # the ring is judged anew by it
    status = page.until(lambda m: m["what"] == "status" and m["wish"]["prior"] == "30 %")
    assert status["unstruck"] == ""


def test_an_idle_page_hears_that_its_server_lives(watch: Callable[..., Any]) -> None:
    page = watch()
    _ready(page)
    for _ in range(2):
        assert page.until(lambda m: m["what"] == "beat", 10)


def test_a_server_that_says_nothing_is_taken_for_gone(served: Any, look: Callable[..., Any]) -> None:
    """As when the network is cut and nobody closes the connection."""
    page = look(served.address, clock=True)
    strike(page)
    served.desk.audience.post = lambda message: None
    page.clock.fast_forward(10_000)
    page.locator("#link[data-state=stopped]").wait_for()
    assert page.locator("#leads").inner_text() == "lead voltage not known"
    page.locator("#link[data-state=ready]").wait_for()  # and it asks again, until there is an answer


@pytest.fixture
def page(bench: Any) -> Iterator[Any]:
    yield bench.page
    bench.source.volts = 0.0
    bench.page.locator("#leads[data-state=quiet]").wait_for()


def test_shown_figures_stay_dim_while_nothing_can_be_struck(bench: Any, page: Any) -> None:
    strike(page)
    bench.source.volts = 12.0
    page.locator("#leads[data-state=live]").wait_for()
    page.keyboard.press("k")  # judged anew: a shot comes, but nothing was struck
    page.locator("#answer:not(:empty)").wait_for()
    painted(page)
    assert page.locator("body[data-sleeps]").count() == 1


def test_a_rate_is_shown_only_while_shots_come(page: Any) -> None:
    rate = page.locator("#rate")
    page.keyboard.press("Space")
    rate.filter(has_text="shots a second").wait_for()
    page.keyboard.press("Space")
    page.locator("[data-does=run][aria-pressed=false]").wait_for()
    rate.wait_for(state="hidden")


def test_figures_from_before_a_change_say_so_and_are_dim(page: Any) -> None:
    strike(page)
    shade = "e => getComputedStyle(e).opacity"
    assert page.locator("#said").evaluate(shade) == "1"
    page.keyboard.press("c")
    page.locator("#before", has_text="nothing has been struck with capacitor B").wait_for()
    assert float(page.locator("#figures").evaluate(shade)) < 1
    assert "needs a reference" in page.locator("#plane-words").inner_text()
    for _ in "B+":
        page.keyboard.press("c")
    page.locator("#before", has_text="capacitor A").wait_for()
    strike(page)
    page.locator("#before").wait_for(state="hidden")


def test_the_tone_ends_with_the_shots(page: Any) -> None:
    """One shot sounds once; a tone that went on would tell of a winding that is no longer there."""
    page.evaluate(
        "() => { const set = AudioParam.prototype.setTargetAtTime;"
        " AudioParam.prototype.setTargetAtTime = function (v, ...more) {"
        " if (v > 0 && v < 1) window.loud = this; return set.call(this, v, ...more) } }"
    )
    page.keyboard.press("m")
    strike(page)
    loudness = "window.loud.value"
    until(page, f"{loudness} > 0.02")
    until(page, f"{loudness} < 0.002")
    page.keyboard.press("m")


DECAY = "Bokeh.documents.map(d => d.roots()[0]).find(p => p.below[0].axis_label?.startsWith('time'))"


def _drawn(page: Any) -> dict[str, Any]:
    told = page.evaluate(
        f"(() => {{ const p = {DECAY}; const held = p.renderers[0].data_source.data.at;"
        " return JSON.stringify({unit: p.below[0].axis_label, from: p.x_range.start, to: p.x_range.end,"
        " held: held.length ? held[held.length - 1] : 0}) })()"
    )
    return dict(json.loads(told))


def test_a_held_trace_keeps_its_time_when_the_unit_changes(bench: Any, page: Any, struck: Any) -> None:
    strike(page)
    page.keyboard.press("h")
    long = _drawn(page)
    bench.source.records = dict(struck["turn-dead"])
    strike(page)
    short = _drawn(page)
    assert (long["unit"], short["unit"]) == ("time / ms", "time / us")
    assert short["held"] == pytest.approx(1000 * long["held"])
    page.keyboard.press("h")


def test_a_frozen_picture_stays_where_it_was(bench: Any, page: Any, struck: Any) -> None:
    bench.source.records = dict(struck["turn-dead"])
    strike(page)
    painted(page)
    before = _drawn(page)
    page.keyboard.press("f")
    page.locator("body[data-whole=true]").wait_for()
    painted(page)
    frozen = _drawn(page)
    assert frozen["unit"] == before["unit"]
    assert (frozen["from"], frozen["to"]) == pytest.approx((before["from"], before["to"]), rel=0.02)
    page.keyboard.press("0")
    until(page, f"{DECAY}.x_range.end > 20 * {before['to']}")
    page.keyboard.press("f")
    page.locator("body[data-whole=false]").wait_for()
    bench.source.records = dict(struck["healthy"])
    strike(page)  # and then it follows the rings again
    assert _drawn(page)["unit"] == "time / ms"
    until(page, f"2 < {DECAY}.x_range.end && {DECAY}.x_range.end < 20")
