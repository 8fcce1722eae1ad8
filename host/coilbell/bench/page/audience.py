"""The pages that look on: each has a small mailbox, in which a newer frame takes the place of an older one.

A page says when it has drawn a shot, and gets the next only then: one that is slow, or asleep in a background
tab, misses frames, never sees old ones and delays nobody. One page commands, the
others watch; when the commanding page leaves, the one that came next takes its place.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque

import msgspec
from msgspec import structs

from coilbell.bench.page.messages import Message, Status

__all__ = ["Audience", "Seat"]

_MOST_ANSWERS = 50

_ORDER = ("beat", "status", "sheet", "examination", "trend", "ground", "shot", "whole")
"""In this order messages of one moment go out: what lies under a shot before it."""

_ON_THE_WAY = 2
"""Shots sent and not yet drawn: one being drawn, one travelling."""


class Seat:
    """One page's mailbox."""

    def __init__(self, number: int) -> None:
        self.number = number
        self._newest: dict[str, bytes] = {}
        self._answers: deque[bytes] = deque(maxlen=_MOST_ANSWERS)
        self._filled = asyncio.Event()
        self._on_the_way = 0

    def put(self, what: str, frame: bytes) -> None:
        """Leave a frame; of one kind only the newest stays, answers all stay."""
        if what == "answer":
            self._answers.append(frame)
        else:
            self._newest[what] = frame
        self._filled.set()

    def seen(self) -> None:
        """The page has drawn a shot, or passed over it."""
        self._on_the_way = max(0, self._on_the_way - 1)
        self._filled.set()

    async def take(self) -> list[bytes]:
        """All that waits and may go, what lies under a shot before it; sleeps until there is something."""
        while True:
            await self._filled.wait()
            self._filled.clear()
            frames = [self._newest.pop(what) for what in self._may_go() if what in self._newest]
            frames += self._answers
            self._answers.clear()
            if frames:
                return frames

    def _may_go(self) -> tuple[str, ...]:
        if "shot" not in self._newest or self._on_the_way >= _ON_THE_WAY:
            return tuple(what for what in _ORDER if what != "shot")
        self._on_the_way += 1
        return _ORDER


class Audience:
    """All pages. `post` may be called from any thread, everything else from the server's loop."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._seats: list[Seat] = []
        self._commander: int | None = None
        self._kept: dict[str, bytes] = {}
        self._status: Status | None = None
        self._count = 0

    def open(self) -> None:
        """Begin on the running loop."""
        self._loop = asyncio.get_running_loop()

    def close(self) -> None:
        """From here on messages are dropped."""
        self._loop = None

    @property
    def watched(self) -> bool:
        """True while a page looks on. May be asked from any thread."""
        return bool(self._seats)

    def full(self, most: int) -> bool:
        """True when no further page can look on."""
        return len(self._seats) >= most

    def enter(self) -> Seat:
        """A new page; it gets the newest frames at once."""
        self._count += 1
        seat = Seat(self._count)
        self._seats.append(seat)
        if self._commander is None:
            self._commander = seat.number
        for what, frame in self._kept.items():
            seat.put(what, frame)
        self._tell_status()
        return seat

    def leave(self, seat: Seat) -> None:
        """A page is gone; command passes on."""
        self._seats.remove(seat)
        if self._commander == seat.number:
            self._commander = self._seats[0].number if self._seats else None
        self._tell_status()

    def commands(self, seat: Seat) -> bool:
        """True for the one page whose orders are obeyed."""
        return self._commander == seat.number

    def give_command(self, seat: Seat) -> None:
        """This page commands from now on."""
        self._commander = seat.number
        self._tell_status()

    def post(self, message: Message) -> None:
        """Hand a message to every page."""
        # The work of writing it out is done here, in the thread that made it.
        frame = b"" if isinstance(message, Status) else msgspec.json.encode(message)
        loop = self._loop
        if loop is None:
            return
        with contextlib.suppress(RuntimeError):  # the server ends at this very moment
            loop.call_soon_threadsafe(self._hand_out, message, frame)

    def _hand_out(self, message: Message, frame: bytes) -> None:
        if isinstance(message, Status):
            self._status = message
            self._tell_status()
            return
        what = message.what
        if what not in ("answer", "beat"):
            self._kept[what] = frame
        for seat in self._seats:
            seat.put(what, frame)

    def _tell_status(self) -> None:
        if self._status is None:
            return
        for seat in self._seats:
            own = structs.replace(self._status, commands=self.commands(seat), pages=len(self._seats))
            seat.put(own.what, msgspec.json.encode(own))
