"""Fitting and judging again: the same as one by one, and going on where it was interrupted."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from coilbell.bench.facts.base import facts_of, kept_text
from coilbell.bench.facts.finding import finding_facts
from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.facts.question import question_of
from coilbell.bench.files.records import example, read
from coilbell.bench.log import Log, RefitSummary, refit
from coilbell.bench.log.check import problems
from coilbell.bench.log.derivation import fitted, judged
from coilbell.bench.log.entry import FittedCapture, keep
from coilbell.errors import FileError
from coilbell.record import Record
from coilbell.winding import Capture, Condition, Reference, find, kind_named, observe


@pytest.fixture(scope="module")
def rings() -> dict[str, tuple[tuple[Record, ...], dict[str, Any]]]:
    found = {}
    for name in ("whole", "shorted"):
        records = read(example(name))
        found[name] = records, fitted(records, name)[1]
    return found


def _reference(rings: Any) -> Reference:
    """The same each time: a reference's hash holds the moment it was made."""
    records, facts = rings["whole"]
    seen = observe(facts, records[0])
    return Reference(
        "tarn-21-line", kind_named("line-output transformer"), (Capture("unit-1", Condition.GOOD, seen),)
    )


def _filled(path: Path, rings: Any, copies: int = 3) -> None:
    reference = _reference(rings)
    with Log(path) as log:
        for k in range(copies):
            for name, (records, facts) in rings.items():
                keep(log, log.add_item(f"{name}-{k}"), [FittedCapture(records, name, facts)], reference)


def _told(log: Log) -> list[Any]:
    """All fits and judgements, newest last, without the moments they were made."""
    return [
        [tuple(row) for row in log.base.rows("SELECT id, capture_id, versions, facts FROM fit ORDER BY id")],
        [
            tuple(row)
            for row in log.base.rows(
                "SELECT id, item_id, question, reference_id, explanation, facts FROM judgement ORDER BY id"
            )
        ],
        [tuple(row) for row in log.base.rows("SELECT * FROM judgement_fit ORDER BY judgement_id, position")],
    ]


def test_a_judgement_from_kept_facts_is_that_from_the_fit(rings: Any) -> None:
    records, facts = rings["shorted"]
    reference = _reference(rings)
    found = find([observe(fitted(records)[0], records[0])], reference)
    kept = facts_of(kept_text(facts), FitFacts, "it")
    assert finding_facts(found, "x") == judged(question_of(), [(kept, records[0])], reference, "x")


def test_in_parallel_as_one_by_one(tmp_path: Path, rings: Any) -> None:
    seen = []
    for name, jobs in (("serial", 1), ("parallel", 2)):
        _filled(tmp_path / f"{name}.sqlite", rings)
        with Log(tmp_path / f"{name}.sqlite") as log:
            before = _told(log)
            outcome = refit(log, jobs=jobs)
            assert outcome == RefitSummary(fits=6, judgements=6)
            seen.append(_told(log))
            assert seen[-1][0][:6] == before[0], "old rows stay"
            assert len(seen[-1][0]) == len(seen[-1][1]) == 12
            assert [row[2:] for row in seen[-1][0][6:]] == [row[2:] for row in before[0]]
    assert seen[0] == seen[1]


def test_on_a_dask_cluster_as_one_by_one(tmp_path: Path, rings: Any) -> None:
    """Threads of this process stand for a cluster; tests/benchmarks/archive.py uses processes."""
    distributed = pytest.importorskip("distributed")
    joblib = pytest.importorskip("joblib")
    seen = []
    for name in ("serial", "dask"):
        _filled(tmp_path / f"{name}.sqlite", rings, 1)
        with Log(tmp_path / f"{name}.sqlite") as log:
            if name == "serial":
                refit(log, jobs=1)
            else:
                cluster = distributed.LocalCluster(
                    n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
                )
                with cluster, distributed.Client(cluster), joblib.parallel_config("dask"):
                    refit(log, jobs=None)
            seen.append(_told(log))
    assert seen[0] == seen[1]


class _Interrupted(Exception):
    pass


def _stop_after(batches: int) -> Any:
    calls = []

    def progress(done: int, total: int) -> None:
        calls.append((done, total))
        if len(calls) == batches + 1:  # the first tells where it begins
            raise _Interrupted

    return progress


@pytest.mark.parametrize("batches", [1, 3])
def test_an_interrupted_run_goes_on(
    tmp_path: Path, rings: Any, batches: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.modules["coilbell.bench.log.refit"], "_BATCH", 2)
    copies = 2
    _filled(tmp_path / "whole.sqlite", rings, copies)
    with Log(tmp_path / "whole.sqlite") as log:
        refit(log, jobs=1)
        whole = _told(log)
    _filled(tmp_path / "stopped.sqlite", rings, copies)
    with Log(tmp_path / "stopped.sqlite") as log, pytest.raises(_Interrupted):
        refit(log, jobs=1, progress=_stop_after(batches))
    steps: list[tuple[int, int]] = []
    with Log(tmp_path / "stopped.sqlite") as log:
        outcome = refit(log, jobs=1, progress=lambda done, total: steps.append((done, total)))
        assert outcome.resumed == 2 * batches
        assert outcome.fits + outcome.judgements == 8 - 2 * batches
        assert _told(log) == whole
        assert log.base.rows("SELECT count(*) FROM run WHERE finished_utc IS NOT NULL")[0][0] == 1
    if steps:
        assert steps[-1] == (8, 8)


@pytest.mark.skipif(sys.platform != "linux", reason="finds the workers in /proc")
def test_ctrl_c_at_a_terminal_is_one_line_and_ends_the_workers(tmp_path: Path, rings: Any) -> None:
    """A terminal sends Ctrl-C to the whole group: no worker has anything to say of it."""
    path = tmp_path / "log.sqlite"
    _filled(path, rings, copies=30)
    running = subprocess.Popen(
        [sys.executable, "-m", "coilbell", "log", "refit", "--log", str(path), "--jobs", "2"],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
    )
    children = Path(f"/proc/{running.pid}/task/{running.pid}/children")
    until = time.monotonic() + 60
    while len(workers := children.read_text().split()) < 3 and time.monotonic() < until:
        time.sleep(0.01)
    time.sleep(0.7)  # the workers have begun and are still importing
    os.killpg(running.pid, signal.SIGINT)
    _, err = running.communicate(timeout=60)
    assert len(workers) >= 3, "a tracker and two workers"
    assert (running.returncode, err) == (130, b"coilbell: interrupted\n")
    with Log(path, writable=False) as log:
        assert list(problems(log)) == []


def _refitting(path: Path) -> tuple[subprocess.Popen[bytes], list[int]]:
    """A refit in two processes, and its children: a tracker and the workers, all at work."""
    running = subprocess.Popen(
        [sys.executable, "-m", "coilbell", "log", "refit", "--log", str(path), "--jobs", "2"],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
    )
    children = Path(f"/proc/{running.pid}/task/{running.pid}/children")
    until = time.monotonic() + 60
    while time.monotonic() < until:
        workers = [int(pid) for pid in children.read_text().split()]
        with Log(path, writable=False) as log:
            kept = log.base.rows("SELECT count(*) FROM run_fit")[0][0]
        if len(workers) >= 3 and kept:
            return running, workers
        time.sleep(0.05)
    raise AssertionError("no fit was made again in a minute")


def _alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(sys.platform != "linux", reason="finds the workers in /proc")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_no_worker_outlives_a_run_that_was_killed(tmp_path: Path, rings: Any, how: signal.Signals) -> None:
    path = tmp_path / "log.sqlite"
    _filled(path, rings, copies=60)
    running, workers = _refitting(path)
    running.send_signal(how)
    running.communicate(timeout=60)
    until = time.monotonic() + 30
    while (left := [pid for pid in workers if _alive(pid)]) and time.monotonic() < until:
        time.sleep(0.1)
    assert not left
    with Log(path, writable=False) as log:
        assert list(problems(log)) == []


@pytest.mark.skipif(sys.platform != "linux", reason="finds the workers in /proc")
def test_a_killed_worker_is_one_line(tmp_path: Path, rings: Any) -> None:
    path = tmp_path / "log.sqlite"
    _filled(path, rings, copies=60)
    running, workers = _refitting(path)
    names = {pid: Path(f"/proc/{pid}/cmdline").read_bytes() for pid in workers}
    os.kill(next(pid for pid, name in names.items() if b"resource_tracker" not in name), signal.SIGKILL)
    _, err = running.communicate(timeout=120)
    assert running.returncode == 3, err
    assert b"ended from outside" in err
    assert b"Traceback" not in err
    assert err.count(b"\n") == 1, err


def test_what_cannot_be_fitted_again_is_told_and_the_rest_is_done(tmp_path: Path, rings: Any) -> None:
    _filled(tmp_path / "log.sqlite", rings, 1)
    with Log(tmp_path / "log.sqlite") as log:
        log.base.execute("DROP TRIGGER record_stays")
        log.base.execute("UPDATE record SET sha256 = 'x' WHERE capture_id = 1")
        outcome = refit(log, jobs=1)
        assert outcome.judgements == 2
        assert [p for p in outcome.problems if p.startswith("capture 1: a record does not match its hash")]
        assert [p for p in outcome.problems if p.startswith("whole-0: cannot be judged again")]
        assert len(log.judgements(log.item("shorted-0"))) == 2
        assert len(log.judgements(log.item("whole-0"))) == 1
        with pytest.raises(FileError, match="not as it was kept"):
            log.captures(log.item("whole-0"))


def test_a_fit_that_moved_and_a_judgement_that_changed_are_told(tmp_path: Path, rings: Any) -> None:
    """As after an upgrade: what is kept was made by other arithmetic."""
    records, facts = rings["whole"]
    told = json.loads(kept_text(facts))
    for name in ("value", "low", "high"):
        told["modes"][0]["q"][name] *= 0.3
    other = facts_of(json.dumps(told), FitFacts, "it")
    with Log(tmp_path / "log.sqlite") as log:
        kept = keep(log, log.add_item("lot-3"), [FittedCapture(records, "whole", other)], _reference(rings))
        assert kept is not None
        assert kept.explanation != "like healthy"
        outcome = refit(log, jobs=1)
    assert outcome.moved == 1
    assert outcome.changed == (f"lot-3: {kept.explanation} -> like healthy",)
