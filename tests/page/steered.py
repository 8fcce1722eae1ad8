"""A source that tests steer, a server in a thread, and a page without a browser."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from coilbell.bench.page import Desk, Keeping, Leads, Link, Server, Wish
from coilbell.errors import BoardError, MissingError, WireError
from coilbell.record import Connection, Record
from coilbell.terms import Step

__all__ = ["Served", "SteeredSource", "Watcher", "serving"]


@dataclass
class SteeredSource:
    """Gives kept records of a virtual board; can be unplugged, or find its leads live."""

    records: dict[str, Record]
    unplugged: bool = False
    volts: float = 0.0
    closed: int = 0
    shots: list[tuple[str, Connection]] = field(default_factory=list)
    guided: list[tuple[Connection, tuple[Step, ...]]] = field(default_factory=list)
    looped: dict[str, Record] = field(default_factory=dict)
    pause_s: float = 0.02
    begun: threading.Event = field(default_factory=threading.Event)
    """Set once a shot is on its way."""
    may_end: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.may_end.set()

    def _there(self) -> None:
        if self.unplugged:
            raise MissingError("the tester is not there: unplugged")

    def capacitors(self) -> tuple[str, ...]:
        self._there()
        return ("A", "B")

    def link(self) -> Link:
        self._there()
        return Link("a steered source")

    def leads(self) -> Leads:
        self._there()
        return Leads(self.volts, 0.5)

    def capture(self, letter: str, connection: Connection) -> Record:
        if self.unplugged:
            raise WireError("the tester vanished")
        if abs(self.volts) > 0.5:
            raise BoardError("the board refused: live leads")
        self.begun.set()
        self.may_end.wait(20)
        time.sleep(self.pause_s)
        self.shots.append((letter, connection))
        return replace(self.records[letter], connection=connection)

    def strike(
        self, connection: Connection, done: tuple[Step, ...], reference: Any, *, small: bool
    ) -> list[tuple[str, tuple[Record, ...]]]:
        """One record with each capacitor; with a loop round the core those of `looped`."""
        self.leads()
        if abs(self.volts) > 0.5:
            raise BoardError("the board refused: live leads")
        self.guided.append((connection, done))
        records = self.looped if Step.LOOP in done and self.looped else self.records
        now = datetime.now(UTC)
        return [
            (f"capacitor {letter}", (replace(one, connection=connection, done=done, utc=now),))
            for letter, one in records.items()
        ]

    def aim_again(self) -> None:
        pass

    def close(self) -> None:
        self.closed += 1


@dataclass
class Served:
    """A running server."""

    server: Server
    desk: Desk
    folder: Path

    @property
    def address(self) -> str:
        return self.server.address

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.server.port}"


@contextmanager
def serving(
    source: Any, folder: Path, wish: Wish | None = None, item: str = "", **where: Any
) -> Iterator[Served]:
    keeping = Keeping(folder / "references", folder / "log.sqlite")
    desk = Desk(source, keeping, wish or Wish(kind="line-output transformer"), item)
    server = Server(desk, **where)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield Served(server, desk, folder)
    finally:
        server.stop()
        thread.join(20)
        assert not thread.is_alive()


class Watcher:
    """A page without a browser."""

    def __init__(self, served: Served, **more: Any) -> None:
        from websockets.sync.client import connect

        # No limit to what waits to be read: a page that is closed with a full queue waits for its timeout.
        more = {"origin": served.origin, "close_timeout": 0.5, "max_queue": None, **more}
        address = served.address.replace("http:", "ws:") + "shots"
        self.last: dict[str, dict[str, Any]] = {}
        self._opened = connect(address, max_size=None, **more)
        self.socket = self._opened.__enter__()

    def close(self) -> None:
        self._opened.__exit__(None, None, None)

    def order(self, do: str, **what: Any) -> None:
        self.socket.send(json.dumps({"do": do, **what}))

    def until(self, wanted: Callable[[dict[str, Any]], Any], timeout_s: float = 20) -> dict[str, Any]:
        """The first message that is wanted."""
        end = time.monotonic() + timeout_s
        while True:
            message = json.loads(self.socket.recv(max(0.01, end - time.monotonic())))
            self.last[message["what"]] = message
            if message["what"] == "shot":
                self.order("seen")
            if wanted(message):
                return dict(message)

    def answer(self, do: str, **what: Any) -> dict[str, Any]:
        """What an order is answered with."""
        self.order(do, **what)
        return self.next("answer")

    def next(self, what: str) -> dict[str, Any]:
        return self.until(lambda message: message["what"] == what)
