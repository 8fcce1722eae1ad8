"""Nothing runs into anything else: zoom, long names, forced colours, a bar at the bottom."""

from __future__ import annotations

from typing import Any

import pytest

from page.struck import painted, shown, strike, until

LONG = "Oberspannungswicklung" * 6
CROSSED = (
    "[...document.querySelectorAll('#figures div, #said p, #said h2, #because li, #controls button, "
    "#controls select, #sheet p')].filter(e => e.offsetParent && e.scrollWidth > e.clientWidth + 1)"
    ".map(e => `${e.tagName} ${e.textContent.slice(0, 40)}`)"
)


@pytest.fixture
def narrow(bench: Any) -> Any:
    yield bench.page
    bench.page.set_viewport_size({"width": 1280, "height": 900})


@pytest.mark.parametrize("width", [640, 320])
def test_figures_and_names_stay_in_their_place(narrow: Any, width: int) -> None:
    page = narrow
    strike(page)
    page.set_viewport_size({"width": width, "height": 450})
    page.evaluate("(words) => { document.getElementById('sentence').textContent = words }", f"by {LONG}")
    page.evaluate("(words) => { document.getElementById('sheet-words').textContent = words }", LONG)
    until(page, f"document.documentElement.scrollWidth <= {width}")
    assert page.evaluate(CROSSED) == []
    page.evaluate("scrollTo(0, 400)")
    assert page.locator("header").evaluate("e => e.getBoundingClientRect().bottom") <= 0
    page.evaluate("scrollTo(0, 0)")
    strike(page)


def test_what_is_pressed_shows_without_colour(bench: Any) -> None:
    page = bench.page
    strike(page)
    page.keyboard.press("h")
    mark = "e => getComputedStyle(e, '::before').content"
    assert "\u2713" in page.locator("[data-does=hold]").evaluate(mark)
    assert "\u2713" not in page.locator("[data-does=freeze]").evaluate(mark)
    page.keyboard.press("h")


def test_the_bar_of_answers_does_not_hide_what_has_the_cursor(narrow: Any) -> None:
    page = narrow
    page.set_viewport_size({"width": 640, "height": 450})
    page.evaluate("scrollTo(0, 0)")
    page.keyboard.press("k")
    page.locator("#answer:not(:empty)").wait_for()
    page.locator("#wish-capacitor").focus()
    for _ in range(18):
        page.keyboard.press("Tab")
        cursor, bar = (
            page.evaluate(f"{what}.getBoundingClientRect().toJSON()")
            for what in ("document.activeElement", "document.getElementById('answer')")
        )
        assert cursor["bottom"] <= bar["top"] or cursor["top"] >= bar["bottom"]
    page.keyboard.press("Escape")
    page.evaluate("scrollTo(0, 0)")


@pytest.mark.parametrize("width", [360, 320])
def test_a_number_stays_whole_with_its_unit_on_a_phone(narrow: Any, width: int) -> None:
    """`overflow-wrap` breaks what has no room even inside a word: "21.015(52) k", "Hz"."""
    page = narrow
    strike(page)
    page.set_viewport_size({"width": width, "height": 740})
    page.evaluate(
        "() => { const [name, value, more] = document.getElementById('figures').children[0].children;"
        " value.textContent = '21.343131(37)\\u00a0kHz';"
        " more.textContent = '95 %: 21.34306..21.34320 kHz; natural\\u00a021.343329(37)\\u00a0kHz' }"
    )
    painted(page)
    torn = (
        "[...document.querySelectorAll('#figures dd')].flatMap(e => {"
        " const text = e.firstChild; if (!text) return [];"
        " return text.data.split(/[ ;]+/).filter(word => {"
        " const at = text.data.indexOf(word), r = document.createRange();"
        " r.setStart(text, at); r.setEnd(text, at + word.length);"
        " return new Set([...r.getClientRects()].map(c => Math.round(c.top))).size > 1 }) })"
    )
    assert page.evaluate(torn) == []


def test_wheel_and_finger_scroll_the_page_over_the_plots_too(narrow: Any) -> None:
    """A gesture that moved a plot instead had left it empty, with nothing on a phone to bring it back."""
    page = narrow
    strike(page)
    page.set_viewport_size({"width": 360, "height": 740})
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setTouchEmulationEnabled", {"enabled": True})
    for move in (_wheeled, _swiped):
        page.evaluate("document.getElementById('decay').scrollIntoView({block: 'center'})")
        before, box = page.evaluate("scrollY"), page.locator("#decay").bounding_box()
        move(session, box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        until(page, f"scrollY > {before}")
    session.send("Emulation.setTouchEmulationEnabled", {"enabled": False})
    session.detach()
    page.evaluate("scrollTo(0, 0)")


def _wheeled(session: Any, x: float, y: float) -> None:
    session.send(
        "Input.dispatchMouseEvent", {"type": "mouseWheel", "x": x, "y": y, "deltaX": 0, "deltaY": 100}
    )


def _swiped(session: Any, x: float, y: float) -> None:
    touch = "Input.dispatchTouchEvent"
    session.send(touch, {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    for step in range(8):
        session.send(touch, {"type": "touchMove", "touchPoints": [{"x": x, "y": y - 12 * step}]})
    session.send(touch, {"type": "touchEnd", "touchPoints": []})


def test_the_plots_do_not_move_while_doubts_come_and_go(bench: Any, struck: Any) -> None:
    page = bench.page
    top = "document.getElementById('decay-figure').getBoundingClientRect().top + scrollY"
    records = [dict(struck[state]) for state in ("turn-dead", "healthy")]
    bench.source.records = records[0]
    page.keyboard.press("Space")
    tops = []
    for record in records:
        bench.source.records = record
        number = shown(page)
        until(page, f"Number(document.body.dataset.shot) > {number + 3}")
        tops.append(page.evaluate(top))
    assert tops[1] >= tops[0]
    page.keyboard.press("Space")
    page.locator("[data-does=run][aria-pressed=false]").wait_for()
    assert page.evaluate(top) < tops[0]


def test_the_list_of_keys_goes_back_to_where_one_was(bench: Any) -> None:
    page = bench.page
    page.evaluate("scrollTo(0, 10)")
    page.keyboard.press("?")
    assert page.evaluate("scrollY") > 10
    page.keyboard.press("?")
    assert page.evaluate("scrollY") == 10
    page.evaluate("scrollTo(0, 0)")


def test_letters_follow_the_size_chosen_in_the_browser(bench: Any) -> None:
    """A root in pixels would pass over it."""
    import httpx

    text = httpx.get(bench.served.address + "own/page.css").text
    assert "font: 100%/" in text
    assert 'data-type="large"] { font-size: 162.5%' in text


@pytest.mark.parametrize(("width", "height"), [(390, 844), (800, 600), (1400, 900)])
def test_what_the_hand_needs_is_in_sight_and_does_not_move(narrow: Any, width: int, height: int) -> None:
    """Strike, verdict with odds, Q and the difference to the healthy one; before and after shots."""
    page = narrow
    page.set_viewport_size({"width": width, "height": height})
    shown = (
        "[...document.querySelectorAll('#hand, #hand button:not([hidden]), #hand-headline, #hand-figures')]"
    )
    places = (
        f"{shown}.map(e => {{ const r = e.getBoundingClientRect(); return [r.left, r.bottom, r.right] }})"
    )
    corners = (
        f"{shown}.slice(0, 3).map(e => {{ const r = e.getBoundingClientRect(); return [r.top, r.left] }})"
    )
    before = page.evaluate(corners)
    strike(page)
    assert page.evaluate(corners) == before
    for left, bottom, right in page.evaluate(places):
        assert 0 <= left < right <= width
        assert bottom <= height
    assert page.locator("#hand-q").inner_text().startswith("Q ")
