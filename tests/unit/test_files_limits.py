"""What is wrong with a file is said in one line, and a huge one is never read whole."""

from __future__ import annotations

import os
import subprocess
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from coilbell.bench import files
from coilbell.errors import FileError
from coilbell.record import MAX_SAMPLES, Record


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


def _shots(kind: str) -> list[Record]:
    """Records whose file is some megabytes long."""
    rng, count = np.random.default_rng(3), 300_000
    codes = rng.integers(0, 4096, count).astype(np.int16)
    if kind == "codes":
        return [Record(samples=codes, rate_hz=5e5)]
    if kind == "400 shots":
        return [Record(samples=part, rate_hz=5e5) for part in np.split(codes, 400)]
    times = np.cumsum(rng.uniform(1e-6, 2e-6, count)) if kind == "time stamps" else None
    rate = None if kind == "time stamps" else 5e5
    return [Record(samples=rng.standard_normal(count), times_s=times, rate_hz=rate)]


@pytest.mark.parametrize("kind", ["codes", "400 shots", "floats", "time stamps"])
@pytest.mark.parametrize("way", ["file", "pipe"])
def test_a_record_file_takes_three_times_its_size_in_memory_at_most(
    tmp_path: Path, kind: str, way: str
) -> None:
    """Python's own numbers took ten times as much, and room for the largest file allowed 256 MB."""
    records, path = _shots(kind), tmp_path / "large.json"
    files.write(records, path)
    size = path.stat().st_size
    files.read(path)  # what is imported and compiled on the way is no matter of the file
    if way == "pipe":
        path = _poured(path)
    tracemalloc.start()
    back = files.read(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3 * size, f"{peak / size:.2f} times"
    for one, other in zip(back, records, strict=True):
        assert one.samples.dtype == other.samples.dtype
        assert (one.samples == other.samples).all()


def _table(kind: str) -> tuple[bytes, int, dict[str, object]]:
    """A file some megabytes long, how many figures it holds, and the options to read it with."""
    rng, count = np.random.default_rng(3), 150_000
    times, volts = np.arange(count) * 2e-6, [f"{v:.4f}" for v in rng.standard_normal(count)]
    stamps, name = [f"{t:.6f}" for t in times], "time (s),U (V)"
    columns, separator, options = [stamps, volts], ",", dict[str, object]()
    if kind == "codes":
        columns = [stamps, [str(code) for code in rng.integers(0, 4096, count)]]
    elif kind == "uneven stamps":
        columns = [[f"{t:.9f}" for t in np.cumsum(rng.uniform(1e-6, 2e-6, count))], volts]
    elif kind == "four channels":
        columns, name, options = [stamps] + [volts] * 4, "time (s),A,B,C,D", {"channel": "all"}
    elif kind == "microseconds":
        columns, separator = [[str(2 * i) for i in range(count)], ["0"] * count], ";"
        name = "time (us),U"
    elif kind == "noughts":  # a figure of two bytes
        columns, name, options = [["0"] * 4 * count], "", {"rate_hz": 5e5}
    elif kind in ("semicolon", "decimal comma", "tab"):
        separator = "\t" if kind == "tab" else ";"
    rows = "\n".join(separator.join(row) for row in zip(*columns, strict=True))
    rows = rows.replace(".", ",") if kind == "decimal comma" else rows
    text = name.replace(",", separator) + "\n" + rows + "\n"
    text = text.replace("\n", "\n\n") if kind == "blank lines" else text
    encoding = kind if kind in ("utf-16", "utf-16-le", "utf-8-sig") else "utf-8"
    # A sign of four bytes once made every letter of the text take as much.
    return ("# \U0001f514\n" + text).encode(encoding), sum(map(len, columns)), options


@pytest.mark.parametrize(
    "kind",
    [
        *("comma", "semicolon", "decimal comma", "tab", "codes", "uneven stamps", "four channels"),
        *("microseconds", "noughts", "blank lines", "utf-16", "utf-16-le", "utf-8-sig"),
    ],
)
def test_a_table_takes_three_times_its_size_in_memory_or_16_bytes_a_figure(tmp_path: Path, kind: str) -> None:
    """Strings of all its lines took 5 to 40 times the file."""
    content, figures, options = _table(kind)
    (tmp_path / "large.csv").write_bytes(content)
    expected = files.read(tmp_path / "large.csv", **options)  # type: ignore[arg-type]
    large = tmp_path / "large.csv"
    for path in (large, _poured(large)) if kind in ("comma", "utf-16") else (large,):
        tracemalloc.start()
        found = files.read(path, **options)  # type: ignore[arg-type]
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < max(3 * len(content), 16 * figures), f"{peak / len(content):.2f} times"
        assert [record.samples.tobytes() for record in found] == [r.samples.tobytes() for r in expected]


def test_a_record_of_short_numbers_takes_16_bytes_a_number_at_most(tmp_path: Path) -> None:
    path = tmp_path / "short.json"
    values = ",".join(["0.0"] * 600_000)
    head = '{"format": "coilbell records", "schema": 1, "records": [{"rate_hz": 5e5, "samples": '
    path.write_text(head + f'{{"type": "float64", "values": [{values}]}}}}]}}')
    files.read(path)
    tracemalloc.start()
    files.read(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 16 * 600_000


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_a_table_is_the_same_wherever_its_pieces_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ends: str
) -> None:
    path = tmp_path / "small.csv"
    codes = np.array([0, -3, 32767, 12, 5] * 7)
    lines = ["Zeit (\u00b5s);U", "# a remark", ""] + [f"{2 * i};{code}" for i, code in enumerate(codes)]
    lines[20:20] = ["", "# another"]
    rows = ends.join([*lines, "Comment; none"])
    spoilt = ends.join([*lines[:30], "54;x", *lines[31:]])
    for piece in [*range(1, 20), 31, 64, 100]:
        for module in ("lines.PIECE", "encoding._PIECE"):
            monkeypatch.setattr(f"coilbell.bench.files.{module}", piece)
        for encoding in ("utf-8", "utf-16", "cp1252"):
            path.write_bytes(rows.encode(encoding))
            (record,) = files.read(path)
            assert record.samples.tolist() == codes.tolist()
            assert record.rate_hz == 5e5
            path.write_bytes(spoilt.encode(encoding))
            assert "line 31, column 2: 'x' is no number" in refusal(path)


def _poured(path: Path) -> Path:
    """A pipe that the file's content comes out of, from a program of its own."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("no named pipes on this platform")
    pipe = path.with_suffix(".pipe")
    os.mkfifo(pipe)
    subprocess.Popen([sys.executable, "-c", _POUR, str(path), str(pipe)])
    return pipe


_POUR = "import shutil, sys; shutil.copyfileobj(open(sys.argv[1], 'rb'), open(sys.argv[2], 'wb'))"


def test_numbers_are_the_same_wherever_the_pieces_of_a_file_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "small.json"
    samples = np.array([0, -32768, 32767, 12, 5] * 7, dtype=np.int16)
    files.write([Record(samples=samples, rate_hz=5e5)], path)
    for piece in range(1, 60):
        monkeypatch.setattr("coilbell.bench.files.recordjson._PIECE", piece)
        (record,) = files.read(path)
        assert (record.samples == samples).all()
