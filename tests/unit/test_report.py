"""Reports: golden words, safe HTML, one page of PDF, and remarks when figures cannot be had again."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import zlib
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from msgspec import structs

from coilbell.bench.facts.base import facts_of, kept_text
from coilbell.bench.facts.fit import FitFacts, fit_facts
from coilbell.bench.facts.question import question_of
from coilbell.bench.facts.ring import OddsFacts
from coilbell.bench.files.records import example, read
from coilbell.bench.log import Item, Log
from coilbell.bench.log.derivation import fitted, judged
from coilbell.bench.log.entry import FittedCapture, keep
from coilbell.bench.report import basis_of, drawn, sheet_of, sheet_text, write_report
from coilbell.bench.report.drawings import _both
from coilbell.bench.report.html import html_of
from coilbell.bench.report.pdf import pdf_of
from coilbell.bench.report.sheet import Sheet
from coilbell.bench.report.technician import BOUND
from coilbell.board.simulation import catalogue
from coilbell.cli import main
from coilbell.decay import Doubt, DoubtKind, fit
from coilbell.errors import InputError
from coilbell.record import Capacitor, Connection
from coilbell.winding import Capture, Condition, Explanation, Reference, Relation, kind_named, observe
from handmade import handmade_finding, handmade_fit, handmade_record, handmade_silence
from outside import require
from simulated import simulated_record

GOLDEN = Path(__file__).parents[1] / "golden" / "report.txt"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with an item that has all a report can show, and one that has only a ring."""
    path = tmp_path_factory.mktemp("report") / "log.sqlite"
    whole, shorted = (read(example(name)) for name in ("whole", "shorted"))
    inside = tuple(replace(record, connection=Connection.IN_CIRCUIT) for record in whole)
    seen = observe(fitted(whole)[1], whole[0])
    reference = Reference(
        "tarn-21-line", kind_named("line-output transformer"), (Capture("unit-1", Condition.GOOD, seen),)
    )
    with Log(path) as log:
        item = log.add_item(
            "lot <3> & co", equipment="Tarn 21 set", part="Zeilentrafo \u00fc", kind="line-output transformer"
        )
        log.add_note(item, "<script>alert(1)</script>")
        keep(log, item, [FittedCapture(inside, "in the set", fitted(inside, "in the set")[1])], reference)
        keep(
            log, item, [FittedCapture(shorted, "on the bench", fitted(shorted, "on the bench")[1])], reference
        )
        keep(log, log.add_item("choke-7"), [FittedCapture(whole, "ring", fitted(whole, "ring")[1])])
        log.add_item("empty")
    return path


def full(log: Log, item: Item) -> Sheet:
    """The technician's page."""
    return sheet_of(basis_of(log, item), full=True)


@pytest.fixture
def log(made: Path) -> Any:
    with Log(made, writable=False) as opened:
        yield opened


_TOLD = handmade_finding(
    title="lot-3",
    explanation=Explanation.LIKE_SHORTED,
    probabilities={
        Explanation.LIKE_SHORTED: 0.93,
        Explanation.LOADED: 0.05,
        Explanation.UNDECIDED: 0.02,
        Explanation.LIKE_HEALTHY: 0.0,
    },
    shorted_turn=OddsFacts(
        probability=0.953,
        prior=0.5,
        log10_likelihood_ratio=1.31,
        healthy_unit_at_least_this_far=1e-4,
        basis=("a prior of 50% that a turn is shorted", "4 good units"),
    ),
    reasons=("added loss +0.929, inductance drop +2.620", "no healthy unit rings like this"),
    not_separable=("one turn or several",),
    cannot_see=("insulation that breaks down only at working voltage",),
    next_step="ring it once more with every other winding open",
    caution="Open the set only when you know how.",
)


def test_golden_words(tmp_path: Path) -> None:
    """Fit and finding are made by hand, so that this is about the report's words alone."""
    clipped = Doubt(DoubtKind.CLIPPED, "12 samples stood at the converter's end", 12, 0)
    record = handmade_record(test_capacitor=Capacitor(22e-9), connection=Connection.OUT_OF_CIRCUIT)
    facts = fit_facts(handmade_fit(doubts=(clipped,)), title="bench", records=[record])
    silent = handmade_record(shot=1, test_capacitor=Capacitor(4.7e-9))
    nothing = fit_facts(handmade_silence(), title="second", records=[silent])
    picture = tmp_path / "lacquer.png"
    picture.write_bytes(b"picture")
    with Log(tmp_path / "log.sqlite") as log:
        item = log.add_item("lot-3", equipment="Tarn 21 set", part="transformer", serial="27")
        fits = [
            log.add_fit(log.add_capture(item, [record], "bench"), facts),
            log.add_fit(log.add_capture(item, [silent], "second"), nothing),
        ]
        log.add_judgement(item, question_of(), _TOLD, fits[:1])
        log.add_note(item, "set trips after a second")
        log.add_photo(item, picture, "dark on one side")
        text = sheet_text(full(log, item))
    text = re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d UTC([+-]\d\d:\d\d)?", "(moment)", text)
    text = re.sub(r"(coilbell|numpy|scipy) \d+[\w.]*", r"\1 (version)", text)
    text = re.sub(r"sha256 [0-9a-f]{32}", "sha256 (hash)", text)
    assert text == GOLDEN.read_text(encoding="utf-8")


def test_an_item_without_rings_has_no_report(log: Log) -> None:
    with pytest.raises(InputError, match="holds no rings yet"):
        basis_of(log, log.item("empty"))


def test_an_item_that_was_not_judged(log: Log) -> None:
    sheet = full(log, log.item("choke-7"))
    assert sheet.explanation == "not judged"
    assert "no odds" in sheet.odds
    sheet, pictures = drawn(log, basis_of(log, log.item("choke-7")), sheet)
    assert [picture.name for picture in pictures] == ["decay"]
    html_of(sheet, pictures)
    assert _pages(pdf_of(sheet, pictures)) == 1


def test_one_winding_has_one_inductance(tmp_path: Path) -> None:
    """Each capacitor alone gives another figure, each within 1 %; the catalogue knows the true one."""
    out = Connection.OUT_OF_CIRCUIT
    rings = [simulated_record("tarn-line-split", 3, "healthy", farads, out) for farads in (22e-9, 2.2e-9)]
    rungs = [FittedCapture((one,), str(k), fitted([one], str(k))[1]) for k, one in enumerate(rings)]
    asked = question_of(kind="diode-split transformer")
    with Log(tmp_path / "log.sqlite") as log:
        item = log.add_item("lot-3")
        keep(log, item, rungs)
        alone = full(log, item)
        facts = judged(asked, [(rung.facts, rung.records[0]) for rung in rungs], None)
        log.add_judgement(item, asked, facts, [log.fits(c)[-1] for c in log.captures(item)])
        both = full(log, item)
    apart, together = ([row[6] for row in sheet.table[1:]] for sheet in (alone, both))
    assert all(cell.startswith("< ") for cell in apart)
    assert BOUND in dict(alone.sections)["How it was tested"]
    assert BOUND not in dict(both.sections)["How it was tested"]
    assert together[0] == together[1]
    part, told = catalogue.part("tarn-line-split", 3), facts.inductance_h
    true = part.core.henries * part.coils[0].turns ** 2
    assert told is not None
    assert told.low is not None
    assert told.high is not None
    assert told.low < true < told.high
    assert [float(cell[2:].partition("(")[0]) / 1e3 > told.high for cell in apart] == [True, True]


def test_two_rings_are_laid_over_each_other_from_the_pulse(tmp_path: Path) -> None:
    """Half a period between the instants where two fits begin turned one of two equal rings upside down."""
    record = simulated_record("tarn-line-split", 3, "healthy")
    early = fit(record, start_s=300e-6)
    late = fit(record, start_s=300e-6 + 0.5 / early.main.frequency_hz.value)
    with Log(tmp_path / "log.sqlite") as log:
        item = log.add_item("lot-3")
        capture = log.capture(log.add_capture(item, [record], "ring").id)
    axes = _both([(capture, early), (capture, late)], Relation.TIME).axes[0]
    one, other = (line.get_xydata() for line in axes.lines[:2])
    times = np.linspace(other[0, 0], other[0, 0] + 5 / early.main.frequency_hz.value, 200)
    values = [np.interp(times, *np.asarray(xy).T) for xy in (one, other)]
    assert np.corrcoef(*values)[0, 1] > 0.99
    assert axes.get_xlabel() == "time from the pulse"


class _Page(HTMLParser):
    """Tags, attributes that could fetch something, and the words."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [
            value or "" for name, value in attrs if name in ("src", "href", "srcset", "action")
        ]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_html_is_safe_and_whole(log: Log) -> None:
    sheet = full(log, log.item("lot <3> & co"))
    sheet, pictures = drawn(log, basis_of(log, log.item("lot <3> & co")), sheet)
    assert "Remarks" not in dict(sheet.sections)
    assert [picture.name for picture in pictures] == ["decay", "both", "plane"]
    text = html_of(sheet, pictures)
    page = _Page()
    page.feed(text)
    words = "".join(page.words)
    assert "script" not in page.tags
    assert "link" not in page.tags
    assert page.tags.count("img") == 3
    assert all(address.startswith("data:image/png;base64,") for address in page.addresses)
    assert "url(" not in text
    assert "@import" not in text
    assert "default-src 'none'" in text
    for wanted in (
        "lot <3> & co",
        "<script>alert(1)</script>",
        sheet.next_step,
        *sheet.table[1],
        *sheet.tested[0],
    ):
        assert wanted in words


@pytest.mark.parametrize(
    ("told", "colour", "place"),
    [
        ("healthy", (31, 90, 158), " healthy"),
        ("shorted", (217, 115, 13), " shorted"),
        ("", (95, 95, 95), ""),
    ],
)
def test_the_verdict_has_the_colour_of_its_odds(
    log: Log, told: str, colour: tuple[int, ...], place: str
) -> None:
    sheet = structs.replace(full(log, log.item("choke-7")), tint=told, chances=())
    assert f'<div class="finding{place}">' in html_of(sheet, ())
    content = b"".join(
        zlib.decompressobj().decompress(part)  # a text of letters may hold what looks like its end
        for part in re.findall(
            rb"/FlateDecode[^>]*>>\s*stream\r?\n(.*?)\r?\nendstream", pdf_of(sheet, ()), re.DOTALL
        )
    )
    filled = set(re.findall(rb"([\d. ]+) (?:rg|g)\n[\d. -]+ re f", content))
    (parts,) = ([round(255 * float(part)) for part in one.split()] for one in filled)
    assert tuple(parts if len(parts) == 3 else parts * 3) == colour


def _pages(content: bytes) -> int:
    assert content.startswith(b"%PDF-")
    return len(re.findall(rb"/Type /Page\b(?!s)", content))


@pytest.mark.parametrize(("paper", "size"), [("a4", (595.28, 841.89)), ("letter", (612.0, 792.0))])
def test_pdf_is_one_page(log: Log, paper: str, size: tuple[float, float]) -> None:
    sheet = full(log, log.item("lot <3> & co"))
    content = pdf_of(*drawn(log, basis_of(log, log.item("lot <3> & co")), sheet), paper)
    assert _pages(content) == 1
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", content)
    assert box is not None
    assert (float(box[1]), float(box[2])) == pytest.approx(size, abs=0.1)


def test_pdf_words_can_be_read_by_others(log: Log, tmp_path: Path) -> None:
    tool = require("pdftotext")
    place = tmp_path / "report.pdf"
    sheet = write_report(log, log.item("lot <3> & co"), place, full=True)
    text = subprocess.run([tool, "-layout", str(place), "-"], capture_output=True, check=True).stdout.decode()
    flat = " ".join(text.split())
    for wanted in ("lot <3> & co", "Zeilentrafo \u00fc", sheet.explanation[:28], "Next: ", "Caution: "):
        assert wanted in flat
    for row in sheet.table[1:]:
        assert row[4] in flat, "every frequency with its uncertainty"


def test_long_words_run_on_to_a_second_page(log: Log) -> None:
    sheet = full(log, log.item("choke-7"))
    endless = structs.replace(sheet, sections=(*sheet.sections, ("Why", ("word " * 60,) * 20)))
    assert _pages(pdf_of(endless, ())) >= 2


def test_figures_that_cannot_be_had_again_are_remarked(made: Path, tmp_path: Path) -> None:
    records = read(example("whole"))
    told = json.loads(kept_text(fitted(records, "ring")[1]))
    told["modes"][0]["q"]["value"] *= 1.001
    facts = facts_of(json.dumps(told), FitFacts, "it")
    with Log(tmp_path / "log.sqlite") as log:
        item = log.add_item("choke-7")
        keep(log, item, [FittedCapture(records, "ring", facts)])
        sheet = write_report(log, item, tmp_path / "a.html")
    assert any("differ from those kept" in words for words in dict(sheet.sections)["Remarks"])
    assert "differ from those kept" in (tmp_path / "a.html").read_text(encoding="utf-8")


def test_the_command(made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "r.txt"
    words = ["report", "choke-7", "--log", str(made)]
    assert main([*words, "-o", str(place)]) == 0
    assert place.read_text(encoding="utf-8").startswith("choke-7: not judged")
    assert main([*words, "-o", str(place)]) == 2
    assert main([*words, "-o", str(place), "--force", "--json"]) == 0
    out, err = capsys.readouterr()
    facts = json.loads(out)
    assert (facts["schema"], facts["what"], facts["title"]) == (2, "report", "choke-7")
    assert "give --force" in err
    for bad, hint in (("r.doc", "use one of"), ("none/r.txt", "cannot be written")):
        assert main([*words, "-o", str(tmp_path / bad)]) == 2
        assert hint in capsys.readouterr().err
    assert main(words) == 2


def test_the_words_alone_load_no_pictures(made: Path) -> None:
    code = (
        "import sys; from coilbell.cli import main; main(sys.argv[1:]);"
        "sys.exit('matplotlib' in sys.modules or 'fpdf' in sys.modules)"
    )
    words = ["report", "choke-7", "--log", str(made), "--json"]
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, check=False)
    assert done.returncode == 0
