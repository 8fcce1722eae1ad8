"""The wire format: golden bytes, every cut, every flipped bit, text between frames."""

import struct

import frame
from benchtop import raises
from run_cases import ROOT

BEGIN = {
    "samples": 4,
    "pretrigger": 1,
    "width_ticks": 720,
    "capacitor": "A",
    "shots": 1,
    "interleave": 1,
    "tick_hz": 144000000,
    "ticks_per_sample": 288,
    "rate_numerator": 48000000,
    "rate_denominator": 96,
    "start_uncertainty_ps": 0,
    "temperature_mc": -1500,
    "lead_mv": -3,
}


def golden():
    """name -> bytes, written by make_frames.py, which does not use frame.py."""
    found = {}
    with open(ROOT + "/tests/golden/frames.txt") as file:
        for line in file:
            if line.strip() and not line.startswith("#"):
                name, digits = line.split()
                found[name] = bytes(int(digits[i : i + 2], 16) for i in range(0, len(digits), 2))
    return found


def stream():
    """A whole answer: BEGIN, DATA, END."""
    kept = golden()
    return [kept["begin"], kept["data"], kept["end"]]


def read(data, step=None):
    """(everything found, frames damaged) when `data` comes in pieces of `step` bytes."""
    reader = frame.Reader()
    found = []
    for start in range(0, len(data), step or len(data) or 1):
        found += reader.feed(data[start : start + (step or len(data))])
    return found + reader.finish(), reader.damaged


def frames(found):
    return [one for one in found if isinstance(one, frame.Frame)]


def texts(found):
    return [one.words for one in found if isinstance(one, frame.Text)]


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


def test_decoding_golden_bytes():
    found = frames(read(b"".join(stream()))[0])
    assert [(one.version, one.type, one.id) for one in found] == [(1, 2, 9999), (1, 3, 9999), (1, 7, 9999)]
    assert frame.decode_fields(frame.BEGIN, found[0].payload) == BEGIN
    shot = frame.decode_shot(found[1].payload)
    assert shot[:6] == (0, 0, frame.UNDER, 288, 1, -3)
    assert struct.unpack("<4H", shot.samples) == (2048, 0x8FFF, 4095, 0)
    assert frame.decode_fields(frame.END, found[2].payload)["sum"] == frame.crc32(found[1].payload)
    error = frames(read(golden()["error"])[0])[0]
    values = frame.decode_fields(frame.ERROR, error.payload)
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
    reader = frame.Reader()
    assert reader.feed(b"") == [] and reader.finish() == []
    one = golden()["data"]
    for _ in range(3):  # a reader that is finished can go on
        assert len(frames(reader.feed(one))) == 1
        assert reader.finish() == []


def test_a_frame_comes_with_its_last_byte():
    for one in stream():
        reader = frame.Reader()
        for at in range(len(one) - 1):
            assert reader.feed(one[at : at + 1]) == []
        assert len(reader.feed(one[-1:])) == 1


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
        reader = frame.Reader()
        assert len(frames(reader.feed(golden()["data"] + tail))) == 1, tail


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
    starts = [0] + ends[:-1]
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
    assert found[0] == frame.Damage("damaged frame", len(spoilt))
    spoilt = bytearray(golden()["data"])
    spoilt[9] ^= 128
    found, damaged = read(bytes(spoilt))
    assert (found, damaged) == ([frame.Damage("damaged head", len(spoilt))], 1)
    found, damaged = read(golden()["data"][:-1])
    assert found == [frame.Damage("frame cut off", len(spoilt) - 1)]
    found, damaged = read(b"\x00\x01\x02" + golden()["end"])
    assert (found[0], damaged) == (frame.Damage("bytes outside of frames", 3), 0)


def test_a_damaged_head_is_noticed_before_its_length_came():
    spoilt = bytearray(golden()["end"])
    spoilt[10] ^= 1  # 65536 bytes more
    reader = frame.Reader()
    reader.feed(bytes(spoilt))
    assert reader.damaged == 1
    assert len(frames(reader.feed(golden()["end"]))) == 1


def test_a_length_over_the_most_is_refused():
    reader = frame.Reader()
    reader.feed(frame.head(frame.DATA, 1, frame.MAX_PAYLOAD + 1))
    assert reader.damaged == 1
    assert len(frames(reader.feed(frame.encode(frame.DATA, 1, bytes(frame.MAX_PAYLOAD))))) == 1


def test_another_version_is_passed_on():
    head = bytearray(frame.head(frame.HELLO, 3, 2))
    head[4] = 2
    head[12:16] = struct.pack("<I", frame.crc32(bytes(head[:12])))
    body = bytes(head) + b"ab"
    found = read(body + frame.tail(frame.crc32(body)))[0]
    assert found == [frame.Frame(2, frame.HELLO, 3, b"ab")]


def test_a_line_of_text_comes_with_its_last_byte():
    reader = frame.Reader()
    assert reader.feed(b">>> ") == []
    assert reader.feed(b"ok\r\n") == [frame.Text(b">>> ok")]
    assert reader.feed(b"\xf5Cb") == []
    assert reader.feed(b"\n") == []
    assert reader.feed(b"then\n") == [frame.Damage("bytes outside of frames", 4), frame.Text(b"then")]


def test_text_right_before_a_damaged_frame_is_kept():
    spoilt = bytearray(golden()["end"])
    spoilt[20] ^= 1
    found = read(b">>> " + bytes(spoilt) + golden()["end"])[0]
    assert found[:2] == [frame.Text(b">>> "), frame.Damage("damaged frame", len(spoilt))]


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
    line = frame.encode_request("capture", 9999, interleave=288, **keys)
    assert len(line) == frame.MAX_LINE + 1 and line[-1:] == b"\n"  # the longest there is fits just so
    word, number, back = frame.decode_request(line[:-1])
    assert (word, number, back["samples"], back["interleave"]) == ("capture", 9999, "16384", "288")
    for word in frame.REQUESTS:
        keys = {key: "1" for key in frame.REQUESTS[word]}
        assert frame.decode_request(frame.encode_request(word, 0, **keys)[:-1]) == (word, 0, keys)


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


def test_requests_that_cannot_be_written():
    raises(frame.FrameError, lambda: frame.encode_request("hullo", 1))
    raises(frame.FrameError, lambda: frame.encode_request("hello", 10000))
    raises(frame.FrameError, lambda: frame.encode_request("hello", 1, extra=1))
    raises(frame.FrameError, lambda: frame.encode_request("constant", 1, name="a"))
    raises(frame.FrameError, lambda: frame.encode_request("constant", 1, name="a b", value=1))
    raises(frame.FrameError, lambda: frame.encode_request("constant", 1, name="a\nsave", value=1))


def test_the_id_of_a_spoilt_line():
    assert frame.id_of(b"hullo id=12 x") == 12
    for line in (b"", b"hello", b"hello id=", b"hello id=99999", b"\xff id=\xff", b"id=1e3"):
        assert frame.id_of(line) == frame.NO_ID, line


def test_whole_numbers():
    for text, value in (("0", 0), ("-1", -1), ("007", 7), ("4294967295", 4294967295)):
        assert frame.whole(text) == value
    for text in ("", "-", "1.0", "1e3", " 1", "1 ", "+1", "0x1", "1_0", "--1", "9" * 20, "\u0661"):
        assert frame.whole(text) is None, text


def test_text_payloads_that_are_none():
    good = frame.encode_fields(frame.END, {"frames": 1, "shots": 1, "sum": 0})
    assert frame.decode_fields(frame.END, good + b"later=thing=x\n")["later"] == "thing=x"
    for bad in (b"", b"frames=1\n", good + b"oops\n", good.replace(b"=1", b"=one"), good + b"\xff\n"):
        raises(frame.FrameError, frame.decode_fields, frame.END, bad)
    raises(frame.FrameError, frame.encode_fields, frame.END, {"frames": 1})
    constants = {"constants_from": "file", "stray_ff": 25000}
    payload = frame.encode_fields(frame.CONSTANTS, constants)
    assert frame.decode_fields(frame.CONSTANTS, payload) == constants
    raises(frame.FrameError, frame.decode_fields, frame.CONSTANTS, payload + b"gain=high\n")


def test_shots_at_their_limits():
    most = 4294967295
    for values in ((most, 65535, 65535, most, most, -2147483648), (0, 0, 0, 0, 0, 2147483647)):
        assert frame.decode_shot(frame.encode_shot(*values))[:6] == values


def test_shots_that_are_none():
    for bad in (b"", bytes(19), bytes(21)):
        raises(frame.FrameError, frame.decode_shot, bad)
    assert frame.decode_shot(bytes(20)).samples == b""
