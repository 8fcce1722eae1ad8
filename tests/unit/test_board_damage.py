"""Damaged streams never make a wrong record, and a session survives whatever the wire does.

COILBELL_DAMAGED sets how many damaged streams are tried, 3,000 by default.
"""

from __future__ import annotations

import contextlib
import os
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from coilbell.board import PortLost, Refusal, Settings, Tester, constants, frame
from coilbell.errors import BoardError, BoardTimeout, CoilbellError, MeasurementError, WireError
from coilbell.record import Record
from scripted import ScriptedBoard, frames_of

STREAMS = int(os.environ.get("COILBELL_DAMAGED", "3000"))
ASKED = Settings(shots=3, samples=64, pretrigger=8, pulse_s=2e-6)


@pytest.fixture(autouse=True)
def _place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")


# --- damaged streams ---


def _flip(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.choice((1, 1, 1, 2, 5, 20))):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def _cut(data: bytearray, rng: random.Random) -> None:
    start = rng.randrange(len(data))
    del data[start : start + rng.choice((1, 2, 3, 16, 64, 200, len(data)))]


def _double(data: bytearray, rng: random.Random) -> None:
    start = rng.randrange(len(data))
    stretch = data[start : start + rng.choice((1, 4, 64, 300))]
    data[start:start] = stretch


def _insert(data: bytearray, rng: random.Random) -> None:
    where = rng.randrange(len(data) + 1)
    data[where:where] = rng.choice(
        (rng.randbytes(rng.randrange(1, 100)), frame.MAGIC, b"\n", frame.MAGIC + b"\1\3")
    )


def _exchange(data: bytearray, rng: random.Random) -> None:
    frames = frames_of(bytes(data))
    if len(frames) > 1:
        a, b = rng.sample(range(len(frames)), 2)
        frames[a], frames[b] = frames[b], frames[a]
        data[:] = b"".join(frames)


def _repeat(data: bytearray, rng: random.Random) -> None:
    frames = frames_of(bytes(data))
    if frames:
        frames.insert(rng.randrange(len(frames)), rng.choice(frames))
        data[:] = b"".join(frames)


DAMAGES = (_flip, _flip, _cut, _cut, _double, _insert, _exchange, _repeat)


def _damaged(answer: bytes, rng: random.Random) -> bytes:
    data = bytearray(answer)
    for _ in range(rng.choice((1, 1, 2, 3))):
        if data:
            rng.choice(DAMAGES)(data, rng)
    return bytes(data)


def _check(record: Record, board: ScriptedBoard, asked: Settings) -> None:
    """The record must hold whole shots in their order, with the settings asked for."""
    many = asked.interleave
    parts = [np.asarray(record.samples[phase::many]) for phase in range(many)]
    places = [i for i, codes in enumerate(board.shots) if np.array_equal(codes, parts[0])]
    assert places, "samples that were never sent"
    for i, part in enumerate(parts):
        assert np.array_equal(board.shots[places[0] + i], part)
    assert record.rate_hz == 500e3 * many
    assert record.pretrigger == asked.pretrigger * many
    assert record.pulse_s == asked.pulse_s


@pytest.mark.parametrize("interleave", [1, 4])
def test_no_wrong_record_from_damaged_streams(interleave: int) -> None:
    rng = random.Random(3 + interleave)
    asked = replace(ASKED, interleave=interleave)
    identity = Tester(ScriptedBoard()).hello()
    whole = 0
    for trial in range(STREAMS // 2):
        board = ScriptedBoard(seed=trial, chunk=rng.choice((1 << 20, 1000, 33)))
        tester = Tester(board, retries=0)
        tester._identity = identity
        # At first hand what was gathered, so that records of a failed capture are judged as well.
        records: list[Record] = []
        board.mangle = lambda answer: _damaged(answer, rng)
        with contextlib.suppress(MeasurementError):
            tester._sweeps(asked, round(2e-6 * 144e6), records, asked.shots, None)
        for record in records:
            _check(record, board, asked)
        whole += len(records)
    # Most damage costs one shot of three; a reader that threw all away would pass the above.
    assert whole > STREAMS // 2 * 0.8


def test_no_error_but_ours_from_damaged_greetings() -> None:
    rng = random.Random(5)
    greeted = 0
    for trial in range(STREAMS // 5):
        board = ScriptedBoard(seed=trial, mangle=lambda answer: _damaged(answer, rng))
        try:
            told = Tester(board, retries=0).hello()
        except CoilbellError:  # of the wire, or "no tester" where only words of the answer survived
            continue
        assert (told.unique_id, told.tick_hz) == ("e66138935f2b4a2c", 144_000_000)
        greeted += 1
    assert greeted > 0


# --- a session ---


class Session(RuleBasedStateMachine):
    """One technician, one board, one bad cable."""

    @initialize(seed=st.integers(0, 999), chunk=st.sampled_from((1 << 20, 64, 5)))
    def begin(self, seed: int, chunk: int) -> None:
        """A board that answers."""
        self.board = ScriptedBoard(seed=seed, chunk=chunk)
        self.opened: list[ScriptedBoard] = []
        self.tester = Tester(self.board, retries=1)
        self.tester.hello()
        self.plugged = True
        self.answering = True

    def _capture(self, asked: Settings = ASKED) -> tuple[Record, ...]:
        records = self.tester.capture(asked)
        assert len(records) == asked.shots
        for record in records:
            _check(record, self.board, asked)
        return records

    @precondition(lambda self: self.plugged and self.answering)
    @rule(interleave=st.sampled_from((1, 2, 4)))
    def capture(self, interleave: int) -> None:
        """On a whole wire a capture succeeds, whatever happened before."""
        self.board.mangle = None
        self._capture(replace(ASKED, interleave=interleave))

    @precondition(lambda self: self.plugged and self.answering)
    @rule(place=st.integers(0, 4))
    def drop_once(self, place: int) -> None:
        """One lost frame is made good."""
        self.board.mangle = _first(lambda answer: b"".join(_but(frames_of(answer), place)))
        self._capture()
        self.board.mangle = None

    @precondition(lambda self: self.plugged and self.answering)
    @rule(place=st.integers(0, 3))
    def drop_always(self, place: int) -> None:
        """Losses without end are an error of the wire, or a board that stops."""
        self.board.mangle = lambda answer: b"".join(_but(frames_of(answer), -1 - place % 2))
        with contextlib.suppress(WireError, BoardTimeout):
            self._capture()
        self.board.mangle = None

    @precondition(lambda self: self.plugged and self.answering)
    @rule(noise=st.binary(min_size=1, max_size=60))
    def garbage(self, noise: bytes) -> None:
        """Noise before an answer: the capture succeeds, or fails as one of the wire."""
        self.board.mangle = _first(lambda answer: noise + answer)
        with contextlib.suppress(WireError, BoardTimeout):
            self._capture()
        self.board.mangle = None

    @precondition(lambda self: self.plugged and self.answering)
    @rule(size=st.integers(0, 500))
    def stall(self, size: int) -> None:
        """The board falls silent in mid-answer."""

        def mangle(answer: bytes) -> bytes:
            self.board.mute = True
            return answer[:size]

        self.board.mangle = mangle
        with pytest.raises(BoardTimeout):
            self._capture()
        self.board.mangle = None
        self.answering = False

    @precondition(lambda self: self.plugged and not self.answering)
    @rule()
    def ask_a_silent_board(self) -> None:
        """A board that is silent is told as such."""
        with pytest.raises(BoardTimeout, match="no data"):
            self._capture()

    @precondition(lambda self: self.plugged)
    @rule()
    def reset(self) -> None:
        """The reset button."""
        self.board.mute, self.board.pending, self.board._line = False, b"", b""
        self.answering = True

    @precondition(lambda self: self.plugged and self.answering)
    @rule()
    def crash(self) -> None:
        """The board's program fails: its words are passed on."""
        self.board.mangle = _first(
            lambda answer: (
                frames_of(answer)[0]
                + b'Traceback (most recent call last):\r\n  File "shot.py", line 9, in go\r\nOSError: 5\r\n'
            )
        )
        with pytest.raises(BoardError, match="OSError: 5"):
            self._capture()
        self.board.mangle = None

    @precondition(lambda self: self.plugged and self.answering)
    @rule()
    def touch_live_leads(self) -> None:
        """The board refuses."""
        self.board.live_mv = 700
        with pytest.raises(Refusal, match="700 mV"):
            self._capture()
        self.board.live_mv = 0

    @precondition(lambda self: self.plugged)
    @rule()
    def unplug(self) -> None:
        """Gone is gone, at once."""
        self.board.lost = True
        self.plugged = False
        with pytest.raises(PortLost):
            self._capture()

    @precondition(lambda self: not self.plugged)
    @rule()
    def plug_in_again(self) -> None:
        """The old port is given back, a new one opened."""
        self.tester.close()
        self.opened.append(self.board)
        self.board = ScriptedBoard(seed=self.board.seed + 1, chunk=self.board.chunk)
        self.tester = Tester(self.board, retries=1)
        self.tester.hello()
        self.plugged = self.answering = True

    @invariant()
    def nothing_leaks(self) -> None:
        """Every port but the one in use was given back exactly once."""
        if hasattr(self, "opened"):
            assert [board.closed for board in self.opened] == [1] * len(self.opened)
            assert self.board.closed == 0


def _first(change: Callable[[bytes], bytes]) -> Callable[[bytes], bytes]:
    """Change the first answer of a capture only."""
    changes: Iterator[Callable[[bytes], bytes]] = iter([change])
    return lambda answer: next(changes, bytes)(answer)


def _but(frames: list[bytes], place: int) -> list[bytes]:
    return [piece for i, piece in enumerate(frames) if i != place % len(frames)]


TestSession = Session.TestCase
TestSession.settings = settings(
    max_examples=40,
    stateful_step_count=20,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
