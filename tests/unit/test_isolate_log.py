"""`coilbell isolate` beside the rings of its item in the bench log."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from coilbell.bench.facts.question import question_of
from coilbell.bench.facts.ring import OddsFacts
from coilbell.bench.log import Log
from coilbell.cli import main
from handmade import handmade_finding

Said = Callable[..., str]


@pytest.fixture
def said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Said:
    """What an action on heron-14 prints, in one line."""

    def run(action: str, *words: str) -> str:
        more = ["--item", "heron-14", "--log", str(tmp_path / "log.sqlite")]
        assert main(["isolate", action, *more, *words]) == 0
        return " ".join(capsys.readouterr().out.split())

    return run


def _judge(place: Path, decades: float) -> None:
    odds = OddsFacts(
        log10_likelihood_ratio=decades,
        log10_shows=decades,
        prior=0.3,
        probability=0.5,
        healthy_unit_at_least_this_far=None,
    )
    with Log(place) as log:
        facts = handmade_finding(shorted_turn=odds, probabilities={})
        log.add_judgement(log.item("heron-14"), question_of(), facts, [])


def test_a_finding_that_waits_is_told_until_it_is_entered(said: Said, tmp_path: Path) -> None:
    said("new")
    assert "waiting:" not in said("next")
    assert "waiting" not in json.loads(said("next", "--json"))
    _judge(tmp_path / "log.sqlite", -2.0)
    told = said("next")
    assert "waiting: the log's latest finding (undecided, out of circuit) is not in the worksheet yet" in told
    assert "enter: coilbell isolate observe --item heron-14 ring-out finding=log" in told
    assert "waiting:" in said("show")
    assert json.loads(said("next", "--json"))["waiting"]["step"] == "ring-out"
    assert "waiting:" not in said("observe", "ring-out", "finding=log")
    _judge(tmp_path / "log.sqlite", 2.0)  # a later one waits again
    assert "waiting:" in said("next")
