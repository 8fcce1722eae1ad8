"""How the page looks and reads: three sizes, print, colour vision, a read-out for who cannot see it."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from coilbell.bench.page.order import WishFor
from page.struck import painted, strike, until
from page.test_page_examination import shelved  # noqa: F401  (a fixture)

SIZES = [(390, 844), (800, 600), (1400, 900)]
CLIPPED = (
    "[...document.querySelectorAll('#hand button, #hand-headline, #hand-figures')]"
    ".filter(e => e.offsetParent)"
    ".filter(e => e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 1)"
    ".map(e => e.textContent)"
)
CORNERS = (
    "[...document.querySelectorAll('#hand, #hand button, #hand-headline, #hand-figures')]"
    ".filter(e => e.offsetParent || e.id === 'hand')"
    ".map(e => { const r = e.getBoundingClientRect(); return [r.top, r.left, r.bottom <= innerHeight, "
    "r.right <= innerWidth] })"
)


@pytest.fixture
def judged(served: Any, source: Any, struck: Any, shelved: None) -> Iterator[None]:  # noqa: F811
    """Judged by a reference, a dead turn on the leads."""
    source.records = dict(struck["turn-dead"])
    served.desk.obey(WishFor(connection="out of circuit", reference="tarn-21-line"))
    return


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.usefixtures("judged")
def test_verdict_odds_q_and_difference_are_whole_in_sight_and_stay(
    served: Any, look: Callable[..., Any], width: int, height: int
) -> None:
    page = look(served.address, width, height)
    before = page.evaluate(CORNERS)
    assert all(inside for corner in before for inside in corner[2:])
    for _ in ("dark", "light"):
        strike(page)
        assert page.locator("#hand-odds").inner_text().endswith("short shows >99 %")
        assert page.locator("#hand-healthy").inner_text().startswith("healthy ")
        assert page.evaluate(CORNERS) == before
        assert page.evaluate(CLIPPED) == []
        page.keyboard.press("d")
    page.evaluate("scrollTo(0, 1e6)")
    assert page.evaluate(CORNERS) == before
    second = look(served.address, width, height)
    second.locator("[data-does=take]:not([hidden])").wait_for()
    assert second.evaluate(CLIPPED) == []


@pytest.mark.usefixtures("judged")
def test_a_printer_gets_the_plots_as_they_stand(served: Any, look: Callable[..., Any]) -> None:
    """Drawn anew for it they came too late, and were blank."""
    page = look(served.address)
    strike(page)
    painted(page)
    page.wait_for_timeout(500)
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    inks = page.evaluate(
        "[...document.querySelectorAll('.printed')].map(c => { const d = c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data; const seen = new Set();"
        " for (let k = 0; k < d.length; k += 4) seen.add(d[k] + 256 * d[k + 1]); return seen.size })"
    )
    assert len(inks) == 2
    assert min(inks) > 20
    page.emulate_media(media="print")
    assert page.locator(".printed").first.is_visible()
    assert page.locator(".plot").first.is_hidden()
    assert len(page.pdf(format="A4")) > 10_000
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.locator(".printed").count() == 0


@pytest.mark.parametrize("vision", ["deuteranopia", "protanopia", "tritanopia", "achromatopsia"])
def test_whole_and_shorted_are_told_apart_with_any_eyes(bench: Any, vision: str) -> None:
    """The page's two colours as that eye sees them; without any colour words and shapes have to do."""
    Image = pytest.importorskip("PIL.Image")
    page = bench.page
    page.evaluate(
        "(() => { const place = document.createElement('div'); place.id = 'swatch'; place.innerHTML = "
        "'<i></i><i></i>'; place.style.cssText = 'position:fixed;inset:0 auto auto 0;z-index:9;display:flex';"
        " ['blue', 'orange'].forEach((name, k) => { place.children[k].style.cssText = "
        "`width:20px;height:20px;background:var(--${name})` }); document.body.append(place) })()"
    )
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setEmulatedVisionDeficiency", {"type": vision})
    shot = page.locator("#swatch").screenshot()
    session.send("Emulation.setEmulatedVisionDeficiency", {"type": "none"})
    page.evaluate("document.getElementById('swatch').remove()")
    picture = Image.open(io.BytesIO(shot)).convert("RGB")
    blue, orange = picture.getpixel((10, 10)), picture.getpixel((30, 10))
    apart = sum(abs(a - b) for a, b in zip(blue, orange, strict=True))
    if vision != "achromatopsia":
        assert apart > 120, (blue, orange)
    strike(page)
    assert page.locator("#hand-headline").inner_text(), "words stand beside every colour"


@pytest.mark.usefixtures("judged")
def test_a_key_reads_out_verdict_figures_and_what_is_next(served: Any, look: Callable[..., Any]) -> None:
    page = look(served.address)
    strike(page)
    page.evaluate(
        "window.said = []; new MutationObserver(() => window.said.push(document.getElementById('spoken')"
        ".textContent)).observe(document.getElementById('spoken'), { childList: true, characterData: true, "
        "subtree: true })"
    )
    for times in (1, 2):
        page.keyboard.press("q")
        until(page, f"window.said.filter(Boolean).length >= {times}")
    told = page.evaluate("window.said.filter(Boolean)")
    assert told[0] == told[1], "said again although it is the same"
    assert told[0].startswith("A TURN IS SHORTED, Q ")
    for words in ("healthy ", "short shows >99 %", "Next: ", "leads quiet"):
        assert words in told[0]
    assert page.locator("#spoken").get_attribute("aria-live") == "polite"
