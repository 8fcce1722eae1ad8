"""One request after another over a port, and what can go wrong on the way.

Frame errors are translated here and nowhere else:

    what happened                                            raised
    --------------------------------------------------------------------------------------
    the board refuses, or its firmware fails                 Refusal, a BoardError
    its protocol has another version                         MissingError with both numbers
    a traceback of the board stands in the stream            BoardError with the board's words
    the board stands at its prompt                           BoardError
    nothing at all came                                      BoardTimeout "no data"
    frames came, then nothing more                           BoardTimeout "stopped midway"
    bytes came without end, and no frame among them          WireError
    the answer takes more time, frames or bytes than it can  WireError
    frames came damaged, or their count or sum is wrong      WireError
    the port is gone                                         PortLost, a WireError
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from zlib import crc32

from coilbell.board import frame, ports, reader
from coilbell.board.bounds import Bounds, bounds
from coilbell.board.transport import Port
from coilbell.errors import BoardError, BoardTimeout, MeasurementError, MissingError, WireError

__all__ = ["Exchange", "Refusal", "Tally", "Told", "fields_of"]

_FIRMWARE = "the firmware on it: coilbell board flash"
_TRACEBACK = "Traceback (most recent call last):"
_PROMPT = ">>>"
_TYPED = 'File "<stdin>"'
"""Stands in a traceback of what was typed at the prompt, such as a request to a program that is not there."""
_QUIET_S = 0.3
_SLOW_WORDS_S = 1.0
"""A traceback has ended when nothing came for so long."""
_SAID = 60
"""Lines of text that are kept."""
_GARBAGE_TIMES = 5
"""So many times the patience is waited for a frame while bytes come that are none."""
_UNENDING_S = 10.0
"""So long a board is waited for that goes on sending after it was told to stop [s]."""
_STRANGER_TIMES = 1
"""The same where no frame ever came: whatever is there is no tester."""


class Refusal(BoardError):
    """The board closed a request with ERROR; `code` is one of those in frame.py, `value` its figure."""

    def __init__(self, code: int, value: int, words: str) -> None:
        super().__init__(
            f"the board refused: {words}" if code < frame.CAPTURE_FAILED else f"the board: {words}"
        )
        self.code = code
        self.value = value


@dataclass(slots=True)
class Tally:
    """What happened on the wire since the port was opened."""

    frames: int = 0
    """Frames that arrived whole and were asked for."""
    damaged: int = 0
    """Frames that were begun and did not arrive whole."""
    lost_bytes: int = 0
    """Bytes that were neither frame nor text."""
    late: int = 0
    """Frames that belong to an earlier request."""
    retried: int = 0
    """Requests made again after a loss."""


class Exchange:
    """Requests and answers on one port.

    patience_s: the longest silence within an answer of a board slower than the table in `frame` says [s].
    """

    def __init__(self, port: Port, patience_s: float | None = None) -> None:
        self.port = port
        self.patience_s = patience_s
        self.tally = Tally()
        self._reader = reader.Reader()
        # Answers to a program that used the port before must not pass for ours.
        self._number = random.randrange(frame.MAX_ID)
        self._said: list[str] = []

    @property
    def at_prompt(self) -> bool:
        """True when the board answered from its prompt instead of its program."""
        return any(_PROMPT in line for line in self._said)

    @property
    def met(self) -> bool:
        """True once anything came that only a tester sends."""
        return bool(self.tally.frames or self.tally.late or self.tally.damaged)

    @property
    def failure(self) -> BoardError | None:
        """The traceback of a program among the last words of the board, read to its end; None for none."""
        return self._board_words() if _TRACEBACK in "\n".join(self._said) else None

    @property
    def said(self) -> str:
        """The last text the board sent outside of frames, "" for none."""
        return self._said[-1] if self._said else ""

    def ask(self, word: str, **keys: object) -> Iterator[reader.Frame]:
        """Send a request; gives the frames of its answer, END the last. Raises MeasurementError."""
        most = bounds(word, keys, self.patience_s)
        number = self._send(word, **keys)
        harmed, total = self.tally.damaged, 0
        for count, item in enumerate(self._answer(number, word, most)):
            _gate(item)
            if item.type == frame.ERROR:
                raise _refusal(item)
            if item.type == frame.DATA:
                total = crc32(item.payload, total)
            if item.type == frame.END:
                self._settle(fields_of(item), count, total, harmed)
            yield item
            if item.type == frame.END:
                return

    def _send(self, word: str, **keys: object) -> int:
        self._number = self._number % frame.MAX_ID + 1
        self._said.clear()
        self.port.write(reader.encode_request(word, self._number, **keys))
        return self._number

    def _settle(self, end: Told, frames: int, total: int, harmed: int) -> None:
        """Compare an END with what came before it; raises WireError."""
        sent = end.number("frames")
        if frames == sent and total == end.number("sum"):
            return
        damaged = self.tally.damaged - harmed
        raise WireError(
            f"{sent - frames} of {sent} frames from {self.port.name} were lost"
            + (f", {damaged} arrived damaged" if damaged else "")
            + f"; {self._rival() or 'try a shorter cable or another socket'}"
        )

    def _answer(self, number: int, word: str, most: Bounds) -> Iterator[reader.Frame]:
        """Frames that answer the request, with no end of their own; raises when they stop, or do not."""
        heard = False
        frames = size = 0
        begun = last = time.monotonic()
        while True:
            # A board at its prompt runs no program that could answer.
            data = self.port.read(_QUIET_S if self.at_prompt else most.silence_s)
            size += len(data)
            items = self._taken(data) if data else self._taken_last()
            for item in items:
                if item.id != number:
                    self.tally.late += 1
                    continue
                heard, last, frames = True, time.monotonic(), frames + 1
                self.tally.frames += 1
                if frames > most.frames:
                    raise self._unending(word, f"{frames} frames")
                if item.type != frame.ALIVE:
                    yield item
            if (failure := self.failure) is not None:
                raise failure
            if not data:
                raise self._silence(heard, most.silence_s)
            times = _GARBAGE_TIMES if self.met else _STRANGER_TIMES
            now = time.monotonic()
            if now - last > times * most.silence_s:
                raise WireError(f"only unreadable bytes come from {self.port.name}; plug the board in again")
            if size > most.bytes or now - begun > most.whole_s:
                raise self._unending(word, f"{size} bytes in {now - begun:.3g} s")

    def _unending(self, word: str, told: str) -> WireError:
        return WireError(
            f"the answer to {word} from {self.port.name} does not end ({told}); plug the board in again"
        )

    def _taken(self, data: bytes) -> list[reader.Frame]:
        return self._sorted(self._reader.feed(data))

    def _taken_last(self) -> list[reader.Frame]:
        """What can still be had when nothing more comes."""
        return self._sorted(self._reader.finish())

    def _sorted(self, items: list[Any]) -> list[reader.Frame]:
        """Keep the frames; count damage, remember text."""
        frames = []
        for item in items:
            if isinstance(item, reader.Frame):
                frames.append(item)
            elif isinstance(item, reader.Text):
                self._said = [*self._said[-_SAID:], item.words.decode("ascii", "replace")]
            else:
                self.tally.lost_bytes += item.lost
        self.tally.damaged = self._reader.damaged
        return frames

    def _rival(self) -> str:
        """What to do where another program takes bytes that are meant for this one; "" where none does."""
        by = ports.holder(self.port.name)
        return f"{by} has the port open as well: close that program and try again" if by else ""

    def _silence(self, heard: bool, silence_s: float) -> MeasurementError:
        patience = f"{silence_s:.3g} s"
        rival = self._rival()
        if self.at_prompt:
            return BoardError(
                f"the program of the board on {self.port.name} was stopped, it stands at its prompt; "
                "press its reset and try again"
            )
        if not heard:
            return BoardTimeout(
                f"no data from {self.port.name} within {patience}; "
                + (rival or f"press the board's reset and try again, or put {_FIRMWARE}")
            )
        return BoardTimeout(
            f"{self.port.name} stopped midway in its answer, {patience} ago; "
            + (rival or "check the cable, press the board's reset and try again")
        )

    def _board_words(self) -> BoardError | None:
        """The first traceback in the stream that is no answer to what was typed, read to its end."""
        self.listen(_SLOW_WORDS_S, _UNENDING_S)
        text = "\n".join(self._said)
        for told in text.split(_TRACEBACK)[1:]:
            lines = [line.strip() for line in told.splitlines() if line.strip()]
            where = [line for line in lines if line.startswith("File ")]
            if lines and not (where and where[-1].startswith(_TYPED)):
                return _failed(lines)
        return None

    def listen(self, silence_s: float, most_s: float) -> bool:
        """Drop frames and remember text until nothing came for `silence_s` [s]: True; False after `most_s`.

        At its prompt the board says no more: there a moment of silence is enough.
        """
        until = time.monotonic() + most_s
        while time.monotonic() < until:
            data = self.port.read(_QUIET_S if self.at_prompt else silence_s)
            self.tally.late += len(self._taken(data) if data else self._taken_last())
            if not data:
                return True
        return False

    def resynchronise(self) -> None:
        """End whatever the board is answering, and drop it. Raises WireError when it does not end."""
        self.port.write(b"\n")
        patience_s = bounds("hello", {}, self.patience_s).silence_s
        if not self.listen(_QUIET_S, min(_UNENDING_S, _GARBAGE_TIMES * patience_s)):
            raise WireError(f"{self.port.name} does not stop sending; plug the board in again")

    def forget(self) -> None:
        """What the board said until now counts no more."""
        self._said.clear()


def _failed(lines: list[str]) -> BoardError:
    """The traceback whose lines these are, the first left out."""
    told = next((i for i, line in enumerate(lines) if not line.startswith("File ")), len(lines) - 1)
    where = f" ({lines[told - 1]})" if told else ""
    error = BoardError(
        f'the board\'s program failed, in its words: "{lines[told]}"{where}; press its reset '
        "and try again, and please report these words"
    )
    error.add_note("\n".join([_TRACEBACK, *lines]))
    return error


@dataclass(frozen=True, slots=True)
class Told:
    """The fields of a frame of text, as `frame.FIELDS` lists them."""

    values: Mapping[str, int | str]

    def number(self, key: str) -> int:
        """A field that is a whole number; ValueError where a further one is none, KeyError where it lacks."""
        return int(self.values[key])

    def text(self, key: str) -> str:
        """A field as it was sent."""
        return str(self.values[key])


def fields_of(item: reader.Frame) -> Told:
    """The values of a frame of text; raises WireError when it is not what its type says."""
    try:
        return Told(reader.decode_fields(item.type, item.payload))
    except frame.FrameError as error:
        raise WireError(f"the board's {frame.NAMES[item.type]} is not understood: {error}") from error


def _refusal(item: reader.Frame) -> Refusal:
    values = fields_of(item)
    return Refusal(values.number("code"), values.number("value"), values.text("words"))


def _gate(item: reader.Frame) -> None:
    """The board's protocol must be ours: the head and two fields of HELLO mean the same in every version."""
    if item.version == frame.VERSION:
        return
    lines = item.payload.decode("utf-8", "replace").split("\n")
    told = dict(line.split("=", 1) for line in lines if "=" in line)
    newer = item.version > frame.VERSION
    remedy = "update this program: pip install --upgrade coilbell" if newer else "run: coilbell board flash"
    raise MissingError(
        f"the board speaks protocol {item.version} (firmware {told.get('firmware', 'unknown')}), "
        f"this program speaks {frame.VERSION}; {remedy}"
    )
