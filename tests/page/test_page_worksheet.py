"""The isolation worksheet in a real Chromium: every control by its key, labels, sizes; pictures kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from coilbell.bench.log import Log
from coilbell.bench.log.keeper import LogKeeper
from coilbell.bench.page.order import WishFor
from page.struck import picture


@pytest.fixture
def page(bench: Any) -> Iterator[Any]:
    """The shared page with nothing on the bench, before and after."""
    _clear_the_bench(bench.page)
    yield bench.page
    _clear_the_bench(bench.page)


def _clear_the_bench(page: Any) -> None:
    _do(page, "j", "")
    page.locator("#sheet[data-state=none]").wait_for()


def _open(page: Any, key: str) -> Any:
    page.locator("dialog[open]").wait_for(state="detached")  # one that Escape is still closing
    page.keyboard.press(key)
    form = page.get_by_role("dialog")
    form.wait_for()
    return form


def _done(page: Any) -> str:
    page.keyboard.press("Control+Enter")
    page.locator("dialog[open]").wait_for(state="detached")
    page.locator("#answer:not(:empty)").wait_for()
    return str(page.locator("#answer").inner_text())


def _do(page: Any, key: str, *words: str | None) -> str:
    """Fill a form field by field without a mouse: words, None to leave one as it is."""
    _open(page, key)
    for word in words:
        if word is not None:
            page.keyboard.press("ControlOrMeta+a")
            page.keyboard.press("Delete")
            page.keyboard.type(word)
        page.keyboard.press("Tab")
    return _done(page)


def _choose(page: Any, label: str, words: str) -> None:
    """Walk a focused list to the choice that begins with these words, by the arrow keys."""
    select = page.get_by_label(label, exact=True)
    assert select.evaluate("e => e === document.activeElement"), label
    names = select.evaluate("e => [...e.options].map(o => o.text)")
    page.keyboard.press("Home")
    for _ in range(next(k for k, name in enumerate(names) if name.startswith(words))):
        page.keyboard.press("ArrowDown")
    assert select.evaluate("e => e.selectedOptions[0].text").startswith(words)


def _begin(page: Any, item: str, level: str = "nothing live") -> str:
    _open(page, "b")
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.type(item)
    page.keyboard.press("Tab")
    _choose(page, "Kind of equipment", "CRT monitor")
    page.keyboard.press("Tab")
    _choose(page, "Live work you state to be qualified for", level)
    return _done(page)


def _read(page: Any, step: str, seen: str, typed: str = "") -> str:
    _open(page, "e")
    _choose(page, "What was looked at", step)
    page.keyboard.press("Tab")
    _choose(page, "What it showed", seen)
    if typed:
        page.keyboard.press("Tab")
        page.keyboard.press("ControlOrMeta+a")
        page.keyboard.type(typed)
    return _done(page)


def test_from_a_dead_set_to_the_likeliest_part_by_keys(bench: Any, page: Any) -> None:
    page.keyboard.press("e")
    page.locator("#answer", has_text="no item is on the bench").wait_for()
    page.keyboard.press("s")
    assert "begun for heron-14" in _begin(page, "heron-14", "mains")
    assert "live work up to mains" in page.locator("#sheet-words").inner_text()
    assert page.locator("#causes li").count() > 8
    assert "kills" in page.locator("#next-part .cautions").first.inner_text()
    order = page.locator("#next-body > :not([hidden])").evaluate_all("all => all.map(e => e.className)")
    assert order[:4] == ["cautions", "test", "how", "cautions"], "how to do it, its own hazards beside it"
    assert page.locator("#next-part").inner_text().count("Mains voltage kills") == 1
    said = _read(page, "supply rails with the set as it is", "numbers", "142=79 33=18.4 9=5")
    assert "reading 2: all low by one ratio" in said
    assert "likeliest now" in said
    _read(page, "supply rails with the line stage unplugged", "numbers", "142=141 33=32.8 9=8.9")
    _read(
        page,
        "supply rails with the transformer's secondary rectifiers lifted",
        "numbers",
        "142=136 33=31.5 9=8.6",
    )
    first = page.locator("#causes li").first
    assert "low-voltage windings" in first.inner_text()
    assert "odds" in first.inner_text()
    assert page.locator("#moves li").count() == 3
    assert "because" in page.locator("#moves li").first.inner_text()
    assert "80 % sure" in _read(page, "physical signs", "marks on the transformer", "80%")
    assert "taken back" in _do(page, "v", None, "another set's transformer")
    page.locator("#withdrawn", has_text="another set's transformer").wait_for()
    with Log(bench.served.folder / "log.sqlite", writable=False) as log:
        kept = [type(entry).__name__ for _, entry in LogKeeper(log, log.item("heron-14")).entries()]
    assert kept == ["Begin", "Observe", "Observe", "Observe", "Observe", "Withdraw"]
    _looks(page)


def _looks(page: Any) -> None:
    """Dark, light, and narrow, also in large type, with the form; nothing stands out of the screen."""
    page.keyboard.press("z")
    picture(page, "worksheet-dark")
    page.keyboard.press("z")
    page.keyboard.press("d")
    picture(page, "worksheet-light")
    page.set_viewport_size({"width": 360, "height": 740})
    for name in ("worksheet-360", "worksheet-360-large"):
        picture(page, name)
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        form = _open(page, "e")
        assert form.evaluate("e => e.scrollWidth <= e.clientWidth && e.getBoundingClientRect().width <= 360")
        picture(page, f"{name}-form", full_page=False)
        page.keyboard.press("Escape")
        page.locator("dialog[open]").wait_for(state="detached")
        page.keyboard.press("t")
    page.set_viewport_size({"width": 1280, "height": 900})
    page.keyboard.press("d")


def test_a_finding_that_lands_is_on_the_page_at_once(bench: Any, page: Any) -> None:
    _begin(page, "larch-3")
    page.keyboard.press("o")
    page.keyboard.press("s")
    page.locator("#title", has_text="out of circuit").wait_for()
    assert "choose it with R" in _do(page, "g", "larch-demo", "unit-1")
    bench.served.desk.obey(WishFor(reference="larch-demo"))
    page.locator("body", has_text="of larch-demo").wait_for()  # the ring is judged by it
    assert "kept under larch-3" in _do(page, "l", "larch-3", "as it came")
    page.locator("#waiting", has_text="is not in the worksheet yet").wait_for()
    form = _open(page, "e")  # the form is ready for it
    assert (
        form.get_by_label("What it showed")
        .evaluate("e => e.selectedOptions[0].text")
        .startswith("the item's")
    )
    assert "rings like a healthy one" in _done(page)
    page.locator("#waiting").wait_for(state="hidden")
    bench.served.desk.obey(WishFor(reference=""))


def test_a_form_that_is_left_keeps_nothing(bench: Any, page: Any) -> None:
    _begin(page, "rowan-9")
    for key in ("b", "e", "j"):
        _open(page, key)
        page.keyboard.press("Escape")
        page.locator("dialog[open]").wait_for(state="detached")
    _open(page, "e")
    _choose(page, "What was looked at", "supply rails with the set as it is")
    page.keyboard.press("Control+Enter")  # numbers are missing: the browser says so and the form stays
    assert page.locator("dialog[open] input[name=numbers]:invalid").count() == 1
    page.keyboard.press(
        "Tab"
    )  # away from the field, so that the browser's own bubble does not take the Escape
    page.keyboard.press("Escape")
    page.locator("dialog[open]").wait_for(state="detached")
    with Log(bench.served.folder / "log.sqlite", writable=False) as log:
        assert len(LogKeeper(log, log.item("rowan-9")).entries()) == 1


def test_the_worksheet_is_read_out_and_reached_by_the_keyboard(page: Any) -> None:
    _begin(page, "alder-5")
    page.keyboard.press("z")
    assert page.evaluate("document.activeElement.id") == "sheet"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.dataset.does") == "work"
    page.keyboard.press("z")
    assert page.evaluate("document.activeElement === document.body")
    region = page.get_by_role("region", name="Isolation worksheet")
    assert region.get_by_role("list", name="causes, likeliest first").count() == 1
    for head in ("What may have failed", "Next best test", "What moved the odds of"):
        assert region.get_by_role("heading", name=head).count() == 1, head
    assert region.get_by_role("list", name="cautions before any step").count() == 1
    assert region.get_by_role("meter").count() == 0  # what a bar shows stands beside it in words
    assert page.locator("#answer").get_attribute("role") == "status"
    for key in ("j", "b", "e", "a"):
        form = _open(page, key)
        assert form.get_attribute("aria-labelledby") == "ask-head"
        unnamed = "e => [...e.querySelectorAll('input, select')].filter(i => !i.labels.length).length"
        assert form.evaluate(unnamed) == 0
        page.keyboard.press("Escape")


def test_a_form_opened_at_once_after_another_was_left_is_done(page: Any) -> None:
    """A browser tells that a form was closed a little after it was: by then the next one may be open."""
    page.evaluate("""() => {
        const press = (on, key, more) => on.dispatchEvent(
            new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true, ...more }));
        press(document.body, "a");
        document.getElementById("ask").close("no");
        press(document.body, "j");
    }""")
    page.get_by_role("dialog").wait_for()
    page.wait_for_timeout(200)
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.type("elm-2")
    assert "elm-2" in _done(page)


def test_a_watching_page_shows_the_worksheet_and_writes_nothing(
    bench: Any, page: Any, look: Callable[..., Any]
) -> None:
    watching = look(bench.served.address)
    _begin(page, "hazel-2")
    watching.locator("#sheet-words", has_text="hazel-2").wait_for()
    assert watching.locator("#causes li").count() == page.locator("#causes li").count()
    keys = {"j": "work", "b": "begin", "e": "observe", "v": "withdraw", "6": "end", "a": "prior"}
    for key, name in keys.items():
        assert watching.locator(f"[data-does={name}]").is_disabled(), name
        watching.keyboard.press(key)
        watching.locator("#answer", has_text="this one watches").wait_for()
        assert watching.locator("dialog[open]").count() == 0


def test_what_it_was_in_the_end_by_keys(bench: Any, page: Any) -> None:
    page.keyboard.press("6")
    page.locator("#answer", has_text="no item of the log is on the bench").wait_for()
    _begin(page, "hazel-3")
    _open(page, "6")
    _choose(page, "What was found", "drive to the output transistor")
    page.keyboard.press("Tab")
    page.keyboard.type("dry joint, set runs")
    assert "in the end: driver" in _done(page)
    page.locator("#ended", has_text="dry joint, set runs").wait_for()
    told = page.locator("#ended").inner_text()
    assert told == "in the end: driver, of a CRT monitor: dry joint, set runs", (
        "as sure as usual, whatever was typed before"
    )
    picture(page, "ended")
    assert "taken back, and still kept: driver" in _do(page, "v", None, "the old fault is back")
    page.locator("#ended").wait_for(state="hidden")
