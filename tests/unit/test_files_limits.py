"""What is wrong with a file is said in one line, and a huge one is never read whole."""

from __future__ import annotations

import os
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from coilbell.bench import files
from coilbell.errors import FileError
from coilbell.record import MAX_SAMPLES


def refusal(path: Path) -> str:
    with pytest.raises(FileError) as caught:
        files.read(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    return message


def test_missing_file(tmp_path: Path) -> None:
    assert "no such file; check the name" in refusal(tmp_path / "none.csv")


def test_folder(tmp_path: Path) -> None:
    assert "is a folder" in refusal(tmp_path)


def test_empty_file(tmp_path: Path) -> None:
    (tmp_path / "empty.json").write_bytes(b"")
    assert "is empty" in refusal(tmp_path / "empty.json")


@pytest.mark.skipif(
    getattr(os, "geteuid", int)() == 0, reason="root, or a platform without rights, reads all"
)
def test_file_without_rights(tmp_path: Path) -> None:
    (tmp_path / "shut.csv").write_text("0,1\n1,2\n")
    (tmp_path / "shut.csv").chmod(0)
    assert "cannot be read" in refusal(tmp_path / "shut.csv")


@pytest.mark.parametrize("name", ["huge.csv", "huge.json"])
def test_two_gigabytes_are_refused_unread(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    with path.open("wb") as stream:
        stream.write(b"0,1\n1,2\n")
        stream.truncate(2_000_000_000)  # a hole: takes no room on the disk
    tracemalloc.start()
    message = refusal(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "holds 2000 MB, at most 256 MB are read" in message
    assert peak < 1_000_000


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no endless file here")
def test_an_endless_file_is_left_at_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("coilbell.bench.files.records.MAX_BYTES", 100_000)
    assert "is a device, which may never end; give a file" in refusal(Path("/dev/zero"))


def test_more_lines_than_a_record_may_have(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("coilbell.bench.files.table.MAX_SAMPLES", 100)
    (tmp_path / "long.csv").write_text("".join(f"{i}e-6,{i % 7}\n" for i in range(101)))
    assert "holds 101 lines; cut it to 100" in refusal(tmp_path / "long.csv")


def test_the_largest_table_fits_the_limit_on_bytes() -> None:
    assert len("1.234567e-03,-1.234567e-03\r\n") * MAX_SAMPLES < files.MAX_BYTES


def test_a_pipe_can_be_read(tmp_path: Path) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("no named pipes on this platform")
    import threading

    path = tmp_path / "pipe"
    os.mkfifo(path)
    text = "t_s,U_V\n" + "".join(f"{i / 1e6:.6f},{np.sin(i):.3f}\n" for i in range(50))
    writer = threading.Thread(target=path.write_text, args=(text,))
    writer.start()
    (record,) = files.read(path)
    writer.join()
    assert len(record) == 50
    assert record.rate_hz == 1e6
