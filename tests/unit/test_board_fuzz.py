"""Garbage on the wire, seeded: what a board says and what a host says, for as long as COILBELL_FUZZ_MINUTES.

Without it some hundred blobs each way. A request ends in an answer or one of our errors, within its bounds;
the firmware answers each line once and never fires for what is no request.
"""

from __future__ import annotations

import os
import random
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from coilbell.board import Settings, Tester, constants, frame
from coilbell.errors import CoilbellError
from scripted import ScriptedBoard, frames_of

ROOT = Path(__file__).resolve().parents[2]
SEED = 20261201
FEWEST = 400
WORDS = (
    b">>> ",
    b"... ",
    b"=== ",
    b"raw REPL; CTRL-B to exit\r\n>",
    b"paste mode; Ctrl-C to cancel, Ctrl-D to finish\r\n=== ",
    b"Traceback (most recent call last):\r\n",
    b'  File "main.py", line 3, in main\r\n',
    b'  File "<stdin>", line 1\r\n',
    b"OSError: 5\r\n",
    b"MPY: soft reboot\r\n",
    b"OK\x04\x04>",
    b"\x04",
    b"\x00",
    b"\r",
    b"\n",
    frame.MAGIC,
    frame.MAGIC[:3],
)


def _numbers() -> Iterator[int]:
    """0, 1, 2, ...: FEWEST of them, or as many as there is time for."""
    until = time.monotonic() + 60 * float(os.environ.get("COILBELL_FUZZ_MINUTES", "0")) / 2
    number = 0
    while number < int(os.environ.get("COILBELL_FUZZ_BLOBS", FEWEST)) or time.monotonic() < until:
        yield number
        number += 1


def _blob(rng: random.Random, answer: bytes) -> bytes:
    """Pieces of an answer, of prompts and of nothing, in any order."""
    frames = frames_of(answer)
    pieces = []
    for _ in range(rng.randrange(1, 9)):
        kind = rng.randrange(5)
        if kind == 0:
            pieces.append(rng.randbytes(rng.randrange(1, 300)))
        elif kind == 1 and frames:
            one = rng.choice(frames)
            pieces.append(one if rng.random() < 0.5 else one[: rng.randrange(len(one))])
        elif kind == 2:
            length = rng.choice((0, 5, frame.MAX_PAYLOAD, frame.MAX_PAYLOAD + 1, 1 << 31))
            pieces.append(frame.head(rng.randrange(256), rng.randrange(1 << 16), length))
        elif kind == 3:
            payload = rng.randbytes(rng.randrange(60))
            pieces.append(frame.encode(rng.randrange(11), frame.id_of(b"id=1"), payload))
        else:
            pieces.append(rng.choice(WORDS))
    return b"".join(pieces)


def test_blobs_from_a_board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    monkeypatch.setattr("coilbell.board.exchange._UNENDING_S", 0.05)
    monkeypatch.setattr("coilbell.board.tester._START_S", 0.01)
    asked = Settings(shots=2, samples=64, pretrigger=8, pulse_s=2e-6)
    ended = {"answered": 0, "error": 0}
    for number in _numbers():
        rng = random.Random(SEED + number)
        share = rng.choice((0.3, 0.7, 1.0))
        board = ScriptedBoard(
            seed=number,
            chunk=rng.choice((1 << 20, 100, 7)),
            mangle=lambda answer, rng=rng, share=share: (
                _blob(rng, answer) if rng.random() < share else answer
            ),
        )
        tester = Tester(board, patience_s=0.05, retries=2)
        try:
            tester.hello()
            records = tester.capture(asked)
            ended["answered"] += 1
        except CoilbellError:
            ended["error"] += 1
            records = tester.arrived
        for record in records:
            assert any((record.samples == codes).all() for codes in board.shots if codes.size == 64), number
    assert min(ended.values()) > 0, ended
    print(f"\n{ended} seed {SEED}")


def _firmware() -> tuple[type, type]:
    """The firmware's own bench, imported as the board has its files: without the package around them."""
    for folder in ("tests/board", "firmware", "host/coilbell/board"):
        sys.path.insert(0, str(ROOT / folder))
    try:
        benchtop = __import__("benchtop")
        return benchtop.Tester, benchtop.Host
    finally:
        del sys.path[:3]


def test_blobs_from_a_host() -> None:
    bench, host = _firmware()
    tester = bench()
    lines = fired = 0
    for number in _numbers():
        rng = random.Random(SEED + number)
        requests = [
            b"hello id=1",
            b"capture id=2 samples=64 pretrigger=8 width_ticks=100 capacitor=A shots=1 interleave=1",
            b"aim id=3 capacitor=A samples=64 pretrigger=8",
            b"constant id=4 name=lead_uv value=9000",
            b"save id=5",
        ]
        data = bytearray(b"\n".join(rng.choices(requests, k=3)) + b"\n")
        for _ in range(rng.randrange(1, 6)):
            at = rng.randrange(len(data))
            kind = rng.randrange(4)
            if kind == 0:
                data[at] = rng.randrange(256)
            elif kind == 1:
                del data[at : at + rng.randrange(1, 40)]
            elif kind == 2:
                data[at:at] = rng.randbytes(rng.randrange(1, 40))
            else:
                data[at:at] = rng.choice(WORDS)
            data = data or bytearray(b"\n")
        tester.service._console = tester.host = host(bytes(data))
        before = len(tester.hardware.captures())
        tester.service.serve()
        found = __import__("benchtop").frames(tester.host.got)
        closing = [one.type for one in found if one.type in (frame.END, frame.ERROR)]
        # One END or ERROR for each line that is not empty.
        whole = [line for line in bytes(data).split(b"\n")[:-1] if line.rstrip(b"\r")]
        assert len(closing) == len(whole), number
        asked = sum(line.split(b" ")[0] in (b"capture", b"aim") for line in whole)
        shots = len(tester.hardware.captures()) - before
        assert asked or not shots, number
        assert not tester.hardware.high
        lines += len(whole)
        fired += shots
    assert fired > 0
    print(f"\n{number + 1} blobs, {lines} lines, {fired} shots, seed {SEED}")
