"""Fit and judge everything again, as after an upgrade: in parallel, resumable, the same as one by one.

A run is a row; what is made again is kept with it batch by batch, so that an interrupted run goes on where
it stopped. Old rows stay. joblib spreads the work, so that any of its backends serves:
`joblib.parallel_config("dask")` around `again` sends it to a Dask cluster.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from itertools import islice
from typing import TypeVar

from coilbell.bench.facts.base import Plain
from coilbell.bench.facts.fit import FitFacts, QuantityFacts
from coilbell.bench.facts.judgement import Judgement
from coilbell.bench.log.admission import utc_now
from coilbell.bench.log.book import Log
from coilbell.bench.log.derivation import fitted, judged
from coilbell.bench.log.rows import KeptJudgement, versions
from coilbell.bench.log.samples import unpacked
from coilbell.errors import CoilbellError, MeasurementError, MissingError

__all__ = ["RefitSummary", "refit"]

_BATCH = 16
"""Captures or judgements handed to a worker at once and kept in one transaction."""

_LOOK_S = 0.5
"""How often a worker looks whether the process that began it is still there [s]; assumed."""

_SYNCHRONIZE = 0x0010_0000
"""Right to wait for a process to end (published: Windows, process security and access rights)."""

_WAVE = 32
"""Batches read ahead, so that memory stays bounded however long the log is."""

FitAnswer = tuple[FitFacts | None, str]
"""Facts, or None and what went wrong."""
JudgementAnswer = tuple[Judgement | None, str]
Task = TypeVar("Task")
Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class RefitSummary:
    """What a run did; `resumed` counts what it had done before it was interrupted."""

    fits: int = 0
    moved: int = 0
    """Fits whose frequency or Q left the old 95 % interval, or that ring where none rang, or back."""
    judgements: int = 0
    changed: tuple[str, ...] = ()
    """Judgements that say something else now, a line each."""
    problems: tuple[str, ...] = ()
    resumed: int = 0


@dataclass(frozen=True, slots=True)
class _FitTask:
    old: int
    capture: int
    rows: tuple[Plain, ...]
    facts: FitFacts
    """The old ones."""


@dataclass(frozen=True, slots=True)
class _JudgementTask:
    old: KeptJudgement
    fits: tuple[int, ...]
    rings: tuple[tuple[FitFacts, Plain], ...]
    """Fit facts and the row of the first record of each capture."""
    reference: str | None
    """Its text."""
    problem: str = ""


def refit(
    log: Log, *, jobs: int | None = -1, progress: Callable[[int, int], None] | None = None
) -> RefitSummary:
    """Fit every capture and make every judgement again.

    jobs: processes, -1 for one on each processor, None for the backend's own count. progress: called with
    (done, of how many), first with what an interrupted run had done. Raises MissingError when the log cannot
    be written.
    """
    run = _run(log)
    total, before = _count(log, run), _done(log, run)
    outcome, done = RefitSummary(resumed=before), before
    if progress:
        progress(done, total)

    def told(count: int) -> None:
        nonlocal done
        done += count
        if progress:
            progress(done, total)

    for fits, found in _spread(_fit_batch, _fit_tasks(log, run), jobs):
        with log.together():
            outcome = _keep_fits(log, run, fits, found, outcome)
        told(len(fits))
    for judgements, said in _spread(_judge_batch, _judgement_tasks(log, run), jobs):
        with log.together():
            outcome = _keep_judgements(log, run, judgements, said, outcome)
        told(len(judgements))
    with log.together():
        log.base.execute("UPDATE run SET finished_utc = ? WHERE id = ?", utc_now(), run)
        log.base.written.append(("run", run))
    return outcome


def _spread(
    work: Callable[[list[Task]], list[Answer]], tasks: Iterator[Task], jobs: int | None
) -> Iterator[tuple[list[Task], list[Answer]]]:
    """Batches of tasks with their answers, in the tasks' order."""
    from joblib import Parallel, delayed

    # Tasks are read wave by wave here and not by joblib's threads: the log's connection is this thread's.
    with Parallel(n_jobs=jobs, return_as="generator", batch_size=1) as parallel:
        while wave := list(islice(_batches(tasks), _WAVE)):
            with _workers_unheeding():
                answers = parallel(delayed(_watched)(work, batch, os.getpid()) for batch in wave)
            try:
                yield from zip(wave, answers, strict=True)
            except BrokenExecutor as error:
                raise MissingError(
                    "a process that fitted was ended from outside, perhaps for want of memory; what was made "
                    "is kept: run `coilbell log refit` again, with fewer --jobs"
                ) from error


def _watched(work: Callable[[list[Task]], list[Answer]], batch: list[Task], parent: int) -> list[Answer]:
    """A batch done in a process that does not outlive the one that began it."""
    if os.getpid() != parent and os.getppid() == parent:
        _end_with(parent)
    return work(batch)


@cache
def _end_with(parent: int) -> None:
    """End this process when `parent` is gone, however that ended: it could not tell its workers."""

    def watch() -> None:
        while not _gone(parent):
            time.sleep(_LOOK_S)
        os._exit(1)

    threading.Thread(target=watch, name="parent gone?", daemon=True).start()


def _gone(parent: int) -> bool:
    if sys.platform != "win32":
        return os.getppid() != parent  # an orphan gets another parent (POSIX, _exit)
    import ctypes

    kernel = ctypes.windll.kernel32
    handle = kernel.OpenProcess(_SYNCHRONIZE, False, parent)
    ended = not handle or kernel.WaitForSingleObject(handle, 0) == 0
    if handle:
        kernel.CloseHandle(handle)
    return ended


@contextmanager
def _workers_unheeding() -> Iterator[None]:
    """Worker processes started inside ignore Ctrl-C, which a terminal sends to all processes of a command.

    A signal that is ignored when a process starts stays ignored in it (POSIX, execve). In this process
    Ctrl-C works again right afterwards, and ends the workers. Pressed in that very instant it is lost.
    """
    if threading.current_thread() is not threading.main_thread():  # signals are the main thread's
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.SIG_DFL if before is None else before)


def _batches(tasks: Iterator[Task]) -> Iterator[list[Task]]:
    while batch := list(islice(tasks, _BATCH)):
        yield batch


def _run(log: Log) -> int:
    """The interrupted run of this very version, else a new one."""
    by = json.dumps(versions(), sort_keys=True)
    with log.together():
        rows = log.base.rows(
            "SELECT id FROM run WHERE finished_utc IS NULL AND versions = ? ORDER BY id DESC", by
        )
        if rows:
            return int(rows[0]["id"])
        ends = log.base.rows(
            "SELECT (SELECT coalesce(max(id), 0) FROM fit) AS last_fit, "
            "(SELECT coalesce(max(id), 0) FROM judgement) AS last_judgement"
        )[0]
        return log.base.insert("run", started_utc=utc_now(), versions=by, **dict(ends))


_NEWEST = """
SELECT max(fit.id) AS old_fit, fit.capture_id FROM fit, run
WHERE run.id = ?1 AND fit.id <= run.last_fit GROUP BY fit.capture_id
"""

_STANDING = """
SELECT judgement.id FROM judgement, run WHERE run.id = ?1 AND judgement.id <= run.last_judgement
AND NOT EXISTS (SELECT 1 FROM run_judgement r
    WHERE r.old_judgement = judgement.id AND r.new_judgement IS NOT NULL AND r.run_id <> ?1)
"""


def _count(log: Log, run: int) -> int:
    return sum(int(log.base.rows(f"SELECT count(*) FROM ({q})", run)[0][0]) for q in (_NEWEST, _STANDING))


def _done(log: Log, run: int) -> int:
    tables = ("run_fit", "run_judgement")
    return sum(log.base.rows(f"SELECT count(*) FROM {t} WHERE run_id = ?", run)[0][0] for t in tables)


def _fit_tasks(log: Log, run: int) -> Iterator[_FitTask]:
    """What is still to be fitted, read as it is needed."""
    left = log.base.rows(
        f"SELECT old_fit, capture_id FROM ({_NEWEST}) WHERE old_fit NOT IN "
        "(SELECT old_fit FROM run_fit WHERE run_id = ?1) ORDER BY capture_id",
        run,
    )
    for old, capture in left:
        rows = log.base.rows("SELECT * FROM record WHERE capture_id = ? ORDER BY position", capture)
        yield _FitTask(old, capture, tuple(map(dict, rows)), log.fit(old).facts)


def _fit_batch(tasks: Sequence[_FitTask]) -> list[FitAnswer]:
    return [_fit_again(task) for task in tasks]


def _fit_again(task: _FitTask) -> FitAnswer:
    try:
        records = [unpacked(row) for row in task.rows]
        return fitted(records, task.facts.title, task.facts.count_to)[1], ""
    except CoilbellError as error:
        return None, str(error)


def _keep_fits(
    log: Log, run: int, tasks: Sequence[_FitTask], answers: Sequence[FitAnswer], so_far: RefitSummary
) -> RefitSummary:
    moved, problems = so_far.moved, list(so_far.problems)
    for task, (facts, problem) in zip(tasks, answers, strict=True):
        new = None if facts is None else log.add_fit(task.capture, facts).id
        log.base.insert("run_fit", run_id=run, old_fit=task.old, new_fit=new, problem=problem)
        if facts is None:
            problems.append(f"capture {task.capture}: {problem}")
        else:
            moved += _moved(task.facts, facts)
    return replace(so_far, fits=so_far.fits + len(tasks), moved=moved, problems=tuple(problems))


def _moved(old: FitFacts, new: FitFacts) -> bool:
    if not (old.rings and new.rings):
        return old.rings != new.rings
    pairs = ((old.main.frequency_hz, new.main.frequency_hz), (old.main.q, new.main.q))
    return any(_outside(was, now.value) for was, now in pairs)


def _outside(was: QuantityFacts, now: float | None) -> bool:
    """False as well where one of them is not known."""
    if was.low is None or was.high is None or now is None:
        return False
    return not was.low <= now <= was.high


def _judgement_tasks(log: Log, run: int) -> Iterator[_JudgementTask]:
    """What is still to be judged again, from the fits this run made."""
    left = log.base.rows(
        f"{_STANDING} AND judgement.id NOT IN "
        "(SELECT old_judgement FROM run_judgement WHERE run_id = ?1) ORDER BY judgement.id",
        run,
    )
    for (number,) in left:
        yield _judgement_task(log, run, log.judgement(number))


def _judgement_task(log: Log, run: int, old: KeptJudgement) -> _JudgementTask:
    fits, rings = [], []
    try:
        for number in old.fits:
            fit = log.fit(_new_fit(log, run, number))
            record = log.base.rows(
                "SELECT * FROM record WHERE capture_id = ? ORDER BY position LIMIT 1", fit.capture_id
            )[0]
            fits.append(fit.id)
            rings.append((fit.facts, dict(record)))
        text = None if old.reference is None else log.reference_text(old.reference[1])
    except CoilbellError as error:
        return _JudgementTask(old, (), (), None, str(error))
    return _JudgementTask(old, tuple(fits), tuple(rings), text)


def _new_fit(log: Log, run: int, old: int) -> int:
    """The fit this run made of the capture that `old` is a fit of."""
    row = log.base.rows(
        "SELECT r.new_fit, r.problem FROM fit asked JOIN fit newest ON newest.capture_id = asked.capture_id "
        "JOIN run_fit r ON r.old_fit = newest.id AND r.run_id = ? WHERE asked.id = ?",
        run,
        old,
    )[0]
    if row["new_fit"] is None:
        raise MeasurementError(f"cannot be judged again: {row['problem']}")
    return int(row["new_fit"])


def _judge_batch(tasks: Sequence[_JudgementTask]) -> list[JudgementAnswer]:
    return [_judge_again(task) for task in tasks]


def _judge_again(task: _JudgementTask) -> JudgementAnswer:
    from coilbell.winding import decode

    if task.problem:
        return None, task.problem
    try:
        rings = [(facts, unpacked(row)) for facts, row in task.rings]
        reference = None if task.reference is None else decode(task.reference)
        return judged(task.old.question, rings, reference, task.old.facts.title), ""
    except CoilbellError as error:
        return None, str(error)


def _keep_judgements(
    log: Log,
    run: int,
    tasks: Sequence[_JudgementTask],
    answers: Sequence[JudgementAnswer],
    so_far: RefitSummary,
) -> RefitSummary:
    changed, problems = list(so_far.changed), list(so_far.problems)
    for task, (facts, problem) in zip(tasks, answers, strict=True):
        old, new = task.old, None
        if facts is None:
            problems.append(f"{log.name_of(old.item_id)}: {problem}")
        else:
            new = log.add_judgement(old.item_id, old.question, facts, task.fits, old.reference).id
            if facts.explanation != old.explanation:
                changed.append(f"{log.name_of(old.item_id)}: {old.explanation} -> {facts.explanation}")
        log.base.insert("run_judgement", run_id=run, old_judgement=old.id, new_judgement=new, problem=problem)
    return replace(
        so_far,
        judgements=so_far.judgements + len(tasks),
        changed=tuple(changed),
        problems=tuple(problems),
    )
