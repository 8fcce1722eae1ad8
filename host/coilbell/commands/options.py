"""Options that several commands share: declared in one place, read in one place."""

from __future__ import annotations

import argparse
import re
import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TextIO, TypeVar

from coilbell.bench.files.encoding import harmless
from coilbell.bench.settings import setting
from coilbell.errors import FileError, InputError, RecordError
from coilbell.quantities import parse

if TYPE_CHECKING:
    from coilbell.bench.facts.base import Facts
    from coilbell.bench.facts.item import KeptFacts
    from coilbell.bench.log import FittedCapture, ItemLog, Reading
    from coilbell.record import Connection, Temperature
    from coilbell.terms import Step
    from coilbell.winding import Reference

Told = TypeVar("Told", bound="Facts")
"""Facts of one kind."""

__all__ = [
    "Parser",
    "action_of",
    "actions_of",
    "add_connection",
    "add_done",
    "add_keeping",
    "add_log",
    "add_port",
    "add_prior",
    "add_reading",
    "add_reference",
    "add_sure",
    "board_words",
    "connection_of",
    "done_of",
    "drawer_of",
    "ohms_of",
    "port_of",
    "prior_of",
    "reading_of",
    "reference_of",
    "refuse_reading",
    "show",
    "show_and_keep",
    "sure_of",
    "tell",
    "tell_chosen",
    "tell_kept",
    "temperature_of",
    "text_of_file",
    "tolerance_of",
]

_LONGEST_LABEL = 400
"""The log keeps 500 letters; what was struck is added to them."""


class Parser(argparse.ArgumentParser):
    """One to which "-12=-5.2" and "-30u" are values: no option begins with a digit.

    By itself argparse takes only what is a number throughout for a value, all else behind "-" for an option.
    """

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._negative_number_matcher = re.compile(r"-[.,]?\d")

    def error(self, message: str) -> NoReturn:
        """End with the message and the exit code of wrong usage; words may be names of files of others."""
        super().error(harmless(message))


def actions_of(
    parser: argparse.ArgumentParser, words: Mapping[str, str]
) -> dict[str, argparse.ArgumentParser]:
    """A parser for each action of a command; words: name -> one line of help.

    Each shows those of the command's examples, in its epilog, that are its own.
    """
    actions = parser.add_subparsers(dest="action", metavar="ACTION")
    return {
        name: actions.add_parser(
            name,
            help=line,
            description=line,
            epilog=_examples_of(parser, name),
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )
        for name, line in words.items()
    }


def _examples_of(parser: argparse.ArgumentParser, action: str) -> str:
    """The lines of the command's examples for one action, with those that a backslash joins to them."""
    start = re.escape(f"  {parser.prog} {action}")
    found = re.findall(rf"^{start}(?= |$)(?:.*\\\n)*.*$", parser.epilog or "", re.MULTILINE)
    return "\n".join(["examples:", *found]) if found else ""


def action_of(options: argparse.Namespace, words: Mapping[str, str]) -> str:
    """The action asked for. Raises InputError, with those there are, when none is."""
    if options.action is None:
        raise InputError(f"no action given; choose one of: {', '.join(words)}")
    return str(options.action)


def show(text: str, *, stream: TextIO | None = None, end: str = "\n") -> None:
    """Write a result, by default to stdout; what could steer a terminal in it is written as an escape."""
    print(harmless(text), file=stream, end=end, flush=True)


def tell(text: str) -> None:
    """Say something that is no result: to stderr, on a terminal within its columns."""
    text = harmless(text).replace("\n", "\\n")
    if sys.stderr.isatty():
        text = textwrap.fill(text, 80, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    print(text, file=sys.stderr, flush=True)


def text_of_file(path: Path, longest: int) -> str:
    """A text file, of a longer one no more than shows that it is too long [characters]. Raises FileError."""
    try:
        with path.open(encoding="utf-8") as file:
            return file.read(longest + 1)
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not text"
        raise FileError(f"{path}: cannot be read: {reason}; check the name") from error


def add_connection(parser: argparse.ArgumentParser) -> None:
    """Declare how the winding was connected."""
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--in-circuit", action="store_true", help="the winding is connected in its set")
    where.add_argument("--out-of-circuit", action="store_true", help="nothing is connected to the winding")


def add_done(parser: argparse.ArgumentParser) -> None:
    """Declare what was done before this ring, which winding was rung, and how warm it was."""
    from coilbell.terms import RECORDED

    parser.add_argument(
        "--across", metavar="PINS", default="", help="which winding is rung, such as pins 3-5"
    )
    parser.add_argument(
        "--temperature", metavar="C", help="of the part [Celsius]; rings of closed cores follow it"
    )

    parser.add_argument(
        "--done",
        metavar="STEPS",
        default="",
        help=f"what was done before this ring, by commas: {', '.join(RECORDED)}",
    )


def done_of(options: argparse.Namespace) -> tuple[Step, ...]:
    """The steps of --done. Raises InputError for one that there is not."""
    from coilbell.terms import RECORDED, steps_named

    try:
        return steps_named(options.done)
    except ValueError as error:
        raise InputError(
            f"--done {str(error)[:40]}: no such step; choose from: {', '.join(RECORDED)}"
        ) from error


def temperature_of(options: argparse.Namespace) -> Temperature | None:
    """What --temperature says of the part, None where it is not given. Raises InputError."""
    from coilbell.record import Temperature

    if options.temperature is None:
        return None
    try:
        return Temperature(parse(options.temperature, "C", "--temperature"))
    except RecordError as error:
        raise InputError(f"--temperature {options.temperature}: give -60 to 200 Celsius") from error


def connection_of(options: argparse.Namespace) -> Connection | None:
    """What --in-circuit and --out-of-circuit say, None when neither is given."""
    from coilbell.record import Connection

    if options.in_circuit:
        return Connection.IN_CIRCUIT
    return Connection.OUT_OF_CIRCUIT if options.out_of_circuit else None


def add_reading(parser: argparse.ArgumentParser, *, capacitor: str = "one, or one a file") -> None:
    """Declare how record files are to be read."""
    add = parser.add_argument
    add("--capacitor", metavar="C", action="append", default=[], help=f"test capacitor; {capacitor}")
    add("--tolerance", metavar="PERCENT", help="uncertainty of --capacitor (1, or that of the settings)")
    add("--channel", metavar="NAME", help="channel by name or number, for files that hold several")


def reading_of(
    options: argparse.Namespace, connection: Connection | None = None, presumed: Connection | None = None
) -> Reading:
    """How record files are to be read."""
    from coilbell.bench.log import Reading

    return Reading(
        capacitors=tuple(options.capacitor),
        tolerance=tolerance_of(options),
        channel=options.channel,
        connection=connection,
        presumed=presumed,
        label=options.label,
        done=done_of(options) if "done" in options else (),
        across=options.across if "across" in options else "",
        temperature=temperature_of(options) if "temperature" in options else None,
    )


def tolerance_of(options: argparse.Namespace) -> str:
    """Uncertainty of the test capacitors typed [%]: --tolerance, else that of the settings."""
    return str(options.tolerance or setting("tolerance"))


def add_port(parser: argparse.ArgumentParser) -> None:
    """Declare where the tester is."""
    parser.add_argument("--port", metavar="PORT", help="COM5, /dev/ttyACM0, socket://host:port, virtual:...")


def port_of(options: argparse.Namespace) -> str | None:
    """The tester's port: --port, else that of the settings, else None for the only board found."""
    return options.port if options.port is not None else setting("port") or None


def add_prior(parser: argparse.ArgumentParser) -> None:
    """Declare the prior."""
    parser.add_argument(
        "--prior",
        metavar="P",
        help="probability of a shorted turn before the ring, as 0.3 or 30%% (by outcomes, else one half)",
    )


def prior_of(options: argparse.Namespace) -> float | None:
    """The prior, from "0.3" or "30%"; None where none is given. Raises InputError outside 0 to 1."""
    from coilbell.bench.worksheet.typed import prior

    return None if options.prior is None else prior(options.prior, "--prior")


def add_sure(parser: argparse.ArgumentParser) -> None:
    """Declare how sure a verdict must be."""
    parser.add_argument(
        "--sure", metavar="P", help="how sure a verdict must be (0.95, or that of the settings)"
    )


def sure_of(options: argparse.Namespace) -> float:
    """How sure a verdict must be, from "0.99" or "99%". Raises InputError outside 1/2 to 1."""
    from coilbell.bench.worksheet.typed import prior

    text = str(options.sure or setting("sure"))
    found = prior(text, "--sure")
    if not 0.5 < found < 1:
        raise InputError(f"--sure {text}: give more than 0.5 and less than 1, such as 0.95")
    return found


def add_reference(parser: argparse.ArgumentParser) -> None:
    """Declare what a ring is judged by."""
    add = parser.add_argument
    add("--reference", metavar="NAME", help="the reference to judge by, or a file made by export")
    add("--store", metavar="DIR", help="folder of references")
    add("--unit", metavar="UNIT", default="", help="judge by this very unit's own rings in the reference")
    add("--resistance", metavar="R", help="direct resistance; shares out the loss, is no evidence")


def reference_of(options: argparse.Namespace) -> Reference | None:
    """The reference to judge by. Raises MissingError, FileError."""
    if options.reference is None:
        return None
    from coilbell.bench.learned.lent import reference_named

    return reference_named(options.reference, options.store, getattr(options, "log", None))


def ohms_of(options: argparse.Namespace) -> float | None:
    """What --resistance says [ohm]. Raises InputError."""
    return None if options.resistance is None else parse(options.resistance, "ohm", "--resistance")


def add_log(parser: argparse.ArgumentParser) -> None:
    """Declare which bench log is meant."""
    parser.add_argument("--log", metavar="FILE", help="the bench log's file")


def add_keeping(parser: argparse.ArgumentParser) -> None:
    """Declare where in the bench log the result is kept."""
    add = parser.add_argument
    add("--item", metavar="NAME", help="keep it in the bench log, under this item; made when new")
    add_log(parser)
    add("--label", metavar="TEXT", default="", help="with --item: what was rung, in your words")


@contextmanager
def drawer_of(options: argparse.Namespace) -> Iterator[ItemLog | None]:
    """The item's place in the open log; None without --item. Raises InputError, MissingError, FileError."""
    if options.item is None:
        for name in ("log", "label"):
            if getattr(options, name):
                raise InputError(f"--{name} keeps nothing by itself; give --item NAME as well")
        yield None
        return
    from coilbell.bench.log import ItemLog, Log, check_name, check_words

    check_name(options.item)
    check_words(options.label, "--label", _LONGEST_LABEL)
    with Log(Path(options.log) if options.log else None) as log:
        with log.together():
            pass  # a log that cannot be written is told before anything is struck or computed
        yield ItemLog(log, options.item)


def refuse_reading(options: argparse.Namespace) -> None:
    """Raise InputError for options that are about record files, where none is given."""
    for name in ("capacitor", "channel", "label", "done", "across", "temperature"):
        if getattr(options, name, None):
            raise InputError(f"--{name} is for record files; what the log holds keeps its own, leave it out")


def board_words(rungs: Sequence[FittedCapture]) -> str:
    """What is added to the title of a judgement of rings that a board in software made, or one whose leads
    nothing protects; else ""."""
    simulated = " (simulated board)" if any(rung.records[0].simulated for rung in rungs) else ""
    bare = any(rung.records[0].unprotected for rung in rungs)
    return f"{simulated} (first board: new parts only)" if bare else simulated


def tell_chosen(drawer: ItemLog, rungs: Sequence[FittedCapture], what: str = "judged") -> None:
    """Say on stderr which of the item's captures were taken, where the user named none."""
    listed = ", ".join(f"capture {rung.capture} ({rung.label})" for rung in rungs)
    tell(f"{what}: {listed} of {drawer.name}")


def show_and_keep(
    options: argparse.Namespace,
    facts: Told,
    text: Callable[[Told], str],
    keep: Callable[[], KeptFacts] | None,
) -> None:
    """Keep a result, then show it; where it cannot be kept it is shown all the same.

    keep: None where nothing is to be kept, else it returns where that was.
    """
    from coilbell.bench.facts.base import json_line

    kept = None
    try:
        kept = keep() if keep else None
    finally:
        show(json_line(facts, kept=kept) if options.json else text(facts))
    if kept is not None:
        tell_kept(kept)


def tell_kept(kept: KeptFacts) -> None:
    """Say on stderr where a result went. kept: what `ItemLog.keep` returned."""
    item = f"{'new item ' * kept.new}{kept.item}"
    captures = [f"capture {number}" for number in kept.captures]
    tell(f"kept in {kept.log}: {', '.join([item, *captures])}")
