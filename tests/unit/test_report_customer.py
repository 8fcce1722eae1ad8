"""The customer's page: one page with a worksheet, no inner figures, names in any script, a narrow screen."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from msgspec import structs

from coilbell.bench.facts.base import plain
from coilbell.bench.log import FittedCapture, Log, fitted, keep, set_details
from coilbell.bench.report import basis_of, sheet_of, write_report
from coilbell.bench.report.fonts import fonts_for
from coilbell.bench.report.pdf import PAPERS, pdf_of
from coilbell.bench.report.sheet import CARE, SIMULATED
from coilbell.bench.words.moment import local_time
from coilbell.cli import main
from coilbell.winding import Capture, Condition, Reference, observe
from outside import require
from simulated import simulated_record

KIND, NAME = "line-output transformer", "lot-3"


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Log]:
    """An item with two rings of a dead turn, judged by two good units, and a worksheet of two readings."""
    place = tmp_path_factory.mktemp("customer") / "log.sqlite"
    good = []
    for seed in (11, 12):
        for farads in (22e-9, 2.2e-9):
            record = simulated_record("tarn-line-split", seed, "healthy", farads)
            good.append(Capture(f"unit-{seed}", Condition.GOOD, observe(fitted([record])[0], record)))
    reference = Reference.begin("tarn-21-line", KIND, good)
    with Log(place) as opened:
        item = opened.add_item(NAME, equipment="Tarn 21 set", kind=KIND)
        dead = [simulated_record("tarn-line-split", 27, "turn-dead", farads) for farads in (22e-9, 2.2e-9)]
        rungs = [
            FittedCapture((one,), f"bench-{k}", fitted([one], f"bench-{k}")[1]) for k, one in enumerate(dead)
        ]
        keep(opened, item, rungs, reference)
    isolate = ["--item", NAME, "--log", str(place)]
    assert main(["isolate", "new", *isolate]) == 0
    assert main(["isolate", "observe", *isolate, "rails-loaded", "142=79", "33=18.4", "9=5"]) == 0
    assert main(["isolate", "observe", *isolate, "rails-unloaded", "142=141", "33=32.8", "9=8.9"]) == 0
    with Log(place) as opened:
        set_details(opened, opened.item(NAME), {"customer": "Frau Erle \u0395\u03bb\u03ad\u03bd\u03b7"})
        yield opened


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("paper", PAPERS)
def test_a_worksheet_stands_on_the_same_page(log: Log, paper: str, full: bool, tmp_path: Path) -> None:
    """The customer's is one page; the technician's may take a second, no half of the first left empty."""
    tool = require("pdftotext")
    place = tmp_path / "r.pdf"
    write_report(log, log.item(NAME), place, full=full, paper=paper)
    told = subprocess.run([tool, "-bbox", str(place), "-"], capture_output=True, check=True).stdout.decode()
    pages = told.split("<page ")[1:]
    ends = [max(float(y) for y in re.findall(r'yMax="([\d.]+)"', page)) * 25.4 / 72 for page in pages]
    assert len(ends) <= (2 if full else 1)
    assert ends[0] > (180 if len(ends) > 1 else 80)


def test_it_says_what_a_customer_asks_and_no_inner_figures(log: Log) -> None:
    sheet = sheet_of(basis_of(log, log.item(NAME)))
    assert sheet.explanation == "A TURN IS SHORTED"
    sections = dict(sheet.sections)
    assert tuple(sections) == ("What was done", "What it showed", "What this test cannot tell")
    assert len(sheet.causes) > 2
    assert dict(sheet.tested)["customer"].startswith("Frau Erle")
    assert sheet.caution == CARE
    words = " ".join([sheet.odds, sheet.next_step, *(s for one in sections.values() for s in one)])
    for inner in (
        "prior",
        "spreads",
        "evidence",
        "log10",
        "bit",
        "likelier",
        "sha256",
        "shift plane",
        "CAUTION",
    ):
        assert not re.search(rf"\b{inner}\b", words), inner
    assert "healthy one rings about" in words
    assert sheet.table == ()
    assert "simulated" not in " ".join(dict(sheet.tested).values()), "records without a board's mark"


def test_a_simulated_board_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "log.sqlite"
    port = "virtual:?part=tarn-line-split&seed=1&hurry=1"
    words = ["--log", str(place), "--item", NAME, "--shots", "2"]
    assert main(["capture", "--port", port, "--out-of-circuit", *words]) == 0
    with Log(place, writable=False) as log:
        sheet = sheet_of(basis_of(log, log.item(NAME)))
    assert dict(sheet.tested)["board"] == SIMULATED


def test_times_are_local_with_their_zone_and_utc_is_kept(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    if not hasattr(time, "tzset"):
        pytest.skip("this system's zone cannot be changed for a test")
    monkeypatch.setenv("TZ", "<+0545>-05:45")
    time.tzset()
    try:
        assert local_time("2031-05-04T09:10:11.120Z") == "2031-05-04 14:55 UTC+05:45"
        sheet = sheet_of(basis_of(log, log.item(NAME)), full=True)
    finally:
        monkeypatch.undo()
        time.tzset()
    assert dict(sheet.tested)["in the log since"].endswith(" UTC+05:45")
    assert plain(sheet)["added_utc"].endswith("Z")
    assert plain(sheet)["judged_utc"].endswith("Z")


def test_letters_that_no_font_has_are_named(log: Log, tmp_path: Path) -> None:
    """A private letter, which no font of any system has a shape for, between others."""
    tool = require("pdftotext")
    usual = sheet_of(basis_of(log, log.item(NAME)))
    strange = structs.replace(usual, title="\U000f1234 \u0395\u03bb\u03ad\u03bd\u03b7")
    told = []
    for sheet in (usual, strange):
        (tmp_path / "r.pdf").write_bytes(pdf_of(sheet, ()))
        done = subprocess.run([tool, str(tmp_path / "r.pdf"), "-"], capture_output=True, check=True)
        told.append(done.stdout.decode())
    assert "no font at hand" not in told[0]
    assert "U+F1234" in told[1]
    assert "\u0395\u03bb\u03ad\u03bd\u03b7" in told[1]


def test_another_font_is_found_for_a_script_that_ours_lacks() -> None:
    """With the extra `fonts`, or a system that has one; else the letters are named."""
    found = fonts_for("\u5c71 and \u0926")
    assert bool(found.further) or set(found.missing) == {"\u5c71", "\u0926"}
    assert fonts_for("Erle \u0416 \u03a9").further == ()


@pytest.mark.parametrize("full", [False, True])
def test_a_telephone_needs_no_sideways_scroll(log: Log, full: bool, tmp_path: Path) -> None:
    pytest.importorskip("playwright.sync_api")
    chromium = require("chromium")
    place = tmp_path / "r.html"
    write_report(log, log.item(NAME), place, full=full)
    # A thread of its own: a browser of other tests may hold this one's event loop.
    with ThreadPoolExecutor(1) as apart:
        width, beyond = apart.submit(_on_a_telephone, chromium, place.as_uri()).result()
    assert width <= 390
    assert beyond == 0


def _on_a_telephone(chromium: str, address: str) -> tuple[int, int]:
    """Width of the page at 390 pixels, and how many of its elements stand out to the right."""
    from playwright.sync_api import sync_playwright

    beyond = "[...document.querySelectorAll('*')].filter(e => e.getBoundingClientRect().right > 391).length"
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.goto(address)
        found = page.evaluate("document.documentElement.scrollWidth"), page.evaluate(beyond)
        browser.close()
    return found
