"""A served page with a source that tests steer, and a Chromium to look at it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from coilbell.bench.page.order import Run
from coilbell.record import Record
from outside import require
from page.steered import Served, SteeredSource, Watcher, serving

ARTEFACTS = Path(__file__).with_name("artefacts")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--autoplay-policy=no-user-gesture-required",
]


@pytest.fixture(scope="session")
def struck() -> dict[str, dict[str, Record]]:
    """One shot with each capacitor of an invented part, healthy and with a dead turn."""
    from coilbell.board import Settings, Tester

    found = {}
    for state in ("healthy", "turn-dead"):
        with Tester.open(f"virtual:?part=tarn-line-split&state={state}&seed=1&hurry=1") as tester:
            found[state] = {letter: tester.capture(Settings(letter, shots=1))[0] for letter in "AB"}
    return found


@pytest.fixture
def source(struck: dict[str, dict[str, Record]]) -> SteeredSource:
    return SteeredSource(dict(struck["healthy"]))


@pytest.fixture
def served(source: SteeredSource, tmp_path: Path) -> Iterator[Served]:
    with serving(source, tmp_path) as running:
        yield running


@pytest.fixture
def watch(served: Served) -> Iterator[Callable[..., Watcher]]:
    """Opens pages without a browser."""
    opened: list[Watcher] = []

    def open_one(**more: Any) -> Watcher:
        opened.append(Watcher(served, **more))
        return opened[-1]

    yield open_one
    for watcher in opened:
        watcher.close()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    require("playwright")
    program = require("chromium")
    from playwright.sync_api import sync_playwright

    ARTEFACTS.mkdir(exist_ok=True)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, args=FLAGS)
        yield browser
        browser.close()


@dataclass
class Bench:
    """A page in Chromium that the tests of one file look at in turn, with the source behind it."""

    page: Any
    source: SteeredSource
    served: Served


@pytest.fixture(scope="module")
def shared(
    chromium: Any, struck: dict[str, dict[str, Record]], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Bench]:
    source = SteeredSource(dict(struck["healthy"]))
    with serving(source, tmp_path_factory.mktemp("shared")) as served:
        faults: list[str] = []
        context = chromium.new_context(viewport={"width": 1280, "height": 900}, color_scheme="dark")
        yield Bench(_opened(context, served.address, faults), source, served)
        context.close()
        assert not faults


@pytest.fixture
def bench(shared: Bench, struck: dict[str, dict[str, Record]]) -> Iterator[Bench]:
    """The shared page for a test that leaves it as it found it: nothing running, held, frozen or sounding."""
    shared.source.records = dict(struck["healthy"])
    page = shared.page
    if page.locator("[aria-pressed=true], dialog[open]").count():  # a test that failed has not tidied up
        shared.served.desk.obey(Run(on=False))
        page.reload()
        page.locator("#link[data-state=ready]").wait_for()
    yield shared
    assert page.locator("[aria-pressed=true]").count() == 0
    page.locator("dialog[open]").wait_for(state="detached")
    assert page.viewport_size == {"width": 1280, "height": 900}


def _opened(context: Any, address: str, faults: list[str], *, clock: bool = False) -> Any:
    page = context.new_page()
    if clock:
        page.clock.install()
    page.set_default_timeout(30_000)
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda m: faults.append(m.text) if "Content Security Policy" in m.text else None)
    page.goto(address)
    page.locator("body[data-ready]").wait_for()
    page.locator("#link[data-state=ready]").wait_for()
    return page


@pytest.fixture
def look(chromium: Any) -> Iterator[Callable[..., Any]]:
    """Opens an address in Chromium; a fault in the page's scripts fails the test."""
    faults: list[str] = []
    contexts = []

    def open_page(address: str, width: int = 1280, height: int = 900, *, clock: bool = False) -> Any:
        context = chromium.new_context(viewport={"width": width, "height": height}, color_scheme="dark")
        contexts.append(context)
        return _opened(context, address, faults, clock=clock)

    yield open_page
    for context in contexts:
        context.close()
    assert not faults
