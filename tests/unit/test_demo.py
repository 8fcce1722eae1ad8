"""The demo: from suspicion to finding, with every file it promises."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from coilbell.bench.files.records import read
from coilbell.bench.log import Log
from coilbell.bench.log.check import problems
from coilbell.cli import main
from coilbell.commands import demo


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    folder = tmp_path_factory.mktemp("demo") / "coilbell-demo"
    done = subprocess.run(
        [sys.executable, "-m", "coilbell", "demo", "--json"],
        cwd=folder.parent,
        env=os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    return folder, done


def test_the_afternoon_ends_with_the_true_finding(
    played: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    folder, done = played
    assert done.returncode == 0, done.stderr
    facts = json.loads(done.stdout)
    assert facts["explanation"] == "like shorted"
    assert facts["shorted_turn"]["probability"] > 0.95
    assert len(facts["rings"]) == 2
    assert "invented" in done.stderr
    for name in ("report.html", "report.pdf", "decay.png", "plane.png", "bench-log.sqlite"):
        assert (folder / name).stat().st_size > 10_000, name


def test_its_log_tells_the_whole_story(played: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    folder, _ = played
    with Log(folder / "bench-log.sqlite", writable=False) as log:
        assert list(problems(log)) == []
        told = log.judgements(log.item("suspect"))
        connections = [one.facts.connection for one in told]
        assert connections == ["in circuit", "in circuit", "out of circuit"]
        assert [one.explanation for one in told][-1] == "like shorted"
        assert "like shorted" not in [one.explanation for one in told][:2], "in circuit nothing is convicted"
        assert {len(log.captures(item)) for item in log.items()} == {2, 4}


def test_its_records_and_reference_serve_the_other_commands(
    played: tuple[Path, subprocess.CompletedProcess[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, _ = played
    records = sorted((folder / "records").glob("*.json"))
    assert len(records) == 12
    assert all(record.test_capacitor for path in records for record in read(path))
    words = ["judge", str(folder / "records" / "suspect-out-A.json"), "--json"]
    assert main([*words, "--reference", "tarn-21-line", "--store", str(folder / "references")]) == 0
    assert json.loads(capsys.readouterr().out)["explanation"] == "like shorted"


def test_what_to_try_next_fits_the_terminal() -> None:
    assert max(map(len, demo._ending(Path("coilbell-demo")).splitlines())) <= 80


def test_a_folder_that_is_there_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mine = tmp_path / "coilbell-demo"
    mine.mkdir()
    (mine / "mine.txt").write_text("mine", encoding="utf-8")
    assert main(["demo", "--folder", str(mine)]) == 2
    assert "left as it is" in capsys.readouterr().err
    assert [path.name for path in mine.iterdir()] == ["mine.txt"]
