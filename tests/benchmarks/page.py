"""How fast the live page is: shots a second with fit and judgement, latency, processor time.

    python tests/benchmarks/page.py --seconds 20
    python tests/benchmarks/page.py --seconds 20 --browser        with a page in Chromium that draws them
    python tests/benchmarks/page.py --soak-minutes 480            memory, a line a minute, and its slope
    python tests/benchmarks/page.py --soak-minutes 60 --rate 5 --browser    a page's own memory beside it

The board is the one in software, in processes of its own. Latency is from the arrival of a shot's samples at
the host to the arrival of its message at a client, or, with --browser, to the moment the page has drawn it.
Shots have 4096 samples; each is fitted and judged by a reference of one good unit.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "host"), str(ROOT / "tests")]

PORT = "virtual:?part=tarn-line-split&state=healthy&seed=1"
_STARTING = 10
"""Minutes that do not count for the slope: libraries are loaded, caches fill."""

_ROLES = {"_strike_on": "striking", "_judge_on": "judging", "_look_on": "looking"}

CHROMIUM = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)


def main() -> None:
    options = _options()
    with tempfile.TemporaryDirectory() as folder, serving(options.port, Path(folder)) as address:
        client = Client(address)
        client.begin()
        if options.soak_minutes:
            soak(client, options, address)
            return
        drawn = None
        if options.browser:
            with browser(address) as page:
                page.evaluate(NOTING)
                run(client, options.seconds)
                drawn = page.evaluate("window.drawn")
        else:
            run(client, options.seconds)
        report(client, options, drawn)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--port", default=PORT)
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--browser", action="store_true")
    parser.add_argument("--soak-minutes", type=float, default=0)
    parser.add_argument("--rate", type=float, default=0, help="shots a second in a soak; as many as go if 0")
    return parser.parse_args()


@contextmanager
def serving(port: str, folder: Path) -> Iterator[str]:
    from coilbell.bench.page import Desk, Keeping, Server, Wish
    from coilbell.commands.portsource import PortSource
    from coilbell.record import Connection

    wish = Wish("A", Connection.OUT_OF_CIRCUIT, kind="line-output transformer")
    server = Server(Desk(PortSource(port), Keeping(folder / "references", folder / "log.sqlite"), wish))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server.address
    finally:
        server.stop()
        thread.join()


class Client:
    """Commands the page and notes when its messages came."""

    def __init__(self, address: str) -> None:
        from websockets.sync.client import connect
        from websockets.typing import Origin

        origin = Origin("/".join(address.split("/")[:3]))
        self._opened = connect(address.replace("http", "ws") + "shots", origin=origin, max_size=None)
        self.socket = self._opened.__enter__()
        self.shots: list[dict[str, Any]] = []
        self.late_ms: list[float] = []
        self.processor_s: dict[str, float] = {}
        self.seconds = 0.0

    def order(self, **what: Any) -> None:
        self.socket.send(json.dumps(what))

    def heard(self, timeout_s: float = 30.0) -> dict[str, Any]:
        message = json.loads(self.socket.recv(timeout_s))
        if message["what"] == "shot":
            self.late_ms.append(time.time() * 1e3 - message["struck_at_ms"])
            self.shots.append(message)
            self.order(do="seen")
        return message

    def begin(self) -> None:
        """One shot, marked good, so that the next ones are judged by it."""
        self.order(do="strike")
        while self.heard()["what"] != "shot":
            pass
        self.order(do="mark", reference="bench", unit="unit-1")
        while self.heard()["what"] != "answer":
            pass
        self.order(do="wish", reference="bench")
        self.order(do="strike")
        while (message := self.heard())["what"] != "shot" or message["finding"]["odds"] == []:
            pass
        self.order(do="run", on=True)
        until = time.monotonic() + 2  # libraries loaded, pulse aimed
        while time.monotonic() < until:
            self.heard()


def run(client: Client, seconds: float) -> None:
    client.shots.clear()
    client.late_ms.clear()
    begun, used = time.monotonic(), processor_s()
    while time.monotonic() < begun + seconds:
        client.heard()
    client.seconds = time.monotonic() - begun
    client.processor_s = {name: now - used.get(name, 0.0) for name, now in processor_s().items()}


def processor_s() -> dict[str, float]:
    """Processor time of this process's threads by what they do, and of the browser's processes [s]."""
    names = {t.native_id: _ROLES.get(t.name, "serving") for t in threading.enumerate()}
    names[threading.main_thread().native_id] = "this client"
    found: dict[str, float] = {}
    for place, role in _descendants():
        found[role] = found.get(role, 0.0) + _spent_s(place)
    for place in Path("/proc/self/task").iterdir():
        role = names.get(int(place.name), "serving")
        found[role] = found.get(role, 0.0) + _spent_s(place)
    return found


def _descendants() -> Iterator[tuple[Path, str]]:
    """Processes that descend from this one, and what each is."""
    parents = {}
    for place in Path("/proc").glob("[0-9]*"):
        with suppress(OSError, ValueError):
            parents[int(place.name)] = int((place / "stat").read_text().rpartition(")")[2].split()[1])
    for one in parents:
        above = parents[one]
        while above in parents and above != os.getpid():
            above = parents[above]
        with suppress(OSError):
            place = Path("/proc", str(one))
            if above == os.getpid():
                name = (place / "cmdline").read_bytes().split(b"\0")[0]
                yield place, "browser" if b"chrom" in name else "driver" if b"node" in name else "board"


def _spent_s(place: Path) -> float:
    with suppress(OSError, ValueError, IndexError):
        fields = (place / "stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return 0.0


NOTING = (
    "window.drawn = []; new MutationObserver(() => { const d = document.body.dataset;"
    "window.drawn.push([+d.shot, d.drawn - d.struck]) })"
    ".observe(document.body, {attributes: true, attributeFilter: ['data-drawn']})"
)


@contextmanager
def browser(address: str) -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path="/usr/bin/chromium", args=list(CHROMIUM))
        page = chromium.new_page(viewport={"width": 1280, "height": 900})
        page.goto(address)
        page.locator("body[data-shot]").wait_for(timeout=60_000)
        yield page
        chromium.close()


def report(client: Client, options: argparse.Namespace, drawn: list[list[float]] | None) -> None:
    first, last = client.shots[0], client.shots[-1]
    struck = (last["number"] - first["number"]) / (last["struck_at_ms"] - first["struck_at_ms"]) * 1e3
    print(f"port                    {options.port}")
    print(f"load of the machine     {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    print(f"shots a second          {struck:.1f}   (fitted and judged)")
    print(f"messages a second       {len(client.shots) / client.seconds:.1f}")
    print(f"latency to a client     {_spread(client.late_ms)}")
    shots = last["number"] - first["number"]
    for name, spent_s in client.processor_s.items():
        if spent_s:
            print(f"processor, {name:12s} {1e3 * spent_s / shots:5.1f} ms a shot")
    if drawn:
        print(f"drawn a second          {len(drawn) / client.seconds:.1f}")
        print(f"latency to the screen   {_spread([late for _, late in drawn])}")


def _spread(values: list[float]) -> str:
    cuts = statistics.quantiles(values, n=20)
    return f"median {statistics.median(values):.0f} ms, p95 {cuts[18]:.0f} ms"


def soak(client: Client, options: argparse.Namespace, address: str) -> None:
    print("minute   shots   server MB   page MB", flush=True)
    if options.rate:
        client.order(do="run", on=False)
    with browser(address) if options.browser else nullcontext() as page:
        used = [
            (minute, resident_mb(), heap_mb(page) if page else math.nan)
            for minute in told(client, options.soak_minutes, options.rate, page)
        ]
    print()
    slope("server", [(minute, server) for minute, server, _ in used])
    if options.browser:
        slope("page's scripts", [(minute, heap) for minute, _, heap in used])


def told(client: Client, minutes: float, rate: float, page: Any) -> Iterator[int]:
    """Strike and hear on and on; gives the minutes as they pass, after a line with the memory."""
    begun = time.monotonic()
    due, number = begun, 0
    for minute in range(1, int(minutes) + 1):
        while (now := time.monotonic()) < begun + 60 * minute:
            if rate and now >= due:
                client.order(do="strike")
                due = max(due + 1 / rate, now - 1)
            with suppress(TimeoutError):
                number = client.heard(1 / rate if rate else 30.0).get("number") or number
            client.shots.clear()
            client.late_ms.clear()
        heap = f"{heap_mb(page):9.1f}" if page else "        -"
        print(f"{minute:6d} {number:7d}   {resident_mb():9.1f} {heap}", flush=True)
        yield minute


def resident_mb() -> float:
    """Memory of this process, in which server and client run [MB]."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def heap_mb(page: Any) -> float:
    """What the page's scripts hold after a collection [MB]."""
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    used = session.send("Runtime.getHeapUsage")["usedSize"] / 1e6
    session.detach()
    return float(used)


def slope(name: str, used: list[tuple[int, float]]) -> None:
    """Least squares over the minutes after the start; the error counts neighbours that move together.

    With rho the correlation of a residual and the next, n points are worth n (1 - rho) / (1 + rho).
    """
    kept = np.array(used[min(_STARTING, len(used) // 4) :])
    if len(kept) < 5:
        print(f"{name:15s} too short for a slope")
        return
    hours, mb = kept[:, 0] / 60, kept[:, 1]
    per_hour, start = np.polyfit(hours, mb, 1)
    left = mb - (start + per_hour * hours)
    power = float(left @ left)
    rho = min(max(float(left[1:] @ left[:-1]) / power, 0.0), 0.9) if power > 0 else 0.0
    spread = math.sqrt(power / (len(mb) - 2) * (1 + rho) / (1 - rho))
    error = spread / math.sqrt(float(((hours - hours.mean()) ** 2).sum()))
    print(
        f"{name:15s} {per_hour:+.3f} MB an hour, standard error {error:.3f}; "
        f"in 8 hours {8 * per_hour:+.1f} +- {2 * 8 * error:.1f} MB (twice the error)"
    )


if __name__ == "__main__":
    main()
