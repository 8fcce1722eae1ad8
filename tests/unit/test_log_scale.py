"""What the log costs as it grows, in steps of SQLite's machine: no wall time, so that it holds anywhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from coilbell.bench.audit import audit
from coilbell.bench.log import Log, add_outcome, outcome_of
from ended import ended_log

FEW, MANY = 12, 240


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Log, Log]]:
    """A small log and one of twenty times as many items, each with a ring, a finding and an outcome."""
    folder = tmp_path_factory.mktemp("scale")
    with Log(folder / "few.sqlite") as few, Log(folder / "many.sqlite") as many:
        for log, count in ((few, FEW), (many, MANY)):
            ended_log(log, [(0.1 + 0.8 * (k % 2), "sound", 0.9) for k in range(count)], rung=True)
        yield few, many


def _steps(log: Log, act: Callable[[Log], object]) -> int:
    """Steps of SQLite's machine that the act takes."""
    counted = 0

    def count() -> int:
        nonlocal counted
        counted += 1
        return 0

    log.base._connection.set_progress_handler(count, 1)
    act(log)
    log.base._connection.set_progress_handler(None, 0)
    return counted


def _end(log: Log) -> None:
    item = log.item("one-more")
    add_outcome(log, item, outcome_of(log, item, "open"))


def test_a_new_outcome_costs_no_pass_over_the_log(logs: tuple[Log, Log]) -> None:
    for log in logs:
        log.add_item("one-more")
    few, many = (_steps(log, _end) for log in logs)
    assert many <= 1.2 * few


def test_an_items_findings_are_read_without_the_others(logs: tuple[Log, Log]) -> None:
    few, many = (_steps(log, lambda log: log.judgements(log.item("part-3"))) for log in logs)
    assert many <= 1.2 * few


def test_an_audit_grows_with_the_log_and_no_faster(logs: tuple[Log, Log]) -> None:
    few, many = (_steps(log, audit) for log in logs)
    assert many <= 1.2 * MANY / FEW * few
