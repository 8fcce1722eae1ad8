"""The wire between host and board. One file for both: this very file is copied onto the board.

Bytes in, frames out; no port, clock or thread. Written in what CPython and MicroPython share.

Host to board: one line of printable ASCII, fewer than 100 bytes with its newline
=================================================================================

    request  = verb *( " " key "=" value ) newline
    verb     = hello | capture | aim | lead | constants get | constants set | check KIND
    key      = letters, digits, "_"        value = printable ASCII without spaces

    hello
    capture   n=4096 pre=64 width_ns=2000 cap=A shots=8 interleave=1
    aim       cap=A
    lead
    constants get
    constants set stray_ff=25000 gain_ppm=1000000
    check     noise n=224 shots=4 | link n=4096 shots=8 | rate | memory

All values are whole numbers but `cap`, a capacitor's letter. Every verb takes `tag=0..65535`, 0 when left
out: each frame of the answer carries it, so that a late answer is not taken for a new one. An empty line
is no request and gets no answer. The board never speaks unasked.

Board to host: frames, little endian
====================================

    0        4      5     6      8        12       16                16+length
    +--------+------+-----+------+--------+--------+-----------------+--------+
    | AB 43  | ver- | ty- | tag  | length | check  | payload         | CRC-32 |
    | 42 BA  | sion | pe  | u16  | u32    | u32    | length bytes    | u32    |
    +--------+------+-----+------+--------+--------+-----------------+--------+
    check    CRC-32 (zlib's, `binascii.crc32`) of bytes 0..11
    CRC-32   the same of bytes 0..11 followed by the payload
    version  VERSION of the sender; length is at most MAX_PAYLOAD

    type        payload
    1 HELLO     u16 version, then pairs, see below
    2 BEGIN     u32 samples of a shot, u32 of them before the pulse, u32 shots, u32 interleave,
                u32 ticks a second, u32 ticks a sample (their quotient is the true rate),
                u32 width of the pulse [ticks], u32 uncertainty of its start [ticks],
                i32 board's temperature [0.001 deg C], i32 lead voltage [uV], i32 its slope [uV/s],
                u8 letter of the capacitor
    3 DATA      u32 index of the shot, u32 flags, u32 pulse's start after the first conversion [ticks],
                u32 samples whose ERROR_BIT is set, i32 lead voltage before this shot [uV],
                then the samples as the converter gave them, u16 each
    4 VALUES    pairs
    5 END       u32 number of DATA frames, u32 samples in them, u32 sum of their CRC-32 modulo 2^32
    6 ERROR     u16 code, words in ASCII

    pairs       key=value, separated by single spaces, in ASCII
    flags       OVER, UNDER: the converter's FIFO lost its place, samples are not evenly spaced;
                SHORT: fewer came than asked, the rest of the samples is old

Answers
-------

    hello               HELLO END
    capture             BEGIN DATA*(shots x interleave) END
    check noise, link   BEGIN DATA*(shots) END     noise: every sample lies before the pulse; link: no shot
    all others          VALUES END
    anything refused    ... ERROR                  at any place of the above, also as the only frame

Exactly one END or ERROR closes a request, and nothing of that request follows it. There is one exception:
Ctrl-C ends the program, the board's prompt follows as text. Bytes between frames are text, such as a
traceback of the board.

With `interleave` M, shot i belongs to record i // M and is its step i % M: its pulse starts
step x (ticks a sample) / M later than that of step 0. The board sends every shot whole; the time of sample
k after the pulse's start is k x (ticks a sample) - (pulse's start).

Pairs of HELLO
--------------

    firmware= board= id=                    version, rp2040|rp2350|virtual, unique id in hexadecimal
    tick_hz= sample_ticks= uncertainty_ticks=
    samples_max= pretrigger_max= shots_max= interleave=1,2,3,...
    width_min_ns= width_max_ns= rest_ms= shots_per_s= lead_limit_uv=
    capacitor_A=FEMTOFARADS,TOLERANCE_PPM,LOSS_PPM       one for each capacitor
    constant_NAME=INTEGER                                one for each constant kept on the board

Contract and detail
-------------------

Contract: head, check and CRC-32 in every version; that HELLO begins with the u16 version; meanings above
within one version; a reader passes over unknown pairs. Detail: order of pairs, words of errors, in how many
pieces bytes arrive, which text a Reader recognises in damaged bytes.
"""

import binascii
import struct
from collections import namedtuple

VERSION = 1
MAGIC = b"\xabCB\xba"
MAX_LINE = 99
"""Most bytes of a request without its newline."""
MAX_PAYLOAD = 65536

HELLO = 1
BEGIN = 2
DATA = 3
VALUES = 4
END = 5
ERROR = 6

OVER = 1
UNDER = 2
SHORT = 4
ERROR_BIT = 0x8000

# Codes of ERROR
NOT_UNDERSTOOD = 1
OUT_OF_LIMITS = 2
LIVE_LEADS = 3
CAPTURE_FAILED = 4
CONSTANTS_FAILED = 5
TOO_STRONG = 6
FIRMWARE_FAULT = 7

HEAD_SIZE = 16
TAIL_SIZE = 4
DATA_HEAD_SIZE = 20

_HEAD = "<4sBBHI"
_BEGIN = "<8IiiiB"
_DATA = "<IIIIi"
_END = "<III"
_LINE_MAX = 400

Frame = namedtuple("Frame", ("version", "type", "tag", "payload"))
_BEGIN_FIELDS = (
    "samples pretrigger shots interleave tick_hz sample_ticks width_ticks uncertainty_ticks "
    "temperature_mdegc lead_uv lead_uv_per_s capacitor"
)
Begin = namedtuple("Begin", tuple(_BEGIN_FIELDS.split()))
Data = namedtuple("Data", ("shot", "flags", "delay_ticks", "error_bits", "lead_uv", "samples"))
End = namedtuple("End", ("frames", "samples", "sum"))
Error = namedtuple("Error", ("code", "words"))


class FrameError(ValueError):
    """A request or payload that does not follow this file."""


def pieces(kind: int, tag: int, *payload: bytes) -> list:
    """The frame as [head, *payload, tail]; its pieces of bytes are passed on, not copied."""
    length = sum(len(part) for part in payload)
    head = struct.pack(_HEAD, MAGIC, VERSION, kind, tag, length)
    crc = binascii.crc32(head)
    head += struct.pack("<I", crc)
    for part in payload:
        crc = binascii.crc32(part, crc)
    return [head] + list(payload) + [struct.pack("<I", crc)]  # noqa: RUF005


def encode(kind: int, tag: int, *payload: bytes) -> bytes:
    """The frame as one piece."""
    return b"".join(bytes(part) for part in pieces(kind, tag, *payload))


def crc_of(tail: bytes) -> int:
    """The CRC-32 in a frame's tail, for the sum in END."""
    return struct.unpack("<I", tail)[0]


def hello_payload(pairs: list) -> bytes:
    """Payload of HELLO from (key, value) pairs."""
    return struct.pack("<H", VERSION) + format_pairs(pairs).encode()


def begin_payload(begin: Begin) -> bytes:
    """Payload of BEGIN."""
    return struct.pack(_BEGIN, *begin[:-1], ord(begin.capacitor))


def data_head(shot: int, flags: int, delay_ticks: int, error_bits: int, lead_uv: int) -> bytes:
    """Payload of DATA up to its samples."""
    return struct.pack(_DATA, shot, flags, delay_ticks, error_bits, lead_uv)


def end_payload(frames: int, samples: int, total: int) -> bytes:
    """Payload of END."""
    return struct.pack(_END, frames, samples, total)


def error_payload(code: int, words: str) -> bytes:
    """Payload of ERROR; what is not ASCII in the words becomes "?"."""
    return struct.pack("<H", code) + bytes(ord(c) if 32 <= ord(c) < 127 else 63 for c in words)


def format_pairs(pairs: list) -> str:
    """(key, value) pairs as text; raises FrameError for what a pair cannot hold."""
    written = []
    for key, value in pairs:
        text = str(value)
        if not _is_key(key) or not text or not all("!" <= c <= "~" for c in text):
            raise FrameError(f"{key}={text} cannot be written as a pair")
        written.append(key + "=" + text)
    return " ".join(written)


def request(verb: str, *pairs: tuple) -> bytes:
    """The line of a request, with its newline; raises FrameError when it is too long."""
    line = (verb + " " + format_pairs(pairs)).rstrip()
    if len(line) > MAX_LINE:
        raise FrameError(f"request of {len(line)} bytes; {MAX_LINE} are allowed: {line}")
    return line.encode() + b"\n"


def parse_request(line: bytes) -> tuple:
    """(words before the first pair, {key: value}) of a line without newline; raises FrameError."""
    if len(line) > MAX_LINE:
        raise FrameError(f"request longer than {MAX_LINE} bytes")
    if not all(32 <= c < 127 for c in line):
        raise FrameError("request is not printable ASCII")
    words = line.decode().split()
    first = 0
    while first < len(words) and "=" not in words[first]:
        first += 1
    return words[:first], _parsed(words[first:])


def parse_pairs(payload: bytes) -> dict:
    """{key: value}, all text; raises FrameError."""
    if not all(32 <= c < 127 for c in payload):
        raise FrameError("pairs are not printable ASCII")
    return _parsed(bytes(payload).decode().split())


def _parsed(words: list) -> dict:
    found = {}
    for word in words:
        key, equals, value = word.partition("=")
        if not (_is_key(key) and equals and value):
            raise FrameError(f"{word} is no key=value")
        if key in found:
            raise FrameError(f"{key} is given twice")
        found[key] = value
    return found


def _is_key(key: str) -> bool:
    return bool(key) and all("a" <= c <= "z" or "A" <= c <= "Z" or "0" <= c <= "9" or c == "_" for c in key)


def parse_hello(payload: bytes) -> tuple:
    """(version, {key: value}); the pairs are {} when the version is not ours. Raises FrameError."""
    if len(payload) < 2:
        raise FrameError(f"HELLO of {len(payload)} bytes")
    version = struct.unpack_from("<H", payload)[0]
    return version, parse_pairs(payload[2:]) if version == VERSION else {}


def parse_begin(payload: bytes) -> Begin:
    """Raises FrameError."""
    fields = _unpacked("BEGIN", _BEGIN, payload)
    begin = Begin(*fields[:-1], chr(fields[-1]))
    if not (begin.shots and begin.interleave and begin.tick_hz and begin.sample_ticks):
        raise FrameError("BEGIN with a zero among shots, interleave and rate")
    return begin


def parse_data(payload: bytes) -> Data:
    """The samples are the bytes behind the head. Raises FrameError."""
    if len(payload) < DATA_HEAD_SIZE or len(payload) % 2:
        raise FrameError(f"DATA of {len(payload)} bytes")
    return Data(*struct.unpack_from(_DATA, payload), memoryview(payload)[DATA_HEAD_SIZE:])


def parse_end(payload: bytes) -> End:
    """Raises FrameError."""
    return End(*_unpacked("END", _END, payload))


def parse_error(payload: bytes) -> Error:
    """Raises FrameError."""
    if len(payload) < 2 or not all(32 <= c < 127 for c in payload[2:]):
        raise FrameError(f"ERROR of {len(payload)} bytes without words")
    return Error(struct.unpack_from("<H", payload)[0], bytes(payload[2:]).decode())


def _unpacked(name: str, layout: str, payload: bytes) -> tuple:
    if len(payload) != struct.calcsize(layout):
        raise FrameError(f"{name} of {len(payload)} bytes, not {struct.calcsize(layout)}")
    return struct.unpack(layout, payload)


class Reader:
    """Turns the board's bytes into frames and text.

    damaged: frames begun whose check failed; skipped: bytes that were neither frame nor text.
    """

    def __init__(self) -> None:
        self.damaged = 0
        self.skipped = 0
        self._buffer = bytearray()
        self._at = 0  # bytes of the buffer already used
        self._need = 1  # bytes that must be there before another look is worth it
        self._spoilt = 0  # bytes to come that belong to a damaged frame, never text
        self._line = bytearray()
        self._ready: list = []

    def feed(self, data: bytes) -> None:
        """Take bytes, as many as have come."""
        if self._at:
            self._buffer = self._buffer[self._at :]
            self._at = 0
        self._buffer += data

    def next(self) -> "Frame | str | None":
        """The next Frame, or a line of text between frames, or None until more is fed."""
        while not self._ready:
            if not self._step():
                return None
        return self._ready.pop(0)

    def text(self) -> str:
        """A line of text that is not complete, such as a prompt; it is taken away."""
        self._end_line()
        return self._ready.pop() if self._ready and isinstance(self._ready[-1], str) else ""

    def _step(self) -> bool:
        """Use up some bytes; False when more are needed first."""
        here = len(self._buffer) - self._at
        if here < self._need:
            return False
        self._need = 1
        start = self._buffer.find(MAGIC, self._at)
        if start != self._at:
            end = start if start >= 0 else self._possible_magic()
            if end == self._at:
                self._need = here + 1
                return False
            self._outside(end)
            return True
        return self._frame(here)

    def _possible_magic(self) -> int:
        """Where an incomplete MAGIC may begin at the buffer's end."""
        size = len(self._buffer)
        for held in (3, 2, 1):
            if size - held >= self._at and self._buffer[size - held :] == MAGIC[:held]:
                return size - held
        return size

    def _frame(self, here: int) -> bool:
        if here < HEAD_SIZE:
            self._need = HEAD_SIZE
            return False
        head = bytes(self._buffer[self._at : self._at + HEAD_SIZE])
        _, version, kind, tag, length, check = struct.unpack(_HEAD + "I", head)
        crc = binascii.crc32(head[:12])
        if crc != check or length > MAX_PAYLOAD:
            return self._damage(len(MAGIC))
        size = HEAD_SIZE + length + TAIL_SIZE
        if here < size:
            self._need = size
            return False
        end = self._at + size - TAIL_SIZE
        payload = bytes(memoryview(self._buffer)[self._at + HEAD_SIZE : end])
        if binascii.crc32(payload, crc) != struct.unpack_from("<I", self._buffer, end)[0]:
            return self._damage(size)
        self._end_line()
        self._spoilt = 0
        self._at += size
        self._ready.append(Frame(version, kind, tag, payload))
        return True

    def _damage(self, size: int) -> bool:
        # Bytes may be missing, and the next frame lies within this one's length: search on behind MAGIC.
        self.damaged += 1
        self._end_line()
        self._spoilt = max(self._spoilt, size)
        self._outside(self._at + len(MAGIC))
        return True

    def _outside(self, end: int) -> None:
        """Bytes up to `end` belong to no frame."""
        spoilt = min(self._spoilt, end - self._at)
        self._spoilt -= spoilt
        self.skipped += spoilt
        for byte in self._buffer[self._at + spoilt : end]:
            if byte == 10 or len(self._line) >= _LINE_MAX:
                self._end_line()
            if byte != 10:
                self._line.append(byte)
        self._at = end

    def _end_line(self) -> None:
        line, self._line = bytes(self._line), bytearray()
        if not all(32 <= byte < 127 or byte in (9, 13) for byte in line):
            self.skipped += len(line)
        elif line.strip():
            self._ready.append(line.decode().rstrip())
