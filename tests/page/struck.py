"""The page's shots by the keyboard: which one it shows, and one more."""

from __future__ import annotations

from typing import Any

__all__ = ["shown", "strike"]


def shown(page: Any) -> int:
    """Number of the shot that is drawn, 0 before the first."""
    return int(page.evaluate("document.body.dataset.shot || 0"))


def strike(page: Any) -> int:
    """Strike once and wait until it is drawn; its number."""
    before = shown(page)
    page.keyboard.press("s")
    page.locator(f"body[data-shot='{before + 1}']").wait_for()
    return before + 1
