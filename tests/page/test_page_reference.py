"""References on the page: marks that make one, the choice of one, the prior beside it. No browser."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest

from coilbell.bench.page import Keeping, Wish
from coilbell.bench.page.judging import Judge, Struck
from coilbell.bench.page.order import Mark
from coilbell.bench.shelf import Shelf
from coilbell.record import Connection


def _mark(page: Any, source: Any, struck: Any, state: str, **order: Any) -> dict[str, Any]:
    source.records = dict(struck[state])
    page.order("strike")
    page.next("shot")
    page.order("mark", reference="tarn", **order)
    return dict(page.next("answer"))


def test_marks_make_a_reference_and_the_next_ring_is_judged_by_it(
    watch: Callable[..., Any], source: Any, struck: Any
) -> None:
    page = watch()
    page.order("wish", kind="line-output transformer", connection="out of circuit")
    good = _mark(page, source, struck, "healthy", unit="unit-1")
    assert not good["failed"], good
    assert "choose it with R" in good["words"]
    page.order("strike")
    assert "by the kind alone" in page.next("shot")["finding"]["odds_words"], "nobody asked to judge by it"
    page.order("wish", reference="tarn")
    short = _mark(page, source, struck, "turn-dead", unit="unit-1", how="one-turn loop")
    assert "shorted on purpose" in short["words"]
    ground = page.last["ground"]
    assert {line["kind"] for line in ground["lines"]} == {"fault", "healthy", "shorted"}
    page.order("strike")
    shot = page.next("shot")
    assert shot["finding"]["headline"] == "a turn is shorted"
    assert shot["plane"]["at"][0] > 1
    source.records = dict(struck["healthy"])
    page.order("strike")
    whole = page.next("shot")
    assert whole["finding"]["headline"] == "no shorted turn shows"
    assert abs(whole["plane"]["at"][0]) < 0.5
    assert whole["plane"]["trail"][0][-1] == pytest.approx(shot["plane"]["at"][0])


def test_a_doubted_good_unit_is_taken_with_a_second_word_and_stays_marked(
    watch: Callable[..., Any], source: Any, struck: Any, served: Any
) -> None:
    page = watch()
    page.order("wish", kind="line-output transformer", connection="out of circuit")
    doubted = _mark(page, source, struck, "turn-dead", unit="unit-1")
    assert doubted["failed"]
    assert doubted["doubted"]
    assert "where a healthy line-output transformer has" in doubted["words"]
    assert "press G once more" in doubted["words"]
    assert "--anyway" not in doubted["words"]
    assert not list(served.folder.glob("references/tarn*"))
    taken = page.answer("mark", reference="tarn", unit="unit-1", anyway=True)
    assert not taken["failed"], taken
    (capture,) = Shelf(served.folder / "references").get("tarn").captures
    assert "where a healthy" in capture.mark


def test_marks_of_several_writers_at_once_are_all_there(struck: Any, tmp_path: Any) -> None:
    """Each page's server marks from a thread of its own; every mark that was acknowledged is kept."""
    writers, units = 4, 5
    ring = replace(struck["healthy"]["A"], connection=Connection.OUT_OF_CIRCUIT)
    wish = Wish(connection=Connection.OUT_OF_CIRCUIT, kind="line-output transformer")
    begin = threading.Barrier(writers)

    def write(writer: int) -> list[str]:
        judge = Judge()
        judge.begin(wish, None)
        shot = judge.judged(Struck(wish, "A", ring, 0.0))
        keeping = Keeping(tmp_path / "references", tmp_path / "log.sqlite")
        begin.wait(60)
        names = [f"unit-{writer}-{k}" for k in range(units)]
        for name in names:
            assert name in keeping.mark(Mark("tarn", name), wish, [shot])
        return names

    with ThreadPoolExecutor(writers) as pool:
        marked = [name for names in pool.map(write, range(writers)) for name in names]
    assert sorted(Shelf(tmp_path / "references").get("tarn").units()) == sorted(marked)


def test_in_circuit_a_reference_is_not_taken(watch: Callable[..., Any], source: Any, struck: Any) -> None:
    page = watch()
    page.order("wish", connection="in circuit")
    answer = _mark(page, source, struck, "healthy", unit="unit-1")
    assert answer["failed"]
    assert "out of circuit" in answer["words"]


def test_the_next_reference_is_chosen_in_turn(watch: Callable[..., Any], source: Any, served: Any) -> None:
    page = watch()
    nothing = page.answer("next", wish="reference")
    assert nothing["failed"]
    assert "no reference on the shelf yet" in nothing["words"]
    page.order("wish", connection="out of circuit")
    page.order("strike")
    page.next("shot")
    for name in ("alder", "birch"):
        assert not page.answer("mark", reference=name, unit="unit-1")["failed"]
        page.order("wish", reference="")
        page.until(lambda m: m["what"] == "status" and m["wish"]["reference"] == "")
    for name in ("alder", "birch", ""):
        assert not page.answer("next", wish="reference")["failed"]
        assert page.last["status"]["wish"]["reference"] == name
        shot = page.last["shot"]  # the last one, judged anew by it
        assert ("by the kind alone" in shot["finding"]["odds_words"]) == (not name)
    (served.folder / "references" / "alder.reference.json").write_text("{}")
    passed = page.answer("next", wish="reference")
    assert "passed over" in passed["words"]
    assert page.last["status"]["wish"]["reference"] == "birch"
    assert "kind is that of the reference" in page.answer("next", wish="kind")["words"]


def test_a_reference_that_somebody_else_adds_is_on_offer(watch: Callable[..., Any], served: Any) -> None:
    page = watch()
    page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "ready")
    (served.folder / "references").mkdir()
    (served.folder / "references" / "alder.reference.json").write_text("{}")
    status = page.until(lambda m: m["what"] == "status" and len(m["choices"]["reference"]) == 2)
    assert status["choices"]["reference"][1] == ["alder", "alder"]


def test_the_prior_is_set_and_used(watch: Callable[..., Any], source: Any, struck: Any) -> None:
    page = watch()
    page.order("wish", connection="out of circuit")
    _mark(page, source, struck, "healthy", unit="unit-1")
    page.order("wish", reference="tarn")
    found = {}
    for prior, words in (("2%", "2 %"), ("0.98", "98 %")):
        page.order("wish", prior=prior)
        shot = page.until(
            lambda m, words=words: (
                m["what"] == "shot" and f"from a prior of {words}" in m["finding"]["odds_words"]
            )
        )
        assert page.last["status"]["wish"]["prior"] == words
        found[prior] = {one["name"]: one["share"] for one in shot["finding"]["odds"]}
    shows = "a shorted turn that shows"
    assert found["0.98"][shows] > found["2%"][shows]
    for bad in ("0", "1", "100%", "120%", "many", "-3%", "nan", ""):
        assert page.answer("wish", prior=bad)["failed"], bad
