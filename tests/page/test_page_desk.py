"""What the desk makes of shots, orders and losses. No browser."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from coilbell.bench.log import Log, trends_of
from coilbell.commands.portsource import PortSource
from coilbell.decay import fit
from page.steered import Watcher, serving


def _running(page: Any, source: Any) -> dict[str, Any]:
    page.order("run", on=True)
    return dict(page.until(lambda m: m["what"] == "shot" and m["number"] >= 3))


def test_a_shot_tells_the_figures_of_the_fit(watch: Callable[..., Any], struck: Any) -> None:
    page = watch()
    page.order("strike")
    shot = page.next("shot")
    ring = fit(struck["healthy"]["A"]).main
    told = {f["name"]: f["value"] for f in shot["figures"]}
    assert set(told) == {"frequency", "Q", "inductance", "rings to 1/10"}
    assert float(told["frequency"].split("(")[0]) == pytest.approx(ring.frequency_hz.value / 1e3, rel=1e-6)
    assert float(told["Q"].split("(")[0]) == pytest.approx(ring.q.value, rel=1e-4)
    assert all("(" in value for value in told.values())
    assert all(f["interval"].startswith("95 %") for f in shot["figures"])
    assert "judged by the kind alone" in shot["finding"]["odds_words"]
    assert shot["plane"] is None


def test_both_capacitors_are_struck_in_turn(watch: Callable[..., Any], source: Any) -> None:
    page = watch()
    page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "ready")
    page.order("wish", capacitor="both", connection="in circuit")
    page.until(lambda m: m["what"] == "status" and m["wish"]["capacitor"] == "both")
    page.order("strike")
    assert "and B (2.2 nF)" in page.until(lambda m: m["what"] == "shot" and m["number"] == 2)["title"]
    assert [letter for letter, _ in source.shots] == ["A", "B"]
    assert {str(where) for _, where in source.shots} == {"in circuit"}


def test_what_is_kept_stands_in_the_log(watch: Callable[..., Any], served: Any) -> None:
    page = watch()
    page.order("strike")
    page.next("shot")
    page.order("keep", item="lot-3", words="warm side")
    assert not page.next("answer")["failed"]
    page.order("note", item="lot-3", words="second look")
    assert not page.next("answer")["failed"]
    with Log(served.folder / "log.sqlite", writable=False) as log:
        item = log.item("lot-3")
        assert len(log.captures(item)) == 1
        assert [note.words for note in log.notes(item)] == ["warm side", "second look"]
    import httpx

    report = httpx.get(served.address + "report/lot-3", timeout=60)
    assert report.status_code == 200
    assert "lot-3" in report.text
    full = httpx.get(served.address + "report/lot-3?full=1", timeout=60)
    assert full.status_code == 200
    assert "samples, fit, envelope" in full.text
    assert "samples, fit, envelope" not in report.text
    assert httpx.get(served.address + "report/nothing").status_code == 404


def test_after_a_loss_shots_go_on_when_asked(watch: Callable[..., Any], source: Any) -> None:
    page = watch()
    number = _running(page, source)["number"]
    source.unplugged = True
    lost = page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "lost")
    assert "unplugged" in lost["link"]["words"] or "vanished" in lost["link"]["words"]
    assert lost["leads"]["state"] == "unknown"
    source.unplugged = False
    page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "ready" and not m["running"])
    page.order("run", on=True)
    assert page.until(lambda m: m["what"] == "shot" and m["number"] > number + 3)


def test_live_leads_are_told_and_nothing_is_fired(watch: Callable[..., Any], source: Any) -> None:
    page = watch()
    _running(page, source)
    source.volts = 12.0
    live = page.until(lambda m: m["what"] == "status" and m["leads"]["state"] == "live")
    assert "+12.00 V" in live["leads"]["words"]
    assert "discharge" in live["leads"]["words"]
    source.volts = 0.0
    page.until(lambda m: m["what"] == "status" and m["leads"]["state"] == "quiet")


def test_a_page_that_does_not_read_delays_nobody(watch: Callable[..., Any], source: Any) -> None:
    sleeper = watch()  # opened and never read
    page = watch()
    page.order("take")
    source.pause_s = 0.0
    page.order("run", on=True)
    first = page.next("shot")["number"]
    last = page.until(lambda m: m["what"] == "shot" and m["number"] >= first + 40, 60)
    assert last["number"] >= first + 40
    numbers = [sleeper.next("shot")["number"] for _ in range(3)]
    assert numbers[1] <= first + 2  # what was sent before it slept
    assert numbers[2] >= last["number"] - 2  # then the newest, nothing in between


def test_shots_of_one_order_stay_what_was_asked(watch: Callable[..., Any], source: Any) -> None:
    page = watch()
    _running(page, source)
    page.order("wish", connection="out of circuit")
    page.until(lambda m: m["what"] == "shot" and "out of circuit" in m["title"])
    for _ in range(3):
        assert "out of circuit" in page.next("shot")["title"]


def test_a_shot_struck_before_the_wish_changed_is_not_shown(watch: Callable[..., Any], source: Any) -> None:
    page = watch()
    page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "ready")
    source.may_end.clear()
    page.order("strike")
    assert source.begun.wait(20)
    page.order("wish", connection="in circuit")
    page.until(lambda m: m["what"] == "status" and m["wish"]["connection"] == "in circuit")
    source.may_end.set()
    overtaken = page.next("answer")
    assert overtaken["failed"]
    assert "strike again" in overtaken["words"]
    page.order("strike")
    first = page.next("shot")
    assert first["number"] == 1
    assert "in circuit" in first["title"]
    assert [str(where) for _, where in source.shots] == ["unknown", "in circuit"]


def test_no_ring_is_silence_and_no_figure(watch: Callable[..., Any], source: Any, struck: Any) -> None:
    noise = np.random.default_rng(1).integers(2040, 2056, len(struck["healthy"]["A"]))
    source.records = {"A": replace(struck["healthy"]["A"], samples=noise.astype(np.uint16))}
    page = watch()
    page.order("strike")
    shot = page.next("shot")
    assert not shot["rings"]
    assert shot["tone_hz"] == 0
    assert {f["value"] for f in shot["figures"]} == {"no ring"}
    assert shot["finding"]["headline"] == "no ring"


def test_a_virtual_board_that_is_unplugged_again_and_again(tmp_path: Any) -> None:
    """The real tester on a link that ends after some kilobytes; each time it is opened anew."""
    port = "virtual:?part=tarn-line-split&seed=1&hurry=1&vanish=60000"
    with serving(PortSource(port), tmp_path) as served:
        page = Watcher(served)
        page.order("run", on=True)
        assert page.until(lambda m: m["what"] == "shot", 40)
        lost = page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "lost", 40)
        assert "vanished" in lost["link"]["words"]
        stopped = page.until(lambda m: m["what"] == "answer" and "striking has stopped" in m["words"], 40)
        assert stopped["failed"]
        back = page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "ready", 40)
        assert not back["running"], "a board that came back is not struck by itself"
        page.order("run", on=True)
        number = page.until(lambda m: m["what"] == "shot", 40)["number"]
        assert page.until(lambda m: m["what"] == "shot" and m["number"] > number, 40)
        page.close()


def test_striking_stops_when_no_page_looks_on(
    served: Any, watch: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coilbell.bench.page.desk._UNWATCHED_S", 0.5)
    page = watch()
    page.order("run", on=True)
    page.until(lambda m: m["what"] == "shot")
    page.close()
    until = time.monotonic() + 10
    while served.desk._state.running and time.monotonic() < until:
        time.sleep(0.05)
    assert not served.desk._state.running
    assert not watch().until(lambda m: m["what"] == "status")["running"]


def test_the_trend_is_drawn_marked_and_kept_under_the_item(
    watch: Callable[..., Any], source: Any, struck: Any, served: Any
) -> None:
    page = watch()
    assert "nothing is watched yet" in page.answer("event", words="heated")["words"]
    page.answer("work", item="lot-3")
    page.order("wish", connection="out of circuit")
    page.order("run", on=True)
    page.until(lambda m: m["what"] == "shot" and m["number"] >= 12, 60)
    source.records = dict(struck["turn-dead"])
    jumped = page.until(lambda m: m["what"] == "answer", 60)
    assert "Q jumped from" in jumped["words"]
    told = page.until(lambda m: m["what"] == "trend" and m["changes"], 60)
    assert "Q jumped" in " ".join(words for _, words in told["changes"])
    assert len(told["minutes"]) == len(told["q"]) == len(told["hertz"]) == len(told["shows"])
    page.order("run", on=False)
    page.order("event", words="tapped")
    page.until(lambda m: m["what"] == "trend" and [words for _, words in m["marks"]] == ["tapped"], 60)
    with Log(served.folder / "log.sqlite", writable=False) as log:
        (kept,) = trends_of(log, log.item("lot-3")).watched
    assert kept.capacitor == "A"
    assert kept.connection == "out of circuit"
    assert [mark.text for mark in kept.marks] == ["tapped"]
    assert sum(bucket.shots for bucket in kept.buckets) >= 12


def test_shots_leave_time_to_draw_them(watch: Callable[..., Any], source: Any) -> None:
    page = watch()
    source.pause_s = 0.0
    page.order("run", on=True)
    first = page.next("shot")
    last = page.until(lambda m: m["what"] == "shot" and m["number"] >= first["number"] + 20)
    shots = last["number"] - first["number"]
    assert last["struck_at_ms"] - first["struck_at_ms"] > 0.9 * 40 * (shots - 2)


def test_a_ring_struck_before_the_wish_changed_is_not_kept_for_it(watch: Callable[..., Any]) -> None:
    page = watch()
    page.order("wish", connection="out of circuit")
    page.order("strike")
    page.next("shot")
    page.order("wish", connection="in circuit", capacitor="B")
    for do, more in (("keep", {"item": "lot-1"}), ("mark", {"reference": "tarn", "unit": "u"})):
        refused = page.answer(do, **more)
        assert refused["failed"]
        assert "nothing has been struck with capacitor B, connection in circuit" in refused["words"]
