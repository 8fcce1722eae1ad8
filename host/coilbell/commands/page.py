"""`coilbell page`: watch the winding ring in a browser."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.commands.options import (
    add_connection,
    add_log,
    add_port,
    add_prior,
    connection_of,
    port_of,
    prior_of,
)
from coilbell.errors import InputError, MeasurementError, MissingError, WireError

if TYPE_CHECKING:
    from coilbell.bench.page import Leads, Link
    from coilbell.board import Tester
    from coilbell.record import Connection, Record

__all__ = ["PAGE_SCHEMA", "PortSource", "add_arguments", "run"]

PAGE_SCHEMA = 1
"""Number of the object that --json prints."""

_HERE = ("127.0.0.1", "localhost", "::1")

_EXAMPLES = """\
examples:
  coilbell page                              the only board found
  coilbell page --port virtual:              no board needed: an invented part
  coilbell page --port "virtual:?part=moss-choke&state=turn-dead&seed=3"
  coilbell page --reference tarn-21-line --capacitor both --out-of-circuit
  coilbell page --item heron-14              with its isolation worksheet

The page opens in the browser; its address holds a random word and serves this
computer only. Everything on it has a key, the list is on the page: press ?.
Ctrl-C here ends it. --host ADDRESS lets other computers of the network in:
whoever has the whole address can then fire the tester and write to the log,
and the network carries it unencrypted.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell page`."""
    add = parser.add_argument
    add_port(parser)
    add("--capacitor", metavar="A|B|both", default="A", help="test capacitor to begin with (A)")
    add("--reference", metavar="NAME", default="", help="the reference to judge by")
    add("--kind", metavar="KIND", default="other winding", help="kind of winding, without a reference")
    add_prior(parser)
    add("--item", metavar="NAME", default="", help="the item on the bench, whose worksheet is shown")
    add("--store", metavar="DIR", help="folder of references")
    add_log(parser)
    add("--host", metavar="ADDRESS", default=_HERE[0], help="address to listen on; see below")
    add("--at", metavar="NUMBER", type=int, default=0, help="TCP port to listen on; any free one by default")
    add("--no-browser", action="store_true", help="only print the address")
    add_connection(parser)
    add("--json", action="store_true", help="print the address as a JSON object")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Serve the page until Ctrl-C; returns 0."""
    from coilbell.bench.log import check_name
    from coilbell.bench.page import Desk, Keeping, Server, Wish
    from coilbell.record import Connection
    from coilbell.winding import kind_named

    wish = Wish(
        options.capacitor,
        connection_of(options) or Connection.UNKNOWN,
        options.reference,
        kind_named(options.kind).name,
        prior_of(options),
    )
    keeping = Keeping(
        Path(options.store) if options.store else None, Path(options.log) if options.log else None
    )
    if wish.reference:
        keeping.shelf.get(wish.reference)  # a wrong name is told before anything starts
    if options.item:
        check_name(options.item)
    source = PortSource(port_of(options))
    source.check()
    desk = Desk(source, keeping, wish, options.item)
    server = Server(desk, options.host, options.at)
    _announce(server.address, options)
    with contextlib.suppress(KeyboardInterrupt):  # the proper end
        server.run()
    return 0


def _announce(address: str, options: argparse.Namespace) -> None:
    if options.host not in _HERE:
        print(
            f"coilbell: listening on {options.host}: whoever on the network has this address can fire the "
            "tester and write to the log; the network carries it unencrypted",
            file=sys.stderr,
        )
    if options.json:
        print(json.dumps({"schema": PAGE_SCHEMA, "what": "page", "address": address}), flush=True)
    else:
        print(f"{address}\nThe page is at that address; Ctrl-C ends it.", flush=True)
    if not options.no_browser:
        import webbrowser

        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()


class PortSource:
    """A tester on a port as the page's source: opened when asked, and again after it was lost.

    All members may be called from the page's striking thread; `aim_again` from any.
    """

    def __init__(self, port: str | None) -> None:
        self._port = port
        self._tester: Tester | None = None
        self._pulses: dict[str, float] = {}
        self._stale = threading.Event()

    def check(self) -> None:
        """Open the tester once, so that a name that cannot be a port is told at once.

        One that is only not there is waited for: the page says so. Raises InputError.
        """
        try:
            self._open()
        except InputError:
            raise
        except (MissingError, MeasurementError) as error:
            print(f"coilbell: {error}", file=sys.stderr)

    def capacitors(self) -> tuple[str, ...]:
        """Letters of its test capacitors."""
        return self._open().identity.capacitors

    def link(self) -> Link:
        """Who it is and how its wire does."""
        from coilbell.bench.page import Link

        tester = self._open()
        calibrated = "" if tester.identity.constants_from != "defaults" else ", not calibrated"
        tally = tester.tally
        return Link(f"{tester.identity.words}{calibrated}", tally.damaged, tally.retried)

    def leads(self) -> Leads:
        """The lead voltage now."""
        from coilbell.bench.page import Leads

        tester = self._open()
        try:
            volts = tester.measure()["lead_mv"] * 1e-3
        except WireError:
            self._lose()
            raise
        return Leads(volts, tester.identity.lead_limit_v)

    def capture(self, letter: str, connection: Connection) -> Record:
        """One shot with that capacitor; the pulse is aimed at first and when `aim_again` asked for it."""
        from coilbell.board import Settings

        tester = self._open()
        try:
            if self._stale.is_set():
                self._stale.clear()
                self._pulses.clear()
            if letter not in self._pulses:
                self._pulses[letter] = tester.aim(letter).pulse_s
            settings = Settings(letter, shots=1, pulse_s=self._pulses[letter], connection=connection)
            return tester.capture(settings)[0]
        except WireError:
            self._lose()
            raise

    def aim_again(self) -> None:
        """Look for a new pulse width before the next shot."""
        self._stale.set()

    def close(self) -> None:
        """Give the tester back; closing twice is allowed."""
        self._lose()

    def _open(self) -> Tester:
        from coilbell.board import Tester

        if self._tester is None:
            self._tester = Tester.open(self._port)
        return self._tester

    def _lose(self) -> None:
        tester, self._tester = self._tester, None
        self._pulses.clear()
        if tester is not None:
            tester.close()
