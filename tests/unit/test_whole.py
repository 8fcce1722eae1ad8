"""A file that appears whole or not at all."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from coilbell.whole import whole_file


def test_it_takes_the_place_of_the_old_one_at_the_end(tmp_path: Path) -> None:
    place = tmp_path / "kept.json"
    place.write_bytes(b"old")
    with whole_file(place) as stream:
        stream.write(b"new")
        assert place.read_bytes() == b"old"
    assert place.read_bytes() == b"new"
    assert list(tmp_path.iterdir()) == [place]


@pytest.mark.parametrize("fault", [OSError("no room"), KeyboardInterrupt(), ValueError("a fault of ours")])
def test_half_a_file_is_never_left(tmp_path: Path, fault: BaseException) -> None:
    place = tmp_path / "kept.json"
    place.write_bytes(b"old")

    def half() -> None:
        with whole_file(place) as stream:
            stream.write(b"ha")
            raise fault

    with pytest.raises(type(fault)):
        half()
    assert place.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [place]


def test_it_has_the_rights_of_any_new_file(tmp_path: Path) -> None:
    (tmp_path / "usual").touch()
    with whole_file(tmp_path / "kept.json") as stream:
        stream.write(b"new")
    assert (tmp_path / "kept.json").stat().st_mode == (tmp_path / "usual").stat().st_mode


def test_a_name_of_any_length_will_do(tmp_path: Path) -> None:
    place = tmp_path / ("n" * 250 + ".json")
    with whole_file(place) as stream:
        stream.write(b"new")
    assert place.exists()


def test_two_writers_never_mix(tmp_path: Path) -> None:
    place = tmp_path / "kept.json"

    def write(letter: bytes) -> None:
        for _ in range(20):
            with whole_file(place) as stream:
                stream.write(letter * 10_000)

    threads = [threading.Thread(target=write, args=(letter,)) for letter in (b"a", b"b")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert place.read_bytes() in (b"a" * 10_000, b"b" * 10_000)
    assert list(tmp_path.iterdir()) == [place]
