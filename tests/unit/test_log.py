"""The bench log keeps what it was given, refuses to change it, and says clearly what is wrong."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from coilbell.bench.facts.fit import fit_facts
from coilbell.bench.facts.question import question_of
from coilbell.bench.log import SCHEMA, Log
from coilbell.bench.log.check import problems
from coilbell.bench.log.samples import identity, packed, unpacked
from coilbell.bench.log.schema import APPLICATION, MIGRATIONS
from coilbell.errors import FileError, InputError, MissingError
from coilbell.record import Capacitor, Connection, Record
from coilbell.winding import Explanation
from handmade import handmade_finding, handmade_fit, handmade_record


@pytest.fixture
def log(tmp_path: Path) -> Any:
    with Log(tmp_path / "log.sqlite", wait_s=0.2) as opened:
        yield opened


def _same(a: Record, b: Record) -> bool:
    for field in fields(Record):
        one, two = getattr(a, field.name), getattr(b, field.name)
        if isinstance(one, np.ndarray):
            if one.dtype != two.dtype or one.tobytes() != two.tobytes():
                return False
        elif one != two:
            return False
    return True


_DTYPES = st.sampled_from(["i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8", "f4", "f8"])


@settings(max_examples=30, deadline=None)
@given(
    samples=_DTYPES.flatmap(
        lambda kind: hnp.arrays(
            kind,
            st.integers(2, 50),
            elements={"min_value": -(2.0**96), "max_value": 2.0**96} if kind[0] == "f" else None,
        )
    ),
    uneven=st.booleans(),
    rate=st.floats(1e-3, 1e12),
    farads=st.none() | st.floats(1e-12, 1e-3),
    note=st.text(max_size=20),
    extra=st.dictionaries(st.text(max_size=5), st.text(max_size=5), max_size=3),
)
def test_a_record_comes_back_to_the_last_bit(
    samples: Any, uneven: bool, rate: float, farads: float | None, note: str, extra: dict[str, str]
) -> None:
    record = Record(
        samples=samples,
        rate_hz=None if uneven else rate,
        times_s=np.cumsum(np.full(samples.size, 1e-6) * np.linspace(1, 2, samples.size)) if uneven else None,
        test_capacitor=None if farads is None else Capacitor(farads, name="A"),
        utc=datetime(2026, 3, 1, 9, 30, 0, 123456, tzinfo=UTC),
        connection=Connection.IN_CIRCUIT,
        note=note,
        extra=extra,
    )
    assert _same(unpacked(packed(record)), record)


def test_everything_added_is_there_after_reopening(tmp_path: Path) -> None:
    record = handmade_record(test_capacitor=Capacitor(22e-9))
    facts = fit_facts(handmade_fit(), title="a", records=[record])
    picture = tmp_path / "lacquer.png"
    picture.write_bytes(b"picture")
    with Log(tmp_path / "log.sqlite") as log:
        item = log.add_item(
            "choke-7", equipment="Moss supply", part="choke", kind="power inductor", serial="7"
        )
        fit = log.add_fit(log.add_capture(item, [record], "rings.json"), facts)
        log.add_judgement(item, question_of(), handmade_finding(explanation=Explanation.LOADED), [fit])
        log.add_note(item, "warm to the touch")
        log.add_photo(item, picture, "one side dark")
    with Log(tmp_path / "log.sqlite", writable=False) as log:
        assert log.items() == [item]
        assert log.item("CHOKE-7") == item
        capture = log.captures(item)[0]
        assert _same(capture.records[0], record)
        assert capture.label == "rings.json"
        assert log.fits(capture) == [fit]
        judgement = log.judgements(item)[0]
        assert (judgement.explanation, judgement.fits) == ("loaded", (fit.id,))
        assert judgement.versions["coilbell"]
        assert [note.words for note in log.notes(item)] == ["warm to the touch"]
        assert log.photos(item)[0].bytes == 7
        assert list(problems(log)) == []


def test_nothing_is_overwritten(log: Log) -> None:
    item = log.add_item("choke-7")
    capture = log.add_capture(item, [handmade_record()])
    first = log.add_fit(capture, fit_facts(handmade_fit(), title="1"))
    second = log.add_fit(capture, fit_facts(handmade_fit(), title="2"))
    assert log.fits(capture) == [first, second]
    log.add_note(item, "one")
    for statement in (
        "UPDATE fit SET facts = '{}'",
        "DELETE FROM note",
        "DELETE FROM record",
        "DELETE FROM item",
    ):
        with pytest.raises(InputError, match="never"):
            log.base.execute(statement)
    assert log.fits(capture) == [first, second]


def test_the_same_rings_are_kept_once(log: Log) -> None:
    item = log.add_item("choke-7")
    log.add_capture(item, [handmade_record(source="a.json")])
    with pytest.raises(InputError, match="as capture 1"):
        log.add_capture(item, [handmade_record(source="elsewhere/a.json")])
    log.add_capture(log.add_item("choke-8"), [handmade_record()])


def test_identity_is_that_of_the_ring() -> None:
    record = handmade_record()
    assert identity([record]) == identity([replace(record, source="b", note="c")])
    assert identity([record]) != identity([replace(record, gain=2.0)])
    assert identity([record]) != identity([record, record])


def test_what_fails_inside_together_leaves_no_trace(log: Log) -> None:
    with pytest.raises(InputError):
        _add_twice(log)
    assert log.items() == []


def _add_twice(log: Log) -> None:
    with log.together():
        item = log.add_item("choke-7")
        log.add_note(item, "kept?")
        log.add_item("choke-7")


@pytest.mark.parametrize("name", ["", " ", "a\nb", "x" * 81, "\x1b[31mred", "-choke", " choke"])
def test_names_that_cannot_be_used(log: Log, name: str) -> None:
    with pytest.raises(InputError):
        log.add_item(name)


def test_an_unknown_item_lists_those_there_are(log: Log) -> None:
    log.add_item("choke-7")
    with pytest.raises(InputError, match="there are: choke-7"):
        log.item("choke-8")


def test_search_folds_letters_beyond_ascii(log: Log) -> None:
    item = log.add_item("lot-3", part="Zeilentrafo")
    log.add_note(item, "first line\nlack ÄUSSERST dunkel")
    log.add_item("other")
    assert log.search("äusserst DUNKEL") == [(item, "lack ÄUSSERST dunkel")]
    assert log.search("zeilen dunkel")[0][0] == item
    assert log.search("100%") == []
    with pytest.raises(InputError):
        log.search("  ")


def test_removal_takes_a_backup_and_everything_that_hangs_on_the_item(log: Log, tmp_path: Path) -> None:
    item = log.add_item("choke-7")
    other = log.add_item("choke-8")
    fit = log.add_fit(log.add_capture(item, [handmade_record()]), fit_facts(handmade_fit()))
    log.add_judgement(item, question_of(), handmade_finding(explanation=Explanation.LOADED), [fit])
    log.remove(item, tmp_path / "before.sqlite")
    assert log.items() == [other]
    for table in ("capture", "record", "fit", "judgement", "judgement_fit"):
        assert log.base.rows(f"SELECT count(*) FROM {table}")[0][0] == 0
    with pytest.raises(InputError, match="never deleted"):
        log.base.execute("DELETE FROM item")
    with Log(tmp_path / "before.sqlite", writable=False) as before:
        assert [i.name for i in before.items()] == ["choke-7", "choke-8"]
    with pytest.raises(FileError, match="left as it is"):
        log.remove(other, tmp_path / "before.sqlite")
    assert log.items() == [other]


@pytest.mark.parametrize("column", ["samples", "settings", "sha256"])
def test_a_damaged_record_is_found(tmp_path: Path, column: str) -> None:
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        log.add_capture(log.add_item("choke-7"), [handmade_record(pretrigger=3)])
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("DROP TRIGGER record_stays")
        kept = raw.execute(f"SELECT {column} FROM record").fetchone()[0]
        if column == "settings":
            kept = kept.replace('"pretrigger": 3', '"pretrigger": 4')
        elif column == "sha256":
            kept = "0" * 64
        else:
            kept = kept[:-9] + bytes([kept[-9] ^ 1]) + kept[-8:]
        raw.execute(f"UPDATE record SET {column} = ?", (kept,))
        raw.commit()
    with Log(path) as log:
        found = list(problems(log))
        assert "record 1: is not as it was kept" in found
        assert any("record_stays" in problem for problem in found)
        with pytest.raises(FileError, match="restore"):
            log.captures(log.item("choke-7"))


def test_a_changed_photo_is_found(log: Log, tmp_path: Path) -> None:
    picture = tmp_path / "a.png"
    picture.write_bytes(b"before")
    log.add_photo(log.add_item("choke-7"), picture)
    picture.write_bytes(b"behind")
    assert [p for p in problems(log) if "not the picture" in p]
    picture.unlink()
    assert [p for p in problems(log) if "cannot be read" in p]


def test_a_log_of_the_first_schema_is_brought_up_to_date_after_a_backup(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript(MIGRATIONS[0])
        raw.execute("INSERT INTO item VALUES (1, 'old', '', '', '', '', '2026-01-01T00:00:00Z')")
        raw.execute(f"PRAGMA application_id = {APPLICATION}")
        raw.execute("PRAGMA user_version = 1")
        raw.commit()
    with Log(path, writable=False) as log:
        assert [item.name for item in log.items()] == ["old"]
        assert log.base.rows("PRAGMA user_version")[0][0] == SCHEMA
        assert log.base.rows("SELECT count(*) FROM run")[0][0] == 0
    with closing(sqlite3.connect(tmp_path / "log.sqlite.schema-1.backup")) as raw:
        assert raw.execute("PRAGMA user_version").fetchone()[0] == 1
        assert raw.execute("SELECT name FROM item").fetchone()[0] == "old"


@pytest.mark.parametrize("writable", [True, False])
def test_a_log_from_a_newer_schema_is_not_touched(tmp_path: Path, writable: bool) -> None:
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        log.base.execute(f"PRAGMA user_version = {SCHEMA + 5}")
    before = path.read_bytes()
    with pytest.raises(FileError, match=f"schema {SCHEMA + 5}, written by a newer coilbell"):
        Log(path, writable=writable)
    assert path.read_bytes() == before


def test_files_that_are_no_log(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("not a log at all, only words " * 100, encoding="utf-8")
    with pytest.raises(FileError, match="is not a bench log"):
        Log(text)
    foreign = tmp_path / "foreign.sqlite"
    with closing(sqlite3.connect(foreign)) as raw:
        raw.execute("CREATE TABLE theirs (a)")
    with pytest.raises(FileError, match="another program"):
        Log(foreign)
    with pytest.raises(FileError, match="no file"):
        Log(tmp_path)
    with pytest.raises(MissingError, match="no bench log"):
        Log(tmp_path / "none.sqlite", writable=False)
    assert not (tmp_path / "none.sqlite").exists()
    assert text.read_text(encoding="utf-8").startswith("not a log")


def test_another_writer_is_waited_for_and_then_named(log: Log) -> None:
    with closing(sqlite3.connect(log.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert log.items() == [], "readers never wait"
        with pytest.raises(MissingError, match="another coilbell has been writing for more than"):
            log.add_item("choke-7")
        other.execute("ROLLBACK")
    log.add_item("choke-7")


def test_the_default_place(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("COILBELL_LOG", str(tmp_path / "here.sqlite"))
    with Log() as log:
        assert log.path == tmp_path / "here.sqlite"
    monkeypatch.delenv("COILBELL_LOG")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    from coilbell.bench.log import default_path

    assert default_path().name == "bench-log.sqlite"
