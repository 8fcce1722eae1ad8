"""The host's half of the wire format: every cut, every flipped bit, text between frames."""

from __future__ import annotations

import struct

import pytest

from coilbell.board import frame, reader
from golden.wire import BEGIN, golden


def raises(error, function, *args):
    with pytest.raises(error):
        function(*args)


def stream():
    """A whole answer: BEGIN, DATA, END."""
    kept = golden()
    return [kept["begin"], kept["data"], kept["end"]]


def read(data, step=None):
    """(everything found, frames damaged) when `data` comes in pieces of `step` bytes."""
    finder = reader.Reader()
    found = []
    for start in range(0, len(data), step or len(data) or 1):
        found += finder.feed(data[start : start + (step or len(data))])
    return found + finder.finish(), finder.damaged


def frames(found):
    return [one for one in found if isinstance(one, reader.Frame)]


def texts(found):
    return [one.words for one in found if isinstance(one, reader.Text)]


def test_decoding_golden_bytes():
    found = frames(read(b"".join(stream()))[0])
    assert [(one.version, one.type, one.id) for one in found] == [(1, 2, 9999), (1, 3, 9999), (1, 7, 9999)]
    assert reader.decode_fields(frame.BEGIN, found[0].payload) == BEGIN
    shot = reader.decode_shot(found[1].payload)
    assert shot[:6] == (0, 0, frame.UNDER, 288, 1, -3)
    assert struct.unpack("<4H", shot.samples) == (2048, 0x8FFF, 4095, 0)
    assert reader.decode_fields(frame.END, found[2].payload)["sum"] == frame.crc32(found[1].payload)
    error = frames(read(golden()["error"])[0])[0]
    values = reader.decode_fields(frame.ERROR, error.payload)
    assert values == {"code": 10, "value": -12300, "words": "live  leads = danger"}
    assert frames(read(golden()["empty"])[0])[0].payload == b""


def test_pieces_make_no_difference():
    kept = golden()
    spoilt = bytearray(kept["data"])
    spoilt[30] ^= 1
    data = (
        b"MicroPython v1.28\r\n>>> " + kept["begin"] + b"Traceback (most recent call last):\r\n  line 1\r\n"
        + bytes(spoilt) + kept["data"] + b"\xf5\xf5Cb" + kept["end"] + kept["data"][:33] + kept["empty"]
        + b"x" * 3000 + b"\n" + kept["error"] + kept["begin"][:20] + b">>> "
    )  # fmt: skip
    whole = read(data)
    for step in (1, 2, 3, 5, 16, 17, 64, 1000):
        assert read(data, step) == whole, step
    names = [(one.type, one.id) for one in frames(whole[0])]
    assert names == [(2, 9999), (3, 9999), (7, 9999), (1, 0), (8, 65535)]
    words = texts(whole[0])
    assert words[:4] == [b"MicroPython v1.28", b">>> ", b"Traceback (most recent call last):", b"  line 1"]
    assert b"".join(words[4:]) == b"x" * 3000


def test_nothing_is_left_and_nothing_is_invented():
    finder = reader.Reader()
    assert finder.feed(b"") == []
    assert finder.finish() == []
    one = golden()["data"]
    for _ in range(3):  # a finder that is finished can go on
        assert len(frames(finder.feed(one))) == 1
        assert finder.finish() == []


def test_a_frame_comes_with_its_last_byte():
    for one in stream():
        finder = reader.Reader()
        for at in range(len(one) - 1):
            assert finder.feed(one[at : at + 1]) == []
        assert len(finder.feed(one[-1:])) == 1


def test_trailing_bytes_do_not_hold_a_frame_back():
    for tail in (
        b"x",
        b"\xf5",
        b"\xf5C",
        b"\xf5Cb",
        b"\xf5Cb\xf6",
        b"\xf5Cb\xf6\x01\x03",
        b"\n",
        b"\x00" * 40,
    ):
        finder = reader.Reader()
        assert len(frames(finder.feed(golden()["data"] + tail))) == 1, tail


def test_each_flipped_bit_costs_its_frame_only():
    parts = stream()
    data = b"".join(parts)
    whole = frames(read(data)[0])
    ends = [len(b"".join(parts[: i + 1])) for i in range(len(parts))]
    for at in range(len(data)):
        hit = [at < end for end in ends].index(True)
        for bit in range(8):
            spoilt = bytearray(data)
            spoilt[at] ^= 1 << bit
            found = frames(read(bytes(spoilt))[0])
            assert found == whole[:hit] + whole[hit + 1 :], (at, bit)


def test_each_lost_doubled_or_alien_byte_costs_its_frame_only():
    parts = stream()
    data = b"".join(parts)
    whole = frames(read(data)[0])
    ends = [len(b"".join(parts[: i + 1])) for i in range(len(parts))]
    starts = [0, *ends[:-1]]
    for at in range(len(data)):
        hit = [at < end for end in ends].index(True)
        spared = whole[:hit] + whole[hit + 1 :]
        alien = (data[at] + 1) % 256
        for put in (b"", bytes([data[at], data[at]]), bytes([data[at], alien])):
            found = frames(read(data[:at] + put + data[at + 1 :])[0])
            # A byte put in behind a frame's last one, or the first one doubled, harms nothing.
            harmless = put and (at + 1 in ends or at in starts)
            assert found == spared or (harmless and found == whole), (at, put)


def test_a_stretch_of_any_length_may_be_lost():
    data = b"".join(stream())
    whole = frames(read(data)[0])
    for start in range(0, len(data), 7):
        for stop in range(start + 1, len(data), 11):
            found = frames(read(data[:start] + data[stop:])[0])
            assert all(one in whole for one in found), (start, stop)


def test_lost_bytes_are_counted():
    spoilt = bytearray(golden()["data"])
    spoilt[-1] ^= 128
    found, damaged = read(bytes(spoilt) + golden()["end"])
    assert damaged == 1
    assert found[0] == reader.Damage("damaged frame", len(spoilt))
    spoilt = bytearray(golden()["data"])
    spoilt[9] ^= 128
    found, damaged = read(bytes(spoilt))
    assert (found, damaged) == ([reader.Damage("damaged head", len(spoilt))], 1)
    found, damaged = read(golden()["data"][:-1])
    assert found == [reader.Damage("frame cut off", len(spoilt) - 1)]
    found, damaged = read(b"\x00\x01\x02" + golden()["end"])
    assert (found[0], damaged) == (reader.Damage("bytes outside of frames", 3), 0)


def test_a_damaged_head_is_noticed_before_its_length_came():
    spoilt = bytearray(golden()["end"])
    spoilt[10] ^= 1  # 65536 bytes more
    finder = reader.Reader()
    finder.feed(bytes(spoilt))
    assert finder.damaged == 1
    assert len(frames(finder.feed(golden()["end"]))) == 1


def test_a_length_over_the_most_is_refused():
    finder = reader.Reader()
    finder.feed(frame.head(frame.DATA, 1, frame.MAX_PAYLOAD + 1))
    assert finder.damaged == 1
    assert len(frames(finder.feed(frame.encode(frame.DATA, 1, bytes(frame.MAX_PAYLOAD))))) == 1


def test_another_version_is_passed_on():
    head = bytearray(frame.head(frame.HELLO, 3, 2))
    head[4] = 2
    head[12:16] = struct.pack("<I", frame.crc32(bytes(head[:12])))
    body = bytes(head) + b"ab"
    found = read(body + frame.tail(frame.crc32(body)))[0]
    assert found == [reader.Frame(2, frame.HELLO, 3, b"ab")]


def test_a_line_of_text_comes_with_its_last_byte():
    finder = reader.Reader()
    assert finder.feed(b">>> ") == []
    assert finder.feed(b"ok\r\n") == [reader.Text(b">>> ok")]
    assert finder.feed(b"\xf5Cb") == []
    assert finder.feed(b"\n") == []
    assert finder.feed(b"then\n") == [reader.Damage("bytes outside of frames", 4), reader.Text(b"then")]


def test_text_right_before_a_damaged_frame_is_kept():
    spoilt = bytearray(golden()["end"])
    spoilt[20] ^= 1
    found = read(b">>> " + bytes(spoilt) + golden()["end"])[0]
    assert found[:2] == [reader.Text(b">>> "), reader.Damage("damaged frame", len(spoilt))]


def test_the_payload_of_a_damaged_frame_is_no_text():
    for at in (9, 14, 25, 200, len(golden()["begin"]) - 1):
        spoilt = bytearray(golden()["begin"])
        spoilt[at] ^= 1
        found = read(bytes(spoilt) + b"OSError: 5\r\n" + golden()["end"])[0]
        assert texts(found) == ([] if at == 9 else [b"OSError: 5"]), at
        assert len(frames(found)) == 1


def test_a_crash_in_mid_frame_is_read():
    crash = b'\r\nTraceback (most recent call last):\r\n  File "main.py", line 3\r\nOSError: 5\r\n>>> '
    said = [b"Traceback (most recent call last):", b'  File "main.py", line 3', b"OSError: 5", b">>> "]
    long = frame.encode(frame.DATA, 1, bytes(8212))
    assert texts(read(long[:4000] + crash)[0]) == said
    # Where less of the frame was missing than was said, its place is taken by the first words.
    assert texts(read(golden()["data"][:40] + crash)[0])[1:] == said[1:]


def test_requests_there_and_back():
    keys = {"samples": 16384, "pretrigger": 227, "width_ticks": 65537, "capacitor": "A", "shots": 999}
    line = reader.encode_request("capture", 9999, interleave=288, **keys)
    assert len(line) == frame.MAX_LINE + 1  # the longest there is fits just so
    assert line[-1:] == b"\n"
    word, number, back = frame.decode_request(line[:-1])
    assert (word, number, back["samples"], back["interleave"]) == ("capture", 9999, "16384", "288")
    for word in frame.REQUESTS:
        keys = dict.fromkeys(frame.REQUESTS[word], "1")
        assert frame.decode_request(reader.encode_request(word, 0, **keys)[:-1]) == (word, 0, keys)


def test_requests_that_cannot_be_written():
    raises(frame.FrameError, lambda: reader.encode_request("hullo", 1))
    raises(frame.FrameError, lambda: reader.encode_request("hello", 10000))
    raises(frame.FrameError, lambda: reader.encode_request("hello", 1, extra=1))
    raises(frame.FrameError, lambda: reader.encode_request("constant", 1, name="a"))
    raises(frame.FrameError, lambda: reader.encode_request("constant", 1, name="a b", value=1))
    raises(frame.FrameError, lambda: reader.encode_request("constant", 1, name="a\nsave", value=1))


def test_text_payloads_that_are_none():
    good = frame.encode_fields(frame.END, {"frames": 1, "shots": 1, "sum": 0})
    assert reader.decode_fields(frame.END, good + b"later=thing=x\n")["later"] == "thing=x"
    for bad in (b"", b"frames=1\n", good + b"oops\n", good.replace(b"=1", b"=one"), good + b"\xff\n"):
        raises(frame.FrameError, reader.decode_fields, frame.END, bad)
    raises(frame.FrameError, frame.encode_fields, frame.END, {"frames": 1})
    constants = {"constants_from": "file", "stray_ff": 25000}
    payload = frame.encode_fields(frame.CONSTANTS, constants)
    assert reader.decode_fields(frame.CONSTANTS, payload) == constants
    raises(frame.FrameError, reader.decode_fields, frame.CONSTANTS, payload + b"gain=high\n")


def test_shots_at_their_limits():
    most = 4294967295
    for values in ((most, 65535, 65535, most, most, -2147483648), (0, 0, 0, 0, 0, 2147483647)):
        assert reader.decode_shot(frame.encode_shot(*values))[:6] == values


def test_shots_that_are_none():
    for bad in (b"", bytes(19), bytes(21)):
        raises(frame.FrameError, reader.decode_shot, bad)
    assert reader.decode_shot(bytes(20)).samples == b""
