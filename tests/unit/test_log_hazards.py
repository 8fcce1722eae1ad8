"""What a bench log lives through: a killed writer, two writers, a full disk, a folder that is read-only."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

import pytest

from coilbell.bench.log import Item, Log
from coilbell.bench.log.check import problems
from coilbell.errors import CoilbellError, MissingError
from handmade import handmade_record

_WRITER = """
import sys
import numpy as np
from pathlib import Path
from coilbell.bench.log import Log
from coilbell.errors import CoilbellError
from coilbell.record import Record
path, name, count, limit = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
if limit:
    import resource, signal
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
rng = np.random.default_rng(7)
try:
    with Log(path) as log:
        item = log.item(name) if log.holds(name) else log.add_item(name)
        for k in range(count):
            record = Record(samples=rng.integers(0, 4096, 512).astype(np.int16), rate_hz=5e5, shot=k)
            kept = log.add_capture(item, [record], f"{name} {k}")
            print(k, kept.sha256, flush=True)
except CoilbellError as error:
    print(f"{type(error).__name__}: {error}", file=sys.stderr)
    sys.exit(error.exit_code)
"""


def _writer(path: Path, name: str, count: int, limit: int = 0) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(path), name, str(count), str(limit)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def _kept(path: Path, name: str) -> list[str]:
    with Log(path) as log:
        assert list(problems(log)) == []
        return [capture.sha256 for capture in log.captures(log.item(name))]


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
@pytest.mark.parametrize("after", [40, 170])
def test_a_writer_killed_among_300_writes_loses_nothing_acknowledged(tmp_path: Path, after: int) -> None:
    path = tmp_path / "log.sqlite"
    writer = _writer(path, "choke-7", 300)
    assert writer.stdout is not None
    acknowledged = [writer.stdout.readline().split()[1] for _ in range(after)]
    os.kill(writer.pid, signal.SIGKILL)
    acknowledged += [line.split()[1] for line in writer.communicate()[0].splitlines()]
    assert writer.returncode == -signal.SIGKILL
    kept = _kept(path, "choke-7")
    assert after <= len(acknowledged) < 300
    assert kept[: len(acknowledged)] == acknowledged
    assert len(kept) <= len(acknowledged) + 1, "at most the write in flight was kept beyond"


def test_two_processes_write_at_once(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    writers = {name: _writer(path, name, 60) for name in ("bench-a", "bench-b")}
    for name, writer in writers.items():
        out, err = writer.communicate(timeout=60)
        assert (writer.returncode, err) == (0, "")
        assert _kept(path, name) == [line.split()[1] for line in out.splitlines()]


def test_many_who_begin_one_log_at_the_same_moment_all_find_it(tmp_path: Path) -> None:
    refused: list[Exception] = []
    for number in range(10):
        start = threading.Barrier(8)

        def begin(path: Path, start: threading.Barrier = start) -> None:
            start.wait()
            try:
                with Log(path):
                    pass
            except CoilbellError as error:
                refused.append(error)

        crowd = [
            threading.Thread(target=begin, args=(tmp_path / f"{number}.sqlite",))
            for _ in range(start.parties)
        ]
        for one in crowd:
            one.start()
        for one in crowd:
            one.join()
    assert not refused


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on file sizes there")
def test_a_full_disk_keeps_what_was_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    writer = _writer(path, "choke-7", 3000, limit=400_000)
    out, err = writer.communicate(timeout=60)
    assert writer.returncode == 3
    assert err.startswith("MissingError: ")
    assert "the disk refused" in err
    assert err.count("\n") == 1
    assert _kept(path, "choke-7") == [line.split()[1] for line in out.splitlines()]


def test_no_room_in_the_file_itself(tmp_path: Path) -> None:
    with Log(tmp_path / "log.sqlite") as log:
        item = log.add_item("choke-7")
        log.base.execute("PRAGMA max_page_count = 60")
        acknowledged: list[str] = []
        with pytest.raises(MissingError, match=r"disk refused .*full"):
            _fill(log, item, acknowledged)
        assert acknowledged
        assert [capture.sha256 for capture in log.captures(item)] == acknowledged


def _fill(log: Log, item: Item, acknowledged: list[str]) -> None:
    for k in range(200):
        acknowledged.append(log.add_capture(item, [handmade_record(shot=k)]).sha256)  # noqa: PERF401 -- one by one


_READER = """
import contextlib, io, os, sys
from coilbell.cli import main
scratch, path, *words = sys.argv[1:]
if os.getuid() == 0:
    # The administrator may write anywhere, anybody may not; but anybody may not read every interpreter's
    # folder either, so everything is imported by a first round elsewhere.
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        main([*words[:2], "--log", scratch, *words[2:]])
    os.setgid(65534); os.setuid(65534)
sys.exit(main([*words[:2], "--log", path, *words[2:]]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="folders have other rights there")
def test_a_read_only_folder_can_be_read_but_not_written() -> None:
    # Not in pytest's own folder: its rights are set anew by every other run that starts meanwhile.
    scratch = Path(tempfile.mkdtemp())
    folder = scratch / "shelf"
    folder.mkdir()
    path = folder / "log.sqlite"
    with Log(path) as log:
        log.add_item("choke-7")
    path.chmod(0o444)
    folder.chmod(0o555)
    scratch.chmod(0o755)
    try:
        shown = _as_anybody(scratch, path, "log", "list")
        assert (shown.returncode, shown.stderr) == (0, "")
        assert "choke-7" in shown.stdout
        refused = _as_anybody(scratch, path, "log", "note", "choke-7", "warm")
        assert refused.returncode == 3
        assert "cannot be written there" in refused.stderr
        assert refused.stderr.count("\n") == 1
        new = _as_anybody(scratch, folder / "new" / "log.sqlite", "log", "add", "choke-8")
        assert new.returncode == 3
        assert "cannot be made" in new.stderr
    finally:
        folder.chmod(0o755)
        shutil.rmtree(scratch)


def _as_anybody(scratch: Path, path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    place = scratch / "scratch.sqlite"
    with Log(place) as log:
        if not log.holds("choke-7"):
            log.add_item("choke-7")
    return subprocess.run(
        [sys.executable, "-c", _READER, str(place), str(path), *words],
        capture_output=True,
        text=True,
        check=False,
        cwd="/",
    )
