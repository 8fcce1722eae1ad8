"""Our own record file: the very samples come back, and a hostile file gets one clear line."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from coilbell.bench import files
from coilbell.bench.files import recordjson
from coilbell.errors import FileError
from coilbell.record import Capacitor, Connection, Record

TYPES = [
    "int8",
    "int16",
    "int32",
    "int64",
    "uint8",
    "uint16",
    "uint32",
    "uint64",
    "float32",
    "float64",
    ">i2",
    ">f8",
]


@settings(max_examples=200, deadline=None)
@given(data=st.data(), kind=st.sampled_from(TYPES))
def test_samples_of_every_type_come_back_to_the_bit(data: st.DataObject, kind: str) -> None:
    dtype = np.dtype(kind)
    largest = float(np.float32(9e29))
    elements: Any = {"min_value": -largest, "max_value": largest} if dtype.kind == "f" else {}
    samples = data.draw(arrays.arrays(dtype, st.integers(2, 40), elements=elements))
    (back,) = recordjson.decode(recordjson.encode([Record(samples=samples, rate_hz=1e6)]))
    assert back.samples.dtype == dtype.newbyteorder("=")
    assert back.samples.tobytes() == samples.astype(dtype.newbyteorder("=")).tobytes()


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(1e-12, 1e3, allow_nan=False), min_size=2, max_size=30))
def test_time_stamps_come_back_to_the_bit(steps: list[float]) -> None:
    times = np.cumsum(steps)
    (back,) = recordjson.decode(recordjson.encode([Record(samples=np.arange(len(steps)), times_s=times)]))
    assert back.times_s is not None
    assert back.times_s.tobytes() == times.tobytes()


def full_record() -> Record:
    return Record(
        samples=np.array([2048, 2100, 1990, 2050], dtype=np.int16),
        rate_hz=500e3 / 3,
        volts_per_count=3.3 / 4096,
        full_scale=(0, 4095),
        resolution=1.0,
        pretrigger=1,
        pulse_s=2e-6,
        test_capacitor=Capacitor(22e-9, 0.02, "A", 0.0003),
        shot=2,
        gain=0.5,
        board="invented board 7",
        utc=datetime(2026, 3, 2, 9, 30, 1, 250000, tzinfo=UTC),
        connection=Connection.IN_CIRCUIT,
        note='quotes " and \u00b5 and \n newline',
        source="port virtual:",
        extra={"temperature": "21 C"},
    )


def test_every_setting_comes_back(tmp_path: Path) -> None:
    record = full_record()
    files.write([record, record], tmp_path / "kept.json")
    back = files.read(tmp_path / "kept.json")
    assert len(back) == 2
    for name in Record.__dataclass_fields__:
        if name != "samples":
            assert getattr(back[1], name) == getattr(record, name), name
    assert (back[1].samples == record.samples).all()


def test_file_is_what_its_specification_says() -> None:
    content = json.loads(recordjson.encode([full_record()]))
    assert content["format"] == "coilbell records"
    assert content["schema"] == 1
    assert content["records"][0]["samples"] == {"type": "int16", "values": [2048, 2100, 1990, 2050]}
    assert content["records"][0]["utc"] == "2026-03-02T09:30:01.250000Z"


def text(**changes: Any) -> bytes:
    record: dict[str, Any] = {"samples": {"type": "int16", "values": [1, 2, 3]}, "rate_hz": 5e5}
    return json.dumps({"format": "coilbell records", "schema": 1, "records": [record | changes]}).encode()


HOSTILE: list[tuple[bytes, str]] = [
    (b"{", "damaged JSON"),
    (b'{"format": "coilbell records", "schema": 1, "records": [{]}', "damaged JSON"),
    (b"{}", "missing required field"),
    (b"[]", "not a record file"),
    (b"[" * 200_000, "JSON|record file"),
    (b'{"format": "something else", "schema": 1}', "calls itself 'something else'"),
    (b'{"format": "coilbell records", "schema": 99, "records": []}', "schema 99.*update coilbell"),
    (b'{"format": "coilbell records", "schema": 1, "records": []}', "holds no records"),
    (b'{"format": "coilbell records", "schema": 1, "records": 5}', "not a record file"),
    (b'{"format": "coilbell records", "schema": 1, "records": [], "records": 3}', "not a record file"),
    (text(colour="blue"), "unknown field"),
    (text(samples={"type": "int16", "values": [1, 2.5]}), "sample 1 is 2.5, not an int16"),
    (text(samples={"type": "int8", "values": [1, 128]}), "sample 1 is 128, not an int8"),
    (text(samples={"type": "object", "values": [1, 2]}), "sample type 'object'; choose one of: int8"),
    (text(samples={"type": "int16", "values": [1, "2"]}), "not a record file"),
    (text(samples={"type": "int16", "values": [1, None]}), "not a record file"),
    (text(samples={"type": "int16", "values": [1, True]}), "not a record file"),
    (text(samples={"type": "int16", "values": [5]}), "needs at least 2"),
    (text(samples={"type": "float64", "values": [1, 10**400]}), "JSON|record file|too large"),
    (text(samples={"type": "int64", "values": [1, 10**30]}), "JSON|record file|not an int64"),
    (text(rate_hz=-1.0), "rate_hz"),
    (text(times_s=[0, 1, 2]), "exactly one of rate_hz and times_s"),
    (text(rate_hz=None, times_s=[0, 2, 1]), "does not follow"),
    (text(connection="sideways"), "connection 'sideways'; choose one of"),
    (text(utc="yesterday"), "not a record file"),
    (text(utc="2026-01-01T00:00:00"), "no time zone"),
    (text(extra={"a": 1}), "not a record file"),
    (text(test_capacitor={"farads": 22}), "is not a capacitor"),
    (text().replace(b"500000.0", b"NaN"), "damaged JSON"),
    (text().replace(b"[1, 2, 3]", b"[1, 2, Infinity]"), "damaged JSON"),
    (text().replace(b"500000.0", b"1e999"), "JSON|rate_hz"),
    (text(note="x").replace(b'"x"', b'"\xff\xfe"'), "damaged JSON"),
    (text() + b"trailing", "damaged JSON"),
]


@pytest.mark.parametrize(("content", "words"), HOSTILE)
def test_a_hostile_file_gets_one_clear_line(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "odd.json"
    path.write_bytes(content)
    with pytest.raises(FileError, match=words) as caught:
        files.read(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    assert len(message) < 400 + len(str(path))


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_a_damaged_file_never_gives_other_samples(data: st.DataObject) -> None:
    """One byte changed anywhere: the same length of record or a clear refusal, never a crash."""
    content = bytearray(recordjson.encode([full_record()]))
    place = data.draw(st.integers(0, len(content) - 1))
    content[place] = data.draw(st.integers(0, 255))
    try:
        records = recordjson.decode(bytes(content))
    except ValueError:
        return
    assert len(records[0]) >= 2


def test_options_for_tables_are_refused(tmp_path: Path) -> None:
    files.write([full_record()], tmp_path / "kept.json")
    with pytest.raises(FileError, match="needs no channel"):
        files.read(tmp_path / "kept.json", channel="2")


def test_a_type_json_cannot_keep_is_refused(tmp_path: Path) -> None:
    long = np.array([1, 2, 3], dtype=np.longdouble)
    if long.dtype.itemsize == 8:
        pytest.skip("this platform has no longer float")
    with pytest.raises(FileError, match="convert them to float64"):
        files.write([Record(samples=long, rate_hz=1e5)], tmp_path / "long.json")
    assert not list(tmp_path.iterdir())


def test_writing_leaves_the_old_file_whole_when_it_fails(tmp_path: Path) -> None:
    files.write([full_record()], tmp_path / "kept.json")
    before = (tmp_path / "kept.json").read_bytes()
    with pytest.raises(FileError):
        files.write([], tmp_path / "kept.json")
    assert (tmp_path / "kept.json").read_bytes() == before
    with pytest.raises(FileError, match="cannot be written"):
        files.write([full_record()], tmp_path / "no" / "such" / "folder.json")
    with pytest.raises(FileError, match=r"use \.json or \.csv"):
        files.write([full_record()], tmp_path / "kept.xls")
    assert [path.name for path in tmp_path.iterdir()] == ["kept.json"]


@pytest.mark.parametrize("name", ["whole", "shorted"])
def test_shipped_examples_are_what_their_script_makes(name: str) -> None:
    from golden.make_examples import example

    assert files.example(name).read_bytes() == recordjson.encode(example(name))
    assert all("INVENTED" in record.note for record in files.read(files.example(name)))


def test_an_unknown_example_lists_the_choices() -> None:
    with pytest.raises(FileError, match="choose one of: shorted, whole"):
        files.example("other")
