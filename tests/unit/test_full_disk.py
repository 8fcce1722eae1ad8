"""Files of results on a full disk: whole as before or not there at all, one line that says so."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import pytest

from coilbell.bench.files.records import example
from coilbell.bench.log import Log
from coilbell.cli import main

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no limit on file sizes there")

_LIMITED = """
import resource, signal, sys
import matplotlib.font_manager
from coilbell.cli import main
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
sys.exit(main(sys.argv[2:]))
"""


def _refused(limit: int, *words: str) -> str:
    """What the command says where no file may grow beyond `limit` bytes."""
    command = [sys.executable, "-c", _LIMITED, str(limit), *words]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert "cannot be written: " in done.stderr
    return done.stderr


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_picture(tmp_path: Path) -> None:
    _refused(5000, "fit", "--example", "--picture", str(tmp_path / "ring.svg"))
    assert _names(tmp_path) == []


def test_a_report_that_replaces_another(tmp_path: Path) -> None:
    log, page = str(tmp_path / "log.sqlite"), tmp_path / "page.html"
    assert main(["log", "add", "heron-14", str(example()), "--log", log]) == 0
    page.write_text("the former page")
    _refused(40_000, "report", "heron-14", "--log", log, "-o", str(page), "--force")
    assert page.read_text() == "the former page"
    assert _names(tmp_path) == ["log.sqlite", "page.html"]


def test_a_worksheet_begun(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.jsonl"
    _refused(60, "isolate", "new", "--item", "heron-14", "--sheet", str(sheet))
    assert _names(tmp_path) == []


def test_a_reading_beside_those_there(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.jsonl"
    one = ["isolate", "new", "--item", "heron-14", "--sheet", str(sheet)]
    assert main(one) == 0
    before = sheet.read_bytes()
    one[1] = "observe"
    _refused(len(before) + 60, *one, "collector-emitter", "normal")
    assert sheet.read_bytes() == before
    assert main([*one, "collector-emitter", "normal"]) == 0


_FULL = """
import errno, sys
from contextlib import contextmanager
import coilbell.bench.files.records as records
from coilbell.cli import main

@contextmanager
def full(place):
    raise OSError(errno.ENOSPC, "No space left on device")
    yield

records.whole_file = full
sys.exit(main(sys.argv[1:]))
"""
"""A disk on which files of records find no room."""


@pytest.mark.parametrize("logged", [False, True])
def test_a_ring_that_cannot_be_kept_is_shown_all_the_same(tmp_path: Path, logged: bool) -> None:
    """A file the disk has no room for, beside a log that has its room already."""
    log = tmp_path / "log.sqlite"
    more = ["--item", "choke-7", "--log", str(log)] if logged else []
    if logged:
        assert main(["log", "add", "choke-7", str(example()), "--log", str(log)]) == 0
    place = str(tmp_path / "r.json")
    port = "virtual:?part=moss-choke&seed=3&hurry=1&pace=0"
    command = [sys.executable, "-c", _FULL, "capture", "--port", port, "--out", place, *more]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2, done.stderr
    assert "rings" in done.stdout
    assert "No space left on device" in done.stderr
    assert ("in the bench log under choke-7" if logged else "kept nowhere else") in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "r.json").exists()
    if logged:
        assert main(["log", "check", "--log", str(log)]) == 0


_ON_SMALL = """
small=$1; size=$2; shift 2
mount -t tmpfs -o size=${size}k none "$small" || exit 77
"$@"; code=$?
ls "$small"
exit $code
"""
"""A disk of so many kilobytes on a folder, for one command, and what lies there afterwards."""


def _mountable() -> bool:
    probe = ["unshare", "-rm", "sh", "-c", "mount -t tmpfs -o size=8k none /mnt"]
    try:
        return subprocess.run(probe, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def _empty_log(folder: Path) -> int:
    """What a log takes while it is open and nothing is in it yet [KiB]."""
    place = folder / "empty" / "log.sqlite"
    place.parent.mkdir()
    with Log(place):
        return math.ceil(sum(path.stat().st_size for path in place.parent.iterdir()) / 1024)


@pytest.mark.skipif(not _mountable(), reason="no file system of one's own can be mounted here")
@pytest.mark.parametrize(
    ("room", "out", "log", "where"),
    [
        (8, "small", None, "the ring is kept nowhere else"),
        (8, "small", "big", "the ring is in the bench log under choke-7"),
        (110, "small", "small", "the ring is in the bench log under choke-7"),
        (16, "big", "small", "The ring that was shown is in {out}"),
        (16, "small", "small", "The ring that was shown is kept nowhere"),
    ],
)
def test_a_disk_that_is_full_in_earnest(
    tmp_path: Path, room: int, out: str, log: str | None, where: str
) -> None:
    """Of a ring that was struck it is said what is kept where; what is said to be kept can be read."""
    small, big = tmp_path / "small", tmp_path / "big"
    small.mkdir()
    big.mkdir()
    kilobytes = room + (_empty_log(tmp_path) if log == "small" else 0)
    file = tmp_path / out / "r.json"
    command = [sys.executable, "-m", "coilbell", "capture", "--out", str(file)]
    command += ["--port", "virtual:?part=moss-choke&seed=3&hurry=1&pace=0"]
    command += ["--item", "choke-7", "--log", str(tmp_path / log / "log.sqlite")] if log else []
    done = subprocess.run(
        ["unshare", "-rm", "sh", "-c", _ON_SMALL, "sh", str(small), str(kilobytes), *command],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == (2 if "bench log" in where or log is None else 3), done.stderr
    assert "rings" in done.stdout
    assert done.stderr.splitlines()[-1].endswith(
        (where.format(out=file), where.format(out=file) + ": what was shown is of it")
    ), done.stderr
    assert "Traceback" not in done.stderr
    assert "r.json" not in done.stdout.splitlines()
    if out == "big":
        from coilbell.bench import files

        assert len(files.read(file)) == 8
    if log == "big":
        assert main(["log", "check", "--log", str(big / "log.sqlite")]) == 0
