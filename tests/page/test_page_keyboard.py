"""The page without a mouse: the cursor goes from control to control, and keys do what they do everywhere."""

from __future__ import annotations

from typing import Any

import pytest

from page.struck import painted, shown


def _cursor(page: Any) -> str:
    return str(page.evaluate("document.activeElement.dataset.does || document.activeElement.id"))


def test_space_presses_the_button_that_has_the_cursor(bench: Any) -> None:
    page = bench.page
    before = shown(page)
    page.locator("[data-does=strike]").focus()
    page.keyboard.press("Space")
    page.locator(f"body[data-shot='{before + 1}']").wait_for()
    assert page.locator("[data-does=run]").get_attribute("aria-pressed") == "false"
    assert _cursor(page) == "strike"
    was = page.locator("#why").get_attribute("open")
    page.locator("#why summary").focus()
    page.keyboard.press("Space")
    assert page.locator("#why").get_attribute("open") != was
    page.keyboard.press("y")
    assert page.locator("#why").get_attribute("open") == was
    page.keyboard.press("Escape")


def test_after_a_mouse_the_space_bar_strikes(bench: Any) -> None:
    page = bench.page
    page.locator("[data-does=wider]").click()
    assert _cursor(page) == ""
    page.keyboard.press("0")


def test_a_list_is_gone_through_and_typed_into_without_losing_the_cursor(bench: Any) -> None:
    from playwright.sync_api import expect

    page = bench.page
    kind = page.locator("#wish-kind")
    kind.focus()
    page.keyboard.type("vert")
    expect(kind).to_have_value("vertical yoke")
    assert page.locator("dialog[open]").count() == 0
    page.keyboard.press("ArrowDown")
    expect(kind).to_have_value("other winding")
    assert _cursor(page) == "wish-kind"
    page.keyboard.press("Escape")
    painted(page)
    assert kind.input_value() == "other winding"


def test_a_choice_that_is_refused_does_not_stay_in_the_list(bench: Any) -> None:
    page = bench.page
    kind = page.locator("#wish-kind")
    held = kind.input_value()
    kind.evaluate("e => { e.add(new Option('a wound banana')); e.focus() }")
    page.keyboard.press("End")
    page.locator("#answer[data-failed]", has_text="a wound banana").wait_for()
    assert kind.input_value() == held
    kind.evaluate("e => e.lastChild.remove()")
    page.keyboard.press("Escape")


@pytest.mark.parametrize(("key", "code"), [("р", "KeyH")])
def test_a_keyboard_without_latin_letters_counts_by_place(bench: Any, key: str, code: str) -> None:
    page = bench.page
    hold = page.locator("[data-does=hold]")
    for held in ("true", "false"):
        page.evaluate(
            "([key, code]) => document.body.dispatchEvent("
            "new KeyboardEvent('keydown', {key, code, bubbles: true}))",
            [key, code],
        )
        assert hold.get_attribute("aria-pressed") == held
