"""`coilbell capture`: strike the winding on the leads, fit how it rings."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilbell.commands.capturerequest import Request, request_of
from coilbell.commands.captureshown import Told, show_capture, strike_facts, winding_of
from coilbell.commands.options import (
    add_connection,
    add_done,
    add_keeping,
    add_port,
    drawer_of,
    port_of,
    tell,
    tell_kept,
)
from coilbell.commands.series import series
from coilbell.commands.watching import add_watching, watched
from coilbell.errors import FileError, MeasurementError, MissingError

if TYPE_CHECKING:
    from coilbell.bench.facts.fit import FitFacts
    from coilbell.bench.facts.item import KeptFacts
    from coilbell.bench.log import FittedCapture, ItemLog
    from coilbell.board import Settings, Tester
    from coilbell.decay import Fit
    from coilbell.record import Record

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell capture                            the only board found, capacitor A
  coilbell capture --capacitor both --out part.json
  coilbell capture --item lot-3 --out-of-circuit    kept in the bench log
  coilbell capture --watch --reference tarn-21-line --item lot-3
  coilbell capture --items lot-{1..20} --out-of-circuit --reference tarn-21-line
  coilbell capture --item lot-3 --in-circuit --ladder --done yoke-off
  coilbell capture --port COM5 --interleave 4 --shots 4
  coilbell capture --port virtual:            no board needed: an invented part
  coilbell capture --port "virtual:?part=moss-choke&state=turn-dead&seed=3"

A part or state that there is not names those there are: part=none, state=none.
The winding must carry no voltage: discharge it and take it off the mains.
--shots are fitted jointly. --interleave 4 makes each shot of four, for four
times the rate; without it a probe tells whether a ring would be above 200 kHz
and asks for it. --watch strikes on and on and tells
jumps of Q or frequency: space freezes, k keeps (--item, --out), g and x mark a
good or a shorted unit in --reference, h, c, t mark heated, cooled, tapped, q
ends. In a pipe, or with --lines, each capture has a line and is kept.
In circuit the board aims at 130 mV, where the junctions of a sound set rest.
--ladder rings 60, 130 and 270 mV with two test capacitors, the lowest once
more at the end; --done says what was unplugged before: the odds need to know.
With --item NAME records and fits are kept in the bench log; `coilbell judge
--item NAME` and `coilbell compare --item NAME` then find them there.
Exit code: 0 done, no ring included; 1 board or measurement failed; 2 an option
cannot be; 3 no board, or its port cannot be opened.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell capture`."""
    add = parser.add_argument
    add_port(parser)
    add("--capacitor", metavar="A|B|C|both", default="A", help="test capacitor by letter; both: A, then B")
    add("--shots", metavar="N", type=int, help="records to take and fit jointly (8; watching, 1)")
    add(
        "--interleave",
        metavar="M",
        type=int,
        help="shots of stepped delay in a record (1; 4 where a probe asks)",
    )
    add("--samples", metavar="N", type=int, default=4096, help="samples of a shot (4096)")
    add("--pretrigger", metavar="N", type=int, default=128, help="samples before the pulse (128)")
    add("--posts", action="store_true", help="the part is on the tester's posts, not on leads with clips")
    add("--ladder", action="store_true", help="rising amplitudes, two test capacitors: to decide in circuit")
    add("--pulse", metavar="TIME", help="width of the pulse, such as 2u; by default the board aims")
    add("--count", metavar="N", type=int, default=1, help="captures to take (1)")
    add_watching(parser)
    add("--out", metavar="FILE", help='keep the records (.json, .csv); "-" writes JSON to stdout')
    add("--count-to", metavar="PART", default="0.1", help="count rings down to this part of the first peak")
    add("--note", metavar="TEXT", default="", help="a note kept with the records")
    add_connection(parser)
    add_done(parser)
    add_keeping(parser)
    add("--items", metavar="NAME", nargs="+", help="many parts, such as lot-{1..20}: one each, then a table")
    add("--json", action="store_true", help="one JSON object a line instead of tables")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Capture, fit and show; returns the exit code."""
    from coilbell.board import Tester
    from coilbell.commands.ladder import caution

    request = request_of(options)
    # The log first: nothing is struck that could not be kept.
    if options.watch:
        with drawer_of(options) as drawer:
            caution(request.settings[0].connection, drawer)
            return watched(options, request.settings, _keeper(request, drawer), drawer)
    if options.items:
        caution(request.settings[0].connection, None)
        with Tester.open(port_of(options)) as tester:
            return series(options, lambda: _rungs(tester, request))
    with drawer_of(options) as drawer, Tester.open(port_of(options)) as tester:
        caution(request.settings[0].connection, drawer)
        for warning in tester.warnings:
            tell(f"coilbell: note: {warning}")
        for number in range(1, (request.count or 1) + 1):
            _one(tester, request, drawer, number)
    return 0


def _rungs(tester: Tester, request: Request) -> list[FittedCapture]:
    """One capture with each capacitor, fitted. Raises MeasurementError where one broke off."""
    from coilbell.bench.log import FittedCapture
    from coilbell.commands.ladder import unfolded

    noise_v = 0.0
    if request.ladder:
        request, noise_v = _planned(tester, request)
    elif request.probe:
        request = replace(request, settings=unfolded(tester, request.settings))
    captures, broken = _captures(tester, request, noise_v)
    if broken is not None:
        raise broken
    told = [f"capacitor {settings.capacitor}" for settings in request.settings]
    labels = [f"{request.label} ({what})" if request.label else what for what in told]
    return [
        FittedCapture(capture, label, _fitted(capture, request)[1])
        for capture, label in zip(captures, labels, strict=True)
    ]


def _keeper(request: Request, drawer: ItemLog | None) -> Callable[[list[Record]], str] | None:
    """Keeps records where the options say; None where they say nothing."""
    if drawer is None and request.out is None:
        return None
    numbers = count(1)

    def keep(records: list[Record]) -> str:
        _keep(records, request, next(numbers))
        for record in records:
            if drawer:
                _put(drawer, (record,), "watched", _fitted((record,), request)[1], request)
        places = [request.out or "", f"the bench log under {drawer.name}" if drawer else ""]
        return f"kept in {' and in '.join(filter(None, places))}"

    return keep


def _one(tester: Tester, request: Request, drawer: ItemLog | None, number: int) -> None:
    """One capture with each capacitor: kept first, then fitted and shown.

    Of one that breaks off, what had arrived whole is treated alike before the error goes on its way.
    """
    from msgspec import structs

    from coilbell.commands.ladder import unfolded

    noise_v = 0.0
    if request.ladder:
        request, noise_v = _planned(tester, request)
    elif request.probe:
        request = replace(request, settings=unfolded(tester, request.settings))
    captures, broken = _captures(tester, request, noise_v)
    if broken is not None and not captures:
        raise broken
    unkept = _unkept([record for capture in captures for record in capture], request, number)
    fits = [_fitted(capture, request) for capture in captures]
    winding = winding_of(captures, [fit for fit, _ in fits])
    for settings, capture, (_, facts) in zip(request.settings, captures, fits, strict=False):
        many = f" capture {number}" if request.count != 1 else ""
        what = f"{many}, capacitor {settings.capacitor}"
        told = Told(
            structs.replace(facts, title=f"{tester.port}{what}"),
            strike_facts(tester, capture, settings),
            winding if capture is captures[-1] else None,
        )
        kept, refused = None, None
        try:
            kept = _put(drawer, capture, what.strip(" ,"), facts, request) if drawer else None
        except MissingError as error:
            refused = error
        finally:
            show_capture(told, kept, request, alone=not winding)
        if refused is not None:
            raise _told_of_log(refused, unkept, request) from refused
        if kept is not None:
            tell_kept(kept)
    if unkept is not None:
        place = (
            f"the ring is in the bench log under {drawer.name}" if drawer else "the ring is kept nowhere else"
        )
        raise FileError(f"{unkept}; {place}: what was shown is of it") from broken
    if broken is not None:
        raise broken


def _told_of_log(refused: MissingError, unkept: FileError | None, request: Request) -> MissingError:
    """The log's refusal, with where the ring that was shown is instead."""
    if request.out is None or request.out == "-" or unkept is not None:
        also = f" {unkept}." if unkept is not None else ""
        return MissingError(f"{refused}.{also} The ring that was shown is kept nowhere")
    return MissingError(f"{refused}. The ring that was shown is in {request.out}")


def _unkept(records: Sequence[Record], request: Request, number: int) -> FileError | None:
    """Why the records could not be kept in a file: the ring is fitted, shown and logged all the same."""
    try:
        _keep(records, request, number)
    except FileError as error:
        return error
    return None


def _captures(
    tester: Tester, request: Request, noise_v: float
) -> tuple[list[tuple[Record, ...]], MeasurementError | None]:
    """A capture with each capacitor; of one that broke off the records that arrived whole, and why."""
    captures: list[tuple[Record, ...]] = []
    for settings in request.settings:
        try:
            captures += [_captured(tester, settings, noise_v)]
        except MeasurementError as error:
            return captures + [tester.arrived] * bool(tester.arrived), error
    return captures, None


def _put(
    drawer: ItemLog, capture: tuple[Record, ...], what: str, facts: FitFacts, request: Request
) -> KeptFacts:
    """Keep a capture with its fit in the bench log."""
    from msgspec import structs

    from coilbell.bench.log import FittedCapture

    label = f"{request.label} ({what})" if request.label else what
    return drawer.keep([FittedCapture(capture, label, structs.replace(facts, title=label))])


def _captured(tester: Tester, settings: Settings, noise_v: float) -> tuple[Record, ...]:
    """One capture with one capacitor: a ladder where the noise of a sample is given, else as its settings
    say.

    Out of circuit, where the board aims at its own band, a few shots at 130 mV come first, so that a ring in
    circuit is held against one of its own size.
    """
    from coilbell.commands.ladder import climb, with_low_rung

    with _bar(settings) as step:
        if noise_v:
            return climb(tester, settings, noise_v, step)
        return with_low_rung(tester, settings, step)


def _planned(tester: Tester, request: Request) -> tuple[Request, float]:
    """The request with the two capacitors that the probe chose, and the noise of a sample [V]."""
    from coilbell.commands.ladder import plan

    chosen = plan(tester, request.settings[0])
    return replace(request, settings=chosen.settings), chosen.noise_v


@contextmanager
def _bar(settings: Settings) -> Iterator[Any]:
    """A progress function; a bar on a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    title = f"capacitor {settings.capacitor}"
    with tqdm(total=settings.shots, desc=title, unit="shot", file=sys.stderr, leave=False, ncols=79) as bar:
        yield lambda done, _: bar.update(done - bar.n)


def _keep(records: Sequence[Record], request: Request, number: int) -> None:
    if request.out is None:
        return
    if request.out == "-":
        from coilbell.bench.files.recordjson import encode

        sys.stdout.write(encode(records).decode("utf-8") + "\n")
        sys.stdout.flush()
        return
    from coilbell.bench.files.records import write

    path = Path(request.out)
    if request.count == 1:
        write(records, path)
        return
    while (numbered := path.with_stem(f"{path.stem}-{number}")).exists():
        number += 1  # what an earlier run kept stays
    write(records, numbered)


def _fitted(capture: tuple[Record, ...], request: Request) -> tuple[Fit, FitFacts]:
    from coilbell.bench.log import fitted

    return fitted(capture, count_to=request.count_to)
