"""What findings said against what items were: cases, shares, scores, words, picture, and the invented log."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbell.bench.audit import audit, invented_log
from coilbell.bench.audit.cases import Counts, cases_of
from coilbell.bench.audit.scores import bins_of, interval, least_number, resolution, score_of
from coilbell.bench.facts.audit import AuditFacts
from coilbell.bench.facts.base import facts_of, kept_text
from coilbell.bench.facts.question import question_of
from coilbell.bench.log import Log, add_outcome, concluded, outcome_of, withdraw_outcome
from coilbell.bench.log.check import problems
from coilbell.bench.pictures.reliability import reliability_picture
from coilbell.bench.words.audit import audit_text
from coilbell.cli import main
from coilbell.errors import InputError
from coilbell.record import Connection
from ended import ended_log, stating

SURE = 1.0


@pytest.fixture
def log(tmp_path: Path) -> Any:
    with Log(tmp_path / "log.sqlite") as opened:
        yield opened


def _cases(log: Log) -> list[Any]:
    return cases_of(log, concluded(log), Counts())


@given(k=st.floats(0, 1), n=st.floats(0.1, 1e4), level=st.floats(0.5, 0.999))
def test_an_interval_holds_the_share_and_narrows(k: float, n: float, level: float) -> None:
    low, high = interval(k * n, n, level)
    assert 0 <= low <= k + 1e-9
    assert k - 1e-9 <= high <= 1
    wider = interval(k * n, n, 0.5 + level / 2)
    assert wider[0] <= low + 1e-9
    assert wider[1] >= high - 1e-9


def test_nothing_is_known_of_nothing() -> None:
    assert interval(0, 0) == (0.0, 1.0)
    assert resolution(least_number()) <= 0.2 < resolution(least_number() - 1)


def test_scores_by_hand(log: Log) -> None:
    """Stated 0.8 of ten items, of which nine are shorted; 0.1 of twenty, of which none is."""
    ended_log(log, [(0.8, "shorted-turn", SURE)] * 9 + [(0.8, "sound", SURE)] + [(0.1, "load", SURE)] * 20)
    score = score_of(_cases(log))
    assert score is not None
    assert score.brier == pytest.approx((9 * 0.04 + 0.64 + 20 * 0.01) / 30)
    assert score.brier_base == pytest.approx(0.3 * 0.7)
    assert score.log == pytest.approx(-(9 * np.log2(0.8) + np.log2(0.2) + 20 * np.log2(0.9)) / 30)
    assert score.gap == pytest.approx((abs(8 - 9) + 2) / 30)
    assert [(one.items, one.stated, one.found.share) for one in bins_of(_cases(log))] == [
        (20, pytest.approx(0.1), 0.0),
        (10, pytest.approx(0.8), pytest.approx(0.9)),
    ]


def test_an_outcome_weighs_as_it_is_sure(log: Log) -> None:
    ended_log(
        log, [(0.9, "shorted-turn", 0.9), (0.9, "sound", 0.5), (0.1, "sound", 0.9), (0.1, "sound", 1.0)]
    )
    found = {case.item: (case.shorted, case.weight) for case in _cases(log)}
    base = 0.64 / (0.64 + 0.64 + 1)
    assert found["part-0"] == (0.9, pytest.approx(0.64))
    assert found["part-1"] == (pytest.approx(0.5 * base), 0.0)
    assert found["part-2"] == (pytest.approx(0.1 * base), pytest.approx(0.64))
    assert found["part-3"] == (0.0, 1.0)


def test_what_tells_no_more_than_a_coin_counts_for_nothing(log: Log) -> None:
    ended_log(log, [(0.9, "shorted-turn", 0.5)] * 3 + [(0.9, "shorted-turn", SURE)] * 30)
    facts = audit(log)
    assert facts.score is not None
    assert (facts.score.items, facts.score.gap) == (30, pytest.approx(0.1))


def test_an_unsure_finder_widens_the_share_and_moves_it_not(log: Log) -> None:
    """Of a hundred shorted ones that finders sure to 80 % looked at eighty are named so: all were shorted."""
    ended_log(log, [(0.99, "shorted-turn", 0.8)] * 80 + [(0.99, "sound", 0.8)] * 20)
    (one,) = bins_of(_cases(log))
    assert one.found.share == pytest.approx(1.0)
    assert one.found.low < 0.9 < one.found.high == 1.0


def test_only_what_was_said_before_the_end_counts(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    item = log.add_item("choke-7", kind="power inductor")
    moments = iter(f"2031-05-04T09:10:{second:02}.000Z" for second in range(60))
    for place in ("book", "outcomes", "corrections"):
        monkeypatch.setattr(f"coilbell.bench.log.{place}.utc_now", lambda: next(moments))
    log.add_judgement(item, question_of(), stating(0.3, Connection.IN_CIRCUIT), [])
    log.add_judgement(item, question_of(), stating(0.5), [])
    last = log.add_judgement(item, question_of(), stating(0.7), [])
    add_outcome(log, item, outcome_of(log, item, "core"))
    log.add_judgement(item, question_of(), stating(0.01), [])
    cases = {case.stage: case for case in _cases(log)}
    assert {stage: case.stated for stage, case in cases.items()} == {"in circuit": 0.3, "out of circuit": 0.7}
    assert cases["out of circuit"].judgement == last.id
    assert [case.last for case in cases.values()] == [False, True]
    late = log.add_item("choke-8")
    add_outcome(log, late, outcome_of(log, late, "core"))
    log.add_judgement(late, question_of(), stating(0.4), [])
    facts = audit(log)
    assert (facts.items, facts.undated) == (2, 1)


def test_what_is_withdrawn_or_never_known_is_not_in_it(log: Log) -> None:
    ended_log(log, [(0.9, "shorted-turn", SURE), (0.2, "never-known", SURE), (0.1, "", SURE)])
    item = log.item("part-0")
    withdraw_outcome(log, item, "was another part")
    facts = audit(log)
    assert (facts.items, facts.never_known, facts.bins) == (1, 1, ())


def test_too_few_are_told_as_such(log: Log) -> None:
    ended_log(log, [(0.9, "shorted-turn", SURE)] * 5)
    text = audit_text(audit(log))
    assert "too few to tell anything: 27 items with surely known ends are needed" in " ".join(text.split())
    assert "Brier" not in text


def test_the_impossible_that_came_true_is_told(log: Log) -> None:
    ended_log(log, [(0.0, "shorted-turn", SURE)] + [(0.1, "sound", SURE)] * 30)
    facts = audit(log)
    assert facts.score is not None
    assert facts.score.log is None
    assert facts.surprises[0].bits is None
    assert "log score infinite" in audit_text(facts)


def test_a_judge_that_is_wrong_is_found_out(log: Log) -> None:
    ended_log(log, [(0.95, "sound", SURE)] * 20 + [(0.95, "shorted-turn", SURE)] * 20)
    facts = audit(log)
    assert facts.score is not None
    assert facts.score.gap_usual is not None
    assert facts.score.gap > facts.score.gap_usual
    assert "the odds are not what they say" in " ".join(audit_text(facts).split())


def test_facts_are_read_again_and_fit_the_screen(log: Log) -> None:
    ended_log(log, [(0.95, "shorted-turn", 0.9)] * 20 + [(0.03, "sound", SURE)] * 30)
    facts = audit(log)
    assert facts_of(kept_text(facts), AuditFacts, "audit") == facts
    assert max(map(len, audit_text(facts).splitlines())) <= 80


def test_an_empty_picture_is_refused(log: Log) -> None:
    with pytest.raises(InputError, match="nothing can be drawn"):
        reliability_picture(audit(log))


@pytest.fixture(scope="module")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty-four invented repairs."""
    path = tmp_path_factory.mktemp("invented") / "log.sqlite"
    with Log(path) as log:
        invented_log(log, seed=3, repairs=24)
    return path


def test_invented_repairs_are_sound_and_say_what_they_are(invented: Path) -> None:
    with Log(invented, writable=False) as log:
        assert list(problems(log)) == []
        items = log.items()
        assert all("invented" in f"{item.equipment} {item.part}" for item in items)
        assert all(record.simulated for item in items for c in log.captures(item) for record in c.records)
        facts = audit(log)
    assert facts.items == 24
    left = facts.never_known + facts.elsewhere + facts.undated
    assert facts.simulated == facts.items - left == sum(one.items for one in facts.bins) + facts.no_odds
    assert facts.ranking is not None
    assert facts.ranking.rank < facts.ranking.rank_before
    assert {one.by for one in facts.groups} == {"kind", "stage", "units"}


def test_the_same_seed_makes_the_same_repairs(invented: Path, tmp_path: Path) -> None:
    def told(path: Path) -> list[Any]:
        with Log(path) as log:
            return [(one.item.name, [kept.outcome for kept in one.outcomes]) for one in concluded(log)][:3]

    with Log(tmp_path / "again.sqlite") as log:
        invented_log(log, seed=3, repairs=3)
    with Log(tmp_path / "other.sqlite") as log:
        invented_log(log, seed=4, repairs=3)
    assert told(tmp_path / "again.sqlite") == told(invented)
    assert told(tmp_path / "other.sqlite") != told(invented)


def test_the_command_tells_draws_and_gives_json(
    invented: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = tmp_path / "odds.png"
    assert main(["log", "audit", "--log", str(invented), "--picture", str(picture)]) == 0
    told = capsys.readouterr()
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert "simulated board" in told.out
    assert max(map(len, told.out.splitlines())) <= 80
    assert "nothing against" not in told.out
    assert main(["log", "audit", "--log", str(invented), "--full"]) == 0
    full = capsys.readouterr().out
    assert "nothing against: " in full
    assert max(map(len, full.splitlines())) <= 80
    assert main(["log", "audit", "--log", str(invented), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert msgspec.convert(found, AuditFacts).items == 24


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--picture", "odds.doc"], 2, "not written as .doc"),
        (["--picture", "odds.png"], 2, "nothing can be drawn yet"),
        (["choke-7"], 2, "unrecognized arguments"),
    ],
)
def test_wrong_usage_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int, said: str
) -> None:
    path = tmp_path / "log.sqlite"
    with Log(path):
        pass
    try:
        found = main(["log", "audit", "--log", str(path), *words])
    except SystemExit as ended:
        found = ended.code  # type: ignore[assignment]
    assert found == code
    assert said in capsys.readouterr().err
    assert not (tmp_path / "odds.png").exists()
