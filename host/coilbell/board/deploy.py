"""From stock MicroPython to a running tester, through the `mpremote` program.

A flash goes through these steps and may be interrupted anywhere, then simply run again:

1. ask what is on the port; refuse what this firmware is not written for
2. hash the files there; what is right already is not sent again
3. copy each missing file under NAME.new, hash it on the board
4. take main.py away, put every NAME.new in place of NAME, main.py last; a file that was different
   before stays as NAME.bak
5. hash all once more, restart

Until step 4 the board keeps running what it ran; within step 4 it starts to its plain prompt.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Protocol

from coilbell.errors import BoardError, BoardTimeout, MissingError

__all__ = [
    "DESIGNS",
    "MICROPYTHON",
    "Flashed",
    "Installed",
    "Mpremote",
    "firmware_files",
    "flash",
    "installed_design",
]

MICROPYTHON = (1, 28)
"""Oldest MicroPython this firmware runs on."""

_BOARDS = tuple(
    f"Raspberry Pi {board} with {chip}"
    for chip, boards in (("RP2040", ("Pico", "Pico W")), ("RP2350", ("Pico 2", "Pico 2 W")))
    for board in boards
)
_MAIN = "main.py"
_CALL_TIMEOUT_S = 120.0
"""For a file to be copied, or a script that hashes all of them: some seconds on a board."""
_FIRST_TIMEOUT_S = 20.0
"""For a board to say who it is: a second, unless a program on it lets nobody in (own choice)."""

Progress = Callable[[int, int, str], None]
"""Called with bytes done, bytes in all, and what is being done."""

_LOCKED = (
    "a program on the board may let nobody in. Hold BOOTSEL while plugging in, copy the maker's UF2 file "
    "that erases the whole flash (flash_nuke) onto the drive that appears, then MicroPython's UF2 file; then "
    "flash again; MicroPython's file alone leaves that program where it is"
)
_IDENTIFY = """\
import sys, json
v = sys.implementation
try:
    import machine
    uid = "".join("%02x" % b for b in machine.unique_id())
except (ImportError, AttributeError):
    uid = ""
board = getattr(v, "_machine", "")
print(json.dumps({"name": v.name, "version": list(v.version)[:3], "machine": board, "id": uid}))
"""

_ASK_DESIGN = """\
import json
try:
    from board import DESIGN
except Exception:
    DESIGN = ""
print(json.dumps({"design": DESIGN}))
"""

_HASH = """\
import hashlib, json
def h(n):
    try:
        s = hashlib.sha256()
        with open(n, "rb") as f:
            while True:
                b = f.read(512)
                if not b:
                    break
                s.update(b)
        return "".join("%02x" % b for b in s.digest())
    except OSError:
        return ""
print(json.dumps({n: h(n) for n in NAMES}))
"""

_PLACE = """\
import os
def away(n):
    try:
        os.stat(n)
    except OSError:
        return
    try:
        os.remove(n + ".bak")
    except OSError:
        pass
    os.rename(n, n + ".bak")
away(MAIN)
for n in NAMES:
    away(n)
    os.rename(n + ".new", n)
"""


@dataclass(frozen=True, slots=True)
class Installed:
    """What answers on a port before flashing."""

    machine: str
    """The board's own name, such as "Raspberry Pi Pico with RP2040"."""
    micropython: tuple[int, ...]
    unique_id: str


@dataclass(frozen=True, slots=True)
class Flashed:
    """What a flash did."""

    installed: Installed
    copied: tuple[str, ...]
    """Files that were sent, main.py among them; empty when all were right already."""
    kept: tuple[str, ...]
    """Former files of other content, now NAME.bak on the board."""
    bytes_copied: int


class Remote(Protocol):
    """The few things asked of a board's prompt; tests hand in their own."""

    def execute(self, script: str) -> str:
        """Run a script on the board; returns what it prints."""
        ...

    def copy(self, source: Path, target: str) -> None:
        """Copy a file to the board."""
        ...

    def reset(self) -> None:
        """Restart the board."""
        ...


class Mpremote:
    """A board's prompt through the `mpremote` program.

    port: name of a serial port; command: how the program is started.
    """

    def __init__(self, port: str, command: Sequence[str] = (sys.executable, "-m", "mpremote")) -> None:
        self.port = port
        self._command = list(command)
        self._answered = False

    def execute(self, script: str) -> str:
        """Run a script on the board; returns what it prints."""
        limit_s = _CALL_TIMEOUT_S if self._answered else _FIRST_TIMEOUT_S
        said = self._run("exec", script, limit_s=limit_s)
        self._answered = True
        return said

    def copy(self, source: Path, target: str) -> None:
        """Copy a file to the board."""
        self._run("fs", "cp", "--force", str(source), f":{target}")

    def reset(self) -> None:
        """Restart the board."""
        self._run("reset")

    def _run(self, *words: str, limit_s: float | None = None) -> str:
        limit_s = limit_s or _CALL_TIMEOUT_S
        try:
            done = subprocess.run(
                [*self._command, "connect", self.port, *words],
                capture_output=True,
                stdin=subprocess.DEVNULL,
                timeout=limit_s,
                check=False,
            )
        except OSError as error:
            raise MissingError(
                f"mpremote does not start ({error.strerror}); install it: pip install mpremote"
            ) from error
        except subprocess.TimeoutExpired as error:
            raise BoardTimeout(
                f"{self.port} did not answer mpremote within {limit_s:.0f} s; "
                + ("unplug the board, plug it in and flash again" if self._answered else _LOCKED)
            ) from error
        if done.returncode:
            raise BoardError(f"mpremote failed on {self.port}: {_last_words(done)}; flash again")
        return done.stdout.decode("utf-8", "replace")


def _last_words(done: subprocess.CompletedProcess[bytes]) -> str:
    lines = (done.stderr + b"\n" + done.stdout).decode("utf-8", "replace").split("\n")
    said = [line.strip() for line in lines if line.strip()]
    return " / ".join(said[-2:]) or f"exit code {done.returncode}"


DESIGNS = ("full", "first")
"""Of the board: for parts in sets, and on a breadboard for new parts on the bench only."""
_DESIGN_LINE = 'DESIGN = "full"\n'


def firmware_files(folder: Path | None = None, design: str = "full") -> dict[str, Path]:
    """Name on the board -> file here, main.py last; the wire format comes from this package.

    folder: where the firmware lies; by default in the package, else in the source tree beside it. design: one
    of DESIGNS. Raises MissingError when it is not there.
    """
    here = Path(__file__).resolve()
    places = [folder] if folder else [here.with_name("firmware"), here.parents[3] / "firmware"]
    found = next((place for place in places if (place / _MAIN).is_file()), None)
    if found is None:
        raise MissingError(f"no firmware in {' or '.join(map(str, places))}; install coilbell again")
    files = {path.name: path for path in sorted(found.glob("*.py"))}
    if design != "full":
        files["board.py"] = _redesigned(files["board.py"], design)
    files["frame.py"] = here.with_name("frame.py")
    files[_MAIN] = files.pop(_MAIN)
    return files


@cache
def _rewritten() -> tempfile.TemporaryDirectory[str]:
    """Where files lie that differ from those of the package; made when one does, gone as the program ends."""
    return tempfile.TemporaryDirectory(prefix="coilbell-")


def _redesigned(file: Path, design: str) -> Path:
    """A copy of board.py for another design."""
    text = file.read_text(encoding="utf-8")
    if text.count(_DESIGN_LINE) != 1:
        raise MissingError(f"{file} does not name the design; install coilbell again")
    copy = Path(_rewritten().name, file.name)
    renamed = text.replace(_DESIGN_LINE, f'DESIGN = "{design}"\n')
    copy.write_text(renamed, encoding="utf-8", newline="")
    return copy


def installed_design(remote: Remote) -> str | None:
    """The design that a board was flashed as; None where it holds no firmware that says so."""
    design = _answered(remote, _ASK_DESIGN).get("design")
    return design if design in DESIGNS else None


def flash(
    remote: Remote,
    files: Mapping[str, Path] | None = None,
    progress: Progress | None = None,
    design: str | None = None,
) -> Flashed:
    """Put the firmware on the board at the prompt `remote`, verify it and restart.

    files: what to put there, by default this package's for `design`, one of DESIGNS; None: the design
    that the board was flashed as, else the full one.

    Raises MissingError for a board or MicroPython this firmware is not written for, BoardError when
    something fails on the way; then the same call can be made again.
    """
    installed = _admitted(_identified(remote))
    files = dict(files or firmware_files(design=design or installed_design(remote) or "full"))
    wanted = {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in files.items()}
    there = _hashes(remote, wanted)
    stale = [name for name in wanted if there[name] != wanted[name]]
    sent, names = 0, list[str]()
    if stale:
        # main.py is taken away while the others change, so it is always among those sent.
        names = [name for name in stale if name != _MAIN] + [_MAIN]
        sent = _send(remote, {name: files[name] for name in names}, wanted, progress or _silent)
        remote.execute(f"MAIN = {_MAIN!r}\nNAMES = {names!r}\n{_PLACE}")
    _verify(wanted, _hashes(remote, wanted), "after they were put in place")
    remote.reset()
    return Flashed(installed, tuple(names), tuple(name for name in stale if there[name]), sent)


def _silent(done: int, total: int, words: str) -> None:
    pass


def _send(remote: Remote, files: Mapping[str, Path], wanted: Mapping[str, str], progress: Progress) -> int:
    """Copy files under NAME.new and verify them there; returns their size [bytes]."""
    total = sum(path.stat().st_size for path in files.values())
    done = 0
    for name, path in files.items():
        progress(done, total, f"sending {name}")
        remote.copy(path, f"{name}.new")
        done += path.stat().st_size
    progress(done, total, "verifying")
    seen = _hashes(remote, [f"{name}.new" for name in files])
    _verify({f"{name}.new": wanted[name] for name in files}, seen, "after copying")
    return done


def _verify(wanted: Mapping[str, str], seen: Mapping[str, str], when: str) -> None:
    wrong = [name for name, digest in wanted.items() if seen.get(name) != digest]
    if wrong:
        raise BoardError(f"{', '.join(wrong)} on the board differ {when}; flash again")


def _hashes(remote: Remote, names: Mapping[str, str] | Sequence[str]) -> dict[str, str]:
    if not names:
        return {}
    answer = _answered(remote, f"NAMES = {list(names)!r}\n{_HASH}")
    return {name: str(answer.get(name, "")) for name in names}


def _identified(remote: Remote) -> Installed:
    answer = _answered(remote, _IDENTIFY)
    try:
        version = tuple(int(part) for part in answer["version"])
        if answer["name"] != "micropython":
            raise MissingError(f"the board runs {answer['name']}, not MicroPython; {_remedy('')}")
        return Installed(str(answer["machine"]), version, str(answer["id"]))
    except (KeyError, TypeError, ValueError) as error:
        raise BoardError(f"the board does not say what it is ({answer!r}); {_remedy('')}") from error


def _answered(remote: Remote, script: str) -> dict[str, Any]:
    """The JSON object a script prints in its last line."""
    printed = remote.execute(script).strip()
    try:
        answer = json.loads(printed.splitlines()[-1])
    except (IndexError, ValueError) as error:
        raise BoardError(f"the board's prompt gave {printed[-60:]!r}, no answer; flash again") from error
    if not isinstance(answer, dict):
        raise BoardError(f"the board's prompt gave {printed[-60:]!r}, no answer; flash again")
    return answer


def _admitted(installed: Installed) -> Installed:
    """The board, if the firmware is written for it."""
    if not installed.machine.startswith(_BOARDS):
        raise MissingError(
            f"unknown board {installed.machine!r}; the firmware is written for Raspberry Pi Pico and Pico 2 "
            "(with or without W), whose pins it uses"
        )
    if installed.micropython < MICROPYTHON:
        old, new = (".".join(map(str, v)) for v in (installed.micropython, MICROPYTHON))
        raise MissingError(f"the board runs MicroPython {old}, the firmware needs {new}; {_remedy(new)}")
    return installed


def _remedy(version: str) -> str:
    newest = f" {version} or newer" if version else ""
    return (
        f"hold BOOTSEL while plugging in, copy the UF2 file of MicroPython{newest} for this board onto the "
        "drive that appears (micropython.org/download), then: coilbell board flash"
    )
