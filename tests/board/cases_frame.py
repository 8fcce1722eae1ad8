"""What both sides have of the wire format: golden bytes, lines that are requests."""

import struct

import frame
from benchtop import raises
from wire import BEGIN, golden


def test_encoding_gives_the_golden_bytes():
    kept = golden()
    samples = struct.pack("<4H", 2048, 0x8FFF, 4095, 0)
    data = frame.encode_shot(0, 0, frame.UNDER, 288, 1, -3) + samples
    assert frame.encode(frame.BEGIN, 9999, frame.encode_fields(frame.BEGIN, BEGIN)) == kept["begin"]
    assert frame.encode(frame.DATA, 9999, data) == kept["data"]
    end = {"frames": 2, "shots": 1, "sum": frame.crc32(data)}
    assert frame.encode(frame.END, 9999, frame.encode_fields(frame.END, end)) == kept["end"]
    error = {"code": frame.LEADS_LIVE, "value": -12300, "words": "live\r\nleads = danger"}
    assert frame.encode(frame.ERROR, frame.NO_ID, frame.encode_fields(frame.ERROR, error)) == kept["error"]
    assert frame.encode(frame.HELLO, 0, b"") == kept["empty"]


def test_lines_that_are_no_request():
    for line in (
        b"hullo id=1", b"id=1", b"hello", b"hello id=", b"hello id=x", b"hello id=10000", b"hello id=-1",
        b"hello id=1 id=1", b"hello id=1 x=1", b"hello id=1 =", b"hello id=1 x", b"hello id=+1",
        b"hello id=1_0", b"constant id=1 name=a", b"constant id=1 name= value=3", b"hell\x7f id=1",
        b"hello\tid=1", b"h\xc3\xa9 id=1", b"constant id=1 name=" + b"a" * 80 + b" value=1", b"\x00",
    ):  # fmt: skip
        raises(frame.FrameError, frame.decode_request, line)


def test_the_longest_line():
    line = b"constant id=1 name=%s value=1"
    assert frame.decode_request(line % (b"a" * 72))[2]["name"] == "a" * 72
    assert len(line % (b"a" * 73)) == 100
    raises(frame.FrameError, frame.decode_request, line % (b"a" * 73))


def test_the_id_of_a_spoilt_line():
    assert frame.id_of(b"hullo id=12 x") == 12
    for line in (b"", b"hello", b"hello id=", b"hello id=99999", b"\xff id=\xff", b"id=1e3"):
        assert frame.id_of(line) == frame.NO_ID, line


def test_whole_numbers():
    for text, value in (("0", 0), ("-1", -1), ("007", 7), ("4294967295", 4294967295)):
        assert frame.whole(text) == value
    for text in ("", "-", "1.0", "1e3", " 1", "1 ", "+1", "0x1", "1_0", "--1", "9" * 20, "\u0661"):
        assert frame.whole(text) is None, text
