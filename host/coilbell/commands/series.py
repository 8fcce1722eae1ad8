"""`capture --items`: many parts one after the other, each kept under its own name; a table at the end."""

from __future__ import annotations

import argparse
import re
import statistics
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.commands.options import prior_of, reference_of, show, tell
from coilbell.errors import InputError, MeasurementError

if TYPE_CHECKING:
    from coilbell.bench.log import FittedCapture, Log
    from coilbell.winding import Reference

__all__ = ["check_items", "names_of", "series"]

_MOST = 1000
"""Parts of one series; more is a slip of the finger. Assumed."""

_RANGE = re.compile(r"(?P<before>[^{}]*)\{(?P<first>\d+)\.\.(?P<last>\d+)\}(?P<after>[^{}]*)")


@dataclass(frozen=True, slots=True)
class _Row:
    """What the table shows of a part. q, hertz: with its first test capacitor, None where nothing rang."""

    name: str
    q: float | None
    hertz: float | None
    said: str


def names_of(words: Sequence[str]) -> list[str]:
    """The names meant: each word itself, or those of a range such as lot-{1..20}.

    Most shells expand such a range themselves. Raises InputError for a name that comes twice or cannot be.
    """
    from coilbell.bench.log import check_name

    found: list[str] = []
    for word in words:
        match = _RANGE.fullmatch(word)
        if match is None:
            found.append(word)
            continue
        first, last = int(match["first"]), int(match["last"])
        if abs(last - first) >= _MOST:
            raise InputError(f"--items {word[:40]}: more than {_MOST} parts; give a shorter range")
        width = len(match["first"]) if match["first"].startswith("0") else 0
        steps = range(first, last + 1) if last >= first else range(first, last - 1, -1)
        found += [f"{match['before']}{number:0{width}d}{match['after']}" for number in steps]
    for name in found:
        check_name(name)
    twice = next((name for name in found if found.count(name) > 1), None)
    if twice is not None:
        raise InputError(f"--items: {twice} comes twice; give each part a name of its own")
    return found


def check_items(options: argparse.Namespace) -> None:
    """Raise InputError for options that do not go with --items."""
    for name in ("item", "watch", "out", "json"):
        if getattr(options, name):
            raise InputError(f"--{name} and --items exclude each other; leave one out")
    if options.count != 1:
        raise InputError(f"--count {options.count} and --items exclude each other; leave one out")


def series(options: argparse.Namespace, take: Callable[[], list[FittedCapture]]) -> int:
    """Ring part after part, until all were or q; returns the exit code: 1 where one could not be measured.

    take: one capture with each test capacitor, fitted.
    """
    from coilbell.bench.log import Log

    names, reference, prior = names_of(options.items), reference_of(options), prior_of(options)
    rows: list[_Row] = []
    failed = False
    with Log(Path(options.log) if options.log else None) as log:
        try:
            for name in names:
                answer = _answer(f"{name} on the leads, then Enter (s skip, q end): ")
                if answer == "q":
                    break
                if answer == "s":
                    continue
                try:
                    rows.append(_one(log, name, take(), reference, prior))
                except MeasurementError as error:
                    failed = True
                    tell(f"coilbell: {name}: {error}")
                    rows.append(_Row(name, None, None, "not measured"))
                show(_line(rows[-1], None))
        finally:
            _table(rows)
    return 1 if failed else 0


def _one(
    log: Log, name: str, rungs: list[FittedCapture], reference: Reference | None, prior: float | None
) -> _Row:
    """Keep a part's rings, judged where there is a reference."""
    from coilbell.bench.facts.finding import finding_facts
    from coilbell.bench.facts.question import question_of
    from coilbell.bench.log import ItemLog, finding_of
    from coilbell.winding import headline_words

    drawer, said = ItemLog(log, name), ""
    if reference is None:
        drawer.keep(rungs)
    else:
        question = question_of(prior=prior)
        finding = finding_of(question, [(one.facts, one.records[0]) for one in rungs], reference)
        drawer.keep(rungs, question, finding_facts(finding, name), reference)
        said = headline_words(finding.verdict)
    modes = rungs[0].facts.modes if rungs else ()
    if not modes:
        return _Row(name, None, None, said or "no ring")
    return _Row(name, modes[0].q.value, modes[0].frequency_hz.value, said)


def _table(rows: Sequence[_Row]) -> None:
    """All parts, each against the middle of the series; shown whatever ended it."""
    if len(rows) < 2:
        return
    rang = [row.q for row in rows if row.q is not None]
    middle = statistics.median(rang) if rang else None
    show("")
    show(f"{'part':<20} {'f [kHz]':>9} {'Q':>7} {'to the middle':>14}  verdict")
    for row in rows:
        show(_line(row, middle))


def _line(row: _Row, middle: float | None) -> str:
    if row.q is None or row.hertz is None:
        return f"{row.name:<20} {'-':>9} {'-':>7} {'':>14}  {row.said}"[:80].rstrip()
    away = f"{100 * (row.q / middle - 1):+.0f} %" if middle else ""
    return f"{row.name:<20} {row.hertz / 1e3:>9.4g} {row.q:>7.4g} {away:>14}  {row.said}"[:80].rstrip()


def _answer(question: str) -> str:
    """The first letter of what was typed; "q" where nothing more can be typed."""
    if sys.stdin.isatty():
        return input(question).strip().lower()[:1]
    show(question)
    line = sys.stdin.readline()
    return line.strip().lower()[:1] if line else "q"
