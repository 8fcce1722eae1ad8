"""The host's half of the wire format that `frame` specifies: requests written, frames found and read."""

from __future__ import annotations

import struct
from typing import NamedTuple
from zlib import crc32

from coilbell.board import frame

_SHORTEST_LINE = 4  # fewest bytes of a line of text where no frame is; shorter ones are debris
_LONGEST_LINE = 1024  # a longer one is given in pieces


class Frame(NamedTuple):
    """A frame that came whole and unharmed; type is one of those in `frame.NAMES`."""

    version: int
    type: int
    id: int
    payload: bytes


class Text(NamedTuple):
    """A line between frames, without its end."""

    words: bytes


class Damage(NamedTuple):
    """`lost` bytes that were neither frame nor text, and why."""

    reason: str
    lost: int


class Shot(NamedTuple):
    """A DATA payload as `frame` describes it; samples: 2 bytes each, little-endian."""

    shot: int
    phase: int
    flags: int
    delay_ticks: int
    errors: int
    lead_mv: int
    samples: bytes


Found = Frame | Text | Damage


def encode_request(word: str, request_id: int, **keys: object) -> bytes:
    """The request as a line, "\\n" included; raises FrameError."""
    line = f"{word} id={request_id}"
    known = frame.REQUESTS.get(word, ()) + tuple([key for key in frame.OPTIONAL.get(word, ()) if key in keys])
    for key in known:
        line += f" {key}={keys.get(key, '')}"
    data = line.encode()
    frame.decode_request(data)
    if len(keys) != len(known):
        raise frame.FrameError(f"{word} takes the keys {', '.join(frame.REQUESTS[word]) or 'none'}")
    return data + b"\n"


def decode_fields(frame_type: int, payload: bytes) -> dict[str, int | str]:
    """The values of a text payload; raises FrameError when a field lacks or is no number."""
    values: dict[str, int | str] = {}
    for line in _text(payload).split("\n"):
        key, equals, text = line.partition("=")
        if line and not equals:
            raise frame.FrameError(f"{frame.NAMES[frame_type]} has a line without =")
        if line:
            values[key] = text
    numbers = [key for key, number in frame.fields(frame_type) if number]
    if frame_type == frame.CONSTANTS:
        numbers = [key for key in values if key != "constants_from"]
    for key, _ in frame.fields(frame_type):
        if key not in values:
            raise frame.FrameError(f"{frame.NAMES[frame_type]} lacks {key}")
    for key in numbers:
        value = frame.whole(str(values[key]))
        if value is None:
            raise frame.FrameError(f"{frame.NAMES[frame_type]}: {key}={values[key]} is not a whole number")
        values[key] = value
    return values


def _text(payload: bytes) -> str:
    try:
        return str(payload, "utf-8")
    except UnicodeError:
        raise frame.FrameError("a payload of text is not UTF-8") from None


def decode_shot(payload: bytes) -> Shot:
    """A DATA payload; `samples` stays bytes, 2 a sample, little-endian. Raises FrameError."""
    if len(payload) < frame.SHOT_SIZE or len(payload) % 2:
        raise frame.FrameError(f"DATA of {len(payload)} bytes is no shot")
    shot, phase, flags, delay_ticks, errors, lead_mv = struct.unpack_from(frame.SHOT, payload)
    return Shot(shot, phase, flags, delay_ticks, errors, lead_mv, payload[frame.SHOT_SIZE :])


class Reader:
    """Finds frames in a stream of bytes. `feed` it what arrives; it gives what is complete.

    Gives Frame, Text and Damage in the order of the stream; Damage with the next one of the others, or by
    `finish`.

    How the stream is cut into pieces makes no difference to what is found. `damaged` counts the frames
    that turned out to be harmed, at once.
    """

    def __init__(self) -> None:
        self.damaged = 0
        self._held = bytearray()
        self._need = 1
        self._line = bytearray()
        self._lost = 0
        self._spoilt = 0
        self._reason = ""
        self._found: list[Found] = []

    def feed(self, data: bytes) -> list[Found]:
        """What `data` completes."""
        self._held.extend(data)
        if len(self._held) >= self._need:
            self._search()
        return self._taken()

    def finish(self) -> list[Found]:
        """What is left when nothing more will come: an unfinished frame is damage, an unended line text."""
        self._search()
        while self._held:
            data = bytes(self._held)
            # A crash in mid-frame: what follows the frame's beginning may be the board's words.
            self._debris("frame cut off", 1)
            self._outside(data[:1])
            self._held = bytearray(data[1:])
            self._search()
        self._end_line()
        self._end_damage()
        return self._taken()

    def _taken(self) -> list[Found]:
        found, self._found = self._found, []
        return found

    def _search(self) -> None:
        # One copy for the whole search; frames are cut out of it and the rest is held again.
        data = bytes(self._held)
        at = 0
        while True:
            start = data.find(frame.MAGIC, at)
            if start < 0:
                start = len(data) - _prefix(data, at)
            self._outside(data[at:start])
            at = start
            size = _size(data, at)
            if size and len(data) - at < size:
                break
            if size and self._frame(data[at : at + size]):
                at += size
            else:
                self._debris("damaged frame" if size else "damaged head", _claimed(data, at))
                self._outside(data[at : at + 1])
                at += 1
        self._held = bytearray(data[at:])
        rest = len(data) - at
        self._need = size if rest >= len(frame.MAGIC) else rest + 1

    def _debris(self, reason: str, size: int) -> None:
        """What looked like a frame was none; the next `size` bytes are not text, but may hold a frame."""
        self._end_line()
        self._reason = reason
        self._spoilt = size
        self.damaged += 1

    def _frame(self, data: bytes) -> bool:
        """Take `data` as a frame if it is unharmed."""
        end = len(data) - 4
        if crc32(data[:end]) != struct.unpack_from("<I", data, end)[0]:
            return False
        _, version, frame_type, request_id = struct.unpack_from(frame.HEAD, data, 0)[:4]
        self._end_line()
        self._end_damage()
        self._spoilt = 0
        self._found.append(Frame(version, frame_type, request_id, data[frame.HEAD_SIZE : end]))
        return True

    def _outside(self, data: bytes) -> None:
        """Bytes that are in no frame: lines of text, or debris."""
        at = min(self._spoilt, len(data))
        self._spoilt -= at
        self._lost += at
        while at < len(data):
            room = _LONGEST_LINE - len(self._line)
            stop = data.find(b"\n", at, at + room) + 1
            piece = data[at : stop or at + room]
            self._line.extend(piece)
            at += len(piece)
            if stop or len(piece) == room:
                self._end_line()

    def _end_line(self) -> None:
        line = bytes(self._line)
        self._line = bytearray()
        words = line.rstrip(b"\r\n")
        if len(words) >= _SHORTEST_LINE and _is_text(words):
            self._end_damage()
            self._found.append(Text(words))
        elif words:
            self._lost += len(line)

    def _end_damage(self) -> None:
        if self._lost:
            self._found.append(Damage(self._reason or "bytes outside of frames", self._lost))
        self._lost = 0
        self._reason = ""


def _prefix(data: bytes, at: int) -> int:
    """How many bytes at the end of `data`, from `at`, may be the beginning of a magic."""
    for size in (3, 2, 1):
        if len(data) - at >= size and data[len(data) - size :] == frame.MAGIC[:size]:
            return size
    return 0


def _size(data: bytes, at: int) -> int | None:
    """Size of the frame at `at`, of its head while that is incomplete; None when no frame begins there."""
    if len(data) - at < frame.HEAD_SIZE:
        return frame.HEAD_SIZE
    length, check = map(int, struct.unpack_from("<II", data, at + 8))
    if crc32(data[at : at + 12]) != check or length > frame.MAX_PAYLOAD:
        return None
    return frame.HEAD_SIZE + length + 4


def _claimed(data: bytes, at: int) -> int:
    """Size of the frame at `at` by its own account, believed or not."""
    return frame.HEAD_SIZE + min(int(struct.unpack_from("<I", data, at + 8)[0]), frame.MAX_PAYLOAD) + 4


def _is_text(line: bytes) -> bool:
    return all(32 <= byte < 127 or byte in (9, 13) for byte in line)
