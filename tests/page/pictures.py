"""The two pictures of the live page that README shows, made anew: host/pictures/page.png and worksheet.png.

    python tests/page/pictures.py
    python tests/page/pictures.py --into /tmp

Parts, reference and item are invented, the board is the one in software with fixed seeds: the same program,
browser and fonts give the same pictures. Look at them before you commit them.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from coilbell.bench.page import Leads, Link, Wish
from coilbell.bench.page.order import Begin, Mark, Observe, Strike, WishFor
from coilbell.commands.portsource import PortSource
from coilbell.record import Connection, Record
from outside import require
from page.conftest import FLAGS
from page.steered import Served, serving
from page.struck import shown, until

PICTURES = Path(__file__).resolve().parents[2] / "host" / "pictures"
WIDTH = 1280
KIND = "diode-split transformer"
REFERENCE = "tarn-split-demo"
GOOD = (2, 3, 4)
JUDGED = ("turn-dead", 1)
ITEM = "heron-14"
RAILS = (
    ("rails-loaded", "142=79 33=18.4 9=5"),
    ("rails-unloaded", "142=141 33=32.8 9=8.9"),
    ("rails-secondaries-off", "142=136 33=31.5 9=8.6"),
)


class Clips:
    """A source whose leads go from one invented unit to the next."""

    def __init__(self) -> None:
        self._on: PortSource | None = None

    def clip(self, state: str, seed: int) -> None:
        """Put the leads on a unit: its state, and the seed that draws it and its noise."""
        self.close()
        self._on = PortSource(f"virtual:?part=tarn-line-split&state={state}&seed={seed}&hurry=1")

    @property
    def on(self) -> PortSource:
        assert self._on is not None
        return self._on

    def capacitors(self) -> tuple[str, ...]:
        return self.on.capacitors()

    def link(self) -> Link:
        return self.on.link()

    def leads(self) -> Leads:
        return self.on.leads()

    def capture(self, letter: str, connection: Connection) -> Record:
        return self.on.capture(letter, connection)

    def strike(self, *how: Any, small: bool) -> Any:
        return self.on.strike(*how, small=small)

    def aim_again(self) -> None:
        self.on.aim_again()

    def close(self) -> None:
        if self._on is not None:
            self._on.close()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--into", type=Path, default=PICTURES)
    into = parser.parse_args().into
    clips = Clips()
    clips.clip("healthy", GOOD[0])
    wish = Wish("A", Connection.OUT_OF_CIRCUIT, kind=KIND)
    with (
        tempfile.TemporaryDirectory() as folder,
        serving(clips, Path(folder), wish) as served,
        looking(served.address) as page,
    ):
        judged(page, served, clips)
        picture_of_the_page(page, into / "page.png")
        readings(served)
        page.locator("#moves li").nth(len(RAILS) - 1).wait_for()
        keep(page.locator("#sheet").screenshot, into / "worksheet.png")
    print(f"written: {into / 'page.png'}, {into / 'worksheet.png'}")


@contextmanager
def looking(address: str) -> Iterator[Any]:
    """The page in a Chromium of a fixed size, dark."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=require("chromium"), args=FLAGS)
        page = chromium.new_page(viewport={"width": WIDTH, "height": 1400}, color_scheme="dark")
        page.goto(address)
        page.locator("#link[data-state=ready]").wait_for()
        yield page
        chromium.close()


def judged(page: Any, served: Served, clips: Clips) -> None:
    """Some good units make a reference, then a unit with a shorted turn is judged by it."""
    for unit, seed in enumerate(GOOD, start=1):
        clips.clip("healthy", seed)
        strike(page, served)
        served.desk.obey(Mark(REFERENCE, f"unit-{unit}"))
    served.desk.obey(WishFor(reference=REFERENCE))
    clips.clip(*JUDGED)
    strike(page, served)
    page.locator("body[data-headline='a turn is shorted']").wait_for()


def strike(page: Any, served: Served) -> None:
    number = shown(page)
    served.desk.obey(Strike())
    until(page, f"Number(document.body.dataset.shot) > {number}")


def picture_of_the_page(page: Any, place: Path) -> None:
    """From the top to the last control, with the bar that stays in sight below it."""
    box, bar = (page.locator(name).bounding_box() for name in ("#controls", "#hand"))
    page.set_viewport_size({"width": WIDTH, "height": round(box["y"] + box["height"] + bar["height"] + 16)})
    for _ in ("light", "dark"):  # the plots are built anew, in the room that they have in the end
        page.keyboard.press("d")
    keep(page.screenshot, place)


def keep(taken: Callable[[], bytes], place: Path) -> None:
    """A picture in which nothing moves any more: the plots fit themselves to their place a little later."""
    before, now = b"", taken()
    while now != before:
        time.sleep(0.5)
        before, now = now, taken()
    place.write_bytes(now)


def readings(served: Served) -> None:
    """The worksheet of an invented monitor whose rails come back with the secondary rectifiers lifted."""
    served.desk.obey(Begin(ITEM, "CRT monitor"))
    for step, numbers in RAILS:
        served.desk.obey(Observe(ITEM, step, numbers=numbers))


if __name__ == "__main__":
    main()
