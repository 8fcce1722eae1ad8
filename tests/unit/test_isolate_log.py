"""`coilbell isolate` beside the rings of its item in the bench log."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from coilbell.bench.facts.fit import fit_facts
from coilbell.bench.facts.question import question_of
from coilbell.bench.facts.ring import OddsFacts
from coilbell.bench.log import Log
from coilbell.cli import main
from coilbell.isolate import Equipment, shipped
from coilbell.record import Capacitor, Connection
from coilbell.terms import Step
from handmade import handmade_finding, handmade_fit, handmade_record

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


def _ring(
    place: Path, *done: Step, connection: Connection = Connection.IN_CIRCUIT, samples: int = 64
) -> None:
    """Keep a fitted ring under heron-14."""
    record = handmade_record(samples, test_capacitor=Capacitor(22e-9), connection=connection, done=done)
    with Log(place) as log:
        capture = log.add_capture(log.item("heron-14"), [record], "ring")
        log.add_fit(capture, fit_facts(handmade_fit(), title="ring", records=[record]))


def test_what_was_done_to_the_set_is_advised_nowhere(said: Said, tmp_path: Path) -> None:
    """A ring says what had been done before it; the last one in circuit counts."""
    place = tmp_path / "log.sqlite"
    said("new")
    every = ("next", "--count", "30")
    assert "charge made safe, yoke unplugged, tube base unplugged (the heater" in said(*every)
    _ring(place, Step.YOKE_OFF)
    told = said(*every)
    assert "charge made safe, tube base unplugged (the heater" in told
    assert "yoke unplugged" not in told
    assert "yoke unplugged" not in said("show")
    _ring(place, Step.YOKE_OFF, Step.TUBE_BASE_OFF, samples=65)
    _ring(place, connection=Connection.OUT_OF_CIRCUIT, samples=66)
    told = said(*every)
    assert "charge made safe. Ring the primary and judge it with --in-circuit" in told
    assert "unplugged" not in told.replace("the line stage unplugged", "")
    _ring(place, samples=67)  # all is back in its place
    assert "yoke unplugged, tube base unplugged" in said(*every)


@pytest.mark.parametrize("kind", shipped().values(), ids=lambda kind: kind.name)
def test_no_place_is_left_open_in_an_instruction(kind: Equipment) -> None:
    for step in kind.step:
        for done in ((), tuple(step.unless_done)):
            assert "{" not in step.how_after(done)
        for one, words in step.unless_done.items():
            assert words in step.how_after(())
            assert words not in step.how_after((one,))
