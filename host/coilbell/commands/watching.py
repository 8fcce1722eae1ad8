"""`coilbell capture --watch`: its options, and the running line that they ask for."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.bench.settings import setting
from coilbell.commands.options import add_prior, port_of, prior_of
from coilbell.errors import InputError

if TYPE_CHECKING:
    from coilbell.bench.facts.trend import TrendFacts
    from coilbell.bench.log import ItemLog
    from coilbell.bench.page import Keeping, Wish
    from coilbell.bench.page.judgedshot import JudgedShot
    from coilbell.board import Settings
    from coilbell.record import Record

__all__ = ["add_watching", "check_watching", "watched"]


def add_watching(parser: argparse.ArgumentParser) -> None:
    """Declare what belongs to watching."""
    add = parser.add_argument
    add("--watch", action="store_true", help="one line that renews itself until q or Ctrl-C")
    add("--lines", action="store_true", help="with --watch: a line for each capture, as in a pipe")
    add("--sound", action="store_true", help="with --watch: a tone that follows Q")
    add("--reference", metavar="NAME", help="with --watch or --items: the reference to judge by")
    add("--unit", metavar="UNIT", default="", help="with --watch: the unit that g and x mark")
    add("--kind", metavar="KIND", default="other winding", help="with --watch: kind, without a reference")
    add("--store", metavar="DIR", help="with --watch or --items: folder of references")
    add_prior(parser)


def check_watching(options: argparse.Namespace) -> None:
    """Raise InputError for options that do not go with --watch, or only with it."""
    if options.watch:
        if options.shots not in (None, 1):
            raise InputError(f"--shots {options.shots}: each line of --watch is one shot; leave it out")
        if options.out == "-":
            raise InputError("--watch and --out - would mix on stdout; write the records to a file")
        return
    for name in ("lines", "sound", "reference", "unit", "store"):
        if getattr(options, name) and not (options.items and name in ("reference", "store")):
            raise InputError(f"--{name} belongs to --watch; give that as well, or leave it out")


def watched(
    options: argparse.Namespace,
    settings: Sequence[Settings],
    keep: Callable[[list[Record]], str] | None,
    drawer: ItemLog | None = None,
) -> int:
    """The running line, until q or Ctrl-C; returns the exit code.

    settings: one for each test capacitor; keep: keeps records and says where, None where nothing says where;
    drawer: the item, under which the trend is kept.
    """
    from coilbell.bench.page import Keeping, Wish
    from coilbell.commands.portsource import PortSource
    from coilbell.commands.runningline import Watching, watch
    from coilbell.winding import kind_named

    keeping = Keeping(Path(options.store) if options.store else None)
    reference = keeping.shelf.get(options.reference) if options.reference else None
    first = settings[0]
    wish = Wish(
        "both" if len(settings) > 1 else first.capacitor,
        first.connection,
        options.reference or "",
        reference.kind.name if reference else kind_named(options.kind).name,
        prior_of(options),
    )
    lines = options.lines or options.json or not (sys.stdout.isatty() and sys.stdin.isatty())
    source = PortSource(port_of(options), first)
    try:
        return watch(
            Watching(
                source=source,
                wish=wish,
                reference=reference,
                keep=keep,
                keep_trend=_trend_keeper(drawer) if drawer is not None else None,
                mark=_marker(keeping, wish, options.unit or "watched") if reference else None,
                lines=lines,
                json=options.json,
                every=lines and keep is not None,
                sound=options.sound or setting("sound") == "on",
            )
        )
    finally:
        source.close()


def _trend_keeper(drawer: ItemLog) -> Callable[[TrendFacts], None]:
    """Keeps stretches of the trend under the item, made when it is new."""
    from coilbell.bench.log import add_trend

    def keep(facts: TrendFacts) -> None:
        with drawer.log.together():
            add_trend(drawer.log, drawer.item or drawer.log.add_item(drawer.name), facts)

    return keep


def _marker(keeping: Keeping, wish: Wish, unit: str) -> Callable[[list[JudgedShot], bool, bool], str]:
    """Adds shots to the reference asked for."""
    from coilbell.bench.page.order import Mark

    def mark(shots: list[JudgedShot], good: bool, anyway: bool) -> str:
        how = "" if good else "marked while watching"
        return keeping.mark(Mark(wish.reference, unit, how, anyway), wish, shots)

    return mark
