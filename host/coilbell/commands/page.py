"""`coilbell page`: watch the winding ring in a browser."""

from __future__ import annotations

import argparse
import contextlib
import json
import threading
from pathlib import Path

from coilbell.commands.options import (
    add_connection,
    add_log,
    add_port,
    add_prior,
    connection_of,
    port_of,
    prior_of,
    show,
    tell,
)
from coilbell.errors import InputError

__all__ = ["PAGE_SCHEMA", "add_arguments", "run"]

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
and the network carries it unencrypted. --at PORT --keep-address keeps the word
in a file that only you can read, so that an open page, or a bookmark, finds the
server again after a restart; nothing strikes before it is asked to.
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
    add("--keep-address", action="store_true", help="with --at: the same address each time, see below")
    add("--no-browser", action="store_true", help="only print the address")
    add_connection(parser)
    add("--json", action="store_true", help="print the address as a JSON object")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Serve the page until Ctrl-C; returns 0."""
    from coilbell.bench.log import check_name
    from coilbell.bench.page import Desk, Keeping, Server, Wish
    from coilbell.bench.page.word import kept_word
    from coilbell.commands.portsource import PortSource
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
    if options.keep_address and not options.at:
        raise InputError("--keep-address needs a port that stays the same; give --at NUMBER as well")
    word = kept_word(options.at) if options.keep_address else ""
    source = PortSource(port_of(options))
    source.check()
    desk = Desk(source, keeping, wish, options.item)
    server = Server(desk, options.host, options.at, word)
    _announce(server.address, options)
    with contextlib.suppress(KeyboardInterrupt):  # the proper end
        server.run()
    return 0


def _announce(address: str, options: argparse.Namespace) -> None:
    if options.host not in _HERE:
        tell(
            f"coilbell: listening on {options.host}: whoever on the network has this address can fire the "
            "tester and write to the log; the network carries it unencrypted"
        )
    if options.json:
        show(json.dumps({"schema": PAGE_SCHEMA, "what": "page", "address": address}))
    else:
        show(f"{address}\nThe page is at that address; Ctrl-C ends it.")
        if options.host not in _HERE:
            show(_square(address))
    if not options.no_browser:
        import webbrowser

        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()


def _square(address: str) -> str:
    """The address as a QR code (ISO/IEC 18004) of block letters, for the camera of a phone beside it."""
    import io

    import segno

    out = io.StringIO()
    segno.make(address, error="m", micro=False).terminal(out, compact=True)
    return out.getvalue().rstrip("\n")
