"""How the server bears ill-mannered peers: heads that never come whole, bytes that are no text."""

from __future__ import annotations

import asyncio
import logging

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["TimedHeads", "hushed"]

HEAD_S = 10.0
"""So long the head of a request may take to come whole, from the connection or from its first byte [s]
(common practice of servers; a browser on the same network takes milliseconds)."""


class TimedHeads(H11Protocol):
    """Closes a connection whose request does not come whole in time: each holds a socket of this computer."""

    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for the first head from now on."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take bytes; as long as they are no whole head the time runs on, from the first of them."""
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._stop()
        elif self._waiting is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing more to wait for."""
        self._stop()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._waiting = self.loop.call_later(HEAD_S, self._late)

    def _late(self) -> None:
        self._waiting = None
        if not self.transport.is_closing():
            self.transport.abort()

    def _stop(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None


class _OneLine(logging.Filter):
    """What a peer did wrong is a line, without the server's traceback."""

    def filter(self, record: logging.LogRecord) -> bool:
        kind = record.exc_info[0] if record.exc_info else None
        if kind is not None and issubclass(kind, UnicodeError):
            record.exc_info = None
        return True


_ONE_LINE = _OneLine()


def hushed() -> None:
    """No traceback for bytes of a peer that are no text. Calling it again changes nothing."""
    logging.getLogger("uvicorn.error").addFilter(_ONE_LINE)
