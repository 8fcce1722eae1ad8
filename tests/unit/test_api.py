"""The Python way in gives what the command line gives, and shows itself in a notebook."""

from __future__ import annotations

import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

import coilbell
from coilbell.decay import fit as decay_fit
from coilbell.errors import InputError, MissingError
from coilbell.winding import Capture, Condition, Reference, find, headline_words, observe


@pytest.fixture(scope="module")
def rings() -> tuple[coilbell.Fit, coilbell.Fit]:
    return tuple(coilbell.fit(coilbell.read(coilbell.example(name))) for name in ("whole", "shorted"))  # type: ignore[return-value]


@pytest.fixture(scope="module")
def good() -> Reference:
    records = coilbell.read(coilbell.example("whole"))
    seen = observe(decay_fit(list(records)), records[0])
    return Reference.begin(
        "tarn-21-line", "line-output transformer", [Capture("unit-1", Condition.GOOD, seen)]
    )


def test_import_loads_nothing_heavy() -> None:
    code = "import sys, coilbell; sys.exit(any(m in sys.modules for m in ('numpy', 'scipy', 'matplotlib')))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_name_that_is_not_there() -> None:
    with pytest.raises(AttributeError, match="no attribute 'ring_the_bell'"):
        _ = coilbell.ring_the_bell


def test_read_gives_records() -> None:
    records = coilbell.read(coilbell.example())
    assert len(records) == 3
    assert all(isinstance(record, coilbell.Record) for record in records)
    assert str(records).count("\n") == 2
    assert records[:2]._repr_html_().count("samples at 500 kHz, 22 nF across") == 2
    with pytest.raises(coilbell.CoilbellError, match="no such file"):
        coilbell.read("none.json")


def test_fit_is_that_of_the_package(rings: tuple[coilbell.Fit, coilbell.Fit]) -> None:
    fit, records = rings[0], coilbell.read(coilbell.example())
    plain = decay_fit(list(records))
    assert isinstance(fit, coilbell.Fit)
    assert fit.main == plain.main
    assert repr(fit).startswith("<rings at 21.59995(10) kHz")
    alone = coilbell.fit(records[0], count_to=0.5)
    assert alone.records == 1
    assert alone.count_to == 0.5


def test_judge_is_that_of_the_package(rings: tuple[coilbell.Fit, coilbell.Fit], good: Reference) -> None:
    finding = coilbell.judge(rings[1], good, prior=0.2)
    record = coilbell.read(coilbell.example("shorted"))[0]
    plain = find([observe(rings[1], record)], good, prior=0.2)
    assert isinstance(finding, coilbell.Finding)
    assert finding.odds is not None
    assert plain.odds is not None
    assert finding.explanation == plain.explanation
    assert finding.odds.shorted == plain.odds.shorted
    assert str(finding).startswith(headline_words(finding.verdict))
    assert coilbell.judge(rings[0], good).explanation == "like healthy"
    assert coilbell.judge(list(rings[:1]), None, kind="power inductor").odds is None


def test_judge_by_name_and_by_file(
    rings: tuple[coilbell.Fit, coilbell.Fit],
    good: Reference,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from coilbell.bench.shelf import Shelf

    monkeypatch.setenv("COILBELL_REFERENCES", str(tmp_path))
    path = Shelf().put(good)
    for by in ("tarn-21-line", path):
        assert coilbell.judge(rings[0], by).explanation == "like healthy"
    with pytest.raises(MissingError, match="no reference 'none'"):
        coilbell.judge(rings[0], "none")


def test_a_fit_from_elsewhere_needs_its_capacitor(good: Reference) -> None:
    plain = decay_fit(list(coilbell.read(coilbell.example())))
    with pytest.raises(InputError, match="test capacitor is not known"):
        coilbell.judge(plain, good)
    assert coilbell.judge(plain, good, capacitor=coilbell.Capacitor(22e-9)).explanation == "like healthy"
    with pytest.raises(InputError, match="is no fit"):
        coilbell.judge([coilbell.read(coilbell.example())[0]], good)  # type: ignore[list-item]


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        source = dict(attrs).get("src") or ""
        self.seen.append(f"{tag} {source[:22]}".strip())


def test_results_show_themselves_in_a_notebook(
    rings: tuple[coilbell.Fit, coilbell.Fit], good: Reference
) -> None:
    for shown in (rings[0], coilbell.judge(rings[1], good)):
        tags = _Tags()
        tags.feed(shown._repr_html_())  # type: ignore[union-attr]
        assert tags.seen == ["pre", "img data:image/png;base64,"]
    words = coilbell.judge(rings[0], None, kind="power inductor")._repr_html_()
    assert words.startswith("<pre>")
    assert "<img" not in words


@pytest.mark.parametrize("shell", ["bash", "zsh"])
def test_completion_knows_commands_and_options(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    from coilbell.cli import COMMANDS, main

    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert all(name in script for name in COMMANDS)
    assert "--reference" in script
    if shell == "bash" and sys.platform != "win32":
        assert subprocess.run(["bash", "-n"], input=script, text=True, check=False).returncode == 0


def test_names_of_items_and_references_complete(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from coilbell.bench.log import Log
    from coilbell.cli import main

    monkeypatch.setenv("COILBELL_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.setenv("COILBELL_REFERENCES", str(tmp_path))
    assert main(["completion", "items"]) == 0
    assert capsys.readouterr().out == "", "no log yet"
    with Log(tmp_path / "log.sqlite") as log:
        for name in ("lot-3", "choke-7", "two words"):
            log.add_item(name, part="output-choke")
    (tmp_path / "tarn-21-line.reference.json").write_text("{}")
    said = {}
    for what in ("items", "references", "parts"):
        assert main(["completion", what]) == 0
        said[what] = capsys.readouterr().out.split()
    assert said == {
        "items": ["lot-3", "choke-7"],
        "references": ["tarn-21-line"],
        "parts": ["output-choke"],
    }
    assert main(["completion", "bash"]) == 0
    script = capsys.readouterr().out
    assert all(f"coilbell completion {what}" in script for what in said)
