"""The guided examination: what is asked next, what is kept, and the command from outside."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from coilbell.bench.examination.core import Asked, State, next_prompt, state_of
from coilbell.bench.examination.desk import Desk
from coilbell.bench.examination.guide import question
from coilbell.bench.facts.examination import Act, Begin, Confirm, Did, Onward, Rang, Skip
from coilbell.bench.log import ItemLog, Log, LogKeeper, kept_facts, outcomes_of
from coilbell.bench.shelf import Shelf
from coilbell.bench.worksheet.sheet import begin, opened, withdraw
from coilbell.board import constants
from coilbell.cli import main
from coilbell.commands.striker import virtual_at
from coilbell.decay import fit
from coilbell.errors import InputError, MeasurementError
from coilbell.isolate import shipped
from coilbell.record import Connection, Record
from coilbell.terms import Headline, Step
from coilbell.winding import (
    Capture,
    Condition,
    NextStep,
    Observation,
    Reference,
    Verdict,
    find,
    observe,
)
from simulated import simulated_record

BEGUN: tuple[Act, ...] = (Begin(kind="line-output transformer", reference="", in_circuit=True), Confirm())


def _verdict(headline: Headline, *steps: Step) -> Verdict:
    told = tuple(NextStep(step, str(step)) for step in steps)
    return Verdict(headline, None, 0.95, (), None, "", (), (), "", told, (), "", "")


def _asked(acts: Sequence[Act], verdict: Verdict | None, standing: Sequence[int] = range(1, 9)) -> object:
    prompt = next_prompt(state_of(acts, frozenset(standing)), verdict)
    return prompt.step.step if prompt.step else prompt.asked


OPEN = _verdict(Headline.OPEN, Step.YOKE_OFF, Step.TUBE_BASE_OFF, Step.TAKE_OUT)


def test_the_questions_come_in_their_order() -> None:
    assert _asked([], None) == Asked.WHAT
    assert _asked(BEGUN[:1], None) == Asked.CAUTION
    assert _asked(BEGUN, None) == Asked.STRIKE
    rung = [*BEGUN, Rang(captures=(1, 2))]
    assert _asked(rung, OPEN) == Step.YOKE_OFF
    assert _asked([*rung, Did(step=Step.YOKE_OFF)], OPEN) == Asked.STRIKE
    again = [*rung, Did(step=Step.YOKE_OFF), Rang(captures=(3,))]
    assert _asked(again, OPEN) == Step.TUBE_BASE_OFF


@pytest.mark.parametrize("headline", [Headline.NO_SHORT, Headline.SHORTED])
def test_it_ends_as_soon_as_the_answer_stands_and_goes_on_if_wanted(headline: Headline) -> None:
    rung = [*BEGUN, Rang(captures=(1,))]
    verdict = _verdict(headline, Step.TAKE_OUT)
    prompt = next_prompt(state_of(rung, frozenset({1})), verdict)
    assert (prompt.asked, prompt.stands) == (Asked.END, True)
    assert _asked([*rung, Onward()], verdict) == Step.TAKE_OUT


def test_a_step_is_skipped_and_one_that_leads_elsewhere_is_never_struck() -> None:
    rung = [*BEGUN, Rang(captures=(1,)), Skip(step=Step.YOKE_OFF)]
    assert _asked(rung, OPEN) == Step.TUBE_BASE_OFF
    assert _asked(rung, _verdict(Headline.OPEN, Step.KNOWN_GOOD, Step.GOOD_UNITS)) == Asked.END


def test_what_no_capture_records_is_not_proposed_for_ever() -> None:
    again = _verdict(Headline.AGAIN, Step.RING_AGAIN)
    acts = [*BEGUN, Rang(captures=(1,))]
    asked = []
    for number in range(2, 6):
        asked.append(_asked(acts, again))
        acts += [Did(step=Step.RING_AGAIN), Rang(captures=(number,))]
    assert asked == [Step.RING_AGAIN, Step.RING_AGAIN, Asked.END, Asked.END]


def test_taken_out_keeps_what_was_done_to_the_part_itself() -> None:
    done = [Did(step=step) for step in (Step.YOKE_OFF, Step.CLEANED, Step.TAKE_OUT)]
    state = state_of([*BEGUN, *done], frozenset())
    assert (state.connection, state.done) == (Connection.OUT_OF_CIRCUIT, (Step.CLEANED,))


def test_a_ring_that_was_taken_back_does_not_count() -> None:
    acts = [*BEGUN, Rang(captures=(1,)), Did(step=Step.YOKE_OFF), Rang(captures=(2, 3))]
    assert _asked(acts, OPEN, [1]) == Asked.STRIKE
    assert state_of(acts, frozenset({1})).captures == (1,)


class Bench:
    """Strikes simulated windings; the state of the part by its stage. Fails where told."""

    def __init__(self, in_circuit: str, out: str) -> None:
        self.states = {Connection.IN_CIRCUIT: in_circuit, Connection.OUT_OF_CIRCUIT: out}
        self.struck: list[tuple[Connection, tuple[Step, ...], bool]] = []
        self.fails = False

    def strike(
        self, connection: Connection, done: tuple[Step, ...], reference: Reference | None, *, small: bool
    ) -> list[tuple[str, tuple[Record, ...]]]:
        if self.fails:
            raise MeasurementError("the leads carry 3 V; take them off")
        self.struck.append((connection, done, small))
        noise = np.random.default_rng(100 + len(self.struck))
        found = []
        for farads in (22e-9, 2.2e-9):
            one = simulated_record("tarn-line-split", 7, self.states[connection], farads, connection)
            samples = one.samples + noise.normal(0, 1e-5, len(one))
            found.append((f"{farads * 1e9:g} nF", (replace(one, samples=samples, done=done),)))
        return found


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A shelf with one reference of two good units."""
    folder = tmp_path_factory.mktemp("references")
    captures = []
    for seed in (7, 8):
        for farads in (22e-9, 2.2e-9):
            record = simulated_record("tarn-line-split", seed, "healthy", farads)
            seen = observe(fit(record), record, connection=Connection.OUT_OF_CIRCUIT)
            captures.append(Capture(f"unit-{seed}", Condition.GOOD, seen))
    Shelf(folder).put(Reference.begin("tarn-21-line", "line-output transformer", captures))
    return str(folder)


def _desk(path: Path, store: str) -> Desk:
    return Desk(ItemLog(Log(path), "lot-3"), store)


def test_everything_is_kept_as_it_happens_and_goes_on_elsewhere(tmp_path: Path, store: str) -> None:
    bench = Bench("in-circuit-yoke", "healthy")
    desk = _desk(tmp_path / "log.sqlite", store)
    assert desk.resume().asked is Asked.WHAT
    assert desk.begin("tarn-21-line", in_circuit=True).asked is Asked.CAUTION
    assert desk.act(Confirm()).asked is Asked.STRIKE
    assert desk.strike(bench).asked is Asked.STEP
    first = desk.prompt.step
    other = _desk(tmp_path / "log.sqlite", store)
    assert other.resume().step == first
    assert len(other.drawer.log.judgements(other.drawer.log.item("lot-3"))) == 1
    other.act(Did(step=Step.TAKE_OUT))
    assert other.strike(bench).asked is Asked.END
    assert other.finding is not None
    assert other.finding.verdict.headline is Headline.NO_SHORT
    assert len(other.finding.others) == 2, "the rings in circuit are weighed with those out of it"
    item = other.drawer.log.item("lot-3")
    kept = other.drawer.log.captures(item)
    assert [c.connection for c in kept] == ["in circuit"] * 2 + ["out of circuit"] * 2
    assert item.kind == "line-output transformer"


def test_what_was_struck_and_not_fitted_is_fitted_when_it_goes_on(
    tmp_path: Path, store: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = _desk(tmp_path / "log.sqlite", store)
    desk.begin("tarn-21-line", in_circuit=False)
    desk.act(Confirm())

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("coilbell.bench.examination.desk.fitted", interrupted)
        with pytest.raises(KeyboardInterrupt):
            desk.strike(Bench("in-circuit", "turn-dead"))
    other = _desk(tmp_path / "log.sqlite", store)
    assert other.resume().asked is Asked.END
    assert other.finding is not None
    assert other.finding.verdict.headline is Headline.SHORTED


def test_back_takes_ring_then_step_and_the_log_still_has_them(tmp_path: Path, store: str) -> None:
    bench = Bench("in-circuit-yoke", "healthy")
    desk = _desk(tmp_path / "log.sqlite", store)
    desk.begin("tarn-21-line", in_circuit=True)
    desk.act(Confirm())
    desk.strike(bench)
    before = desk.state
    desk.act(Did(step=Step.YOKE_OFF))
    desk.strike(bench)
    assert desk.back() == "the last ring"
    assert desk.prompt.asked is Asked.STRIKE
    assert "yoke-off" in desk.back()
    assert desk.state == before
    log = desk.drawer.log
    item = log.item("lot-3")
    assert len(log.captures(item)) == 2
    assert log.base.rows("SELECT count(*) FROM capture")[0][0] == 4
    assert len(log.judgements(item)) == 1


def _worksheet(log: Log) -> list[tuple[str, str]]:
    """Readings of the item's worksheet: step and words."""
    facts = kept_facts(log, log.item("lot-3"))
    assert facts is not None
    return [(one.step, one.words) for one in facts.readings]


def test_the_ring_that_ends_it_goes_into_an_open_worksheet_once(tmp_path: Path, store: str) -> None:
    """Its odds, and no whole verdict; a later ring takes its place, what a person took back stays out."""
    desk = _desk(tmp_path / "log.sqlite", store)
    log = desk.drawer.log
    keeper = LogKeeper(log, log.add_item("lot-3"))
    begin(keeper, shipped()["CRT monitor"], "none")
    desk.begin("tarn-21-line", in_circuit=False)
    desk.act(Confirm())
    bench = Bench("in-circuit", "turn-dead")
    desk.strike(bench)
    ((step, words),) = _worksheet(log)
    assert "log10 ratio +" in words
    told = question(desk).told
    assert told[0].startswith("in the worksheet, reading 2: rings like one with a shorted turn")
    assert "part to suspect next" in told[1]
    _desk(tmp_path / "log.sqlite", store).resume()
    assert len(_worksheet(log)) == 1, "who looks on enters nothing"
    desk.strike(bench)
    assert [one for one, _ in _worksheet(log)] == [step]
    desk.back()
    assert not _worksheet(log)
    desk.strike(bench)
    ((_, words),) = _worksheet(log)
    number = max(opened(keeper).readings)
    withdraw(keeper, opened(keeper), number, "the clips were on the wrong pins")
    desk.act(Onward())
    desk.act(Skip(step=Step.COUNT_FAILED))
    assert not _worksheet(log)


def test_a_finding_without_odds_is_not_entered(tmp_path: Path) -> None:
    desk = _desk(tmp_path / "log.sqlite", str(tmp_path))
    log = desk.drawer.log
    begin(LogKeeper(log, log.add_item("lot-3")), shipped()["CRT monitor"], "none")
    desk.begin("mains transformer", in_circuit=False)
    desk.act(Confirm())
    desk.strike(Bench("in-circuit", "healthy"))
    assert not _worksheet(log)
    desk.act(Skip(step=Step.LOOP))
    assert any("not in the worksheet" in words for words in question(desk).told)


def _rung(state: str, done: tuple[Step, ...] = ()) -> Observation:
    record = replace(simulated_record("tarn-line-split", 7, state, 22e-9), done=done)
    return observe(fit(record), record, connection=Connection.OUT_OF_CIRCUIT)


def test_a_loop_round_the_core_checks_and_never_enters_the_odds(store: str) -> None:
    reference = Shelf(Path(store)).get("tarn-21-line")
    whole, dead = _rung("healthy"), _rung("turn-dead")
    alone = find([whole], reference)
    checked = find([whole, _rung("external-loop", (Step.LOOP,))], reference)
    assert checked.verdict.shows == alone.verdict.shows
    assert any("a shorted turn shows on this part" in reason for reason in checked.reasons)
    open_loop = find([whole, _rung("healthy", (Step.LOOP,))], reference)
    assert "hardly shows" in open_loop.verdict.doubt
    assert "hardly shows" in find([dead, _rung("turn-dead", (Step.LOOP,))], reference).verdict.doubt
    with pytest.raises(InputError, match="take it off"):
        find([_rung("external-loop", (Step.LOOP,))], reference)


def test_a_loop_is_proposed_out_of_circuit_where_no_good_unit_judges() -> None:
    steps = [one.step for one in find([_rung("healthy")], None, kind="line-output transformer").verdict.steps]
    assert steps[0] is Step.LOOP
    inside = replace(_rung("healthy"), connection=Connection.IN_CIRCUIT)
    assert Step.LOOP not in [one.step for one in find([inside], None, kind="relay coil").verdict.steps]


def test_the_loop_comes_off_with_its_ring() -> None:
    verdict = _verdict(Headline.OPEN, Step.LOOP, Step.GOOD_UNITS)
    acts = [*BEGUN[1:], Rang(captures=(1,))]
    acts = [Begin(kind="line-output transformer", reference="", in_circuit=False), *acts]
    assert _asked(acts, verdict) == Step.LOOP
    acts += [Did(step=Step.LOOP)]
    assert state_of(acts, frozenset({1})).done == (Step.LOOP,)
    acts += [Rang(captures=(2,))]
    assert state_of(acts, frozenset({1, 2})).done == ()
    assert _asked(acts, verdict) == Asked.END


def test_a_stroke_that_fails_changes_nothing(tmp_path: Path, store: str) -> None:
    bench = Bench("in-circuit", "healthy")
    desk = _desk(tmp_path / "log.sqlite", store)
    desk.begin("tarn-21-line", in_circuit=True)
    desk.act(Confirm())
    bench.fails = True
    with pytest.raises(MeasurementError):
        desk.strike(bench)
    assert desk.prompt.asked is Asked.STRIKE


def test_begun_again_older_rings_no_longer_count(tmp_path: Path, store: str) -> None:
    desk = _desk(tmp_path / "log.sqlite", store)
    desk.begin("tarn-21-line", in_circuit=False)
    desk.act(Confirm())
    desk.strike(Bench("in-circuit", "turn-dead"))
    assert desk.begin("tarn-21-line", in_circuit=False).asked is Asked.CAUTION
    desk.act(Confirm())
    desk.strike(Bench("in-circuit", "healthy"))
    assert desk.finding is not None
    assert desk.finding.verdict.headline is Headline.NO_SHORT


def test_a_virtual_part_follows_what_was_done() -> None:
    port = "virtual:?part=tarn-line-split&state=in-set%2Cturn-dead%2Cswitch-leaky&seed=4"
    done = (Step.YOKE_OFF, Step.CLEANED)
    assert "done=yoke-off" in virtual_at(port, Connection.IN_CIRCUIT, done)
    assert "state=turn-dead" in virtual_at(port, Connection.OUT_OF_CIRCUIT, ())
    sound = virtual_at("virtual:?state=in-circuit-yoke", Connection.OUT_OF_CIRCUIT, ())
    assert "state" not in sound
    looped = virtual_at("virtual:?part=tarn-line-split", Connection.OUT_OF_CIRCUIT, (Step.LOOP,))
    assert "state=external-loop" in looped
    assert "state=turn-1-ohm" in virtual_at("virtual:?state=turn-1-ohm", Connection.OUT_OF_CIRCUIT, ())


PORT = "virtual:?part=tarn-line-split&state=turn-dead&seed=3&hurry=1"


@pytest.fixture
def examine(tmp_path: Path, store: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    monkeypatch.chdir(tmp_path)

    def run(answers: str, *more: str) -> tuple[int, str, str]:
        (tmp_path / "answers.txt").write_text(answers, encoding="utf-8")
        words = ["--store", store, "--log", str(tmp_path / "log.sqlite"), "--answers", "answers.txt"]
        code = main(["examine", "lot-5", "--port", PORT, *words, *more])
        return code, *capsys.readouterr()

    return run


def test_out_of_circuit_it_takes_at_most_six_keys(examine, tmp_path: Path) -> None:
    code, out, _ = examine("\n" * 5)
    assert code == 0
    assert "lot-5: A TURN IS SHORTED" in out
    assert out.count("caution:") == 1
    assert max(map(len, out.splitlines())) <= 80
    code, out, _ = examine("p\n\n")
    assert code == 0
    assert "A TURN IS SHORTED" in out
    assert "lot-5" in (tmp_path / "lot-5.html").read_text(encoding="utf-8")


def test_the_end_is_told_at_once_or_later(examine, tmp_path: Path) -> None:
    code, out, _ = examine("\n" * 4 + "o\nmoths\n\n\n" + "o\n\n\n")
    assert code == 0
    assert "no cause 'moths'" in " ".join(out.split())
    assert "nothing is kept of its end" in out
    code, out, _ = examine("o\nshorted-turn\nreplaced, set runs\n90%\no\n\n")
    assert code == 0
    assert "kept: in the end, a shorted turn (sure to 90 %): replaced, set runs" in " ".join(out.split())
    assert "kept already: a shorted turn" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80
    with Log(tmp_path / "log.sqlite", writable=False) as log:
        (kept,) = outcomes_of(log, log.item("lot-5"))
    assert kept.outcome.cause == "shorted-turn"


def test_answers_that_end_too_early_lose_nothing(examine) -> None:
    code, _, err = examine("tarn\nn\n")
    assert code == 2
    assert "go on by: coilbell examine lot-5" in err
    code, out, err = examine("\n\nf\n\n", "--json")
    assert code == 0
    assert json.loads(out)["what"] == "finding"
    assert "reference or kind" not in err, "what it is was asked once"


@pytest.mark.parametrize(
    ("answers", "more", "told"),
    [
        ("", ["--reference", "tarn-21-line", "--kind", "relay coil"], "leave --kind out"),
        ("n\n", ["--kind", "no such kind"], "no such kind"),
        ("n\n", ["--reference", "nobody"], "nobody"),
    ],
)
def test_wrong_usage_is_one_line(examine, answers: str, more: list[str], told: str) -> None:
    code, _, err = examine(answers, *more)
    assert code in (2, 3)
    assert told in err
    assert "Traceback" not in err


def test_a_state_begins_empty() -> None:
    assert state_of([], frozenset()) == State()
