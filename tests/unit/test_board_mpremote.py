"""Flashing with the real mpremote program, over a pseudo-terminal, onto MicroPython's unix port.

What is missing in the unix port is its raw prompt, which a few lines below put in; and it is no Pico, so
only its name is changed on the way.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from coilbell.board import Mpremote, flash
from coilbell.board.deploy import firmware_files
from coilbell.errors import BoardError, MissingError
from outside import require

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a thing of POSIX")

# Ctrl-A: raw prompt; Ctrl-D: run what came, or restart when nothing did; Ctrl-C drops it.
PROMPT = r"""
import sys
read, write = sys.stdin.buffer.read, sys.stdout.buffer.write
def say(data):
    write(data)
def restart():
    return {"__name__": "__main__"}
space, line = restart(), b""
while True:
    byte = read(1)
    if byte == b"\x01":
        say(b"raw REPL; CTRL-B to exit\r\n>")
        line = b""
    elif byte == b"\x03" or byte == b"\x02":
        line = b""
        say(b"\r\n>>> ")
    elif byte == b"\x05":
        read(2)
        say(b"R\x00")
    elif byte == b"\x04" and not line.strip():
        space = restart()
        say(b"OK\r\nMPY: soft reboot\r\nraw REPL; CTRL-B to exit\r\n>")
    elif byte == b"\x04":
        say(b"OK")
        try:
            exec(line.decode(), space)
            say(b"\x04\x04>")
        except Exception as error:
            say(b"\x04")
            sys.print_exception(error)
            say(b"\x04>")
        line = b""
    elif not byte:
        break
    else:
        line += byte
"""


class Renamed(Mpremote):
    """The real program; the board's name is another."""

    def execute(self, script: str) -> str:
        printed = super().execute(script)
        if "machine.unique_id" in script:
            told = json.loads(printed) | {"machine": "Raspberry Pi Pico with RP2040"}
            return json.dumps(told)
        return printed


@pytest.fixture
def board(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """Name of a port behind which MicroPython sits, and the folder that is its flash."""
    import tty

    micropython = require("micropython")
    require("mpremote")
    script = tmp_path / "prompt.py"
    script.write_text(PROMPT)
    store = tmp_path / "flash"
    store.mkdir()
    controller, terminal = os.openpty()
    tty.setraw(terminal)
    process = subprocess.Popen(
        [micropython, str(script)], stdin=controller, stdout=controller, stderr=controller, cwd=store
    )
    yield os.ttyname(terminal), store
    process.kill()
    process.wait()
    os.close(controller)
    os.close(terminal)


def test_the_real_program_flashes_the_real_firmware(board: tuple[str, Path]) -> None:
    port, store = board
    (store / "main.py").write_text("print('the former program')\n")
    done = flash(Renamed(port))
    files = firmware_files()
    assert set(done.copied) == set(files)
    assert done.kept == ("main.py",)
    for name, path in files.items():
        assert (store / name).read_bytes() == path.read_bytes()
    assert (store / "main.py.bak").read_text() == "print('the former program')\n"
    assert flash(Renamed(port)).copied == ()


def test_another_machine_is_refused(board: tuple[str, Path]) -> None:
    port, store = board
    with pytest.raises(MissingError, match="unknown board 'linux"):
        flash(Mpremote(port))
    assert list(store.iterdir()) == []


def test_a_port_that_is_none_is_told_in_the_programs_words() -> None:
    require("mpremote")
    with pytest.raises(BoardError, match=r"mpremote failed on /dev/no-such-port: .*; flash again"):
        Mpremote("/dev/no-such-port").reset()
