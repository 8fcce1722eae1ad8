"""The page in a real Chromium: first paint, every control by its key, losses, looks; pictures kept."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from coilbell.bench.log import Log
from coilbell.bench.page import Wish
from coilbell.bench.page.order import Work
from coilbell.commands.portsource import PortSource
from coilbell.record import Connection
from coilbell.winding import KINDS
from page.steered import serving
from page.struck import painted, picture, shown, strike, until
from page.tab import Tab


def _fill(page: Any, key: str, *words: str) -> str:
    """Press a key, fill in the form it opens without a mouse, and return what the page answers."""
    page.evaluate("document.getElementById('answer').textContent = ''")
    page.keyboard.press(key)
    page.locator("dialog[open]").wait_for()
    for word in words:
        page.keyboard.press("ControlOrMeta+a")
        page.keyboard.type(word)
        page.keyboard.press("Tab")
    page.keyboard.press("Control+Enter")
    page.locator("#answer:not(:empty)").wait_for()
    return str(page.locator("#answer").inner_text())


def test_first_paint_and_a_shot_and_nothing_asked_of_the_network(
    served: Any, look: Callable[..., Any]
) -> None:
    page = look(served.address)
    assert page.locator("#decay canvas").count() > 0
    assert page.locator("#sentence").inner_text()
    _nothing_to_freeze_or_hold(page)
    assert strike(page) == 1
    assert page.locator("#figures dd").first.inner_text().endswith("kHz")
    data = page.evaluate("({...document.body.dataset})")
    assert float(data["drawn"]) >= float(data["struck"])
    assert page.locator("#decay").evaluate("e => e.getBoundingClientRect().height") > 150
    assert page.evaluate("document.cookie") == ""
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.reload()
    page.locator("#link[data-state=ready]").wait_for()
    strike(page)
    assert asked
    assert all(url.startswith(served.origin) for url in asked)


def _nothing_to_freeze_or_hold(page: Any) -> None:
    for key, name in (("f", "freeze"), ("h", "hold")):
        page.keyboard.press(key)
        page.locator("#answer[data-failed]", has_text="nothing has been struck yet").wait_for()
        assert page.locator(f"[data-does={name}]").get_attribute("aria-pressed") == "false"


def test_start_stop_freeze_hold_and_zoom_by_keys(bench: Any) -> None:
    page = bench.page
    page.keyboard.press("Space")
    page.locator("[data-does=run][aria-pressed=true]").wait_for()
    page.locator("body[data-shot]").wait_for()
    page.keyboard.press("f")
    page.locator("body[data-whole=true]").wait_for()
    frozen = shown(page)
    until(page, f"Number(document.body.dataset.newest) > {frozen + 5}")
    assert shown(page) == frozen
    for key in ("+", "ArrowRight", "ArrowLeft", "-", "0"):
        page.keyboard.press(key)
    page.keyboard.press("h")
    assert page.locator("[data-does=hold]").get_attribute("aria-pressed") == "true"
    page.keyboard.press("f")
    page.locator("body[data-whole=false]").wait_for()
    assert shown(page) > frozen
    page.keyboard.press("h")
    page.keyboard.press("Space")
    page.locator("[data-does=run][aria-pressed=false]").wait_for()


def test_what_is_asked_is_chosen_by_keys(bench: Any) -> None:
    from playwright.sync_api import expect

    page, kinds = bench.page, list(KINDS)
    for key, name, value in (
        ("c", "capacitor", "B"),
        ("c", "capacitor", "both"),
        ("c", "capacitor", "A"),
        ("i", "connection", "in circuit"),
        ("o", "connection", "out of circuit"),
        ("k", "kind", kinds[kinds.index("line-output transformer") + 1]),
    ):
        page.keyboard.press(key)
        expect(page.locator(f"#wish-{name}")).to_have_value(value, timeout=30_000)
    strike(page)
    assert bench.source.shots[-1] == ("A", Connection.OUT_OF_CIRCUIT)


def test_marks_log_note_and_report_by_keys(
    served: Any, source: Any, struck: Any, look: Callable[..., Any]
) -> None:
    page = look(served.address)
    page.keyboard.press("o")
    strike(page)
    assert "choose it with R" in _fill(page, "g", "tarn-demo", "unit-1")
    page.keyboard.press("r")
    page.locator("#answer", has_text="reference: tarn-demo").wait_for()
    source.records = dict(struck["turn-dead"])
    strike(page)
    assert "shorted on purpose" in _fill(page, "x", "tarn-demo", "unit-1", "one-turn loop of 1 mm wire")
    strike(page)
    page.locator("body[data-headline='a turn is shorted']").wait_for()
    assert page.locator("#sentence").inner_text().startswith("A TURN IS SHORTED")
    assert "short shows" in page.locator("#hand-odds").inner_text()
    assert "healthy" in page.locator("#hand-healthy").inner_text()
    assert page.locator("#plane canvas").count() > 0
    assert "kept under lot-3" in _fill(page, "l", "lot-3", "warm side")
    assert "note added" in _fill(page, "n", "lot-3", "second look")
    with Log(served.folder / "log.sqlite", writable=False) as log:
        assert [note.words for note in log.notes(log.item("lot-3"))] == ["warm side", "second look"]
    with page.context.expect_page(timeout=120_000) as opened:  # comes with the report, which loads the plots
        page.keyboard.press("p")
        page.keyboard.press("Enter")
    opened.value.wait_for_load_state()
    assert "lot-3" in opened.value.title()
    opened.value.close()  # behind it the page is drawn once a second
    _doubted_good_needs_a_second_press(page)
    source.records = dict(struck["healthy"])
    strike(page)
    _references_and_prior_by_keys(page)
    _looks_leave_nothing_behind(page)


def _doubted_good_needs_a_second_press(page: Any) -> None:
    """The figures are told; another key in between forgets the doubt."""
    assert "press G once more" in _fill(page, "g", "dead", "unit-1")
    page.keyboard.press("y")
    page.keyboard.press("y")
    assert "press G once more" in _fill(page, "g", "dead", "unit-1")
    page.keyboard.press("g")
    page.locator("#answer:not([data-failed])", has_text="marked good").wait_for()


def _references_and_prior_by_keys(page: Any) -> None:
    assert "birch" in _fill(page, "g", "birch", "unit-1")
    for name in ("", "birch", "dead", "tarn-demo"):
        page.keyboard.press("r")
        page.locator("#answer", has_text=name or "none: no odds").wait_for()
        assert page.locator("#wish-reference").input_value() == name
        shown = page.locator("#plane canvas").count() > 0
        assert shown == bool(name)
    page.keyboard.press("a")
    page.keyboard.type("3%")
    page.keyboard.press("Enter")
    page.locator("#prior", has_text="3 %").wait_for()
    page.locator("#odds-words", has_text="from a prior of 3 %").wait_for()


def _looks_leave_nothing_behind(page: Any) -> None:
    """Each change of look builds both plots anew; what was before is let go."""
    for name in ("light", "dark", "", ""):
        page.keyboard.press("d")
        page.locator("#plane canvas").first.wait_for()
        painted(page)
        if name:
            picture(page, name)
    until(page, "Bokeh.documents.length === 2")
    assert page.locator("#decay .plot, #plane .plot").count() == 2


def _escape(page: Any, served: Any) -> None:
    """A form that is left does nothing."""
    strike(page)
    page.keyboard.press("g")
    page.keyboard.type("never")
    page.keyboard.press("Escape")
    page.locator("dialog[open]").wait_for(state="detached")
    assert strike(page)
    assert not list(served.folder.glob("references/never*"))


def test_every_button_has_a_key_and_the_list_tells_it(bench: Any) -> None:
    page = bench.page
    page.keyboard.press("?")
    shown = set(page.locator("#key-list kbd").all_inner_texts())
    buttons = page.locator("button[data-does]")
    for number in range(buttons.count()):
        key = buttons.nth(number).locator("kbd").text_content()
        assert key in shown, key
    assert {"C", "I", "O", "R", "K"} <= shown
    page.keyboard.press("?")
    assert page.locator("#keys").is_hidden()
    _escape(page, bench.served)


def test_the_trend_is_marked_by_keys_and_drawn_where_it_is_open(bench: Any) -> None:
    page = bench.page
    bench.served.desk.obey(Work(item=""))
    page.keyboard.press("Space")
    page.locator("body[data-shot]").wait_for()
    for key in "789":
        page.keyboard.press(key)
        page.locator("#answer", has_text="marked in the trend").wait_for()
        page.evaluate("document.getElementById('answer').textContent = ''")
    page.keyboard.press("Space")
    page.locator("[data-does=run][aria-pressed=false]").wait_for()
    page.locator("#trend").evaluate("e => e.setAttribute('open', '')")
    until(page, "document.querySelectorAll('#trend-plots .plot').length === 3")
    assert "tapped" in page.locator("#trend-events").inner_text()
    assert "not kept: no item is on the bench" in page.locator("#trend-words").inner_text()
    page.locator("#trend").evaluate("e => e.removeAttribute('open')")


def test_sound_follows_q(bench: Any) -> None:
    page = bench.page
    page.evaluate(
        "() => { window.pitches = []; const set = AudioParam.prototype.setTargetAtTime;"
        " AudioParam.prototype.setTargetAtTime = function (v, ...more) {"
        " window.pitches.push(v); return set.call(this, v, ...more) } }"
    )
    strike(page)
    assert page.evaluate("window.pitches") == []
    page.keyboard.press("m")
    strike(page)
    pitches = page.evaluate("window.pitches")
    assert any(1000 < pitch < 3000 for pitch in pitches)
    page.keyboard.press("m")


def test_it_fits_the_screen_small_and_large(bench: Any) -> None:
    page = bench.page
    strike(page)
    sizes = {}
    for width in (1280, 360):
        page.set_viewport_size({"width": width, "height": 740})
        for name in ("plain", "large"):
            until(page, f"document.documentElement.scrollWidth <= {width}")
            size = "e => parseFloat(getComputedStyle(e).fontSize)"
            sizes[name, width] = page.locator("#figures dd").first.evaluate(size)
            picture(page, f"{name}-{width}")
            page.keyboard.press("t")
    page.set_viewport_size({"width": 1280, "height": 900})
    assert sizes["large", 1280] >= 2 * sizes["plain", 1280]
    assert sizes["large", 360] >= 1.3 * sizes["plain", 360]


def test_labels_for_a_screen_reader(bench: Any) -> None:
    page = bench.page
    assert page.locator("[aria-live]").count() >= 2
    unnamed = page.evaluate(
        "[...document.querySelectorAll('button, select, [role=img]')].filter(e => "
        "!(e.getAttribute('aria-label') || e.textContent.trim() || e.labels?.length)).length"
    )
    assert unnamed == 0
    assert page.get_by_label("Capacitor").count() == 1
    assert page.get_by_role("navigation", name="controls").count() == 1


def test_no_colour_of_a_traffic_light(shared: Any) -> None:
    """Every colour in the style sheet is a grey, a blue or an orange."""
    import colorsys
    import re

    import httpx

    text = httpx.get(shared.served.address + "own/page.css").text
    found = re.findall(r"#([0-9a-f]{6})\b", text)
    assert found
    for code in found:
        red, green, blue = (int(code[k : k + 2], 16) / 255 for k in (0, 2, 4))
        hue, _, strength = colorsys.rgb_to_hls(red, green, blue)
        if strength > 0.25:
            assert 20 <= hue * 360 <= 40 or 195 <= hue * 360 <= 225, code


def test_unplugged_and_back(bench: Any) -> None:
    page, source = bench.page, bench.source
    page.keyboard.press("Space")
    page.locator("body[data-shot]").wait_for()
    source.unplugged = True
    page.locator("#link[data-state=lost]").wait_for()
    page.locator("body[data-sleeps]").wait_for()
    picture(page, "unplugged")
    number = shown(page)
    source.unplugged = False
    page.locator("#link[data-state=ready]").wait_for()
    page.locator("body:not([data-sleeps])").wait_for()
    page.locator("[data-does=run][aria-pressed=false]").wait_for()  # it is not struck by itself
    page.keyboard.press("Space")
    page.locator(f"body:not([data-shot='{number}'])").wait_for()
    page.keyboard.press("Space")
    page.locator("[data-does=run][aria-pressed=false]").wait_for()


def test_live_leads(bench: Any) -> None:
    page, source = bench.page, bench.source
    source.volts = 12.0
    page.locator("#leads[data-state=live]").wait_for()
    assert "LIVE LEADS" in page.locator("#leads").inner_text()
    picture(page, "live-leads")
    source.volts = 0.0
    page.locator("#leads[data-state=quiet]").wait_for()


def test_server_stopped_is_said(source: Any, tmp_path: Path, look: Callable[..., Any]) -> None:
    with serving(source, tmp_path) as served:
        page = look(served.address)
        strike(page)
        page.keyboard.press("Space")
        page.locator("[data-does=run][aria-pressed=true]").wait_for()
    page.locator("#link[data-state=stopped]").wait_for()
    assert "does not answer" in page.locator("#link").inner_text()
    assert "open the address it prints" in page.locator("#link").inner_text()
    assert page.locator("[data-does=run]").get_attribute("aria-pressed") == "false"
    picture(page, "stopped")
    page.keyboard.press("s")
    assert "not done" in page.locator("#answer").evaluate("e => getComputedStyle(e, '::before').content")


def test_a_second_page_watches_and_takes_over(bench: Any, look: Callable[..., Any]) -> None:
    first, second = bench.page, look(bench.served.address)
    assert second.locator("[data-does=strike]").is_disabled()
    second.keyboard.press("e")
    second.locator("#answer", has_text="this one watches").wait_for()
    number = strike(first)
    second.locator(f"body[data-shot='{number}']").wait_for()
    second.keyboard.press("w")
    second.locator("[data-does=strike]:not(:disabled)").wait_for()
    first.locator("[data-does=strike]:disabled").wait_for()
    assert strike(second) == number + 1
    first.keyboard.press("w")
    first.locator("[data-does=strike]:not(:disabled)").wait_for()


def test_a_hidden_tab_lets_shots_go_and_comes_back_with_the_newest(chromium: Any, bench: Any) -> None:
    tab = Tab(chromium, bench.served.address)
    tab.until("document.body?.dataset.ready !== undefined")
    drawn = "Number(document.body.dataset.shot || 0)"
    number = strike(bench.page)
    tab.until(f"{drawn} === {number}")
    tab.evaluate(
        "window.came = 0; (() => { const get = JSON.parse; JSON.parse = (text) => { const told = get(text);"
        " if (told.what === 'shot') window.came += 1; return told } })()"
    )
    tab.hide()
    for _ in range(12):
        number = strike(bench.page)
    assert tab.evaluate(drawn) == number - 12  # nothing is drawn that nobody sees
    assert tab.evaluate("window.came") <= 2  # and nothing piles up
    tab.show()
    tab.until(f"{drawn} === {number}")
    assert tab.evaluate("window.came") <= 4  # what waited, then the newest at once
    number = strike(bench.page)
    tab.until(f"{drawn} === {number}")
    tab.close()


def test_a_virtual_board_seen_from_the_screen(tmp_path: Path, look: Callable[..., Any]) -> None:
    port = "virtual:?part=moss-choke&state=turn-dead&seed=3&hurry=1"
    wish = Wish("A", Connection.OUT_OF_CIRCUIT, kind="power inductor")
    with serving(PortSource(port), tmp_path, wish) as served:
        page = look(served.address)
        page.keyboard.press("Space")
        page.locator("body[data-shot]").wait_for()
        assert "virtual board" in page.locator("#link").inner_text()
        assert "by the kind alone" in page.locator("#odds-words").inner_text()
