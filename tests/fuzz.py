"""Cases for what is handed over: a seed makes the corpus, and a longer time makes more of it.

COILBELL_FUZZ_MINUTES=60 goes on for so long instead of the few cases of every run; COILBELL_FUZZ_CASES sets
their number.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import time
from collections.abc import Iterator
from typing import Any

from coilbell.cli import main

__all__ = ["cases", "damaged", "mutated", "said"]

_NUMBERS = (0, -1, 1, 2, 10**30, -0.0, 0.5, 1e-320, 1e150, -1e300, 1e308)
_TEXTS = ("", "x", "nan", "\x1b[2J", "\u202e", "a" * 300_000, "2026-13-40T00:00:00Z", "loaded", "finding")
ODD: tuple[Any, ...] = (None, True, False, *_NUMBERS, *_TEXTS, [], {}, [[]], {"": None})
"""Values that a field is given instead of its own."""


def cases(seed: int, count: int) -> Iterator[tuple[int, random.Random]]:
    """Numbered cases with a source of chance each, of the corpus that `seed` makes."""
    minutes = float(os.environ.get("COILBELL_FUZZ_MINUTES", "0"))
    count = int(os.environ.get("COILBELL_FUZZ_CASES", count))
    end, number = time.monotonic() + 60 * minutes, 0
    while number < count or time.monotonic() < end:
        yield number, random.Random(f"{seed}-{number}")
        number += 1


def damaged(content: bytes, chance: random.Random) -> bytes:
    """The content with one bit changed."""
    found = bytearray(content)
    bit = chance.randrange(8 * len(found))
    found[bit // 8] ^= 1 << bit % 8
    return bytes(found)


def mutated(value: Any, chance: random.Random) -> str:
    """Change one place of nested JSON; returns what was done."""
    holders = list(_holders(value))
    holder, key = holders[chance.randrange(len(holders))]
    if isinstance(holder, dict) and chance.random() < 0.25:
        del holder[key]
        return f"{key!r} left out"
    odd = chance.choice(ODD)
    if isinstance(holder[key], float) and chance.random() < 0.5:
        odd = holder[key] * chance.choice((-1, 0, 1e-30, 1e30, 2, 1 / 3))
    holder[key] = odd
    return f"{key!r} made {str(odd)[:40]!r}"


def _holders(value: Any) -> Iterator[tuple[Any, Any]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in inner:
        yield value, key
        yield from _holders(one)


def said(*words: str) -> tuple[int, str]:
    """Exit code and both streams of a command; an error that escapes it fails the test."""
    told = io.StringIO()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(told):
        try:
            code = main([*words])
        except SystemExit as end:
            code = int(end.code or 0)
    return code, told.getvalue()
