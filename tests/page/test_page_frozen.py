"""A frozen picture says that it is one, and is never kept for another ring."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from page.struck import shown, strike


def test_before_any_shot_there_is_nothing_to_freeze_or_hold(served: Any, look: Callable[..., Any]) -> None:
    page = look(served.address)
    for key, name in (("f", "freeze"), ("h", "hold")):
        page.keyboard.press(key)
        page.locator("#answer[data-failed]", has_text="nothing has been struck yet").wait_for()
        assert page.locator(f"[data-does={name}]").get_attribute("aria-pressed") == "false"
    assert strike(page) == 1


def test_a_ring_behind_a_frozen_picture_is_not_kept_unseen(bench: Any) -> None:
    page, shots = bench.page, bench.source.shots
    frozen = strike(page)
    page.keyboard.press("f")
    page.locator("body[data-frozen][data-whole=true]").wait_for()
    head = page.locator("#title").evaluate("e => getComputedStyle(e, '::before').content")
    assert "Frozen" in head
    page.keyboard.press("l")  # nothing came after it: it is the last ring
    page.locator("dialog[open]").wait_for()
    page.keyboard.press("Escape")
    page.locator("dialog[open]").wait_for(state="detached")
    struck = len(shots)
    page.keyboard.press("s")
    for _ in range(100):
        if len(shots) > struck:
            break
        page.wait_for_timeout(20)
    page.wait_for_timeout(400)
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
