"""Records from files and back: which reader a file needs, and how much of one is read.

    read("choke.json")                        our own record file, see `recordjson`
    read("scope.csv", channel="CH2")          an oscilloscope's table, see `table` and `oscilloscope`
    read("card.wav", channel="left")          a sound card as converter, see `sound`
    write(records, "kept.json")               exact; "kept.csv" is an export for other programs

The kind is told from the content where it can be, not from the name. At most `MAX_BYTES` are read.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from coilbell.bench.files import oscilloscope, recordjson, sound, table
from coilbell.bench.files.bounded import read_at_most
from coilbell.bench.files.encoding import plain
from coilbell.bench.files.lines import Lines
from coilbell.errors import FileError, RecordError
from coilbell.record import MAX_SAMPLES, Record
from coilbell.whole import whole_file

__all__ = ["EXAMPLES", "MAX_BYTES", "example", "read", "write"]

MAX_BYTES = 256_000_000
"""Largest file read; `MAX_SAMPLES` lines of two figures fit several times.

Reading a table or a record file takes at most three times its size in memory, or 16 bytes a figure where
that is more: a figure of one digit and its comma is 2 bytes of text and 8 as a number. A preamble
of megabytes, or a line of thousands of figures, still takes more."""

EXAMPLES = Path(__file__).parent / "examples"
"""Invented records that ship with the package."""

_SAYS_SOMETHING = re.compile(rb"[^\x00 \t\r\n\xff\xfe\xef\xbb\xbf]")
"""Any byte that is neither blank nor part of a byte order mark."""

Name = str | os.PathLike[str]


def read(
    path: Name,
    *,
    channel: str | None = None,
    time_unit: str | None = None,
    rate_hz: float | None = None,
    time: str | None = None,
) -> tuple[Record, ...]:
    """The records in a file.

    channel: name or number (from 1) of the channel, or "all" for one record of each; needed when a table
    or sound file holds several. time_unit: "s", "ms", "us", "ns" for a time column that does not name
    its unit. rate_hz: sampling rate of a table without a time column [Hz]. time: name or number of the
    column that holds the time, where it is not told rightly.

    What had to be assumed stands in `extra` under keys that start with "assumed". Raises FileError, with
    the file's name and, in a table, the line.
    """
    place = Path(path)
    try:
        return tuple(
            replace(record, source=record.source or str(path))
            for record in _read(place, channel, time_unit, rate_hz, time)
        )
    except FileError as error:
        raise FileError(f"{path}: {error}") from error
    except RecordError as error:
        raise FileError(f"{path}: {error}") from error


def write(records: Sequence[Record], path: Name) -> None:
    """Keep records in a file: exactly as they are in .json, as a table for other programs in .csv.

    The file appears whole or not at all. Raises FileError.
    """
    place = Path(path)
    if not records:
        raise FileError(f"{path}: no records to write; give at least one")
    try:
        content = _encoded(records, place.suffix.lower())
    except FileError as error:
        raise FileError(f"{path}: {error}") from error
    _replace(place, content)


def _encoded(records: Sequence[Record], ending: str) -> bytes:
    if ending == ".json":
        return recordjson.encode(records)
    if ending in (".csv", ".tsv"):
        return oscilloscope.encode(records, "\t" if ending == ".tsv" else ",")
    raise FileError(f"records are not written as {ending or 'a name without ending'}; use .json or .csv")


def example(name: str = "whole") -> Path:
    """Path of an invented record that ships with the package: "whole" or "shorted"."""
    path = EXAMPLES / f"{name}.json"
    if not path.is_file():
        choices = ", ".join(sorted(file.stem for file in EXAMPLES.glob("*.json")))
        raise FileError(f"no example {name!r}; choose one of: {choices}")
    return path


def _read(
    path: Path, channel: str | None, time_unit: str | None, rate_hz: float | None, time: str | None
) -> list[Record]:
    head = _head(path)
    if sound.recognises(head):
        _refuse_options("a sound file", time_unit=time_unit, rate_hz=rate_hz, time=time)
        return sound.read(path, channel)
    content = _content(path)
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):  # what a Windows shell's > makes of our JSON, too
        content = plain(content)[0]
    if recordjson.recognises(content):
        _refuse_options("a record file", channel=channel, time_unit=time_unit, rate_hz=rate_hz, time=time)
        return recordjson.decode(content)
    lines = Lines(content)
    del content  # a long file's bytes go once its figures are read
    return oscilloscope.read(table.table(lines), channel, time_unit, rate_hz, time)


def _refuse_options(what: str, **options: object) -> None:
    for name, value in options.items():
        if value is not None:
            raise FileError(f"is {what} and needs no {name.replace('_', ' ')}; leave that option out")


def _head(path: Path) -> bytes:
    """First bytes of a regular file; b"" for a pipe, which can be read only once."""
    try:
        if path.is_dir():
            raise FileError("is a folder; give a file in it")
        if not path.exists():
            raise FileError("no such file; check the name")
        if path.is_char_device() or path.is_block_device():
            raise FileError("is a device, which may never end; give a file")
        if not path.is_file():
            return b""
        if path.stat().st_size > MAX_BYTES:
            with path.open("rb") as stream:
                head = stream.read(12)
            if sound.recognises(head):
                return head
            raise _too_big(path.stat().st_size)
        with path.open("rb") as stream:
            return stream.read(12)
    except OSError as error:
        raise FileError(
            f"cannot be read: {error.strerror or error}; check the name and its rights"
        ) from error


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            content = read_at_most(stream, MAX_BYTES)
    except OSError as error:
        raise FileError(
            f"cannot be read: {error.strerror or error}; check the name and its rights"
        ) from error
    if len(content) > MAX_BYTES:
        raise _too_big(len(content))
    if not _SAYS_SOMETHING.search(content):
        raise FileError("is empty; save the record again")
    return content


def _too_big(size: int) -> FileError:
    return FileError(
        f"holds {'more than ' if size == MAX_BYTES + 1 else ''}{size / 1e6:.0f} MB, "
        f"at most {MAX_BYTES / 1e6:.0f} MB are read; cut it to {MAX_SAMPLES:,} samples around the ring"
    )


def _replace(path: Path, content: bytes) -> None:
    try:
        with whole_file(path) as stream:
            stream.write(content)
    except OSError as error:
        raise FileError(
            f"{path}: cannot be written: {error.strerror or error}; check the folder and its rights"
        ) from error
