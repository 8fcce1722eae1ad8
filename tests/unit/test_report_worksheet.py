"""Isolation worksheets in reports, on the screen of `log show`, and in archives."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs

from coilbell.bench.facts.base import kept_text
from coilbell.bench.log import Item, Log, add_outcome, outcome_of
from coilbell.bench.log.archive import write_archive
from coilbell.bench.log.keeper import LogKeeper, kept_facts
from coilbell.bench.log.takeover import take_over
from coilbell.bench.log.words import item_facts, item_text
from coilbell.bench.report import Sheet, basis_of, sheet_of, write_report
from coilbell.bench.report.pdf import pdf_of
from coilbell.cli import main
from coilbell.errors import FileError, InputError
from lamp import LAMP

HEAD = "Isolation worksheet"
Change = Callable[[list[dict[str, Any]]], Any]


@pytest.fixture
def log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """A log with an item that has a worksheet of four readings, one of them withdrawn, and one without."""
    place = tmp_path / "log.sqlite"

    def isolate(action: str, *words: str) -> None:
        assert main(["isolate", action, "--item", "heron-14", "--log", str(place), *words]) == 0

    isolate("new", "--kind", "CRT monitor")
    isolate("observe", "rails-loaded", "142=79", "33=18.4", "9=5")
    isolate("observe", "rails-unloaded", "142=141", "33=32.8", "9=8.9")
    isolate("observe", "collector-emitter", "shorted")
    isolate("withdraw", "4", "the probe had slipped")
    capsys.readouterr()
    with Log(place) as opened:
        opened.add_item("empty")
        yield opened


def full(log: Log, item: Item) -> Sheet:
    """The technician's page."""
    return sheet_of(basis_of(log, item), full=True)


def test_a_report_ranks_the_causes_and_says_why(log: Log) -> None:
    item = log.item("heron-14")
    facts = kept_facts(log, item)
    assert facts is not None
    sheet = full(log, item)
    sections = dict(sheet.sections)
    causes = sections[HEAD]
    likely = [h for h in facts.hypotheses if h.probability >= 0.005]
    places = [causes[1].index(cause.name) for cause in likely]
    assert places == sorted(places)
    assert f"{likely[0].name} {round(100 * likely[0].probability)} %" in causes[1]
    assert any("nothing here is certain" in sentence for sentence in causes)
    moved = sections[f"{HEAD}: what moved the odds"]
    assert any("rails-loaded" in sentence and " because " in sentence for sentence in moved)
    assert any("the probe had slipped" in sentence for sentence in moved)
    assert not any("collector-emitter" in sentence for sentence in moved)


def test_a_page_on_paper_names_the_next_test_and_instructs_nobody(log: Log) -> None:
    item = log.item("heron-14")
    facts = kept_facts(log, item)
    assert facts is not None
    told = dict(full(log, item).sections)[HEAD]
    assert f"next test: {facts.next[0].name} ({facts.next[0].step})" in told
    assert not any(facts.next[0].how in sentence for sentence in told)


def test_an_item_without_a_ring_is_reported_by_its_worksheet(log: Log, tmp_path: Path) -> None:
    item = log.item("heron-14")
    places = [tmp_path / f"r{ending}" for ending in (".html", ".pdf", ".txt")]
    sheet = write_report(log, item, *places, full=True)
    assert sheet.explanation == "nothing rung yet"
    assert places[1].read_bytes().startswith(b"%PDF-")
    for place in (places[0], places[2]):
        words = unescape(place.read_text(encoding="utf-8")).replace("\u00a0", " ")
        assert HEAD in words
        for head, sentences in sheet.sections:
            assert head in words
            assert all(sentence in words for sentence in sentences)
        assert "* judged" not in words


@pytest.mark.parametrize("whole", [False, True])
def test_what_it_was_in_the_end_is_one_line(log: Log, whole: bool) -> None:
    item = log.item("heron-14")
    assert "in the end" not in dict(sheet_of(basis_of(log, item), full=whole).tested)
    add_outcome(log, item, outcome_of(log, item, "driver", how="dry joint"))
    told = dict(sheet_of(basis_of(log, item), full=whole).tested)["in the end"]
    assert told.startswith("driver, of a CRT monitor: dry joint (")


def test_only_an_item_that_has_one_shows_it(log: Log) -> None:
    with pytest.raises(InputError, match="holds no rings yet"):
        full(log, log.item("empty"))
    facts = item_facts(log, log.item("empty"))
    assert facts.worksheet is None
    assert "worksheet" not in item_text(facts)


def test_log_show(log: Log, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["log", "show", "heron-14", "--log", str(log.path)]
    assert main(words) == 0
    out, _ = capsys.readouterr()
    assert "isolation worksheet" in out
    assert "what may have failed:" in out
    assert "CAUTION" in out
    assert max(map(len, out.splitlines())) <= 80
    assert main([*words, "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["worksheet"] == json.loads(kept_text(kept_facts(log, log.item("heron-14"))))


def test_a_damaged_worksheet_hides_nothing_else(log: Log) -> None:
    item = log.item("heron-14")
    with log.together():
        log.base.insert("worksheet", item_id=item.id, added_utc="2026-01-01T00:00:00Z", entry='{"schema": 1}')
    assert "isolation worksheet cannot be shown" in item_text(item_facts(log, item))
    (sentence,) = dict(full(log, item).sections)[HEAD]
    assert sentence.startswith("cannot be shown: ")


def test_a_section_longer_than_a_page_runs_on(log: Log) -> None:
    sheet = full(log, log.item("heron-14"))
    longest = structs.replace(sheet, sections=((HEAD, ("\n".join("abcdef"),) * 120),))
    pages = pdf_of(longest, ()).count(b"/Type /Page\n")
    assert pages >= 4, "720 lines, about two hundred on a page"


def _repacked(source: Path, target: Path, change: Change) -> Path:
    """The archive with its worksheet's entries changed and every hash made right again."""
    with zipfile.ZipFile(source) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    told, manifest = json.loads(parts["log.json"]), json.loads(parts["manifest.json"])
    change(next(item for item in told["items"] if item["name"] == "heron-14")["worksheet"])
    parts["log.json"] = json.dumps(told).encode()
    manifest["parts"]["log.json"] = {
        "bytes": len(parts["log.json"]),
        "sha256": hashlib.sha256(parts["log.json"]).hexdigest(),
    }
    parts["manifest.json"] = json.dumps(manifest).encode()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return target


@pytest.fixture
def archive(log: Log, tmp_path: Path) -> Path:
    write_archive(log, log.items(), tmp_path / "all.zip")
    return tmp_path / "all.zip"


def test_a_worksheet_is_handed_on_as_it_is(log: Log, archive: Path, tmp_path: Path) -> None:
    with Log(tmp_path / "theirs.sqlite") as theirs:
        take_over(theirs, _repacked(archive, tmp_path / "same.zip", lambda entries: None))
        item = theirs.item("heron-14")
        ours = log.item("heron-14")
        assert LogKeeper(theirs, item).entries() == LogKeeper(log, ours).entries()
        assert kept_facts(theirs, item) == kept_facts(log, ours)
        assert kept_facts(theirs, theirs.item("empty")) is None


def test_a_kind_of_ones_own_travels_along(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kind = tmp_path / "lamp.toml"
    kind.write_text(LAMP.replace("SLIP", "0.02"), encoding="utf-8")
    words = ["isolate", "new", "--item", "lamp-2", "--log", str(tmp_path / "log.sqlite"), "--kind", str(kind)]
    assert main(words) == 0
    with Log(tmp_path / "log.sqlite") as log, Log(tmp_path / "theirs.sqlite") as theirs:
        write_archive(log, log.items(), tmp_path / "lamp.zip")
        take_over(theirs, tmp_path / "lamp.zip")
        assert kept_facts(theirs, theirs.item("lamp-2")) == kept_facts(log, log.item("lamp-2"))


@pytest.mark.parametrize(
    ("change", "match"),
    [
        pytest.param(lambda e: e.pop(0), "does not start", id="no beginning"),
        pytest.param(lambda e: e[0].update(kind="none"), "does not ship", id="unknown kind"),
        pytest.param(lambda e: e[0].update(toml="a = 1"), "no kind of equipment", id="no kind"),
        pytest.param(lambda e: e[0].update(qualified="all"), "Invalid enum value", id="level"),
        pytest.param(lambda e: e[0].update(utc="soon"), "no time", id="time"),
        pytest.param(lambda e: e[0].update(schema=2), "has schema 2", id="schema"),
        pytest.param(lambda e: e[1].update(step="none"), "cannot be shown", id="unknown step"),
        pytest.param(lambda e: e[1].update(words="\x1b[2J"), "cannot be shown", id="steers a terminal"),
        pytest.param(lambda e: e[1].update(extra=1), "extra", id="unknown field"),
        pytest.param(lambda e: e[1].update(remarks="text"), "remarks", id="wrong type"),
        pytest.param(lambda e: e[1]["log_likelihoods"].update(low=1e12), "<= 1000000000.0", id="too far"),
        pytest.param(lambda e: e[1]["log_likelihoods"].update(low="nan"), "log_likelihoods", id="no number"),
        pytest.param(lambda e: e[4].update(what="forget"), "forget", id="unknown entry"),
        pytest.param(lambda e: e.extend([e[1]] * 1000), "more entries", id="endless"),
    ],
)
def test_what_breaks_a_rule_is_not_taken_over(
    archive: Path, tmp_path: Path, change: Change, match: str
) -> None:
    hostile = _repacked(archive, tmp_path / "hostile.zip", change)
    with Log(tmp_path / "theirs.sqlite") as theirs:
        with pytest.raises(FileError, match=match):
            take_over(theirs, hostile)
        assert theirs.items() == []
