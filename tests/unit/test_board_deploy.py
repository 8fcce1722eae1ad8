"""Flashing through a stand-in for mpremote: a folder as the board's flash, scripts run for real."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from coilbell.board import deploy
from coilbell.board.deploy import Mpremote, flash
from coilbell.errors import BoardError, BoardTimeout, MissingError
from outside import require

PICO = {
    "name": "micropython",
    "version": [1, 28, 0],
    "machine": "Raspberry Pi Pico with RP2040",
    "id": "e6613893",
}


class Board:
    """The prompt of a board whose files lie in `flash`; stops after `patience` calls when given."""

    def __init__(self, flash: Path, identity: dict[str, object] = PICO, patience: int | None = None) -> None:
        self.flash = flash
        self.identity = identity
        self.patience = patience
        self.interpreter = sys.executable
        self.copied: list[str] = []
        self.resets = 0

    def execute(self, script: str) -> str:
        self._bear()
        if "machine.unique_id" in script:
            return json.dumps(self.identity) + "\r\n"
        done = subprocess.run(
            [self.interpreter, "-c", script], cwd=self.flash, capture_output=True, text=True, check=False
        )
        if done.returncode:
            raise BoardError(done.stderr)
        return done.stdout

    def copy(self, source: Path, target: str) -> None:
        self._bear()
        self.copied.append(target)
        shutil.copy(source, self.flash / target)

    def reset(self) -> None:
        self._bear()
        self.resets += 1

    def _bear(self) -> None:
        if self.patience is not None:
            self.patience -= 1
            if self.patience < 0:
                raise BoardError("unplugged")


@pytest.fixture
def files(tmp_path: Path) -> dict[str, Path]:
    """Three files as firmware."""
    folder = tmp_path / "source"
    folder.mkdir()
    for name in ("board.py", "service.py", "main.py"):
        (folder / name).write_text(f"# {name}, new\n" * 50)
    return {name: folder / name for name in ("board.py", "service.py", "main.py")}


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """The board's flash, empty."""
    folder = tmp_path / "flash"
    folder.mkdir()
    return folder


def _same(files: dict[str, Path], store: Path) -> bool:
    return all(
        (store / name).is_file() and (store / name).read_bytes() == f.read_bytes()
        for name, f in files.items()
    )


@pytest.mark.parametrize("interpreter", ["python", "micropython"])
def test_an_empty_board_gets_every_file(files: dict[str, Path], store: Path, interpreter: str) -> None:
    board = Board(store)
    board.interpreter = sys.executable if interpreter == "python" else require("micropython")
    seen: list[tuple[int, int, str]] = []
    done = flash(board, files, lambda *step: seen.append(step))
    assert _same(files, store)
    assert sorted(path.name for path in store.iterdir()) == sorted(files)
    assert (done.copied, done.kept) == (tuple(files), ())
    assert board.resets == 1
    assert seen[0][0] == 0
    assert seen[-1][0] == seen[-1][1] == sum(path.stat().st_size for path in files.values())


def test_what_is_right_already_is_not_sent_again(files: dict[str, Path], store: Path) -> None:
    flash(Board(store), files)
    board = Board(store)
    assert flash(board, files).copied == ()
    assert board.copied == []


def test_a_former_file_of_other_content_is_kept_and_main_always_goes_last(
    files: dict[str, Path], store: Path
) -> None:
    flash(Board(store), files)
    (store / "board.py").write_text("# my own pins\n")
    (store / "constants.json").write_text("{}")
    board = Board(store)
    done = flash(board, files)
    assert (done.copied, done.kept) == (("board.py", "main.py"), ("board.py",))
    assert board.copied == ["board.py.new", "main.py.new"]
    assert (store / "board.py.bak").read_text() == "# my own pins\n"
    assert (store / "constants.json").read_text() == "{}"
    assert _same(files, store)


def test_interrupted_anywhere_it_can_be_run_again(files: dict[str, Path], store: Path) -> None:
    for patience in range(9):
        shutil.rmtree(store)
        store.mkdir()
        (store / "main.py").write_text("# the former program\n")
        with pytest.raises(BoardError):
            flash(Board(store, patience=patience), files)
        former = [path for path in store.glob("main.py*") if path.read_text() == "# the former program\n"]
        assert len(former) == 1, patience
        if (store / "main.py").exists() and (store / "main.py") not in former:
            assert _same(files, store), "the new program starts only where all its files are in place"
        flash(Board(store), files)
        assert _same(files, store), patience
        assert not list(store.glob("*.new"))


def test_power_lost_between_two_renames(
    files: dict[str, Path], store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flash(Board(store), {name: path for name, path in files.items() if name != "board.py"})
    whole = deploy._PLACE
    monkeypatch.setattr(deploy, "_PLACE", whole + '    raise SystemExit("power lost")\n')
    with pytest.raises(BoardError):
        flash(Board(store), files)
    assert not (store / "main.py").exists(), "a half-changed board starts to its prompt"
    monkeypatch.setattr(deploy, "_PLACE", whole)
    flash(Board(store), files)
    assert _same(files, store)


def test_a_byte_spoilt_on_the_way_is_found(files: dict[str, Path], store: Path) -> None:
    class Spoiling(Board):
        def copy(self, source: Path, target: str) -> None:
            super().copy(source, target)
            path = self.flash / target
            path.write_bytes(path.read_bytes()[:-1] + b"!")

    with pytest.raises(BoardError, match=r"board\.py\.new.*differ after copying; flash again"):
        flash(Spoiling(store), files)
    assert not (store / "main.py").exists()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"machine": "Some module with RP2040"}, "unknown board 'Some module with RP2040'"),
        ({"machine": "Raspberry Pi Pico with ESP32"}, "unknown board"),
        ({"version": [1, 27, 1]}, "runs MicroPython 1.27.1, the firmware needs 1.28; hold BOOTSEL"),
        ({"name": "circuitpython"}, "runs circuitpython, not MicroPython"),
    ],
)
def test_an_unfit_board_is_refused_and_nothing_sent(
    files: dict[str, Path], store: Path, change: dict[str, object], words: str
) -> None:
    board = Board(store, PICO | change)
    with pytest.raises(MissingError, match=words):
        flash(board, files)
    assert board.copied == []


@pytest.mark.parametrize("identity", [{}, {"name": "micropython"}, PICO | {"version": "new"}])
def test_an_answer_that_is_none(files: dict[str, Path], store: Path, identity: dict[str, object]) -> None:
    with pytest.raises(BoardError, match="does not say what it is"):
        flash(Board(store, identity), files)


def test_text_instead_of_an_answer(files: dict[str, Path], store: Path) -> None:
    class Talking(Board):
        def execute(self, script: str) -> str:
            return "Traceback (most recent call last):\nMemoryError"

    with pytest.raises(BoardError, match="MemoryError"):
        flash(Talking(store), files)


def test_the_program_is_called_with_port_and_words(tmp_path: Path) -> None:
    fake = tmp_path / "fake.py"
    fake.write_text("import sys; print(sys.argv[1:])")
    remote = Mpremote("COM5", (sys.executable, str(fake)))
    assert remote.execute("print(1)").strip() == "['connect', 'COM5', 'exec', 'print(1)']"


def test_a_failing_program_is_quoted(tmp_path: Path) -> None:
    fake = tmp_path / "fake.py"
    fake.write_text("import sys; sys.exit('mpremote: no device here')")
    with pytest.raises(BoardError, match="no device here; flash again"):
        Mpremote("COM5", (sys.executable, str(fake))).reset()


def test_a_program_that_is_not_there() -> None:
    with pytest.raises(MissingError, match="pip install mpremote"):
        Mpremote("COM5", ("no-such-program-here",)).reset()


def test_a_program_that_hangs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fake = tmp_path / "fake.py"
    fake.write_text("import time; time.sleep(60)")
    monkeypatch.setattr(deploy, "_FIRST_TIMEOUT_S", 0.5)
    with pytest.raises(BoardTimeout, match=r"within 0 s; a program on the board .* BOOTSEL .* erases"):
        Mpremote("COM5", (sys.executable, str(fake))).execute("")
    monkeypatch.setattr(deploy, "_CALL_TIMEOUT_S", 0.5)
    remote = Mpremote("COM5", (sys.executable, str(fake)))
    remote._answered = True
    with pytest.raises(BoardTimeout, match="unplug the board, plug it in and flash again"):
        remote.reset()


def test_the_real_program_is_there_and_knows_the_words_used() -> None:
    require("mpremote")
    for word in ("connect", "exec", "fs", "reset"):
        done = subprocess.run(
            [sys.executable, "-m", "mpremote", "help"],
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )
        assert f"  {word} " in done.stdout


def test_firmware_of_this_package() -> None:
    files = deploy.firmware_files()
    assert list(files)[-1] == "main.py"
    assert {"board.py", "shot.py", "interlock.py", "service.py", "frame.py"} <= set(files)
    for path in files.values():
        assert len(hashlib.sha256(path.read_bytes()).hexdigest()) == 64


def test_no_firmware_in_a_folder(tmp_path: Path) -> None:
    with pytest.raises(MissingError, match="no firmware in"):
        deploy.firmware_files(tmp_path)
