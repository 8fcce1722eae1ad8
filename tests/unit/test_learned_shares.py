"""Shares of causes by outcomes: what they weigh, what selection may do, and that a stated prior wins."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest
from scipy.stats import dirichlet

from coilbell.bench.facts.question import Question, question_of
from coilbell.bench.learned.lent import reference_named
from coilbell.bench.learned.shares import priors_of
from coilbell.bench.log import Log, add_outcome, fitted, outcome_of, withdraw_outcome
from coilbell.bench.log.derivation import finding_of, judged
from coilbell.bench.log.keeper import LogKeeper
from coilbell.bench.shelf import Shelf
from coilbell.bench.worksheet.sheet import begin, opened
from coilbell.isolate import shipped
from coilbell.record import Capacitor, Connection
from coilbell.terms import Cause
from coilbell.winding import (
    EVEN,
    Capture,
    Condition,
    Observation,
    Reference,
    Shares,
    bounded_shares,
    find,
    kind_named,
    learned_shares,
)
from handmade import handmade_record

KIND = kind_named("power inductor")
A = Capacitor(22e-9, 0.01, "A")
OUT = Connection.OUT_OF_CIRCUIT


def reference(**more: object) -> Reference:
    seen = [Observation(A, 21e3 * (1 + 0.01 * k), 60 + k, connection=OUT) for k in range(3)]
    captures = [Capture(f"u{k}", Condition.GOOD, one) for k, one in enumerate(seen)]
    return replace(Reference.begin("moss", KIND.name, captures), **more)  # type: ignore[arg-type]


def test_shares_are_the_mean_of_a_dirichlet_distribution() -> None:
    stated = {"a": 0.6, "b": 0.3, "c": 0.1}
    counts = {"a": 3.0, "b": 7.5, "c": 1.0}
    found, bounded = bounded_shares(stated, counts, 20, 1e9)
    expected = dirichlet([20 * stated[k] + counts[k] for k in stated]).mean()
    assert not bounded
    assert list(found.values()) == pytest.approx(list(expected))


def test_no_odds_are_moved_more_than_selection_could() -> None:
    stated = {"a": 0.6, "b": 0.3, "c": 0.1}
    found, bounded = bounded_shares(stated, {"c": 1e6}, 20, 4)
    assert bounded
    assert sum(found.values()) == pytest.approx(1)
    for key, share in stated.items():
        moved = found[key] / (1 - found[key]) / (share / (1 - share))
        assert 1 / 4.001 <= moved <= 4.001, key


def test_a_hundred_shorted_sets_convict_no_winding_by_themselves() -> None:
    told = learned_shares(KIND, OUT, {Cause.SHORTED: 100.0})
    assert told is not None
    assert told.prior == pytest.approx(0.8)
    assert told.bounded
    assert learned_shares(KIND, OUT, {}) is None


def test_outcomes_move_the_prior_and_the_shares_and_a_stated_prior_wins() -> None:
    counts = {Cause.SHORTED: 2.0, Cause.CORE: 12.0, Cause.NOTHING: 6.0}
    told = learned_shares(KIND, OUT, counts)
    assert told is not None
    assert told.prior == pytest.approx((10 + 2) / 40)
    with_them, plain = reference(shares=(told,)), reference()
    seen = [Observation(A, 23.5e3, 58.0, connection=OUT)]
    usual, moved = find(seen, plain).odds, find(seen, with_them).odds
    given = find(seen, with_them, prior=0.5).odds
    assert usual is not None
    assert moved is not None
    assert given is not None
    assert (usual.prior, moved.prior, given.prior) == (EVEN, told.prior, 0.5)
    assert moved.of(Cause.CORE) > 1.5 * usual.of(Cause.CORE)
    words = " ".join(moved.basis)
    assert "rest on 20 outcomes of this bench's power inductor, out of circuit" in words
    assert "only repaired sets have outcomes" in words
    assert "assumed; another can be given" not in words


def test_another_connection_is_another_share() -> None:
    told = learned_shares(KIND, Connection.IN_CIRCUIT, {Cause.SHORTED: 10.0})
    assert told is not None
    found = find([Observation(A, 21e3, 60.0, connection=OUT)], reference(shares=(told,))).odds
    assert found is not None
    assert found.prior == EVEN


def test_what_cannot_be_is_refused() -> None:
    told = learned_shares(KIND, OUT, {Cause.SHORTED: 1.0})
    assert told is not None
    for wrong in ({"prior": 1.0}, {"causes": told.causes[:-1]}, {"outcomes": math.inf}):
        with pytest.raises(ValueError, match=r"shares|outcomes"):
            replace(told, **wrong)  # type: ignore[arg-type]
    text = msgspec.json.encode(msgspec.structs.replace(question_of(), shares=(told,)))
    assert msgspec.json.decode(text, type=Question).shares == (told,)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("COILBELL_REFERENCES", str(tmp_path / "shelf"))
    monkeypatch.setenv("COILBELL_LOG", str(tmp_path / "log.sqlite"))
    Shelf().put(reference())
    return tmp_path


def repaired(log: Log, name: str, cause: str, by: Reference, sure: float = 1.0) -> None:
    """An item of the log that was judged out of circuit, and what it was in the end."""
    record = handmade_record(test_capacitor=A, connection=OUT)
    item = log.add_item(name, part="output choke", kind=KIND.name)
    capture = log.add_capture(item, (record,), name)
    fit = log.add_fit(capture, fitted((record,), name)[1])
    facts = judged(question_of(), [(fit.facts, record)], by, name)
    log.add_judgement(item, question_of(), facts, [fit], by)
    add_outcome(log, item, outcome_of(log, item, cause, sure=sure))


def test_a_log_teaches_and_a_withdrawn_outcome_no_longer(bench: Path) -> None:
    by = reference()
    with Log() as log:
        for k in range(3):
            repaired(log, f"choke-{k}", "core", by)
    (told,) = reference_named("moss").shares
    assert told.outcomes == pytest.approx(3)
    assert dict(told.causes)[Cause.CORE] > 0.1
    with Log() as log:
        withdraw_outcome(log, log.item("choke-0"), "mixed up")
    assert reference_named("moss").shares[0].outcomes == pytest.approx(2)
    with Log() as log:
        repaired(log, "choke-9", "sound", by, sure=0.8)
    assert reference_named("moss").shares[0].outcomes == pytest.approx(2.8)
    assert reference_named("moss").spreads is None, "0.8 is not sure enough for a good unit"


def test_a_new_outcome_costs_no_pass_over_the_log(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import coilbell.bench.learned.logged as logged

    by = reference()
    with Log() as log:
        for k in range(3):
            repaired(log, f"choke-{k}", "core", by)
    reference_named("moss")
    read: list[int] = []
    real = logged._ended
    monkeypatch.setattr(logged, "_ended", lambda log, row: read.append(row["id"]) or real(log, row))
    reference_named("moss")
    assert read == []
    with Log() as log:
        repaired(log, "choke-8", "core", by)
    reference_named("moss")
    assert len(read) == 1


def test_a_kept_judgement_is_asked_again_with_what_was_learned_then(bench: Path) -> None:
    by = reference()
    with Log() as log:
        for k in range(6):
            repaired(log, f"choke-{k}", "core", by)
        lent = reference_named("moss")
        assert lent.shares
        record = handmade_record(test_capacitor=A, connection=OUT)
        item = log.add_item("choke-x", kind=KIND.name)
        fit = log.add_fit(log.add_capture(item, (record,), "x"), fitted((record,), "x")[1])
        first = finding_of(question_of(), [(fit.facts, record)], lent)
        facts = judged(question_of(), [(fit.facts, record)], lent, "x")
        kept = log.add_judgement(item, question_of(), facts, [fit], lent)
        assert kept.question.shares == lent.shares
        assert kept.reference is not None
        again = finding_of(kept.question, [(fit.facts, record)], log.reference(kept.reference[1]))
    assert first.odds is not None
    assert again.odds is not None
    assert again.odds.prior == first.odds.prior != EVEN


def test_a_worksheet_begins_with_the_priors_that_outcomes_tell(bench: Path) -> None:
    kind = shipped()["crt monitor"] if "crt monitor" in shipped() else next(iter(shipped().values()))
    cause = kind.hypothesis[0].key
    with Log() as log:
        for k in range(5):
            item = log.add_item(f"set-{k}")
            begin(LogKeeper(log, item), kind, "none")
            add_outcome(log, item, outcome_of(log, item, cause))
    learned = priors_of(kind)
    assert learned is not None
    assert learned.priors[cause] > kind.hypothesis[0].prior
    assert sum(learned.priors.values()) == pytest.approx(1)
    with Log() as log:
        keeper = LogKeeper(log, log.add_item("set-new"))
        begin(keeper, kind, "none", learned=learned)
        sheet = opened(keeper)
    assert {h.key: h.prior for h in sheet.kind.hypothesis} == pytest.approx(learned.priors)
    assert any("only repaired sets have outcomes" in remark for remark in sheet.remarks)


def test_shares_of_nothing_are_none() -> None:
    with pytest.raises(ValueError, match="shares"):
        Shares(OUT, 0.5, (), 1.0, 20.0, bounded=False)
