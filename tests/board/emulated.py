"""The firmware on an emulated RP2040, driven by the host's own code: `python tests/board/emulated.py IMAGE`.

IMAGE is MicroPython for the Raspberry Pi Pico, a UF2 file; 1.28.0 was built for this from its tagged source,
with pico-sdk 2.2.0. The emulator comes from `pip install rp2040py littlefs-python`, which the tests do not
need; nothing here runs in CI. A second of the board takes a minute or more.

Shown: nothing fires after power; a greeting, captures, aim, saved constants over a socket; one pulse a shot;
Ctrl-C by the dozen and the way back; states of the prompt; how long each answer takes in the board's own
time, against the table in frame.py. Not shown: anything analogue, what a bus costs, and the width of a pulse,
since this emulator steps its state machines in batches.

The file is two things: the program, and the board that the emulator loads (`BOARD`).
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PULSE_PIN = 15
HIGH = 1
"""The emulator's number for a pin that drives a high level."""
REST, NO_VOLTS, ROOM = 2048, 745, 876
"""Converter codes of a winding at rest, of leads without a voltage, of the chip at 27 degrees."""
EDGES = "COILBELL_EDGES"
SLOWER = 120.0
"""So many times as long as on a chip a board's start may take (seen: some 70 to 150 on one processor)."""
STARTS_S = 120.0
"""How long the emulator may take to offer its socket [s]."""

PROBE = """
import time, json, frame, board, shot
from interlock import Interlock
from service import Service
from store import Store
class Console:
    def waiting(self): return False
    def write(self, data):
        now = time.ticks_ms()
        self.gap = max(self.gap, time.ticks_diff(now, self.last))
        self.last = now
hardware = shot.Hardware()
hardware.start()
console = Console()
store = Store("probe.txt", board.CONSTANTS)
service = Service(hardware, console, Interlock(hardware, store), store)
found = {}
for line in LINES:
    console.gap, console.last = 0, time.ticks_ms()
    start = console.last
    service.answer(line)
    found[str(line.split()[0], "ascii")] = (console.gap, time.ticks_diff(time.ticks_ms(), start))
hardware.close()
print(json.dumps(found))
"""
LINES = (
    b"hello id=1",
    b"capture id=2 samples=16384 pretrigger=227 width_ticks=100 capacitor=B shots=1 interleave=1",
    b"aim id=3 capacitor=B samples=2048 pretrigger=64",
    b"check id=4",
    b"constants id=5",
    b"constant id=6 name=lead_uv value=8861",
    b"save id=7",
)


class Bench:
    """What is wired to the emulated chip: quiet inputs, and an ear on the pulse pin."""

    def attach(self, chip: Any) -> None:
        """Set the converter's inputs; write to a file when the pulse pin goes high, and back [ns]."""
        chip.adc.channel_values[:] = [REST, NO_VOLTS, 0, 0, ROOM]
        edges = open(os.environ[EDGES], "w", encoding="ascii")  # noqa: SIM115 - for as long as the chip runs

        def heard(state: Any, before: Any) -> None:
            if HIGH in (int(state), int(before)):
                edges.write(f"{chip.clock.nanos}\n")
                edges.flush()

        chip.gpio[PULSE_PIN].add_listener(heard)


def __getattr__(name: str) -> Any:
    """`BOARD`, made only where the emulator asks for it."""
    if name != "BOARD":
        raise AttributeError(name)
    from dataclasses import replace

    from rp2040py.boards import BOARDS

    pico = BOARDS["pico"]
    return replace(pico, extras=(*pico.extras, Bench))


@contextmanager
def emulated(image: Path, folder: Path) -> Iterator[str]:
    """The name of the port that the emulated board is on."""
    from coilbell.board.deploy import firmware_files

    program = [sys.executable, "-m", "rp2040py"]
    files = [str(path) for path in firmware_files().values()]
    disk = str(folder / "disk.img")
    subprocess.run([*program, "mklittlefs", "-o", disk, *files], check=True)
    command = [
        *(*program, "--log-level", "info", "micropython", "--tcp-port", "0"),
        *("--image", str(image), "--littlefs", disk, "--board-spec", f"{__file__}:BOARD"),
    ]
    words = folder / "emulator.log"
    # Into a file: it logs without end, and a pipe that nobody empties would stop it.
    with words.open("wb") as log:
        process = subprocess.Popen(
            command,
            stdout=log,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1", EDGES: str(folder / "edges")},
        )
        try:
            yield _listening(process, words)
        finally:
            process.kill()
            process.wait()


def _listening(process: subprocess.Popen[bytes], words: Path) -> str:
    """The socket that the emulator names in its log; raises SystemExit where it ends without."""
    until = time.monotonic() + STARTS_S
    while process.poll() is None and time.monotonic() < until:
        if found := re.search(r"listening on (127\.0\.0\.1:\d+)", words.read_text(errors="replace")):
            return f"socket://{found[1]}"
        time.sleep(0.2)
    raise SystemExit(f"the emulator did not start:\n{words.read_text(errors='replace')[-2000:]}")


def timed(port: Any, aim: bool) -> dict[str, tuple[int, int]]:
    """Longest silence and whole of each answer, in the board's own time [ms], by its raw prompt."""
    port.write(b"\x03")
    said(port, b">>> ")
    port.write(b"\x01")
    said(port, b">")
    lines = [line for line in LINES if aim or not line.startswith(b"aim")]
    script = f"LINES = {lines!r}\n{PROBE}".encode()
    for at in range(0, len(script), 128):
        port.write(script[at : at + 128])
        time.sleep(0.05)
    port.write(b"\x04")
    told = said(port, b"\x04\x04>", 10 * SLOWER)
    port.write(b"\x02")
    said(port, b">>> ")
    text = told.decode("ascii", "replace")
    found = next((line for line in text.splitlines() if "{" in line), None)
    if found is None:
        raise SystemExit(f"the board did not tell its times; its words: {text!r}")
    return {word: tuple(times) for word, times in json.loads(found[found.index("{") :]).items()}


def said(port: Any, end: bytes, most_s: float = 120) -> bytes:
    """What the board says up to `end`."""
    told = b""
    until = time.monotonic() + most_s
    while not told.endswith(end) and time.monotonic() < until:
        told += port.read(0.5)
    return told


def awaited(port: Any) -> None:
    """Wait until the program runs: what is sent before it does is lost."""
    for _ in range(30):
        port.write(b"\nhello id=0\n")
        if port.read(30):
            while port.read(10):
                pass
            return


def main() -> int:
    """Run all of it; returns 0 when all held."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("image", type=Path)
    options.add_argument("--captures", type=int, default=3)
    options.add_argument("--aim", action="store_true", help="aim as well, which takes 3 s of the board")
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory() as name, emulated(chosen.image, Path(name)) as port:
        return examined(port, Path(name) / "edges", chosen.captures, chosen.aim)


def examined(name: str, edges: Path, captures: int, aim: bool) -> int:
    """Greet, capture, aim, stop and start the board behind that port."""
    from coilbell.board import Settings, Tester, frame, open_port

    slow = import_module("coilbell.board.tester")
    slow._START_S *= SLOWER
    port = open_port(name)
    awaited(port)
    wrong = int(bool(edges.read_text()))
    print("after power: the pulse pin " + ("moved" if wrong else "stayed low"))
    tester = Tester(port, patience_s=600)
    told = tester.hello()
    print(f"greeted: {told.words}, MicroPython {told.micropython}, {told.tick_hz} Hz")
    for number in range(captures):
        width = 20 + 80 * number
        before = len(edges.read_text().splitlines())
        settings = Settings(shots=1, samples=1024, pretrigger=32, pulse_s=width / told.tick_hz)
        (record,) = tester.capture(settings)
        edged = len(edges.read_text().splitlines()) - before
        wrong += len(record) != 1024 or edged != 2
        print(f"  capture {number}: {width} ticks, {edged} edges of the pulse pin, {len(record)} samples")
    if aim:
        print(f"aim: {tester.aim('A')}")
    tester.save()
    for state in (b"\x03" * 40, b"\x03\x01", b"\x03\x01x=1", b"\x03\x05x = 1\r", b"\x03for i in range(3):\r"):
        port.write(state)
        tester.hello()
        print(f"  back from {state!r}")
    for word, (silence, whole) in timed(port, aim).items():
        most = [max(ms, frame.ALIVE_MS) for ms in frame.SLOWEST_MS[word]]
        wrong += silence > most[0] or whole > most[1]
        print(f"  {word:<10} silence {silence:5d} of {most[0]} ms, whole {whole:5d} of {most[1]} ms")
    tester.hello()
    tester.close()
    print("all held" if not wrong else f"{wrong} did not hold")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
