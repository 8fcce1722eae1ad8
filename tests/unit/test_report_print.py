"""Reports on paper: printed by a browser and as PDF, on A4 and Letter, one page or a tidy second one."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest
from msgspec import structs

from coilbell.bench.facts.question import comparison_question
from coilbell.bench.log import FittedCapture, Item, Log, fitted, judged, keep
from coilbell.bench.log.entry import keep_captures
from coilbell.bench.report import Sheet, basis_of, drawn, sheet_of
from coilbell.bench.report.drawings import Picture
from coilbell.bench.report.html import html_of
from coilbell.bench.report.pdf import PAPERS, pdf_of
from coilbell.record import Connection, Record
from coilbell.winding import Capture, Condition, Reference, observe
from outside import require
from simulated import simulated_record

PART, KIND = "tarn-line-split", "line-output transformer"
SIZES = {"a4": "210mm 297mm", "letter": "8.5in 11in"}
LINE = (
    "one more sentence on how this winding rings, that takes about a line and a half of a column on the page"
)

Drawn = tuple[Sheet, Sequence[Picture]]


def ring(seed: int, state: str, farads: float, connection: Connection = Connection.OUT_OF_CIRCUIT) -> Record:
    return simulated_record(PART, seed, state, farads, connection)


def rung(label: str, record: Record) -> FittedCapture:
    return FittedCapture((record,), label, fitted([record], label)[1])


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> Drawn:
    """A usual item: rung in circuit, then out of circuit with two capacitors, judged by a reference."""
    captures = []
    for seed, state in ((11, "healthy"), (12, "healthy"), (11, "external-loop")):
        how = "one-turn loop of 1 mm wire" if state == "external-loop" else ""
        for farads in (22e-9, 2.2e-9):
            record = ring(seed, state, farads)
            seen = observe(fitted([record])[0], record)
            captures.append(Capture(f"unit-{seed}", Condition.SHORTED if how else Condition.GOOD, seen, how))
    reference = Reference.begin("tarn-21-line", KIND, captures, "invented")
    inside = ring(27, "turn-dead-in-circuit", 22e-9, Connection.IN_CIRCUIT)
    with Log(tmp_path_factory.mktemp("print") / "log.sqlite") as log:
        item = log.add_item("suspect", equipment="Tarn 21 set (invented)", kind=KIND, serial="TL-0427")
        log.add_note(item, "set trips after a second; picture narrows first")
        keep(log, item, [rung("in the set", inside)], reference)
        keep(
            log,
            item,
            [rung(f"bench-{c}", ring(27, "turn-dead", f)) for c, f in (("A", 22e-9), ("B", 2.2e-9))],
            reference,
        )
        basis = basis_of(log, item)
        return drawn(log, basis, sheet_of(basis, full=True))


def full(log: Log, item: Item) -> Sheet:
    """The technician's page."""
    return sheet_of(basis_of(log, item), full=True)


def lengthened(page: Drawn, count: int) -> Drawn:
    sheet = page[0]
    sections = tuple(
        (head, (*sentences, *(LINE,) * count) if head == "Why" else sentences)
        for head, sentences in sheet.sections
    )
    return structs.replace(sheet, sections=sections), page[1]


def bottoms(place: Path) -> list[float]:
    """Where the words of each page of a PDF end, from its top [mm]."""
    tool = require("pdftotext")
    told = subprocess.run([tool, "-bbox", str(place), "-"], capture_output=True, check=True).stdout.decode()
    pages = told.split("<page ")[1:]
    return [
        max([float(y) for y in re.findall(r'yMax="([\d.]+)"', p)], default=0.0) * 25.4 / 72 for p in pages
    ]


def printed(page: Drawn, paper: str, folder: Path) -> list[float]:
    """As a browser prints the HTML."""
    chromium = require("chromium")
    place, out = folder / "r.html", folder / "r.pdf"
    text = html_of(*page)
    assert "@page {" in text
    place.write_text(text.replace("@page {", f"@page {{ size: {SIZES[paper]};", 1), encoding="utf-8")
    options = ["--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}"]
    subprocess.run(
        [chromium, *options, f"--print-to-pdf={out}", place.as_uri()],
        capture_output=True,
        check=True,
        timeout=120,
    )
    return bottoms(out)


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("way", ["browser", "pdf"])
@pytest.mark.parametrize("more", [0, 12])
def test_one_page_or_a_tidy_second(usual: Drawn, paper: str, way: str, more: int, tmp_path: Path) -> None:
    page = lengthened(usual, more)
    if way == "browser":
        ends = printed(page, paper, tmp_path)
    else:
        (tmp_path / "r.pdf").write_bytes(pdf_of(*page, paper))
        ends = bottoms(tmp_path / "r.pdf")
    assert len(ends) == 1 if more == 0 else len(ends) <= 2
    assert min(ends) > 80, f"a page holds a few lines only: words end at {ends} mm"


def test_a_very_long_item_takes_no_page_for_a_few_lines(usual: Drawn, tmp_path: Path) -> None:
    for count in (20, 30):
        for paper in PAPERS:
            (tmp_path / "r.pdf").write_bytes(pdf_of(*lengthened(usual, count), paper))
            ends = bottoms(tmp_path / "r.pdf")
            assert len(ends) == 2, (count, paper)
            assert min(ends) > 80


def test_the_caution_ends_above_the_table(usual: Drawn, tmp_path: Path) -> None:
    """Bold letters are wider: what fills the line in plain ones takes two."""
    tool = require("pdftotext")
    for count in range(96, 121, 4):
        step = ("ring it once more with every other winding open, " * 5)[:count]
        (tmp_path / "r.pdf").write_bytes(pdf_of(structs.replace(usual[0], next_step=step), ()))
        told = subprocess.run([tool, "-bbox", str(tmp_path / "r.pdf"), "-"], capture_output=True, check=True)
        words = re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">([^<]*)<', told.stdout.decode())
        head = next(k for k, (_, _, word) in enumerate(words) if word == "connection")
        caution = next(k for k, (_, _, word) in enumerate(words) if word == "Caution:")
        lowest = max(float(bottom) for _, bottom, word in words[caution:head] if word != "ring")
        assert lowest < float(words[head][0]), f"{count} letters"


def test_a_number_and_its_unit_stay_on_one_line(usual: Drawn, tmp_path: Path) -> None:
    tool = require("pdftotext")
    sheet = structs.replace(
        usual[0], sections=(("Why", tuple(f"{'x' * k} 14 % of 140 V" for k in range(20, 60))),)
    )
    (tmp_path / "r.pdf").write_bytes(pdf_of(sheet, ()))
    told = subprocess.run([tool, "-layout", str(tmp_path / "r.pdf"), "-"], capture_output=True, check=True)
    lines = told.stdout.decode().splitlines()
    assert not [line for line in lines if re.match(r"\s*(%|V)(\s|$)", line)]
    assert sum("140" in line for line in lines) > 20
    assert "14\u00a0% of 140\u00a0V" in html_of(sheet, ())


def test_the_report_compares_in_and_out_of_circuit(usual: Drawn) -> None:
    sheet, pictures = usual
    (sentences,) = (s for head, s in sheet.sections if head == "Comparison: out of circuit, then in circuit")
    assert sentences[0] == "bench-A -> in the set"
    assert re.fullmatch(
        r"with 22 nF: frequency times [\d.]+\(\d+\), 1/Q times [\d.]+\([\d.]+\)", sentences[1]
    )
    assert "not whether either is whole" in sentences[-1], (
        "a page that nobody asked convicts and clears nothing"
    )
    assert not any("clears" in s for s in sentences)
    assert "the same winding out of circuit and in circuit" in [p.caption for p in pictures]


def test_a_kept_comparison_stands_in_the_report(tmp_path: Path) -> None:
    good, bad = rung("before", ring(27, "healthy", 22e-9)), rung("after", ring(27, "turn-dead", 22e-9))
    with Log(tmp_path / "log.sqlite") as log:
        item = log.add_item("lot-3", kind=KIND)
        held = keep_captures(log, item, [good, bad])
        plain = dict(full(log, item).sections)["Comparison: one unit, before and after"]
        assert plain[0] == "before -> after"
        question = comparison_question(1, kind=KIND, prior=0.1)
        facts = judged(question, [(r.facts, r.records[0]) for r in held], None, "before -> after")
        log.add_judgement(item, question, facts, [r.fit or 0 for r in held])
        sheet = full(log, item)
        (told,) = (s for head, s in sheet.sections if head.startswith("Comparison"))
        assert any(
            "A TURN IS SHORTED; judged by earlier rings of first" in s and "prior of 10 %" in s for s in told
        )
        assert sum("across the winding" in s for s in told) == 1, "each thing is said once"
        assert "comparison" in dict(sheet.made)
        assert "the same winding before and after" in [
            p.caption for p in drawn(log, basis_of(log, item), sheet)[1]
        ]
        assert sheet.explanation == "not judged", "a comparison is no finding"


def test_a_comparison_against_a_ring_that_was_judged_bad_says_so(tmp_path: Path) -> None:
    dead, inside = (
        ring(27, "turn-dead", 22e-9),
        ring(27, "turn-dead-in-circuit", 22e-9, Connection.IN_CIRCUIT),
    )
    seen = observe(fitted([ring(11, "healthy", 22e-9)])[0], ring(11, "healthy", 22e-9))
    reference = Reference.begin("line", KIND, [Capture("unit-1", Condition.GOOD, seen)])
    with Log(tmp_path / "log.sqlite") as log:
        item = log.add_item("lot-3", kind=KIND)
        keep(log, item, [rung("bench", dead)], reference)
        (fit,) = log.fits(log.captures(item)[0])
        (held,) = keep_captures(log, item, [rung("set", inside)])
        question = comparison_question(1, kind=KIND)
        rings = [(fit.facts, dead), (held.facts, inside)]
        log.add_judgement(item, question, judged(question, rings, None, "t"), [fit.id, held.fit or 0])
        (told,) = (s for head, s in full(log, item).sections if head.startswith("Comparison"))
    assert told[-1] == "the first was taken as whole; the finding above does not say so of it"
