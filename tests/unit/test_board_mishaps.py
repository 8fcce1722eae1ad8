"""What goes wrong with a port, as a person meets it: a pseudo-terminal that misbehaves, and the commands.

Each must end with one clear line, the right exit code, and nothing lost that had arrived.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from zlib import crc32

import pytest

from coilbell.bench.files.records import read
from coilbell.board import constants, frame
from coilbell.cli import main
from scripted import ScriptedBoard

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are things of POSIX")

Answer = Callable[[bytes], bytes]
"""What a port sends for the bytes that came."""

BANNER = b"\r\nMPY: soft reboot\r\nMicroPython v1.28.0; Raspberry Pi Pico with RP2040\r\n>>> "
SYNTAX = (
    b'\r\nTraceback (most recent call last):\r\n  File "<stdin>", line 1\r\n'
    b"SyntaxError: invalid syntax\r\n>>> "
)
MEMORY = (
    b'\r\nTraceback (most recent call last):\r\n  File "main.py", line 33, in main\r\n'
    b"MemoryError: memory allocation failed\r\n>>> "
)


class Port:
    """A pseudo-terminal whose other end answers as told.

    unasked: what comes without end; most: bytes after which it falls silent, or is unplugged when `unplug`.
    """

    def __init__(
        self,
        answer: Answer,
        unasked: Callable[[], bytes] | None = None,
        most: int = 1 << 62,
        unplug: bool = False,
    ) -> None:
        self._master, slave = os.openpty()
        self.name = os.ttyname(slave)
        self._slave = slave
        self._answer, self._unasked = answer, unasked
        self._most, self._unplug = most, unplug
        self._sent = 0
        self._ended = threading.Event()
        import tty

        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self._threads = [threading.Thread(target=self._serve, daemon=True)]
        self._threads[0].start()

    def _serve(self) -> None:
        while not self._ended.is_set():
            try:
                data = os.read(self._master, 4096)
            except BlockingIOError:
                data = b""
            except OSError:
                return
            if data:
                self._send(self._answer(data))
            elif self._unasked:
                self._send(self._unasked())
                time.sleep(0.02)
            else:
                time.sleep(0.002)

    def _send(self, data: bytes) -> None:
        while data and not self._ended.is_set():
            room = self._most - self._sent
            if room <= 0:
                if self._unplug:
                    # As far as the host sees: the device is gone. What it has not read by then is lost.
                    time.sleep(0.3)
                    os.close(self._slave)
                    os.close(self._master)
                    self._slave = self._master = -1
                    self._ended.set()
                return
            try:
                count = os.write(self._master, data[: min(1024, room)])
            except BlockingIOError:
                time.sleep(0.001)
                continue
            self._sent += count
            data = data[count:]

    def close(self) -> None:
        self._ended.set()
        for thread in self._threads:
            thread.join(5)
        for number in (self._slave, self._master):
            if number >= 0:
                os.close(number)


def _board(board: ScriptedBoard) -> Answer:
    def answer(data: bytes) -> bytes:
        board.write(data)
        said = b""
        while piece := board.read(0):
            said += piece
        return said

    return answer


def _stock_micropython(data: bytes) -> bytes:
    """A prompt with nothing behind it."""
    return b"".join(SYNTAX if byte in b"\r\n" else BANNER if byte == 4 else bytes([byte]) for byte in data)


def _crashing_micropython(data: bytes) -> bytes:
    """A prompt; the program fails as soon as it is started."""
    return b"".join(
        SYNTAX if byte in b"\r\n" else BANNER[:-4] + MEMORY if byte == 4 else bytes([byte]) for byte in data
    )


def _other_version(version: int) -> Answer:
    def mangle(answer: bytes) -> bytes:
        payload = f"protocol={version}\nfirmware=9.8\n".encode()
        head = frame.MAGIC + bytes([version, frame.HELLO]) + answer[6:8] + len(payload).to_bytes(4, "little")
        head += crc32(head).to_bytes(4, "little")
        return head + payload + crc32(head + payload).to_bytes(4, "little")

    return _board(ScriptedBoard(mangle=mangle))


@pytest.fixture(autouse=True)
def _quick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    monkeypatch.setattr("coilbell.board.tester._PATIENCE_S", 0.6)
    monkeypatch.setattr("coilbell.board.tester._START_S", 0.4)


@pytest.fixture
def ports() -> Iterator[Callable[..., str]]:
    """Makes ports; gives their names."""
    made: list[Port] = []

    def make(*args: object, **keys: object) -> str:
        made.append(Port(*args, **keys))  # type: ignore[arg-type]
        return made[-1].name

    yield make
    for port in made:
        port.close()


def _ended(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    code = main(words)
    shown = capsys.readouterr()
    return code, shown.out, shown.err


CAPTURE = ["capture", "--pulse", "1u", "--samples", "512", "--shots", "40"]
CHECK = ["board", "check"]


@pytest.mark.parametrize("command", [CAPTURE, CHECK], ids=["capture", "check"])
@pytest.mark.parametrize(
    ("answer", "unasked", "code", "said"),
    [
        (
            _stock_micropython,
            None,
            3,
            "runs MicroPython, but not the tester's program; put it on: coilbell board",
        ),
        (
            _crashing_micropython,
            None,
            1,
            'in its words: "MemoryError: memory allocation failed" (File "main.py"',
        ),
        (lambda data: data, None, 3, "answers, but not as a tester does (its words: 'hello id="),
        (lambda data: b"error: what?\r\n", None, 3, "(its words: 'error: what?'); is it the right port?"),
        (lambda data: b"", lambda: b"$TIME,1207,N,4807.038\r\n", 3, "(its words: '$TIME,1207,N,4807.038')"),
        (lambda data: b"", lambda: random.randbytes(99), 3, "not as a tester does"),
        (
            lambda data: b"",
            None,
            1,
            "within 0.6 s; press the board's reset and try again, or put the firmware on",
        ),
        (
            _other_version(0),
            None,
            3,
            "speaks protocol 0 (firmware 9.8), this program speaks 1; run: coilbell board",
        ),
        (_other_version(2), None, 3, "this program speaks 1; update this program: pip install"),
    ],
    ids=["stock", "crashing", "echo", "other", "talking", "noise", "silent", "older", "newer"],
)
def test_what_is_no_tester_of_this_version(
    command: list[str],
    answer: Answer,
    unasked: Callable[[], bytes] | None,
    code: int,
    said: str,
    ports: Callable[..., str],
    capsys: pytest.CaptureFixture[str],
) -> None:
    begin = time.monotonic()
    found, out, err = _ended([*command, "--port", ports(answer, unasked)], capsys)
    assert (found, out) == (code, "")
    assert said in err
    assert err.count("\n") == 1
    assert time.monotonic() - begin < 10


@pytest.mark.parametrize(
    ("unplug", "said"),
    [(True, "vanished while it was read; check cable and plug"), (False, "stopped midway")],
)
def test_what_arrived_before_the_end_is_kept_and_shown(
    unplug: bool, said: str, ports: Callable[..., str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    board = ScriptedBoard()
    name = ports(_board(board), most=20_000, unplug=unplug)
    out = tmp_path / "part.json"
    asked = [*CAPTURE, "--interleave", "1", "--port", name, "--out", str(out)]
    code, shown, err = _ended(asked, capsys)
    assert code == 1
    assert said in err
    assert err.count("\n") == 1
    records = read(out)
    assert 10 < len(records) < 40
    assert [record.shot for record in records] == list(range(len(records)))
    assert all((record.samples == codes).all() for record, codes in zip(records, board.shots, strict=False))
    assert f"only {len(records)} of 40 records arrived whole" in " ".join(shown.split())
    assert max(map(len, shown.splitlines())) <= 80


def test_the_capacitor_that_was_done_is_kept_when_the_next_one_fails(
    ports: Callable[..., str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    class Second(ScriptedBoard):
        def answer(self, line: bytes) -> bytes:
            return MEMORY if b"capacitor=B" in line else super().answer(line)

    out = tmp_path / "part.json"
    words = ["--port", ports(_board(Second())), "--capacitor", "both", "--shots", "2", "--out", str(out)]
    code, shown, err = _ended([*CAPTURE, *words, "--json"], capsys)
    assert code == 1
    assert "MemoryError" in err
    assert [record.test_capacitor.name for record in read(out) if record.test_capacitor] == ["A", "A"]
    (facts,) = map(json.loads, shown.splitlines())
    assert (facts["capture"]["records"], facts["capture"]["records_asked"]) == (2, 2)


def test_a_check_of_a_board_that_is_unplugged(
    ports: Callable[..., str], capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = _ended(
        [*CHECK, "--port", ports(_board(ScriptedBoard()), most=60_000, unplug=True)], capsys
    )
    assert (code, out) == (1, "")
    assert "vanished while it was read" in err
    assert err.count("\n") == 1


RIVAL = """
import os, sys, time
port = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
if sys.argv[2] == "lock":
    import fcntl
    fcntl.flock(port, fcntl.LOCK_EX)
print("ready", flush=True)
while True:
    time.sleep(1)
"""


@pytest.fixture
def rival() -> Iterator[Callable[[str, str], int]]:
    """Starts another program on a port; gives its process number."""
    started: list[subprocess.Popen[bytes]] = []

    def start(name: str, how: str) -> int:
        process = subprocess.Popen([sys.executable, "-c", RIVAL, name, how], stdout=subprocess.PIPE)
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        started.append(process)
        return process.pid

    yield start
    for process in started:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


@pytest.mark.parametrize("command", [CAPTURE, CHECK, ["board", "flash"]], ids=["capture", "check", "flash"])
def test_a_port_that_another_program_holds(
    command: list[str],
    ports: Callable[..., str],
    rival: Callable[[str, str], int],
    capsys: pytest.CaptureFixture[str],
) -> None:
    name = ports(_board(ScriptedBoard()))
    number = rival(name, "lock")
    code, out, err = _ended([*command, "--port", name], capsys)
    assert (code, out) == (3, "")
    assert f"{name} is busy: " in err
    if sys.platform.startswith("linux"):
        assert f"(process {number}) has it open; close that program" in err


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_a_program_that_reads_along_is_named(
    ports: Callable[..., str], rival: Callable[[str, str], int], capsys: pytest.CaptureFixture[str]
) -> None:
    """What it takes is missing here: bytes that never come, since who reads first is chance."""
    name = ports(_board(ScriptedBoard()), most=20_000)
    number = rival(name, "open")
    code, _, err = _ended([*CAPTURE, "--port", name], capsys)
    assert code == 1
    assert f"(process {number}) has" in err
    assert "open as well" in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("name", "code", "said"),
    [
        ("{here}", 3, "is no serial port"),
        ("{here}/file", 3, "is no serial port"),
        ("{here}/nothing", 3, "is not there"),
        ("virtual", 3, "called virtual: with the colon"),
        ("socket://nowhere", 2, "write it as socket://host:port"),
        ("socket://:77", 2, "write it as socket://host:port"),
        ("socket://host:many", 2, "write it as socket://host:port"),
        ("ftp://host", 2, "is no kind of port"),
        ("", 2, "the port has no name"),
    ],
)
def test_names_that_are_no_port(
    name: str, code: int, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("a list of parts")
    found, out, err = _ended([*CAPTURE, "--port", name.format(here=tmp_path)], capsys)
    assert (found, out) == (code, "")
    assert said in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("pulse", "said"),
    [
        ("12.1u", "pulse of 12.1 us; this board fires 0.0139 to 12 us, or 0 for none"),
        ("1", "give a width in seconds"),
        ("5n", "pulse of 0.005 us; this board fires"),
        ("-1u", "give a width in seconds"),
    ],
)
def test_widths_over_the_limit(pulse: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = _ended(["capture", "--port", "virtual:?hurry=1", f"--pulse={pulse}"], capsys)
    assert (code, out) == (2, "")
    assert said in err
