"""What the firmware is tested on: a board without hardware, a host at the other end of a string."""

import gc
import struct
from array import array
from collections import namedtuple

import console
import frame
import interlock
import service
import store

import board

DEFAULTS = {row[0]: row[1] for row in board.CONSTANTS}
MAX_WIDTH = board.MAX_WIDTH_NS * 144 // 1000


class Benchtop:
    """Offers what shot.py's `Hardware` offers, on a clock that only moves when it is slept on."""

    def __init__(self, ticks_per_sample=288):
        self.tick_hz = 500_000 * ticks_per_sample
        self.ticks_per_sample = ticks_per_sample
        self.start_uncertainty_ps = 0 if ticks_per_sample == 288 else 20834
        self.machine = "benchtop"
        self.unique_id = "00c0ffee"
        self.micropython = "1.28.0"
        self.now_ms = 0
        self.done = []  # (name, ...) of each call that matters
        self.high = False  # the pulse pin
        self.flags = 0
        self.fault = None  # raised in mid-capture
        self.lead_mv = lambda ms: 0
        self.ring = lambda k, width: 2048 + (k % 5 if k >= 0 else 0)

    def select(self, index, channel):
        self.done.append(("select", index, channel))

    def capture(self, samples, count, delay_ticks, width_ticks):
        self.done.append(("capture", count, delay_ticks, width_ticks, self.now_ms))
        self.high = width_ticks > 0
        if self.fault:
            self.now_ms += count // 500
            raise self.fault
        for k in range(count):
            samples[k] = self.ring(k - delay_ticks // self.ticks_per_sample, width_ticks)
        self.now_ms += count // 500
        self.high = False
        return self.flags

    def lead_code(self):
        volts = self.lead_mv(self.now_ms) * 1000 / DEFAULTS["lead_uv"]
        return round(DEFAULTS["lead_offset_code_16"] / 16 + volts)

    def temperature_mc(self):
        return 24_500

    def measure(self):
        return self.tick_hz, 500_000

    def pulse_low(self):
        self.high = False

    def tidy(self):
        self.done.append(("tidy",))

    def heap_free(self):
        return 123_456

    def ticks_ms(self):
        return self.now_ms

    def elapsed_ms(self, since_ms):
        return self.now_ms - since_ms

    def sleep_ms(self, ms):
        assert ms > 0
        self.now_ms += ms

    def captures(self):
        return [entry for entry in self.done if entry[0] == "capture"]


class Host:
    """A console whose other end is this object: what was sent to the board, and what came back."""

    def __init__(self, sent=b""):
        self.sent = sent
        self.at = 0
        self.got = b""
        self.writes = 0
        self.waits = lambda host: False
        self.deaf_after = None  # writes after which nobody reads

    def read(self):
        self.at += 1
        return self.sent[self.at - 1] if self.at <= len(self.sent) else -1

    def waiting(self):
        return self.waits(self)

    def write(self, data):
        self.writes += 1
        if self.deaf_after is not None and self.writes > self.deaf_after:
            raise console.Unheard()
        self.got += bytes(data)


class Shelf:
    """Files in memory, with `open` and what of `os` is used. Power fails at step `cut`, torn in mid-write."""

    def __init__(self, files=None):
        self.files = dict(files or {})
        self.step = 0
        self.cut = None

    def _step(self):
        self.step += 1
        if self.step == self.cut:
            raise PowerCutError(self.step)

    def open(self, path, mode):
        if mode == "wb":
            self._step()
            self.files[path] = b""
        elif path not in self.files:
            raise OSError(2)
        return _Opened(self, path)

    def rename(self, old, new):
        self._step()
        self.files[new] = self.files.pop(old)

    def remove(self, path):
        if path not in self.files:
            raise OSError(2)
        self._step()
        del self.files[path]


class _Opened:
    def __init__(self, shelf, path):
        self.shelf = shelf
        self.path = path

    def __enter__(self):
        return self

    def __exit__(self, *args):
        return False

    def read(self):
        return self.shelf.files[self.path]

    def write(self, data):
        # Bytes reach the flash in pieces; each is a place where power may fail.
        for start in range(0, len(data), 64):
            self.shelf._step()
            self.shelf.files[self.path] += data[start : start + 64]


class PowerCutError(Exception):
    pass


class Tester:
    """A whole board around a `Benchtop`; `ask` gives the frames of one answer."""

    def __init__(self, hardware=None):
        self.hardware = hardware or Benchtop()
        self.host = Host()
        self.shelf = Shelf()
        # A gain of one, so that a code is 3.3 V / 4096 at the winding.
        table = [(row[0], 1_000_000) + row[2:] if row[0] == "gain_ppm" else row for row in board.CONSTANTS]
        self.store = store.Store("constants.txt", table, self.shelf, self.shelf.open)
        self.interlock = interlock.Interlock(self.hardware, self.store)
        self.service = service.Service(self.hardware, self.host, self.interlock, self.store)

    def ask(self, line):
        self.host.got = b""
        self.service.answer(line)
        return frames(self.host.got)

    def capture(self, **changes):
        """Frames of a small capture."""
        keys = {
            "samples": 64,
            "pretrigger": 8,
            "width_ticks": 100,
            "capacitor": "A",
            "shots": 1,
            "interleave": 1,
        }
        keys.update(changes)
        return self.ask(request("capture", 7, **keys))


Frame = namedtuple("Frame", ("version", "type", "id", "payload"))
Shot = namedtuple("Shot", ("shot", "phase", "flags", "delay_ticks", "errors", "lead_mv", "samples"))


def request(word, number, **keys):
    """A request without its line's end."""
    pairs = "".join([" %s=%s" % (key, keys[key]) for key in keys])
    return ("%s id=%d%s" % (word, number, pairs)).encode()


def frames(data):
    """The frames in `data`, which must hold nothing else; ALIVE left out."""
    found = []
    while data:
        magic, version, kind, number, length, check = struct.unpack("<4sBBHII", data[:16])
        body, crc = data[: 16 + length], struct.unpack("<I", data[16 + length : 20 + length])[0]
        assert (magic, version) == (frame.MAGIC, frame.VERSION), "no frame"
        assert check == frame.crc32(data[:12]) and crc == frame.crc32(body), "a damaged frame"
        found.append(Frame(version, kind, number, body[16:]))
        data = data[20 + length :]
    return [one for one in found if one.type != frame.ALIVE]


def fields(one):
    """Its values, whole numbers as such."""
    lines = [line.split("=", 1) for line in str(one.payload, "utf-8").split("\n") if line]
    values = {key: text if frame.whole(text) is None else frame.whole(text) for key, text in lines}
    for key, number in frame.fields(one.type):
        assert key in values and (not number or isinstance(values[key], int)), key
    return values


def decode_shot(payload):
    return Shot(*(struct.unpack("<IHHIIi", payload[:20]) + (payload[20:],)))


def error_of(answer, code):
    """Fields of the single ERROR that is the whole answer."""
    assert [one.type for one in answer] == [frame.ERROR], answer
    values = fields(answer[0])
    assert values["code"] == code, values
    return values


def raises(error, function, *args):
    try:
        function(*args)
    except error as raised:
        return raised
    raise AssertionError("nothing was raised")


def codes_of(shot):
    return list(array("H", shot.samples))


def peak_bytes(work):
    """Memory that `work` takes at most [bytes]; under MicroPython all that it asks for, garbage included."""
    if hasattr(gc, "mem_alloc"):
        gc.collect()
        gc.disable()
        before = gc.mem_alloc()
        work()
        after = gc.mem_alloc()
        gc.enable()
        return after - before
    import tracemalloc

    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak
