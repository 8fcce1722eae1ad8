"""A trend as it is kept: stretches in the log, in bounded rows, put together again, and drawn."""

from __future__ import annotations

import math
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from coilbell.bench.facts.trend import TrendFacts, Watched
from coilbell.bench.log import Log, add_trend, trends_of
from coilbell.bench.page.judgedshot import JudgedShot
from coilbell.bench.pictures.trend import trend_picture
from coilbell.bench.trend import MOST_BUCKETS
from coilbell.bench.watch import Watch, seen_of
from coilbell.decay import fit
from handmade import handmade_record

BEGUN_S = 1.9e9


def _shot(q: float) -> JudgedShot:
    record = handmade_record(q=q)
    return JudgedShot(1, BEGUN_S, "A", record, fit(record), None, None, None)


@pytest.fixture(scope="module")
def shots() -> dict[float, JudgedShot]:
    return {q: _shot(q) for q in (60.0, 40.0)}


def _watched(shots: dict[float, JudgedShot], seconds: float, each_s: float) -> tuple[Watch, list[TrendFacts]]:
    kept: list[TrendFacts] = []
    watch = Watch(BEGUN_S, "A", "out of circuit", kept.append)
    for time_s in np.arange(0.0, seconds, each_s):
        watch.see(shots[60.0], BEGUN_S + time_s)
    return watch, kept


def test_stretches_are_few_however_long_it_is_watched(shots: dict[float, JudgedShot]) -> None:
    _, hour = _watched(shots, 3600, 2.0)
    _, shift = _watched(shots, 8 * 3600, 5.0)
    assert len(hour) <= 60
    assert len(shift) <= 200
    assert all(len(one.buckets) <= 16 for one in shift)
    assert sum(bucket.shots for one in shift for bucket in one.buckets) >= 0.98 * 8 * 3600 / 5


def test_a_mark_is_kept_at_once_and_the_rest_when_it_ends(shots: dict[float, JudgedShot]) -> None:
    watch, kept = _watched(shots, 10, 1.0)
    assert not kept
    assert watch.mark("tapped", BEGUN_S + 10) == pytest.approx(10)
    assert [mark.text for mark in kept[0].marks] == ["tapped"]
    for time_s in range(10, 30):
        watch.see(shots[40.0], BEGUN_S + time_s)
    watch.close()
    (change,) = kept[1].changes
    assert change.what is Watched.Q
    assert change.after / change.before == pytest.approx(40 / 60, rel=0.02)


def test_what_does_not_ring_is_counted_and_kept_nowhere() -> None:
    record = handmade_record()
    silent = JudgedShot(1, 0.0, "A", record, fit(record.__class__(**_flat(record))), None, None, None)
    assert not silent.fit.rings
    assert not seen_of(silent, 1.0).rings
    watch = Watch(BEGUN_S, "A", "unknown", None)
    assert watch.see(silent, BEGUN_S) == ()
    assert (watch.trend.shots, watch.trend.silent, len(watch.trend.buckets)) == (1, 1, 0)


def _flat(record: object) -> dict[str, object]:
    from dataclasses import fields

    held = {field.name: getattr(record, field.name) for field in fields(record)}  # type: ignore[arg-type]
    noise = np.random.default_rng(1).normal(0, 1e-4, len(held["samples"]))
    return held | {"samples": noise.astype(held["samples"].dtype)}


def _kept(log: Log, shots: dict[float, JudgedShot]) -> None:
    item = log.add_item("lot-3")
    watch = Watch(BEGUN_S, "A", "out of circuit", lambda facts: add_trend(log, item, facts))
    for time_s in range(300):
        watch.see(shots[40.0 if 150 <= time_s < 200 else 60.0], BEGUN_S + time_s)
        if time_s == 140:
            watch.mark("heated", BEGUN_S + time_s)
    watch.close()


def test_the_log_gives_a_watching_back_in_one_piece_and_finds_its_damage(
    tmp_path: Path, shots: dict[float, JudgedShot]
) -> None:
    place = tmp_path / "log.sqlite"
    with Log(place) as log:
        _kept(log, shots)
        (whole,) = trends_of(log, log.item("lot-3")).watched
    assert sum(bucket.shots for bucket in whole.buckets) == 300
    assert len(whole.buckets) <= MOST_BUCKETS
    assert [round(change.after) for change in whole.changes if change.what is Watched.Q] == [40, 60]
    assert [(round(mark.time_s), mark.text) for mark in whole.marks] == [(140, "heated")]
    with sqlite3.connect(place) as base:
        base.execute("DROP TRIGGER trend_stays")
        base.execute(
            "UPDATE trend SET entry = replace(entry, 'heated', 'cooled') WHERE entry LIKE '%heated%'"
        )
    with Log(place, writable=False) as log:
        kept = trends_of(log, log.item("lot-3"))
    assert len(kept.damage) == 1
    assert not kept.watched[0].marks


def test_the_picture_shows_q_frequency_and_marks(tmp_path: Path, shots: dict[float, JudgedShot]) -> None:
    with Log(tmp_path / "log.sqlite") as log:
        _kept(log, shots)
        (whole,) = trends_of(log, log.item("lot-3")).watched
    drawing = trend_picture(whole)
    labels = [axes.get_ylabel() for axes in drawing.axes]
    assert labels == ["Q", "frequency"], "no odds, since nothing judged it"
    assert any("heated" in text.get_text() for text in drawing.axes[0].texts)
    q = drawing.axes[0].lines[0].get_ydata()
    assert math.isclose(min(q), 40, rel_tol=0.02)
