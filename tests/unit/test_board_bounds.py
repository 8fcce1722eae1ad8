"""Whatever a board sends, a request ends: bounded in time, frames and bytes. One table for both sides."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from coilbell.board import Settings, Tester, constants, frame
from coilbell.board.bounds import bounds
from coilbell.board.exchange import Exchange
from coilbell.errors import MeasurementError, WireError
from scripted import HELLO, ScriptedBoard

CAPTURE = {
    "samples": 256,
    "pretrigger": 16,
    "width_ticks": 288,
    "capacitor": "A",
    "shots": 3,
    "interleave": 1,
}
ASKED: dict[str, dict[str, object]] = {
    "hello": {},
    "capture": CAPTURE,
    "aim": {"capacitor": "A", "samples": 256, "pretrigger": 16},
    "check": {},
    "constants": {},
    "constant": {"name": "lead_uv", "value": 9000},
    "save": {},
}


@pytest.fixture(autouse=True)
def _place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")


class Flood(ScriptedBoard):
    """Answers every request with pieces that never end; `endless` makes them from the request's id."""

    def __init__(self, endless: Callable[[int], Iterator[bytes]]) -> None:
        super().__init__()
        self.endless = endless
        self.stream: Iterator[bytes] = iter(())
        self.given = 0

    def write(self, data: bytes) -> None:
        if data.strip() and b"id=" in data:
            self.stream = self.endless(frame.id_of(data))

    def read(self, timeout_s: float) -> bytes:
        piece = next(self.stream, b"")
        self.given += len(piece)
        return piece


def _frames(kind: int, payload: bytes) -> Callable[[int], Iterator[bytes]]:
    return lambda number: itertools.repeat(frame.encode(kind, number, payload))


TEXT = frame.encode_fields(frame.HELLO, HELLO)
SHOT = frame.encode_shot(0, 0, 0, 4608, 0, 0) + bytes(512)
FLOODS = {
    "HELLO": _frames(frame.HELLO, TEXT),
    "BEGIN": _frames(frame.BEGIN, b"x=1\n" * 50),
    "DATA before BEGIN": _frames(frame.DATA, SHOT),
    "empty DATA": _frames(frame.DATA, b""),
    "AIM": _frames(frame.AIM, b"x=1\n"),
    "CHECK": _frames(frame.CHECK, b"x=1\n"),
    "CONSTANTS": _frames(frame.CONSTANTS, b"x=1\n"),
    "ALIVE": _frames(frame.ALIVE, b"shots=1\n"),
    "unknown": _frames(200, b"\x00" * 9),
    "longest": _frames(frame.HELLO, b"\xff" * frame.MAX_PAYLOAD),
    "another id": lambda number: itertools.repeat(frame.encode(frame.HELLO, (number + 1) % 9999, TEXT)),
    "text": lambda number: itertools.repeat(b"all is well\r\n"),
    "text without end": lambda number: itertools.repeat(b"a" * 1000),
    "noise": lambda number: itertools.repeat(bytes(range(128, 256)) * 8),
    "magic": lambda number: itertools.repeat(frame.MAGIC * 100),
    "heads": lambda number: itertools.repeat(frame.head(frame.DATA, number, frame.MAX_PAYLOAD) * 50),
    "tracebacks": lambda number: itertools.repeat(
        b'Traceback (most recent call last):\r\n  File "<stdin>", line 1\r\nSyntaxError: invalid\r\n'
    ),
    "prompts": lambda number: itertools.repeat(b">>> \r\n"),
}


@pytest.mark.parametrize("word", ASKED)
@pytest.mark.parametrize("name", FLOODS)
def test_no_flood_is_taken_without_end(name: str, word: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("coilbell.board.exchange._UNENDING_S", 0.05)
    board = Flood(FLOODS[name])
    most = bounds(word, ASKED[word], 0.05)
    with pytest.raises(MeasurementError):
        for _ in Exchange(board, 0.05).ask(word, **ASKED[word]):
            pass
    # One piece more than the bound, or as much as comes in the time.
    assert most.bytes < 1_000_000
    assert most.whole_s < 2


@pytest.mark.parametrize("word", ["hello", "aim", "capture"])
@pytest.mark.parametrize("name", ["HELLO", "unknown", "ALIVE", "DATA before BEGIN", "BEGIN"])
def test_frames_are_counted(name: str, word: str) -> None:
    board = Flood(FLOODS[name])
    most = bounds(word, ASKED[word])
    exchange = Exchange(board)
    with pytest.raises(WireError, match=rf"the answer to {word} from /dev/scripted does not end \("):
        for _ in exchange.ask(word, **ASKED[word]):
            pass
    assert exchange.tally.frames <= most.frames + 1


def test_a_board_that_floods_ends_a_greeting_and_a_capture_with_one_error(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("coilbell.board.exchange._UNENDING_S", 0.05)
    for name in FLOODS:
        with pytest.raises((MeasurementError, Exception)) as caught:
            Tester(Flood(FLOODS[name]), patience_s=0.02, retries=1).hello()
        assert type(caught.value).__module__ == "coilbell.errors", (name, caught.value)
        board = ScriptedBoard()
        tester = Tester(board, patience_s=0.02, retries=1)
        tester.hello()
        flood = Flood(FLOODS[name])
        tester._exchange.port = tester._port = flood
        with pytest.raises(MeasurementError):
            tester.capture(Settings(shots=3, samples=256, pretrigger=16, pulse_s=2e-6))
        assert tester.arrived == ()


class Trickle(Flood):
    """One piece every `gap_s`, for ever."""

    gap_s = 0.01

    def read(self, timeout_s: float) -> bytes:
        time.sleep(min(self.gap_s, timeout_s))
        return super().read(timeout_s)


@pytest.mark.parametrize("name", ["ALIVE", "another id", "noise", "text"])
def test_a_trickle_ends_by_the_time(name: str) -> None:
    most = bounds("check", {}, 0.05)
    begun = time.monotonic()
    with pytest.raises(WireError):
        for _ in Exchange(Trickle(FLOODS[name]), 0.05).ask("check"):
            pass
    assert time.monotonic() - begun < 20 * most.whole_s  # the machine may be busy


def test_the_bounds_hold_what_a_sound_board_sends() -> None:
    board = ScriptedBoard()
    for word, keys in ASKED.items():
        most = bounds(word, keys)
        line = " ".join([word, "id=1", *(f"{key}={value}" for key, value in keys.items())])
        answer = board.answer(line.encode())
        assert len(answer) < most.bytes
        assert most.silence_s == (8.0 if word == "save" else 2.0)  # 4 x 0.5 s; flash is silent longer
        assert most.whole_s >= 4 * frame.SLOWEST_MS[word][1] / 1000


def test_bounds_grow_with_what_is_asked_for() -> None:
    few, many = bounds("capture", CAPTURE), bounds("capture", CAPTURE | {"shots": 30, "interleave": 4})
    assert many.bytes - few.bytes >= 117 * (20 + 2 * 256 + 20)
    assert many.frames - few.frames >= 117
    assert many.whole_s - few.whole_s == pytest.approx(
        117 * frame.PATIENCE * frame.SLOWEST_MS["capture"][1] / 1000
    )
    slow = bounds("aim", ASKED["aim"], 30.0)
    assert (slow.silence_s, slow.whole_s) == (30.0, pytest.approx(15 * bounds("aim", ASKED["aim"]).whole_s))


def test_signs_of_life_keep_a_long_aim_and_are_no_part_of_the_answer() -> None:
    class Working(ScriptedBoard):
        def answer(self, line: bytes) -> bytes:
            number = frame.id_of(line)
            alive = frame.encode(frame.ALIVE, number, b"shots=5\n")
            return alive * 3 + super().answer(line)

    tester = Tester(Working())
    assert tester.aim("A").outcome == "found"
    assert len(tester.capture(Settings(shots=3, samples=256, pretrigger=16, pulse_s=2e-6))) == 3
