"""Wire format between tester and host, version 1. This text is the specification.

What both sides need: it runs under MicroPython on the board and under CPython on the host. It knows no port,
clock or thread: bytes in, values out. What only the host needs is in `reader`, so that no board compiles it.

Host to board: requests
-----------------------
One line of printable ASCII, at most 99 bytes, ended by "\\n" (a "\\r" before it is ignored)::

    word id=N key=value key=value ...

`id` is 0..9999, chosen by the host; every frame of the answer carries it, so a late answer to an older
request is recognised. Each key of the request is given exactly once, in any order, those in brackets once or
not at all; no other key. Numbers are decimal. An empty line is ignored: the host may send "\\n" to end a
line that was cut off.

    hello                                       who are you         HELLO, CONSTANTS
    capture samples pretrigger width_ticks      take shots          BEGIN, DATA ...
            capacitor shots interleave
    aim     capacitor samples pretrigger        find a pulse width  AIM
            [target_mv]
    check                                       measure yourself    CHECK
    constants                                   tell constants      CONSTANTS
    constant name value                         change one in use   CONSTANTS
    save                                        write them to file  CONSTANTS

capacitor is one of the letters that HELLO tells; or "-": none; or "loop": none, and the converter samples
the pulse pin, through the loop-back, instead of the winding.

Board to host: frames
---------------------
::

     0      4       5      6    8        12      16             16+length
    +------+-------+------+----+--------+-------+---------------+------+
    |magic |version| type | id | length | check | payload       | crc  |
    +------+-------+------+----+--------+-------+---------------+------+
       4      1       1     2      4        4        length         4      bytes, little-endian

magic    F5 43 62 F6; F5 and F6 never occur in UTF-8 text
version  1
type     HELLO 1, BEGIN 2, DATA 3, AIM 4, CHECK 5, CONSTANTS 6, END 7, ERROR 8, ALIVE 9
id       of the request that is answered; 65535 in the ERROR to a line whose id cannot be read
length   of the payload, 0..32788
check    CRC-32 of the 12 bytes before it, so a damaged length is noticed at once
crc      CRC-32 of head and payload, check included

CRC-32 is that of zlib: polynomial 04C11DB7 reflected, start and final exclusive-or FFFFFFFF.

The payload of DATA is binary; of all others it is lines ``key=value\\n`` of UTF-8 with the keys of `FIELDS`.

HELLO, BEGIN  tick_hz: the unit of all *_ticks; true sampling rate [Hz] = rate_numerator / rate_denominator;
              start_uncertainty_ps: width of the interval the converter's start may fall in;
              capacitors: letters such as A,B,C; lead_mv: before the first shot;
              aim_least_mv, aim_most_mv: what target_mv may be, where the firmware takes it;
              constants_from: file, backup, defaults, or changed since (not saved)
AIM           outcome found: width_ticks brings the first peak into the board's band, peak_uv there [at the
              winding]; weak: no width does, this is the strongest; steep: one step passed over the band, this
              is the last width below it. largest_uv: over all pulses fired. With target_mv, the amplitude to
              reach: found: no other width comes nearer, or within 1 part in 32; weak: no width reaches it,
              this is the strongest; strong: the shortest pulse, this one, gives more
CHECK         tick_hz, rate_hz: measured against the board's microsecond counter, good to about 1 %
CONSTANTS     constants_from, then every constant, all whole numbers; NAME_uncertainty_UNIT is the standard
              uncertainty of NAME_UNIT. stepN_code, stepN_mcode: code N of a short table is wider than one
              count by so much; code 0: that line of the table is empty
END           frames of this answer, END and ALIVE not counted; shots fired; sum: CRC-32 over the payloads
              of its DATA frames one after another, 0 for none
ALIVE         the board is at work: never more than ALIVE_MS after the last frame; shots fired so far
ERROR         code, from BAD_REQUEST to BOARD_FAILED below; value: the figure it is about; words for a person

DATA holds one whole shot::

    u32 shot         0, 1, ... within the request, in the order they were fired
    u16 phase        m of M: which of the interleaved delays
    u16 flags        OVER 1, UNDER 2: the converter's buffer lost or repeated samples
    u32 delay_ticks  from the start of the converter to the rise of the pulse
    u32 errors       samples whose conversion failed (bit 15 set)
    i32 lead_mv      lead voltage before the shot [mV]
    u16 x n          samples: bits 11..0 code, bit 15 conversion failed: code undefined

Time of sample k of any shot, counted from the rise of the pulse, in ticks of 1/tick_hz::

    t_k = k ticks_per_sample + latency - delay_ticks

with latency from the constants (latency_ps). With interleave M the delays are
pretrigger ticks_per_sample - m ticks_per_sample / M, m = 0 .. M-1, and a capture fires shots x M of them: all
M for the first sweep, then all M for the next. Sorting samples by t_k gives M times the rate.
width_ticks 0 captures without a pulse.

Contract
--------
* A request is answered by frames, in the order listed above, then by exactly one END or ERROR; ALIVE may
  stand anywhere between them.
* No frame holds more text than MAX_TEXT; an answer takes as long as SLOWEST_MS says or ALIVE_MS, and a host
  that has waited PATIENCE times as long gives up.
* The board never speaks unasked. Text may stand between frames (a traceback, the prompt); it is passed up.
* Anything the host sends during a capture or aim ends it after the shot under way, with ERROR CANCELLED; what
  was sent is then read as the next request.
* No pulse lasts longer than MAX_WIDTH_TICKS, whatever was asked for: the program that times it cannot count
  further.
* The frame's head and the HELLO fields `protocol` and `firmware` keep their meaning in every version, so
  that each side can tell the other that versions differ.
* A frame that arrives whole and unharmed is right; one that does not is never delivered, and `Reader` finds
  the next one.
* Units are in the names: mv, uv, nv, us, ms, hz, ppm, ff (femtofarad), ps (picosecond), psi (picosiemens),
  uohm (microhm), mc (thousandths of a degree Celsius), per_ks (per thousand seconds), code_16 and mcode
  (sixteenths and thousandths of a converter code).

Detail, may change without a new version: further keys in a text payload, wording of ERROR, pauses between
frames, how many bytes arrive at once.
"""

import struct
from binascii import crc32

VERSION = 1
MAGIC = b"\xf5Cb\xf6"
MAX_LINE = 99
MAX_ID = 9999
NO_ID = 65535
MAX_SAMPLES = 16384

HELLO = 1
BEGIN = 2
DATA = 3
AIM = 4
CHECK = 5
CONSTANTS = 6
END = 7
ERROR = 8
ALIVE = 9
NAMES = ("", "HELLO", "BEGIN", "DATA", "AIM", "CHECK", "CONSTANTS", "END", "ERROR", "ALIVE")

OVER = 1
UNDER = 2
UNFINISHED = 4  # samples did not come; within the firmware only, never in a DATA
CONVERSION_FAILED = 0x8000

REQUESTS = {
    "hello": (),
    "capture": ("samples", "pretrigger", "width_ticks", "capacitor", "shots", "interleave"),
    "aim": ("capacitor", "samples", "pretrigger"),
    "check": (),
    "constants": (),
    "constant": ("name", "value"),
    "save": (),
}
OPTIONAL = {"aim": ("target_mv",)}  # keys that a request may have besides
NO_CAPACITOR = "-"
LOOP_BACK = "loop"

# Codes of ERROR, by whose fault it is. `value` is what the second column says, else 0.
BAD_REQUEST = 1  # the line is no request of this version
BAD_VALUE = 2  # the value refused, where it is a number
LEADS_LIVE = 10  # lead voltage [mV]
CANCELLED = 11  # shots fired until then
CAPTURE_FAILED = 20  # samples that did not come
STORE_FAILED = 21  # the file system's errno
BOARD_FAILED = 30  # a fault of the firmware, told in the words

# Fields of each text payload, in this order; "#" marks whole numbers. Meanings are in the text above.
FIELDS = {
    HELLO: (
        "protocol# firmware board unique_id micropython "
        "tick_hz# ticks_per_sample# rate_numerator# rate_denominator# start_uncertainty_ps# bits# "
        "max_samples# max_pretrigger# min_width_ticks# max_width_ticks# max_shots# "
        "rest_ms# max_shots_per_s# lead_limit_mv# capacitors constants_from"
    ),
    BEGIN: (
        "samples# pretrigger# width_ticks# capacitor shots# interleave# "
        "tick_hz# ticks_per_sample# rate_numerator# rate_denominator# start_uncertainty_ps# "
        "temperature_mc# lead_mv#"
    ),
    AIM: "outcome capacitor width_ticks# peak_uv# largest_uv# shots# lead_mv#",
    CHECK: "tick_hz# rate_hz# lead_mv# lead_mv_per_s# temperature_mc# heap_free#",
    CONSTANTS: "constants_from",
    END: "frames# shots# sum#",
    ALIVE: "shots#",
    ERROR: "code# value# words",
}

# What the pulse program and the converter can do, on every board of this version.
ADC_HZ = 48_000_000  # clock of the converter
ADC_PERIODS = 96  # of it that a conversion takes (pico-sdk 2.2.0, hardware/adc.h)
RATE_HZ = ADC_HZ // ADC_PERIODS
TICK_HZ = 144_000_000  # clock of the pulse where both share one: three ticks to a period of ADC_HZ
MIN_TICKS = 2  # shortest delay, and shortest width: what the program's own instructions take
MAX_DELAY_TICKS = 65537  # longest delay: 16 bits and those two
MAX_WIDTH_TICKS = 2049  # longest width: 11 bits and those two

# Longest silence of a board at work [ms]; then an ALIVE is due.
ALIVE_MS = 500
# How long the slowest answer took [ms]: the longest silence within it, and the whole of it; of capture, the
# whole of each shot. Emulated: an RP2040 at 125 MHz, MicroPython 1.28.0 (tests/board/emulated.py). What an
# emulator has not is added: 330 ms for 33 kB over a link of 100 kB/s, the slowest reported for USB; and flash
# that is erased, five sectors of 400 ms at most each (W25Q16JV's data sheet, from memory).
SLOWEST_MS = {
    "hello": (27, 57),  # emulated
    "capture": (310, 770),  # emulated 435: 300 ms of settling, 16384 samples; and the link
    "aim": (500, 2900),  # emulated, open leads, which is the longest search
    "check": (86, 96),  # emulated
    "constants": (30, 39),  # emulated
    "constant": (31, 41),  # emulated
    "save": (2000, 2000),  # emulated 103 and 113, and the flash, during which nothing can be sent
}
# So many times as long the host waits, or as ALIVE_MS, which any board at work may be silent for.
PATIENCE = 4
MAX_TEXT = 8192  # longest payload of text

HEAD = "<4sBBHI"
HEAD_SIZE = 16
SHOT = "<IHHIIi"
SHOT_SIZE = 20
MAX_PAYLOAD = SHOT_SIZE + 2 * MAX_SAMPLES


class FrameError(ValueError):
    """A line or a payload is not what this text says."""


def decode_request(line: bytes) -> tuple[str, int, dict[str, str]]:
    """(word, id, keys) of a line without its "\\n"; raises FrameError."""
    if len(line) > MAX_LINE:
        raise FrameError(f"line of {len(line)} bytes; at most {MAX_LINE}")
    for byte in line:
        if not 32 <= byte < 127:
            raise FrameError(f"byte 0x{byte:02x} in the line; printable ASCII only")
    words = str(line, "ascii").split()
    word = words[0] if words else ""
    if word not in REQUESTS:
        raise FrameError(f"unknown request {word!r}; one of: {', '.join(sorted(REQUESTS))}")
    keys = _pairs(words[1:])
    request_id = _number("id", keys.pop("id", ""), MAX_ID)
    needed = [key for key in keys if key not in OPTIONAL.get(word, ())]
    if sorted(needed) != sorted(REQUESTS[word]):
        raise FrameError(f"{word} takes the keys id {' '.join(REQUESTS[word])}")
    return word, request_id, keys


def id_of(line: bytes) -> int:
    """The id in a line that may be no request at all; NO_ID when there is none."""
    for word in line.split():
        if word.startswith(b"id="):
            try:
                return _number("id", str(word[3:], "utf-8"), MAX_ID)
            except ValueError:
                break
    return NO_ID


def _pairs(words: list[str]) -> dict[str, str]:
    keys: dict[str, str] = {}
    for pair in words:
        key, equals, value = pair.partition("=")
        if not equals or not value:
            raise FrameError(f"{pair!r} is not key=value")
        if key in keys:
            raise FrameError(f"{key} is given twice")
        keys[key] = value
    return keys


def _number(name: str, text: str, highest: int) -> int:
    value = whole(text)
    if value is None or not 0 <= value <= highest:
        raise FrameError(f"{name}={text} is not a whole number from 0 to {highest}")
    return value


def whole(text: str) -> int | None:
    """The whole number that `text` writes in decimal, or None."""
    digits = text[1:] if text[:1] == "-" else text
    # int() would also take blanks, underscores and foreign digits.
    if not digits or len(digits) > 19:
        return None
    for letter in digits:
        if not "0" <= letter <= "9":
            return None
    return int(text)


def head(frame_type: int, request_id: int, length: int) -> bytes:
    """The 16 bytes before a payload of that length."""
    begin = struct.pack(HEAD, MAGIC, VERSION, frame_type, request_id, length)
    return begin + struct.pack("<I", crc32(begin))


def tail(crc: int) -> bytes:
    """The 4 bytes after a payload; crc: `crc32` of head and payload."""
    return struct.pack("<I", crc)


def encode(frame_type: int, request_id: int, payload: bytes) -> bytes:
    """A whole frame."""
    body = head(frame_type, request_id, len(payload)) + payload
    return body + tail(crc32(body))


def encode_fields(frame_type: int, values: dict[str, int | str]) -> bytes:
    """A text payload; the keys of `FIELDS` first, then the others of `values`. Raises FrameError."""
    keys = [key for key, _ in fields(frame_type)]
    lines = []
    for key in keys + [key for key in values if key not in keys]:
        if key not in values:
            raise FrameError(f"{NAMES[frame_type]} lacks {key}")
        # A line break would end the value; the words of an error may hold one.
        text = str(values[key]).replace("\r", " ").replace("\n", " ")
        lines.append(f"{key}={text}\n")
    return "".join(lines).encode()


def fields(frame_type: int) -> list[tuple[str, bool]]:
    """(key, is a whole number) of each field of a text payload."""
    return [(key.rstrip("#"), key.endswith("#")) for key in FIELDS[frame_type].split()]


def encode_shot(shot: int, phase: int, flags: int, delay_ticks: int, errors: int, lead_mv: int) -> bytes:
    """The 20 bytes before the samples in a DATA payload."""
    return struct.pack(SHOT, shot, phase, flags, delay_ticks, errors, lead_mv)
