"""The page as tests handle it: its shots by the keyboard, what is waited for, pictures of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

__all__ = ["painted", "picture", "shown", "strike", "until"]

_ARTEFACTS = Path(__file__).with_name("artefacts")


def shown(page: Any) -> int:
    """Number of the shot that is drawn, 0 before the first."""
    return int(page.evaluate("document.body.dataset.shot || 0"))


def strike(page: Any) -> int:
    """Strike once and wait until it is drawn; its number."""
    before = shown(page)
    page.keyboard.press("s")
    page.locator(f"body[data-shot='{before + 1}']").wait_for()
    return before + 1


def until(page: Any, condition: str | Callable[[], Any], timeout_ms: int = 30_000) -> None:
    """Wait for a condition of ours, or of the page, whose policy forbids what Playwright's own wait does."""
    for _ in range(timeout_ms // 25):
        if condition() if callable(condition) else page.evaluate(condition):
            return
        page.wait_for_timeout(25)
    pytest.fail(f"never: {condition}")


def painted(page: Any) -> None:
    """Wait until all that was asked is laid out and painted."""
    for _ in range(3):
        page.evaluate("new Promise(done => requestAnimationFrame(() => setTimeout(done)))")


def picture(page: Any, name: str, **how: Any) -> None:
    """Keep the whole page among the artefacts, to be looked at; JPEG takes half the time of PNG."""
    painted(page)
    page.screenshot(path=_ARTEFACTS / f"{name}.jpg", type="jpeg", quality=85, **{"full_page": True, **how})
