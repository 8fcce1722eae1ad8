"""A progress bar for work on the log that may take long, drawn on a terminal only."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

__all__ = ["progress_bar"]


@contextmanager
def progress_bar(what: str) -> Iterator[Callable[[int, int], None]]:
    """A progress function; it draws a bar on a terminal once it is called."""
    bars: list[Any] = []

    def step(done: int, total: int) -> None:
        if not sys.stderr.isatty():
            return
        if not bars:
            from tqdm import tqdm

            bars.append(tqdm(desc=what, total=total, unit="row", file=sys.stderr, leave=False, ncols=79))
        bars[0].update(done - bars[0].n)

    try:
        yield step
    finally:
        for bar in bars:
            bar.close()
