"""What other people wrote is shown without steering the terminal, and exported without being computed."""

from __future__ import annotations

import ast
import contextlib
import csv
import io
import sys
import unicodedata
from pathlib import Path

import pytest

from coilbell.bench.files.encoding import harmless
from coilbell.bench.files.records import example
from coilbell.bench.log.tables import _csv
from coilbell.bench.words.fit import wrapped
from coilbell.board import Identity, Tester, constants, frame
from coilbell.cli import main
from coilbell.commands import board as board_command
from scripted import HELLO, ScriptedBoard

COMMANDS = Path(main.__code__.co_filename).with_name("commands")
STEERING = [
    letter
    for letter in map(chr, range(sys.maxunicode + 1))
    if unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Zl", "Zp")
    and letter not in "\n\t\u00ad\u200c\u200d"
]
MARKED = "coil\x1b[31m\x07\u202eevil\u2066\u061c\x9b2J\u2028\r"


def _steers(text: str) -> list[str]:
    return [letter for letter in text if letter in set(STEERING)]


def test_nothing_that_steers_is_left() -> None:
    """Every character of the Unicode standard's categories for control, format, surrogate and separators."""
    assert len(STEERING) > 200
    shown = harmless("".join(STEERING))
    assert shown.isascii()
    assert shown.isprintable()
    assert not _steers(wrapped("a " + MARKED))


def test_what_people_write_stays() -> None:
    for words in (
        "Übertrager Nr. 3",
        "変圧器",
        "מיתוג",
        "می\u200cخواهم",
        "a\tb\nc",
        "soft\u00adhyphen",
        "µΩ±½ 🔔",
    ):
        assert harmless(words) == words


def test_every_command_shows_text_through_one_place() -> None:
    """A `print` in a command shows a constant, or what cannot hold another's words."""
    allowed = {("options.py", "show"), ("options.py", "tell"), ("board.py", "_told"), ("demo.py", "_say")}
    allowed.add(("completion.py", "run"))
    for path in COMMANDS.glob("*.py"):
        for work in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(work, ast.FunctionDef) or (path.name, work.name) in allowed:
                continue
            for call in ast.walk(work):
                if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "print":
                    raise AssertionError(f"{path.name}: {work.name} prints by itself")


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """A record file whose name holds marks, and whose note does."""
    if sys.platform == "win32":
        pytest.skip("Windows takes no such names")
    place = tmp_path / f"{MARKED}.json"
    place.write_bytes(example().read_bytes())
    return place


@pytest.mark.parametrize(
    "words",
    [["fit"], ["judge", "--kind", "line-output transformer"], ["compare", "{}"], ["log", "add", "lot"]],
)
def test_a_file_with_marks_in_its_name(
    words: list[str], record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    line = [word.format(record) for word in words] + [str(record)]
    if words[0] == "log":
        line += ["--log", str(tmp_path / "log.sqlite")]
    main(line)
    shown = capsys.readouterr()
    assert not _steers(shown.out), shown.out
    assert not _steers(shown.err), shown.err
    assert words[0] == "log" or "evil" in shown.out + shown.err  # the log takes no such label
    with contextlib.suppress(SystemExit):
        main([words[0], "--no-such", str(tmp_path / f"{MARKED}-not-there.json")])
    shown = capsys.readouterr()
    assert not _steers(shown.out + shown.err)


def test_a_board_with_marks_in_its_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    marked = dict.fromkeys(("firmware", "board", "unique_id", "micropython"), MARKED)
    tester = Tester(ScriptedBoard(hello=HELLO | marked))
    identity: Identity = tester.hello()
    board_command.show(board_command._table(board_command._check_facts(identity, [], [], [])))
    shown = capsys.readouterr().out
    assert "evil" in shown
    assert not _steers(shown)

    class Refusing(ScriptedBoard):
        def answer(self, line: bytes) -> bytes:
            if b"hello" in line:
                return super().answer(line)
            words = {"code": frame.BOARD_FAILED, "value": 0, "words": MARKED}
            return frame.encode(frame.ERROR, frame.id_of(line), frame.encode_fields(frame.ERROR, words))

    monkeypatch.setattr("coilbell.board.tester.open_port", lambda name: Refusing())
    assert main(["capture", "--port", "COM5", "--pulse", "1u"]) == 1
    shown = capsys.readouterr().err
    assert "evil" in shown
    assert not _steers(shown)


FORMULAE = [
    "=1+1",
    "+1",
    "-1",
    "@SUM(1)",
    "\t=1",
    "\r=1",
    "\n=1",
    "＝1+1",
    "＋1",
    "－1",
    "＠SUM(1)",
    "﹢1",
    "﹣1",
    "−1",
]
BEHIND = [" =1", "\u200b=1", "\ufeff\uff1d1", "\u00a0=1", "\u202e=1", "\u3000\uff1d1"]


@pytest.mark.parametrize("text", FORMULAE + BEHIND)
def test_a_spreadsheet_computes_nothing(text: str) -> None:
    (row,) = csv.DictReader(io.StringIO(_csv([{"item": text}]).decode("utf-8"), newline=""))
    assert row["item"] == "'" + text


@pytest.mark.parametrize("text", ["", "lot-3", "3 - 4", "a=b", "変圧器", " spaced"])
def test_plain_text_is_exported_as_it_is(text: str) -> None:
    (row,) = csv.DictReader(io.StringIO(_csv([{"item": text}]).decode("utf-8"), newline=""))
    assert row["item"] == text
