"""Archives: what is handed on comes back the same, and nothing hostile is taken over."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from coilbell.bench.facts.base import kept_text
from coilbell.bench.facts.examination import Begin, Confirm, Did, Rang, parsed_act
from coilbell.bench.facts.fit import fit_facts
from coilbell.bench.facts.item import ItemFacts
from coilbell.bench.facts.question import question_of
from coilbell.bench.facts.trend import Bucket, Change, Mark, TrendFacts, Watched
from coilbell.bench.log import Log, add_trend, trends_of
from coilbell.bench.log.archive import write_archive
from coilbell.bench.log.check import problems
from coilbell.bench.log.corrections import set_details, take_back, undo
from coilbell.bench.log.derivation import judged
from coilbell.bench.log.samples import digest
from coilbell.bench.log.tables import COLUMNS, write_table
from coilbell.bench.log.takeover import take_over
from coilbell.bench.log.words import item_facts
from coilbell.errors import FileError, InputError, MissingError
from coilbell.record import Capacitor, Connection
from coilbell.terms import Step
from coilbell.winding import Capture, Condition, Reference, observe
from handmade import handmade_fit, handmade_record

_PNG = b"\x89PNG\r\n\x1a\n" + b"picture"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a log that has everything an item can have, and its archive."""
    folder = tmp_path_factory.mktemp("made")
    record = handmade_record(
        test_capacitor=Capacitor(22e-9),
        connection=Connection.OUT_OF_CIRCUIT,
        note="lead hung loose",
        gain=1.5,
    )
    fit = handmade_fit()
    facts = fit_facts(fit, title="rings", records=[record])
    reference = Reference.begin(
        "tarn-21-line", "line-output transformer", [Capture("unit-1", Condition.GOOD, observe(fit, record))]
    )
    picture = folder / "lacquer.png"
    picture.write_bytes(_PNG)
    with Log(folder / "log.sqlite") as log:
        item = log.add_item("lot-3", equipment="Tarn 21 set", part="=SUM(A1)", kind="line-output transformer")
        kept = log.add_fit(log.add_capture(item, [record], "rings"), facts)
        question = question_of(prior=0.3)
        told = judged(question, [(facts, record)], reference, "lot-3")
        log.add_judgement(item, question, told, [kept], reference)
        log.add_note(item, "warm to the touch\nsecond line")
        log.add_photo(item, picture, "one side dark")
        write_archive(log, log.items(), folder / "all.zip")
    return folder


@pytest.fixture
def full(made: Path, tmp_path: Path) -> Any:
    shutil.copy(made / "log.sqlite", tmp_path / "log.sqlite")
    with Log(tmp_path / "log.sqlite") as log:
        yield log


@pytest.fixture
def archive(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(made / "all.zip", tmp_path / "all.zip"))


def _without_ids(facts: ItemFacts) -> Any:
    """What must be the same on both sides."""
    text = kept_text(facts)
    found = json.loads(text)
    for capture in found["captures"]:
        for fit in capture["fits"]:
            del fit["id"]
        del capture["id"]
    for one in found["judgements"]:
        del one["id"], one["fits"]
    found["notes"] = [n for n in found["notes"] if not n["words"].startswith("taken over")]
    for photo in found["photos"]:
        del photo["path"]
    return found


def test_everything_arrives_as_it_was(full: Log, archive: Path, tmp_path: Path) -> None:
    with Log(tmp_path / "theirs.sqlite") as theirs:
        assert take_over(theirs, archive) == ["lot-3"]
        item = theirs.item("lot-3")
        assert _without_ids(item_facts(theirs, item)) == _without_ids(item_facts(full, full.item("lot-3")))
        ours = full.captures(full.item("lot-3"))[0].records[0]
        assert digest(theirs.captures(item)[0].records[0]) == digest(ours)
        assert list(problems(theirs)) == []
        assert Path(theirs.photos(item)[0].path).read_bytes() == _PNG
        assert theirs.notes(item)[-1].words.startswith("taken over from all.zip")
        write_archive(theirs, [item], tmp_path / "again.zip")
    with zipfile.ZipFile(archive) as one, zipfile.ZipFile(tmp_path / "again.zip") as two:
        assert one.read("captures/1.json") == two.read("captures/1.json")
        assert one.read("references/1.json") == two.read("references/1.json")


WATCHED = TrendFacts(
    begun_utc="2031-05-04T09:10:11.120Z",
    capacitor="A",
    connection="out of circuit",
    buckets=(Bucket(0.0, 8, 60.0, 59.0, 61.0, 21e3, 20.9e3, 21.1e3, 0.02),),
    changes=(Change(9.0, Watched.Q, 60.0, 40.0, 2),),
    marks=(Mark(5.0, "tapped"),),
)


def test_what_was_taken_back_and_corrected_and_examined_arrives_too(made: Path, tmp_path: Path) -> None:
    """Two rings, the first and a note withdrawn, one withdrawal withdrawn itself; the customer stays here."""
    ring = handmade_record(test_capacitor=Capacitor(22e-9), connection=Connection.OUT_OF_CIRCUIT)
    shutil.copy(made / "log.sqlite", tmp_path / "ours.sqlite")
    with Log(tmp_path / "ours.sqlite") as ours, Log(tmp_path / "theirs.sqlite") as theirs:
        theirs.add_capture(theirs.add_item("elsewhere"), [ring], "moves all numbers by one")
        item = ours.item("lot-3")
        (kept,) = ours.numbers("capture", item)
        more = ours.add_capture(item, [ring], "once more").id
        set_details(ours, item, {"serial": "27", "customer": "Frau Erle"})
        acts = [Begin(kind="", reference="tarn-21-line", in_circuit=False, since=kept), Confirm()]
        for act in (*acts, Rang(captures=(more,)), Did(step=Step.CLEANED)):
            with ours.together():
                values = {"added_utc": "2031-05-04T09:10:11.120Z", "entry": kept_text(act)}
                ours.base.insert("examination", item_id=item.id, **values)
        ours.add_note(item, "wrong part")
        ours.add_note(item, "it was right")
        undo(ours, item)
        undo(ours, item, "mixed up")
        take_back(ours, item, "withdrawal", ours.numbers("withdrawal", item, every=True)[0])
        take_back(ours, item, "examination", ours.numbers("examination", item)[-1])
        take_back(ours, item, "capture", kept, "slipped clip")
        add_trend(ours, item, WATCHED)
        write_archive(ours, [ours.item("lot-3")], tmp_path / "again.zip")
        take_over(theirs, tmp_path / "again.zip")
        there = theirs.item("lot-3")
        assert list(problems(theirs)) == []
        assert (there.serial, theirs.customer(there)) == ("27", "")
        assert [one.label for one in theirs.captures(there)] == ["once more"]
        assert not theirs.judgements(there), "a finding falls with its ring"
        assert trends_of(theirs, there).watched == (WATCHED,)
        words = [note.words for note in theirs.notes(there)]
        assert "it was right" in words
        assert "wrong part" not in words
        first, second = theirs.numbers("capture", there, every=True)
        texts = [
            row["entry"]
            for row in theirs.base.rows(
                "SELECT entry FROM examination_now WHERE item_id = ? ORDER BY id", there.id
            )
        ]
        found = [parsed_act(text, "it") for text in texts]
        assert found == [replace(acts[0], since=first), acts[1], Rang(captures=(second,))]
        write_archive(theirs, [there], tmp_path / "third.zip")
        both = [_history(tmp_path / name) for name in ("again.zip", "third.zip")]
        assert both[0] == both[1]


def _history(place: Path) -> Any:
    with zipfile.ZipFile(place) as archive:
        return json.loads(archive.read("log.json"))["items"][0]["history"]


def test_a_taken_name_keeps_everything_out(full: Log, archive: Path) -> None:
    with pytest.raises(InputError, match="--prefix"):
        take_over(full, archive)
    assert take_over(full, archive, "theirs-") == ["theirs-lot-3"]
    assert len(full.items()) == 2


Parts = dict[str, bytes]


def _rewritten(path: Path, change: Callable[[Parts], None], *, honest: bool = True) -> Path:
    """The archive with changed parts. honest: with sizes and hashes of the manifest set to match."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    change(parts)
    manifest = json.loads(parts["manifest.json"])
    if honest:
        manifest["parts"] = {
            name: {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
            for name, content in parts.items()
            if name != "manifest.json"
        }
        parts["manifest.json"] = json.dumps(manifest).encode()
    hostile = path.with_name("hostile.zip")
    with zipfile.ZipFile(hostile, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return hostile


def _told(change: Callable[[dict[str, Any]], None]) -> Callable[[Parts], None]:
    """A change of the first item of log.json."""

    def changed(parts: Parts) -> None:
        told = json.loads(parts["log.json"])
        change(told["items"][0])
        parts["log.json"] = json.dumps(told).encode()

    return changed


def _put(*path: Any, value: Any) -> Callable[[Parts], None]:
    def change(item: dict[str, Any]) -> None:
        place: Any = item
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = value

    return _told(change)


def _deep() -> Any:
    value: Any = 1
    for _ in range(40):
        value = [value]
    return value


_HOSTILE: dict[str, tuple[Callable[[Parts], None], str]] = {
    "climbs out of its folder": (lambda p: p.update({"../../evil.json": b"{}"}), "no export writes"),
    "absolute path": (lambda p: p.update({"/etc/passwd": b"{}"}), "no export writes"),
    "program inside": (lambda p: p.update({"captures/1.py": b"import os"}), "no export writes"),
    "unknown part": (lambda p: p.update({"captures/9.json": p["captures/1.json"]}), ""),
    "bomb": (lambda p: p.update({"photos/1.png": _PNG + bytes(30_000_000)}), "claims"),
    "no picture": (lambda p: p.update({"photos/1.png": b"MZ\x90 program"}), "no png picture"),
    "other picture": (lambda p: p.update({"photos/1.png": _PNG + b"x"}), "not the one that was kept"),
    "lost records": (lambda p: p.pop("captures/1.json"), "not in the archive"),
    "other records": (
        lambda p: p.update({"captures/1.json": p["captures/1.json"].replace(b'"rate_hz"', b'"rate_kz"')}),
        "rate_kz",
    ),
    "changed sample": (
        lambda p: p.update({"captures/1.json": p["captures/1.json"].replace(b'"gain":1.5', b'"gain":2.0')}),
        "hash they were kept with",
    ),
    "reference edited": (
        lambda p: p.update({"references/1.json": p["references/1.json"].replace(b"unit-1", b"unit-2")}),
        "does not match its own hash",
    ),
    "terminal escape in a name": (_put("name", value="\x1b]0;owned\x07"), "cannot be shown"),
    "terminal escape in figures": (
        _put("captures", 0, "fits", 0, "facts", "title", value="\x1b[2J"),
        "cannot be shown",
    ),
    "endless note": (_put("notes", 0, "words", value="a" * 200_000), "characters"),
    "unknown field": (_put("surprise", value=1), "not laid out"),
    "wrong type": (_put("captures", value="all"), "not laid out"),
    "figures missing": (
        _put("captures", 0, "fits", 0, "facts", value={"schema": 1}),
        "missing required field",
    ),
    "figures of odd types": (
        _put("captures", 0, "fits", 0, "facts", "modes", value=[{"frequency_hz": "fast"}]),
        "Expected `object`, got `str`",
    ),
    "too many figures": (
        _put("captures", 0, "fits", 0, "facts", "notes", value=["a"] * 50_000),
        "more figures",
    ),
    "newer figures": (_put("captures", 0, "fits", 0, "facts", "schema", value=9), "no fit of schema 1"),
    "odd explanation": (_put("judgements", 0, "facts", "explanation", value="guilty"), "guilty"),
    "fits of nobody": (_put("judgements", 0, "fits", value=[99]), "not there"),
    "impossible prior": (_put("judgements", 0, "question", "prior", value=7), "Expected `float` < 1.0"),
    "no time": (_put("added_utc", value="yesterday"), "no time"),
}


def test_figures_of_a_later_version_are_passed_over(archive: Path, tmp_path: Path) -> None:
    """However deep they are: a field that is added changes no schema."""
    more = _put("captures", 0, "fits", 0, "facts", "more", value=_deep())
    with Log(tmp_path / "theirs.sqlite") as theirs:
        assert take_over(theirs, _rewritten(archive, lambda parts: more(parts) and None)) == ["lot-3"]
        assert "more" not in theirs.base.rows("SELECT facts FROM fit")[0]["facts"]


@pytest.mark.parametrize("name", _HOSTILE)
def test_hostile_archives_leave_no_trace(archive: Path, tmp_path: Path, name: str) -> None:
    change, words = _HOSTILE[name]
    hostile = _rewritten(archive, lambda parts: change(parts) and None)
    before = set(tmp_path.rglob("*"))
    with Log(tmp_path / "theirs.sqlite") as theirs:
        if name == "unknown part":
            assert take_over(theirs, hostile) == ["lot-3"], "a capture nobody names is only dead weight"
            return
        with pytest.raises(FileError, match=words):
            take_over(theirs, hostile)
        assert theirs.items() == []
    new = set(tmp_path.rglob("*")) - before
    assert all(path.name.startswith("theirs.sqlite") for path in new)
    assert not any(path.name.endswith(".photos") for path in new)


def test_an_archive_edited_without_its_manifest_is_refused(archive: Path, tmp_path: Path) -> None:
    edited = _rewritten(
        archive, lambda p: p.update({"log.json": p["log.json"].replace(b"lot-3", b"lot-4")}), honest=False
    )
    with Log(tmp_path / "theirs.sqlite") as theirs, pytest.raises(FileError, match="does not match its hash"):
        take_over(theirs, edited)


def test_links_and_doubles_and_other_files_are_refused(archive: Path, tmp_path: Path) -> None:
    link = zipfile.ZipInfo("photos/2.png")
    link.external_attr = 0o120777 << 16
    for number, add in enumerate((link, "log.json")):
        path = tmp_path / f"bad-{number}.zip"
        path.write_bytes(archive.read_bytes())
        with warnings.catch_warnings(action="ignore"), zipfile.ZipFile(path, "a") as bad:
            bad.writestr(add, b"/etc/passwd")
        with Log(tmp_path / "theirs.sqlite") as theirs:
            with pytest.raises(FileError, match=r"no plain file|twice"):
                take_over(theirs, path)
            assert theirs.items() == []
    words = tmp_path / "words.zip"
    words.write_text("no zip", encoding="utf-8")
    with Log(tmp_path / "theirs.sqlite") as theirs:
        with pytest.raises(FileError, match="no sound ZIP"):
            take_over(theirs, words)
        with pytest.raises(FileError, match="cannot be read"):
            take_over(theirs, tmp_path / "none.zip")
        cut = tmp_path / "cut.zip"
        cut.write_bytes(archive.read_bytes()[:-40])
        with pytest.raises(FileError):
            take_over(theirs, cut)


def test_the_table_for_a_spreadsheet(full: Log, tmp_path: Path) -> None:
    place = tmp_path / "all.csv"
    write_table(full, full.items(), place)
    with place.open(encoding="utf-8", newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert list(row) == list(COLUMNS)
    assert float(row["frequency_hz"]) == 21634.0
    assert float(row["test_capacitor_f"]) == 22e-9
    assert row["part"] == "'=SUM(A1)", "no spreadsheet computes what somebody wrote"
    assert row["explanation"] == full.judgements(full.item("lot-3"))[0].explanation
    with pytest.raises(FileError, match=r"use \.csv"):
        write_table(full, full.items(), tmp_path / "all.xls")


def test_the_table_for_data_tools(full: Log, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    place = tmp_path / "all.parquet"
    write_table(full, full.items(), place)
    (row,) = parquet.read_table(place).to_pylist()
    assert row["part"] == "=SUM(A1)"
    assert row["frequency_hz"] == 21634.0
    assert row["rings"] is True
    assert row["inductance_h"] is None


def test_without_the_parquet_library(full: Log, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(MissingError, match=r"coilbell\[parquet\]"):
        write_table(full, full.items(), tmp_path / "all.parquet")
    assert not (tmp_path / "all.parquet").exists()
