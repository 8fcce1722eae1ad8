"""The link between a virtual board and the host: as slow as USB, and able to misbehave."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator

from coilbell.board.virtual.address import Address

__all__ = ["Cable", "Unplugged"]

_CHUNK = 512
"""Bytes that are lost or damaged together, and the grain of the pace."""
_SLACK_S = 0.02


class Unplugged(Exception):
    """The board is gone from the link."""


class Cable:
    """Carries a board's bytes to the host.

    wishes: pace and misbehaviour; the same seed misbehaves alike.
    """

    def __init__(self, wishes: Address) -> None:
        self._wishes = wishes
        self._rng = random.Random(wishes.seed)
        self._carried = 0
        self._free_at = 0.0

    def carry(self, data: bytes) -> Iterator[tuple[int, bytes]]:
        """The pieces that arrive, each when it does and with the number of bytes it stands for.

        Ends early where the link stalls; raises Unplugged.
        """
        for start in range(0, len(data), _CHUNK):
            chunk = data[start : start + _CHUNK]
            self._wait(len(chunk))
            passed = self._cut(chunk)
            if self._spoils(self._wishes.drop):
                yield len(passed), b""
            else:
                yield from self._split(self._spoilt(passed))
            if len(passed) < len(chunk):
                return

    def _wait(self, size: int) -> None:
        if not self._wishes.pace:
            return
        now = time.monotonic()
        # A sleep that lasted too long is made good by the next ones.
        self._free_at = max(self._free_at, now - _SLACK_S) + size / self._wishes.pace
        # Sleeping for every chunk would cost more than it takes; some milliseconds at a time are enough.
        if self._free_at - now > 0.004:
            time.sleep(self._free_at - now)

    def _cut(self, chunk: bytes) -> bytes:
        """What of the chunk comes before the link stalls or the board vanishes."""
        before, self._carried = self._carried, self._carried + len(chunk)
        if self._wishes.vanish is not None and self._carried > self._wishes.vanish:
            raise Unplugged
        if self._wishes.stall is not None and self._carried > self._wishes.stall:
            return chunk[: max(0, self._wishes.stall - before)]
        return chunk

    def _spoils(self, share: float) -> bool:
        return share > 0 and self._rng.random() < share

    def _spoilt(self, chunk: bytes) -> bytes:
        if not chunk or not self._spoils(self._wishes.corrupt):
            return chunk
        spoilt = bytearray(chunk)
        spoilt[self._rng.randrange(len(spoilt))] ^= 1 << self._rng.randrange(8)
        return bytes(spoilt)

    def _split(self, chunk: bytes) -> Iterator[tuple[int, bytes]]:
        step = self._wishes.split or _CHUNK
        for start in range(0, len(chunk), step):
            piece = chunk[start : start + step]
            yield len(piece), piece
