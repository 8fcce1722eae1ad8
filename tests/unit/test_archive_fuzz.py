"""Archives and references damaged or made up: refused whole or taken right, and nothing fails later."""

from __future__ import annotations

import hashlib
import json
import zipfile
from pathlib import Path
from typing import Any

import pytest

from coilbell.bench.facts.question import comparison_question, question_of
from coilbell.bench.files.records import example, read
from coilbell.bench.log import Log, add_outcome, fitted, outcome_of
from coilbell.bench.log.archive import write_archive
from coilbell.bench.log.derivation import judged
from coilbell.bench.log.entry import FittedCapture, keep, keep_captures
from coilbell.bench.log.takeover import take_over
from coilbell.bench.shelf import write_reference
from coilbell.errors import CoilbellError, FileError
from coilbell.winding import Capture, Condition, Reference, kind_named, observe
from fuzz import cases, damaged, mutated, said

REPRO = Path(__file__).parents[3] / "shared" / "review" / "repro"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with an archive of an item that holds everything, and with a reference."""
    folder = tmp_path_factory.mktemp("fuzz")
    whole, shorted = read(example("whole")), read(example("shorted"))
    seen = observe(fitted(whole, "whole")[1], whole[0])
    reference = Reference(
        "tarn-21-line", kind_named("line-output transformer"), (Capture("unit-1", Condition.GOOD, seen),)
    )
    write_reference(reference, folder / "reference.json")
    photo = folder / "lacquer.png"
    photo.write_bytes(b"\x89PNG\r\n\x1a\npicture")
    with Log(folder / "log.sqlite") as log:
        item = log.add_item("lot-3", equipment="Tarn 21 set", kind="line-output transformer")
        rungs = [
            FittedCapture(shots, name, fitted(shots, name)[1])
            for name, shots in (("a", whole), ("b", shorted))
        ]
        keep(log, item, rungs[1:], reference, question_of(prior=0.3))
        held = [keep_captures(log, item, rungs[:1])[0], rungs[1]]
        fits = [log.fits(capture)[-1].id for capture in log.captures(item)]
        asked = comparison_question(1)
        told = judged(asked, [(rung.facts, rung.records[0]) for rung in held], None, "a -> b")
        log.add_judgement(item, asked, told, fits[::-1])
        log.add_note(item, "warm to the touch")
        log.add_photo(item, photo, "one side dark")
        add_outcome(log, item, outcome_of(log, item, "shorted-turn", how="replaced, set runs"))
    for words in (["new"], ["observe", "signs", "nothing"], ["observe", "ring-out", "finding=log"]):
        assert said("isolate", words[0], "--item", "lot-3", "--log", str(folder / "log.sqlite"), *words[1:])
    with Log(folder / "log.sqlite") as log:
        write_archive(log, log.items(), folder / "all.zip")
    return folder


LATER = (
    ("log", "list"),
    ("log", "show", "lot-3", "--all"),
    ("log", "show", "lot-3", "--json"),
    ("log", "search", "lot"),
    ("log", "check"),
    ("log", "export", "{}/again.zip"),
    ("log", "export", "{}/again.csv"),
    ("report", "lot-3", "-o", "{}/r.txt"),
    ("report", "lot-3", "--json"),
    ("isolate", "show", "--item", "lot-3"),
    ("judge", "--item", "lot-3", "--kind", "line-output transformer"),
)
"""Commands that use what was taken over."""


def _nothing_fails(folder: Path, log: Path) -> None:
    for words in LATER:
        code, told = said(*(word.format(folder) for word in words), "--log", str(log))
        assert code in (0, 1, 2, 3), (words, told)
        assert "Traceback" not in told, (words, told)
    code, told = said("log", "check", "--log", str(log))
    assert code == 0, told


def _taken(folder: Path, archive: Path) -> bool:
    """Take an archive over: True when it was, and then everything works; else not a trace of it is left."""
    path = folder / "theirs.sqlite"
    with Log(path) as log:
        try:
            take_over(log, archive)
        except CoilbellError as error:
            one_line = "\n" not in str(error)
        else:
            one_line = True
        assert one_line
        if not log.items():
            return False
    _nothing_fails(folder, path)
    return True


def _clean(folder: Path) -> None:
    for place in sorted(folder.rglob("*"), reverse=True):
        place.rmdir() if place.is_dir() else place.unlink()


def test_a_damaged_archive_is_refused_whole_or_taken_right(made: Path, tmp_path: Path) -> None:
    content, taken, tried = (made / "all.zip").read_bytes(), 0, 0
    for number, chance in cases(11, 40):
        (tmp_path / "all.zip").write_bytes(damaged(content, chance))
        taken += _taken(tmp_path, tmp_path / "all.zip")
        tried = number + 1
        _clean(tmp_path)
    assert taken < tried / 2, "only what no reader looks at may change unseen"


def _repacked(source: Path, place: Path, chance: Any) -> str:
    """An archive with one place of its log, or of a capture or reference, made up and every hash right."""
    with zipfile.ZipFile(source) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    told = json.loads(parts["log.json"])
    done = mutated(told, chance)
    parts["log.json"] = json.dumps(told).encode()
    manifest = json.loads(parts.pop("manifest.json"))
    for name, content in parts.items():
        manifest["parts"][name] = {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    with zipfile.ZipFile(place, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("manifest.json", json.dumps(manifest))
        for name, content in parts.items():
            archive.writestr(name, content)
    return done


def test_a_made_up_field_is_refused_whole_or_taken_right(made: Path, tmp_path: Path) -> None:
    for number, chance in cases(12, 40):
        done = _repacked(made / "all.zip", tmp_path / "all.zip", chance)
        try:
            _taken(tmp_path, tmp_path / "all.zip")
        except Exception as error:
            raise AssertionError(f"case {number}: {done}") from error
        _clean(tmp_path)


def test_a_damaged_reference_is_refused_or_right(made: Path, tmp_path: Path) -> None:
    """Bits and, with its hash made right again, fields."""
    from coilbell.winding.odds.referencefile import _hash

    text = (made / "reference.json").read_text(encoding="utf-8")
    place = tmp_path / "reference.json"
    for number, chance in cases(13, 60):
        if number % 2:
            place.write_bytes(damaged(text.encode(), chance))
            done = "a bit"
        else:
            body = json.loads(text)
            del body["sha256"]
            done = mutated(body, chance)
            place.write_text(json.dumps(body | {"sha256": _hash(body)}), encoding="utf-8")
        store = ("--store", str(tmp_path / "store"))
        code, told = said("reference", "import", str(place), *store)
        assert code in (0, 2, 3), (number, done, told)
        if code == 0:
            for words in (
                ("list",),
                ("check",),
                ("show", "tarn-21-line"),
                ("show", "tarn-21-line", "--json"),
            ):
                assert said("reference", *words, *store)[0] in (0, 2, 3), (number, done, words)
            shorted = str(example("shorted"))
            words = ("judge", shorted, "--reference", str(place), "--capacitor", "22n")
            assert said(*words)[0] in (0, 2, 3), (number, done)
        _clean(tmp_path)


@pytest.mark.parametrize("name", ["damaged.zip", "poison_report.zip"])
def test_archives_of_the_review_are_one_line(tmp_path: Path, name: str) -> None:
    if not REPRO.is_dir():
        pytest.skip("the archives of the review are not at hand")
    with Log(tmp_path / "log.sqlite") as log, pytest.raises(FileError):
        take_over(log, REPRO / name)
