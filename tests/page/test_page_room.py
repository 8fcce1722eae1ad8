"""Nothing runs into anything else: zoom, long names, forced colours, a bar at the bottom."""

from __future__ import annotations

from typing import Any

import pytest

LONG = "Oberspannungswicklung" * 6
CROSSED = (
    "[...document.querySelectorAll('#figures div, #said p, #said h2, #because li, #controls button, "
    "#controls select, #sheet p')].filter(e => e.offsetParent && e.scrollWidth > e.clientWidth + 1)"
    ".map(e => `${e.tagName} ${e.textContent.slice(0, 40)}`)"
)


def _struck(page: Any) -> None:
    before = int(page.evaluate("document.body.dataset.shot || 0"))
    page.keyboard.press("s")
    page.locator(f"body[data-shot='{before + 1}']").wait_for()


@pytest.fixture
def narrow(bench: Any) -> Any:
    yield bench.page
    bench.page.set_viewport_size({"width": 1280, "height": 900})


@pytest.mark.parametrize("width", [640, 320])
def test_figures_and_names_stay_in_their_place(narrow: Any, width: int) -> None:
    page = narrow
    _struck(page)
    page.set_viewport_size({"width": width, "height": 450})
    page.evaluate("(words) => { document.getElementById('sentence').textContent = words }", f"by {LONG}")
    page.evaluate("(words) => { document.getElementById('sheet-words').textContent = words }", LONG)
    page.wait_for_timeout(300)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(CROSSED) == []
    page.evaluate("scrollTo(0, 400)")
    assert page.locator("header").evaluate("e => e.getBoundingClientRect().bottom") <= 0
    page.evaluate("scrollTo(0, 0)")
    _struck(page)


def test_what_is_pressed_shows_without_colour(bench: Any) -> None:
    page = bench.page
    _struck(page)
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
    page.locator("[data-does=run]").focus()
    for _ in range(18):
        page.keyboard.press("Tab")
        cursor, bar = (
            page.evaluate(f"{what}.getBoundingClientRect().toJSON()")
            for what in ("document.activeElement", "document.getElementById('answer')")
        )
        assert cursor["bottom"] <= bar["top"] or cursor["top"] >= bar["bottom"]
    page.keyboard.press("Escape")
    page.evaluate("scrollTo(0, 0)")


def test_letters_follow_the_size_chosen_in_the_browser(bench: Any) -> None:
    """A root in pixels would pass over it."""
    import httpx

    text = httpx.get(bench.served.address + "own/page.css").text
    assert "font: 100%/" in text
    assert 'data-type="large"] { font-size: 162.5%' in text
