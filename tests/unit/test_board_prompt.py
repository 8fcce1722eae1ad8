"""A board at MicroPython's prompt, whatever state it stands in, and programs that fail as they start.

The prompt is a model written from MicroPython's manual (reference/repl): plain and raw prompt, pasting, a
block that is continued; up to 1.27 a line ends with CR alone, from 1.28 on with LF as well (seen in an
emulator). The unix build of MicroPython, where it is installed, shows that continued blocks and pasting are
left so.
"""

from __future__ import annotations

import os
import re
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from coilbell.board import Tester, constants, prompt
from coilbell.errors import BoardError, BoardTimeout, MissingError
from outside import require
from scripted import ScriptedBoard

BANNER = (
    b"\r\nMicroPython v1.%d.0 on 2026-01-01; Raspberry Pi Pico with RP2040\r\nType help() for more.\r\n>>> "
)
STATES = ("plain", "typed", "continued", "raw", "raw-typed", "raw-paste", "paste")


@pytest.fixture(autouse=True)
def _place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    monkeypatch.setattr("coilbell.board.tester._START_S", 0.05)


class Prompt(ScriptedBoard):
    """A board at its prompt in some state; Ctrl-D at the plain one, with an empty line, starts it.

    minor: of MicroPython 1.x; start: what it says as it is started, None where the program then runs.
    """

    def __init__(self, state: str, minor: int, start: bytes | None = None) -> None:
        super().__init__()
        self.minor, self.start = minor, start
        self.state = state.split("-")[0] if state != "raw-paste" else state
        self.typed = b"x = 1" if state in ("typed", "raw-typed") else b""
        if state == "typed":
            self.state = "plain"
        self.running = False

    def write(self, data: bytes) -> None:
        if self.running:
            super().write(data)
            return
        for at in range(len(data)):
            getattr(self, "_" + self.state.replace("-", "_"))(data[at : at + 1])
            if self.running:
                return

    def _ends(self, key: bytes) -> bool:
        return key == b"\r" or (key == b"\n" and self.minor >= 28)

    def _plain(self, key: bytes) -> None:
        if key == b"\x03":
            self.typed = b""
            self.pending += b"\r\n>>> "
        elif key == b"\x04" and not self.typed:
            self._start()
        elif key == b"\x02" and not self.typed:
            self.pending += BANNER % self.minor
        elif key == b"\x01":
            self.state = "raw"
        elif self._ends(key):
            line, self.typed = self.typed, b""
            self.pending += b"\r\n"
            if line.endswith(b":"):
                self.state = "continued"
                self.pending += b"... "
                return
            if line:
                self.pending += (
                    b'Traceback (most recent call last):\r\n  File "<stdin>", line 1\r\n'
                    b"SyntaxError: invalid syntax\r\n"
                )
            self.pending += b">>> "
        elif key >= b" ":
            self.typed += key
            self.pending += key

    def _continued(self, key: bytes) -> None:
        if key == b"\x03":
            self.state, self.typed = "plain", b""
            self.pending += b"\r\n>>> "
        elif self._ends(key):
            self.pending += b"\r\n... "
        elif key >= b" ":
            self.pending += key

    def _paste(self, key: bytes) -> None:
        if key == b"\x03":
            self.state = "plain"
            self.pending += b"\r\n>>> "
        elif key == b"\x04":
            self.state = "plain"
            self.pending += b"\r\nSyntaxError: invalid syntax\r\n>>> "
        else:
            self.pending += b"\r\n=== " if key == b"\r" else key

    def _raw(self, key: bytes) -> None:
        if key == b"\x02":
            self.state, self.typed = "plain", b""
            self.pending += BANNER % self.minor
        elif key == b"\x03":
            self.typed = b""
        elif key == b"\x04":
            self.pending += (
                b"OK\x04Traceback (most recent call last):\r\nSyntaxError: invalid syntax\r\n\x04>"
            )
            self.typed = b""
        else:
            self.typed += key

    def _raw_paste(self, key: bytes) -> None:
        if key == b"\x03":
            self.state = "raw"
            self.pending += b"\x04\x04Traceback (most recent call last):\r\nKeyboardInterrupt: \r\n\x04>"

    def _start(self) -> None:
        self.pending += b"\r\nMPY: soft reboot\r\n"
        if self.start is None:
            self.running = True
        else:
            self.pending += self.start + BANNER % self.minor


@pytest.mark.parametrize("minor", [21, 24, 27, 28])
@pytest.mark.parametrize("state", STATES)
def test_every_state_of_the_prompt_is_left_and_the_program_started(state: str, minor: int) -> None:
    board = Prompt(state, minor)
    assert Tester(board, patience_s=0.05).hello().firmware == "1.2.3"


@pytest.mark.parametrize("minor", [21, 27, 28])
@pytest.mark.parametrize("state", STATES)
def test_a_prompt_without_the_program_names_the_command(state: str, minor: int) -> None:
    with pytest.raises(MissingError, match=r"not the tester's program; put it on: coilbell board flash"):
        Tester(Prompt(state, minor, b""), patience_s=0.05).hello()


def test_a_device_that_knows_no_prompt_gets_the_keys_once_and_stays_silent() -> None:
    lines: list[bytes] = []
    board = ScriptedBoard(mute=True)
    board.write = lines.append  # type: ignore[method-assign]
    with pytest.raises(BoardTimeout, match="no data"):
        Tester(board, patience_s=0.02).hello()
    assert lines[-3:] == [b"\x03", b"\x02", b"\r"]
    assert b"\x04" not in lines


WRONG = (
    b"Traceback (most recent call last):\r\n"
    b'  File "main.py", line 48, in <module>\r\n  File "main.py", line 22, in main\r\n'
    b'  File "shot.py", line 128, in __init__\r\nValueError: invalid pin\r\n'
)


def test_a_wrong_board_file_is_told_in_the_boards_words_and_names_the_command() -> None:
    with pytest.raises(BoardError) as caught:
        Tester(Prompt("plain", 28, WRONG), patience_s=0.05).hello()
    said = str(caught.value)
    assert 'in its words: "ValueError: invalid pin" (File "shot.py", line 128, in __init__)' in said
    assert "board.py" in said
    assert "coilbell board flash" in said
    assert "main.py" in caught.value.__notes__[0]


class Late(Prompt):
    """Says nothing for a while after its start, then fails; in pieces with pauses between."""

    def __init__(self, pause_s: float, gap_s: float) -> None:
        super().__init__("plain", 28, b"")
        self.pause_s, self.gap_s = pause_s, gap_s
        self.pieces: list[tuple[float, bytes]] = []

    def _start(self) -> None:
        at = time.monotonic() + self.pause_s
        lines = (WRONG + BANNER % 28).splitlines(keepends=True)
        self.pieces = [(at + number * self.gap_s, line) for number, line in enumerate(lines)]

    def write(self, data: bytes) -> None:
        if self.pieces:
            return  # buffered by the board, which is not listening yet
        super().write(data)

    def read(self, timeout_s: float) -> bytes:
        until = time.monotonic() + timeout_s
        while True:
            if data := super().read(0):
                return data
            now = time.monotonic()
            if self.pieces and self.pieces[0][0] <= now:
                return self.pieces.pop(0)[1]
            if now >= until:
                return b""
            time.sleep(0.002)


@pytest.mark.parametrize(("pause_s", "gap_s"), [(0.0, 0.0), (0.35, 0.0), (0.0, 0.4), (0.5, 0.4)])
def test_a_traceback_of_a_restart_is_read_until_it_ends(
    pause_s: float, gap_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coilbell.board.tester._START_S", 0.2)
    with pytest.raises(BoardError, match="ValueError: invalid pin"):
        Tester(Late(pause_s, gap_s), patience_s=1.0).hello()


def _micropython() -> str:
    return shutil.which("micropython", path=os.path.dirname(sys.executable)) or require("micropython")


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are things of POSIX")
@pytest.mark.parametrize("typed", [b"for i in range(3):\r", b"\x05x = 1\r", b"x = 1 +", b"\x05", b"'''\r"])
def test_the_keys_lead_a_real_prompt_back(typed: bytes) -> None:
    import pty

    master, slave = pty.openpty()
    process = subprocess.Popen([_micropython()], stdin=slave, stdout=slave, stderr=slave, close_fds=True)
    try:
        assert b">>> " in _said(master)
        os.write(master, typed)
        _said(master, 0.3)
        for key in prompt._KEYS:
            os.write(master, key)
            said = _said(master)
            if b">>> " in said:
                break
        os.write(master, b"print(6 * 7)\r")
        assert re.search(rb"\r\n42\r\n", _said(master))
    finally:
        process.kill()
        process.wait()
        os.close(master)
        os.close(slave)


def _said(master: int, patience_s: float = 10.0) -> bytes:
    """What it says until its prompt stands there, or for that long."""
    said = b""
    until = time.monotonic() + patience_s
    while time.monotonic() < until and not said.endswith(b">>> "):
        if select.select([master], [], [], 0.1)[0]:
            said += os.read(master, 4096)
    return said
