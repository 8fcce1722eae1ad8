"""A frozen picture says that it is one, and is never kept for another ring."""

from __future__ import annotations

from typing import Any

from page.struck import painted, shown, strike, until


def test_a_ring_behind_a_frozen_picture_is_not_kept_unseen(bench: Any) -> None:
    page = bench.page
    frozen = strike(page)
    page.keyboard.press("f")
    page.locator("body[data-frozen][data-whole=true]").wait_for()
    head = page.locator("#title").evaluate("e => getComputedStyle(e, '::before').content")
    assert "Frozen" in head
    page.keyboard.press("l")  # nothing came after it: it is the last ring
    page.locator("dialog[open]").wait_for()
    page.keyboard.press("Escape")
    page.locator("dialog[open]").wait_for(state="detached")
    page.keyboard.press("s")
    until(page, f"document.body.dataset.newest === '{frozen + 1}'")
    painted(page)
    assert shown(page) == frozen
    for key in ("l", "g", "x"):
        page.keyboard.press(key)
        page.locator("#answer[data-failed]", has_text=f"frozen at shot {frozen}").wait_for()
        assert page.locator("dialog[open]").count() == 0
    page.keyboard.press("f")
    page.locator(f"body[data-shot='{frozen + 1}']").wait_for()
    page.keyboard.press("l")
    page.locator("dialog[open]").wait_for()
    page.keyboard.press("Escape")
    page.locator("dialog[open]").wait_for(state="detached")
