"""References on the shelf: what goes wrong is one line, and nothing that is there is lost or changed."""

from __future__ import annotations

import os
import shutil
import stat
from dataclasses import replace
from pathlib import Path

import pytest

from coilbell.bench.shelf import Shelf, write_reference
from coilbell.cli import main
from coilbell.errors import FileError
from coilbell.record import Capacitor, Connection
from coilbell.winding import Capture, Condition, Observation, Reference, kind_named

A = Capacitor(22e-9)


def _reference(name: str, hz: float = 30e3) -> Reference:
    seen = Observation(A, hz, 45.0, 1e-5, 1e-4, 0.4, Connection.OUT_OF_CIRCUIT)
    return Reference(name, kind_named("horizontal yoke"), (Capture("u1", Condition.GOOD, seen),))


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    monkeypatch.setenv("COILBELL_REFERENCES", str(tmp_path / "store"))
    monkeypatch.chdir(tmp_path)
    shelf = Shelf()
    shelf.put(_reference("yoke"))
    return shelf


def _one_line(capsys: pytest.CaptureFixture[str]) -> str:
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    return err


def test_a_copied_file_does_not_stand_for_the_one_it_names(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    before = shelf.path("yoke").read_bytes()
    shutil.copy(shelf.path("yoke"), shelf.path("copy"))
    with pytest.raises(FileError, match=r"holds the reference 'yoke'.*--name copy"):
        shelf.get("copy")
    assert main(["reference", "check"]) == 2
    assert "holds the reference 'yoke'" in _one_line(capsys)
    assert shelf.path("yoke").read_bytes() == shelf.path("copy").read_bytes() == before


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"[" * 100_000, "nested too deeply"),
        (b"", "is empty"),
        (b"\0" * 2048, "not JSON text"),
        (b"\xff\xfe\x00", "is not text"),
        (b'{"what": "coilbell reference", "schema": 2}', "has schema 2"),
    ],
)
def test_a_damaged_file_says_how_to_restore_it(
    shelf: Shelf, capsys: pytest.CaptureFixture[str], content: bytes, says: str
) -> None:
    assert main(["reference", "export", "yoke", "kept.json"]) == 0
    shelf.path("yoke").write_bytes(content)
    capsys.readouterr()
    assert main(["reference", "show", "yoke"]) == 2
    assert says in _one_line(capsys)
    for more in ([], ["--merge"]):
        assert main(["reference", "import", "kept.json", *more]) == 2
        err = _one_line(capsys)
        assert says in err
        assert "moved away" in err
    assert shelf.path("yoke").read_bytes() == content
    shelf.path("yoke").rename("away.json")
    assert main(["reference", "import", "kept.json"]) == 0
    assert shelf.get("yoke") == _reference("yoke")


def test_a_file_too_large_says_what_to_do(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    os.truncate(shelf.path("yoke"), 60_000_000)
    assert main(["reference", "show", "yoke"]) == 2
    assert "larger than any reference" in _one_line(capsys)


def test_a_mark_of_the_encoding_does_no_harm(shelf: Shelf) -> None:
    shelf.path("yoke").write_bytes(b"\xef\xbb\xbf" + shelf.path("yoke").read_bytes())
    assert shelf.get("yoke") == _reference("yoke")


def test_places_that_cannot_be_written(
    shelf: Shelf, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(["reference", "export", "yoke", "nowhere/out.json"]) == 2
    assert "check the folder" in _one_line(capsys)
    Path("file").touch()
    assert main(["reference", "export", "yoke", "out.json"]) == 0
    capsys.readouterr()
    assert main(["reference", "import", "out.json", "--store", "file"]) == 3
    assert "give another folder by --store" in _one_line(capsys)
    before = shelf.path("yoke").read_bytes()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(FileError, match="No space left on device; check the folder"):
        shelf.put(replace(_reference("yoke"), note="more"))
    assert shelf.path("yoke").read_bytes() == before
    assert [p.name for p in shelf.folder.iterdir()] == ["yoke.reference.json"]


@pytest.mark.skipif(os.name == "nt", reason="rights of files are kept otherwise there")
def test_an_export_has_the_rights_of_any_new_file(shelf: Shelf, tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    write_reference(_reference("yoke"), tmp_path / "out.json")
    modes = [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("plain", "out.json")]
    assert modes[0] == modes[1]
