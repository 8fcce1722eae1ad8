"""Stands between host and firmware: the link on one side, the simulated hardware on the other.

The firmware's process asks over a socket, one request at a time, and waits for the answer:

    request   letter, length u32 (little endian), that many bytes
    answer    length u32, that many bytes; length 0xFFFFFFFF: the host sent Ctrl-C

    R  most bytes u32, patience [ms] u32      bytes from the host, none when the patience is over
    P  nothing                                one byte: 1 when bytes from the host wait
    W  bytes                                  u32: how many of them the link took
    S  a shot, as text                        its converter codes, u16 each
    L  nothing                                voltage at the leads [uV], i32

Reading and writing behave as on the board's USB: Ctrl-C from the host empties what it sent before and
interrupts the firmware wherever it next reads or writes; bytes the host does not take within half a
second are not waited for, and the count says so.
"""

from __future__ import annotations

import select
import socket
import struct
import threading
import time
from collections.abc import Callable

from coilbell.board.virtual.cable import Cable, Unplugged

__all__ = ["INTERRUPTED", "Bridge", "HostLink"]

INTERRUPTED = 0xFFFFFFFF
_CTRL_C = 3
_RING = 512
"""Bytes from the host the board holds before the link stops taking more."""
_PATIENCE_S = 0.5
_HEAD = struct.Struct("<cI")
_LENGTH = struct.Struct("<I")


class HostLink:
    """The socket to the host, as the board's USB stack would treat it."""

    def __init__(self, sock: socket.socket, cable: Cable, gone: Callable[[], None]) -> None:
        self._socket = sock
        self._cable = cable
        self._gone = gone
        self._ring = bytearray()
        self._interrupt = False
        self._changed = threading.Condition()
        sock.setblocking(False)
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: len(self._ring) < _RING)
                room = _RING - len(self._ring)
            data = self._received(room)
            if not data:
                self._gone()
                return
            self._take(data)

    def _received(self, most: int) -> bytes:
        """The next bytes from the host; b"" when it is gone."""
        while True:
            try:
                select.select([self._socket], [], [])
                return self._socket.recv(most)
            except BlockingIOError:
                continue
            except (OSError, ValueError):
                return b""

    def _take(self, data: bytes) -> None:
        with self._changed:
            at = data.rfind(_CTRL_C)
            if at >= 0:
                self._ring.clear()
                self._interrupt = True
            self._ring += data[at + 1 :]
            self._changed.notify_all()

    def read(self, most: int, patience_s: float) -> bytes | None:
        """Up to `most` bytes, none after `patience_s` [s]; None when Ctrl-C came."""
        with self._changed:
            self._changed.wait_for(lambda: self._ring or self._interrupt, patience_s)
            if self._interrupted():
                return None
            data = bytes(self._ring[:most])
            del self._ring[:most]
            self._changed.notify_all()
            return data

    def waiting(self) -> bytes | None:
        """b"\\1" when bytes from the host wait, else b"\\0"; None when Ctrl-C came."""
        with self._changed:
            return None if self._interrupted() else bytes([bool(self._ring)])

    def write(self, data: bytes) -> int | None:
        """How many of the bytes the host took; None when Ctrl-C came. Raises Unplugged."""
        taken = 0
        for size, piece in self._cable.carry(data):
            with self._changed:
                if self._interrupted():
                    return None
            if not self._send(piece):
                return taken
            taken += size
        if taken < len(data):
            time.sleep(_PATIENCE_S)
        return taken

    def _interrupted(self) -> bool:
        was, self._interrupt = self._interrupt, False
        return was

    def _send(self, piece: bytes) -> bool:
        """False when the host takes nothing for half a second."""
        view = memoryview(piece)
        while view:
            try:
                if not select.select([], [self._socket], [], _PATIENCE_S)[1]:
                    return False
                view = view[self._socket.send(view) :]
            except BlockingIOError:
                continue
            except (OSError, ValueError) as error:
                raise Unplugged from error
        return True


class Bridge:
    """Answers the firmware until it ends.

    sock: the firmware's; link: to the host; answers: what S and L give, from the request's bytes.
    """

    def __init__(
        self, sock: socket.socket, link: HostLink, answers: dict[bytes, Callable[[bytes], bytes]]
    ) -> None:
        self._stream = sock.makefile("rwb")
        self._link = link
        self._answers = answers

    def run(self) -> None:
        """Serve requests; returns when the firmware's process is gone, raises Unplugged."""
        while True:
            head = self._stream.read(_HEAD.size)
            if len(head) < _HEAD.size:
                return
            letter, size = _HEAD.unpack(head)
            self._answer(self._served(letter, self._stream.read(size)))

    def _served(self, letter: bytes, asked: bytes) -> bytes | None:
        if letter == b"R":
            most, patience_ms = struct.unpack("<II", asked)
            return self._link.read(most, patience_ms / 1000)
        if letter == b"P":
            return self._link.waiting()
        if letter == b"W":
            taken = self._link.write(asked)
            return None if taken is None else _LENGTH.pack(taken)
        return self._answers[letter](asked)

    def _answer(self, data: bytes | None) -> None:
        self._stream.write(_LENGTH.pack(INTERRUPTED if data is None else len(data)) + (data or b""))
        self._stream.flush()
