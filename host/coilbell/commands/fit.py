"""`coilbell fit`: the decay in record files."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.commands.options import show, tell
from coilbell.errors import CoilbellError, FileError, InputError
from coilbell.quantities import engineering, parse

if TYPE_CHECKING:
    from coilbell.bench.facts.fit import FitFacts
    from coilbell.decay import Fit
    from coilbell.record import Capacitor, Record

__all__ = ["add_arguments", "fraction", "run"]

_EXAMPLES = """\
examples:
  coilbell fit --example                    an invented record that ships along
  coilbell fit choke.json --picture choke.png
  coilbell fit scope.csv --channel CH2 --from 30u --to 5ms
  coilbell fit card.wav --channel left --capacitor 22n --json

A table may be separated by comma, semicolon, tab or blanks, with decimal points
or commas. A file with several channels needs --channel. Times are those of the
file's own time axis; write a negative one as --from=-30u.
Exit code: 0 done; 2 when a file or an option could not be used (the other files
are still fitted); a record that does not ring is a result, not a failure.
"""


@dataclass(frozen=True, slots=True)
class _Request:
    """The options, checked."""

    channel: str | None
    time_unit: str | None
    rate_hz: float | None
    time: str | None
    certify: bool
    modes: int
    start_s: float | None
    stop_s: float | None
    capacitor: Capacitor | None
    count_to: float
    json: bool
    picture: Path | None


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell fit`."""
    add = parser.add_argument
    add("files", metavar="FILE", nargs="*", help="record file: our JSON, oscilloscope CSV or TSV, WAV")
    add("--example", action="store_true", help="fit the invented record that ships with coilbell")
    add("--channel", metavar="NAME", help='channel by name or number from 1, or "all"')
    add("--from", dest="start", metavar="TIME", help="start of the fitted window, such as 30u or 1.5ms")
    add("--to", dest="stop", metavar="TIME", help="end of the fitted window")
    add("--capacitor", metavar="C", help="test capacitor across the winding, such as 22n or 4.7nF")
    add("--time-unit", metavar="UNIT", help="unit of a time column that names none: s, ms, us or ns")
    add("--time", metavar="NAME", help="column that holds the time, by name or number, where none is told")
    add("--modes", metavar="N", type=int, default=4, help="most rings to look for at once, 1 to 4")
    add("--certify", action="store_true", help="compute each ring again to the last digit, and compare")
    add("--rate", metavar="RATE", help="sampling rate of a table without time column, such as 500k")
    add("--count-to", metavar="PART", default="0.1", help="count rings down to this part of the first peak")
    add("--json", action="store_true", help="one JSON object a line instead of tables")
    add("--picture", metavar="PATH", help="draw samples, fit and residual (.png, .pdf or .svg)")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Fit every file; returns 0, or the exit code of the worst failure."""
    request, names = _request(options), _files(options)
    worst, shown = 0, 0
    for name in _progress(names):
        try:
            for title, capture in _captures(name, request):
                shown += 1
                fitted = _fitted(title, capture, request)
                with _beside_bar():
                    _show(fitted, title, capture, request, shown)
        except CoilbellError as error:
            with _beside_bar():
                tell(f"coilbell: {error}")
            worst = max(worst, error.exit_code)
    return worst


def _request(options: argparse.Namespace) -> _Request:
    from coilbell.bench.files.captures import capacitor_of

    start, stop = (
        _optional(text, "s", what) for text, what in ((options.start, "--from"), (options.stop, "--to"))
    )
    if start is not None and stop is not None and start >= stop:
        raise InputError(f"--from {options.start} is not before --to {options.stop}; exchange them")
    rate = _optional(options.rate, "Hz", "--rate")
    if rate is not None and rate <= 0:
        raise InputError(f"--rate {options.rate}; give a rate above 0, such as 500k")
    return _Request(
        channel=options.channel,
        time_unit=options.time_unit,
        rate_hz=rate,
        time=options.time,
        modes=options.modes,
        certify=_certified(options),
        start_s=start,
        stop_s=stop,
        capacitor=None if options.capacitor is None else capacitor_of(options.capacitor),
        count_to=fraction(options.count_to),
        json=options.json,
        picture=_picture_path(options.picture),
    )


def _optional(text: str | None, unit: str, what: str) -> float | None:
    return None if text is None else parse(text, unit, what)


def fraction(text: str) -> float:
    """0.1 from "0.1", "1/10" or "10%"."""
    upper, _, lower = text.partition("/")
    if not lower and text.endswith("%"):
        upper, lower = text[:-1], "100"
    value = parse(upper, "", "--count-to") / (parse(lower, "", "--count-to") or 1.0 if lower else 1.0)
    if not 0 < value < 1:
        raise InputError(f"--count-to {text} does not lie between 0 and 1; write 0.1 or 1/10")
    return value


def _picture_path(text: str | None) -> Path | None:
    if text is None:
        return None
    from coilbell.bench.pictures.decay import check_path

    return check_path(text)


def _files(options: argparse.Namespace) -> list[str]:
    from coilbell.bench.files.records import example

    names = ([str(example())] if options.example else []) + list(options.files)
    if not names:
        raise InputError("no file to fit; give record files, or --example for the one that ships along")
    return names


def _progress(names: Sequence[str]) -> Iterator[str]:
    """The names one by one, with a bar on a terminal when there are several."""
    if len(names) == 1 or not sys.stderr.isatty():
        yield from names
        return
    from tqdm import tqdm

    with tqdm(names, desc="fitting", unit="file", file=sys.stderr, leave=False, ncols=79) as bar:
        yield from bar


@contextmanager
def _beside_bar() -> Iterator[None]:
    """Room on the terminal for results: the bar is taken away and drawn again below them."""
    if "tqdm" not in sys.modules:
        yield
        return
    from tqdm import tqdm

    with tqdm.external_write_mode():
        yield


def _captures(name: str, request: _Request) -> Iterator[tuple[str, list[Record]]]:
    """What is fitted together, with its title: the shots of one capture, else each record alone."""
    from coilbell.bench.files.captures import captures_of
    from coilbell.bench.files.records import EXAMPLES, read

    records = read(
        name,
        channel=request.channel,
        time_unit=request.time_unit,
        rate_hz=request.rate_hz,
        time=request.time,
    )
    if request.capacitor is not None:
        records = tuple(replace(record, test_capacitor=request.capacitor) for record in records)
    groups = captures_of(records)
    path = Path(name)
    title = f"invented example {path.stem}" if path.parent == EXAMPLES else name
    titled = len(groups) > 1 and request.channel is None
    for number, group in enumerate(groups, start=1):
        yield f"{title} capture {number}" if titled else title, group


def _fitted(title: str, capture: Sequence[Record], request: _Request) -> Fit:
    from coilbell.decay import fit

    try:
        return fit(
            capture,
            start_s=request.start_s,
            stop_s=request.stop_s,
            count_to=request.count_to,
            max_modes=request.modes,
        )
    except InputError as error:
        raise FileError(f"{title}: {error}") from error


def _show(fit: Fit, title: str, capture: Sequence[Record], request: _Request, number: int) -> None:
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.facts.fit import fit_facts
    from coilbell.bench.words.fit import facts_table
    from coilbell.winding import tank_of_record

    facts = fit_facts(fit, title=title, records=capture, tank=tank_of_record(fit, capture[0]))
    if request.json:
        show(json_line(facts))
    else:
        show("\n" * (number > 1) + facts_table(facts))
    if request.certify:
        alone = fit if fit.records == 1 else _fitted(title, capture[:1], request)
        _certify(alone, title, " (first shot alone)" * (fit.records > 1))
    if request.json or not sys.stdout.isatty():
        for note in facts.notes:
            tell(f"coilbell: note: {title}: {note}")
    if request.picture is not None:
        _draw(fit, facts, capture[0], request.picture, number)


def _certify(fit: Fit, title: str, which: str) -> None:
    """Each ring as the solver that certified data test has it, and how far the fit is from that."""
    from coilbell.decay import certify

    try:
        found = certify(fit)
    except InputError as error:
        raise FileError(f"{title}: {error}") from error
    for number, one in enumerate(found, start=1):
        again = f"{engineering(one.frequency_hz, 'Hz', 9)}, Q {one.q:.7g}"
        show(f"  certified {number}{which}: {again}; {one.apart:.1g} uncertainties from the fit")


def _certified(options: argparse.Namespace) -> bool:
    if options.certify and options.json:
        raise InputError("--certify goes with --json not; leave one of them out")
    return bool(options.certify)


def _draw(fit: Fit, facts: FitFacts, record: Record, path: Path, number: int) -> None:
    """Draw to `path`, or for the second and further captures to its name with a number.

    A capture of one amplitude is drawn as it decays, a ladder as its loss over amplitude.
    """
    from coilbell.bench.pictures.decay import decay_picture, save
    from coilbell.bench.pictures.ladder import ladder_picture

    if number > 1:
        path = path.with_stem(f"{path.stem}-{number}")
    title, label = facts.title, record.extra.get("channel")
    if fit.ladder is not None:
        save(ladder_picture([facts], title=title), path)
        return
    save(decay_picture(fit, record, title=f"{title}, channel {label}" if label else title), path)
