"""An address that stays: the kept word, and an open page that finds its server after a restart."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbell.bench.page import word
from coilbell.bench.page.word import kept_word, new_word
from coilbell.cli import main
from coilbell.errors import FileError
from page.steered import SteeredSource, serving
from page.struck import shown, strike

POSIX = pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX systems")


@pytest.fixture
def words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(word, "folder", lambda: tmp_path / "words")
    return tmp_path / "words"


def test_a_port_keeps_its_word_and_another_has_another(words: Path) -> None:
    first = kept_word(8100)
    assert kept_word(8100) == first
    assert kept_word(8101) != first
    assert len(first) == 24


@POSIX
def test_only_its_owner_may_read_it(words: Path) -> None:
    kept_word(8100)
    place = words / "8100.word"
    assert place.stat().st_mode & 0o777 == 0o600
    assert words.stat().st_mode & 0o777 == 0o700
    place.chmod(0o640)
    with pytest.raises(FileError, match=r"mode 640.*delete it"):
        kept_word(8100)


@POSIX
def test_a_link_to_somewhere_else_is_not_followed(words: Path, tmp_path: Path) -> None:
    words.mkdir()
    (tmp_path / "other").write_text(new_word())
    (words / "8100.word").symlink_to(tmp_path / "other")
    with pytest.raises(FileError, match="cannot be kept"):
        kept_word(8100)


@pytest.mark.parametrize("content", ["", "short", "x" * 25, "../../../etc/passwd-------", "\x00" * 24])
def test_what_is_no_word_is_refused(words: Path, content: str) -> None:
    kept_word(8100)
    (words / "8100.word").write_text(content)
    with pytest.raises(FileError, match="holds no word"):
        kept_word(8100)


def test_an_address_cannot_stay_without_a_port(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["page", "--keep-address", "--port", "virtual:", "--no-browser"]) == 2
    assert "give --at NUMBER" in capsys.readouterr().err


def test_an_open_page_finds_its_server_again_with_what_was_asked(
    source: SteeredSource, tmp_path: Path, look: Callable[..., Any]
) -> None:
    kept = new_word()
    with serving(source, tmp_path, None, "lot-3", word=kept) as served:
        port = served.server.port
        page = look(served.address)
        for key, name, value in (("c", "capacitor", "B"), ("o", "connection", "out of circuit")):
            page.keyboard.press(key)
            page.locator(f"#wish-{name}[data-stands='{value}']").wait_for()
        strike(page)
        page.keyboard.press("h")
        page.keyboard.press("Space")
        page.locator("[data-does=run][aria-pressed=true]").wait_for()
    page.locator("#link[data-state=stopped]").wait_for()
    assert page.locator("[data-does=run]").get_attribute("aria-pressed") == "false"
    struck = len(source.shots)
    with serving(source, tmp_path, port=port, word=kept) as served:
        page.locator("#link[data-state=ready]").wait_for()
        page.locator("#answer", has_text="started again").wait_for()
        page.locator("#wish-capacitor[data-stands='B']").wait_for()
        page.locator("#wish-connection[data-stands='out of circuit']").wait_for()
        page.locator("#exam-words", has_text="not begun yet").wait_for()
        assert page.locator("[data-does=hold]").get_attribute("aria-pressed") == "true"
        assert page.locator("[data-does=run]").get_attribute("aria-pressed") == "false"
        page.wait_for_timeout(500)
        assert len(source.shots) == struck, "nothing is struck by itself"
        page.evaluate("delete document.body.dataset.shot")
        page.keyboard.press("s")
        page.locator("body[data-shot='1']").wait_for()
        assert shown(page) == 1
        assert source.shots[-1][0] == "B"
    other = tmp_path / "other"
    with serving(source, other, port=port, word=new_word()):
        page.wait_for_timeout(1500)
        assert page.locator("#link").get_attribute("data-state") == "stopped", "another word is another page"
