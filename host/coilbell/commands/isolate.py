"""`coilbell isolate`: from what was seen to the part to take out next."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilbell.commands.options import action_of, actions_of, add_log, show, tell, text_of_file
from coilbell.errors import FileError, InputError
from coilbell.quantities import parse

if TYPE_CHECKING:
    from coilbell.bench.facts.judgement import Judgement
    from coilbell.bench.facts.worksheet import WorksheetFacts
    from coilbell.bench.worksheet.sheet import Keeper
    from coilbell.isolate import Equipment

__all__ = ["KINDS_SCHEMA", "add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell isolate new --item heron-14 --kind "CRT monitor"
  coilbell isolate next --item heron-14
  coilbell isolate observe --item heron-14 collector-emitter normal
  coilbell isolate observe --item heron-14 base-emitter read=19 parts=150,22
  coilbell isolate observe --item heron-14 ring-out finding=judged.json
  coilbell isolate show --item heron-14
  coilbell isolate withdraw --item heron-14 2 wrong rail
  coilbell isolate next --item heron-14 --between secondary shorted-turns
  coilbell isolate kinds my-kind.toml

Without --qualified nothing live is instructed; readings that a qualified person
took can always be entered. A worksheet is kept in the bench log (--log FILE),
or with --sheet FILE in a file of its own.
"""

KINDS_SCHEMA = 1
"""Number of the objects that `kinds --json` prints."""

_ACTIONS: dict[str, str] = {
    "new": "begin a worksheet",
    "observe": "enter what was seen or measured at one step",
    "next": "the test that tells most for its effort, and how to do it safely",
    "show": "where it stands: ranked causes, what moved the odds, what does not fit",
    "withdraw": "take a reading back, with the reason",
    "kinds": "list the kinds of equipment, show one, or check a file of your own",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell isolate`."""
    parser.epilog = _EXAMPLES
    made = actions_of(parser, _ACTIONS)
    for name in made:
        if name != "kinds":
            made[name].add_argument("--item", metavar="NAME", required=True, help="name of the item")
            add_log(made[name])
            made[name].add_argument("--sheet", metavar="FILE", help="keep the worksheet in this file instead")
        made[name].add_argument("--json", action="store_true", help="one JSON object a line instead of text")
    _new_arguments(made["new"])
    _observe_arguments(made["observe"])
    made["next"].add_argument("--count", metavar="N", default="1", help="how many tests to describe (1)")
    made["next"].add_argument("--between", nargs=2, metavar="KEY", help="two causes to settle between")
    made["withdraw"].add_argument("entry", metavar="NUMBER", help="number of the reading, as show gives it")
    made["withdraw"].add_argument("why", metavar="WHY", nargs="+", help="the reason")
    made["kinds"].add_argument("name", metavar="KIND", nargs="?", help="a kind, or a TOML file to check")


def _new_arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add(
        "--kind", metavar="KIND", default="CRT monitor", help="name of a kind, or its TOML file (CRT monitor)"
    )
    add(
        "--qualified",
        metavar="LEVEL",
        default="none",
        help="live work you state to be qualified for: none, low voltage, mains, high voltage (none)",
    )
    add("--again", action="store_true", help="begin afresh; the older worksheet stays kept")


def _observe_arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("step", metavar="STEP", help="key of the step")
    add("words", metavar="WHAT", nargs="*", help="one of its outcomes, or NAME=VALUE as next shows it")
    add("--meter", metavar="SPEC", default="1%+2", help="meter: percent of reading plus digits (1%%+2)")
    add("--sure", metavar="PART", default="100%", help="how sure the eye was of an outcome (100%%)")


def run(options: argparse.Namespace) -> int:
    """Do the action; returns 0."""
    actions: dict[str, Callable[[argparse.Namespace, Keeper], int]] = {
        "new": _new,
        "observe": _observe,
        "next": _next,
        "show": _show,
        "withdraw": _withdraw,
    }
    action = action_of(options, _ACTIONS)
    if action == "kinds":
        return _kinds(options)
    if action == "new":
        _refuse_unknown(options)
    with _keeper(options) as keeper:
        return actions[action](options, keeper)


def _refuse_unknown(options: argparse.Namespace) -> None:
    """Raise InputError for a wrong kind or level, before an item is made for it."""
    from coilbell.isolate import check_level

    _kind(options.kind)
    check_level(options.qualified)


@contextmanager
def _keeper(options: argparse.Namespace) -> Iterator[Keeper]:
    """Where the item's worksheet is kept."""
    from coilbell.bench.log import LogKeeper
    from coilbell.bench.worksheet.sheet import SheetFile

    if options.sheet:
        if options.log:
            raise InputError("--sheet and --log exclude each other; leave one out")
        yield SheetFile(Path(options.sheet))
        return
    from coilbell.bench.log import Log

    path = Path(options.log) if options.log else None
    with Log(path, writable=options.action in ("new", "observe", "withdraw")) as log:
        if options.action == "new" and not log.holds(options.item):
            log.add_item(options.item)
            tell(f"{options.item} is new in {log.path}")
        yield LogKeeper(log, log.item(options.item))


def _new(options: argparse.Namespace, keeper: Keeper) -> int:
    from coilbell.bench.learned.shares import priors_of
    from coilbell.bench.worksheet.sheet import begin
    from coilbell.isolate import check_level

    kind, toml = _kind(options.kind)
    log = Path(options.log) if options.log else None
    learned = priors_of(kind, log)
    begin(keeper, kind, check_level(options.qualified), toml=toml, again=options.again, learned=learned)
    return _show(options, keeper)


def _observe(options: argparse.Namespace, keeper: Keeper) -> int:
    from coilbell.bench.worksheet.sheet import observe, opened
    from coilbell.bench.worksheet.typed import evidence_of, fraction, meter_of

    sheet = opened(keeper)
    evidence = evidence_of(
        sheet.kind.step_named(options.step),
        options.words,
        meter=meter_of(options.meter),
        sure=fraction(options.sure, "--sure"),
        finding=_latest(keeper),
    )
    number = observe(keeper, sheet, evidence, options.words)
    tell(f"reading {number}: {evidence.words}")
    return _show(options, keeper)


def _latest(keeper: Keeper) -> Judgement | None:
    """The item's latest finding or comparison in the log, None without one."""
    from coilbell.bench.log import LogKeeper

    latest = keeper.latest() if isinstance(keeper, LogKeeper) else None
    return latest.facts if latest else None


def _next(options: argparse.Namespace, keeper: Keeper) -> int:
    from coilbell.bench.worksheet.words import next_text

    count = parse(options.count, "", "--count")
    if count != int(count) or count < 1:
        raise InputError(f"--count {options.count}; give a whole number from 1")
    pair = tuple(options.between) if options.between else None
    return _told(options, keeper, lambda facts: next_text(facts, int(count)), pair)


def _show(options: argparse.Namespace, keeper: Keeper) -> int:
    from coilbell.bench.worksheet.words import worksheet_text

    return _told(options, keeper, worksheet_text)


def _told(
    options: argparse.Namespace,
    keeper: Keeper,
    text: Callable[[WorksheetFacts], str],
    pair: tuple[str, str] | None = None,
) -> int:
    """Show where the worksheet stands. pair: two causes to settle between."""
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.log import LogKeeper
    from coilbell.bench.worksheet.sheet import opened
    from coilbell.bench.worksheet.standing import worksheet_facts

    sheet = opened(keeper)
    if isinstance(keeper, LogKeeper):
        facts = keeper.facts(sheet, pair=pair)
    else:
        facts = worksheet_facts(sheet, options.item, pair=pair)
    show(json_line(facts) if options.json else text(facts))
    return 0


def _withdraw(options: argparse.Namespace, keeper: Keeper) -> int:
    from coilbell.bench.worksheet.sheet import opened, withdraw

    number = parse(options.entry, "", "number of the reading")
    if number != int(number):
        raise InputError(f"number of the reading {options.entry}; give a whole number, as show gives it")
    withdraw(keeper, opened(keeper), int(number), " ".join(options.why))
    return _show(options, keeper)


def _kinds(options: argparse.Namespace) -> int:
    from coilbell.bench.words.fit import wrapped
    from coilbell.isolate import shipped

    if not options.name:
        for kind in shipped().values():
            facts = {"schema": KINDS_SCHEMA, "what": "kind", "name": kind.name, "summary": kind.summary}
            line = wrapped(f"{kind.name}: {kind.summary}; {len(kind.step)} steps", indent=0)
            show(json.dumps(facts | {"steps": len(kind.step)}) if options.json else line)
        return 0
    kind, toml = _kind(options.name)
    if toml:
        tell(f"{options.name}: sound")
    if options.json:
        show(json.dumps(_kind_facts(kind)))
        return 0
    show(wrapped(f"{kind.name}: {kind.summary}", indent=0))
    for one in kind.hypothesis:
        show(wrapped(f"{one.key}: {one.name}, prior {one.prior:.2g}: {one.reason} ({one.source})"))
    for step in kind.step:
        live = "" if step.live == "none" else f" (live: {step.live})"
        show(wrapped(f"step {step.key}: {step.name}{live}; enter such as: {step.enter}"))
        show(wrapped("; ".join(f"{o.key}: {o.name}" for o in step.outcome), indent=6))
    return 0


def _kind_facts(kind: Equipment) -> dict[str, Any]:
    """A kind of equipment, ready for JSON: causes with priors, steps with outcomes, each with its source."""
    causes = [
        {"key": one.key, "name": one.name, "prior": one.prior, "reason": one.reason, "source": one.source}
        for one in kind.hypothesis
    ]
    steps = [
        {
            "key": step.key,
            "name": step.name,
            "live": str(step.live),
            "enter": step.enter,
            "outcomes": [{"key": outcome.key, "name": outcome.name} for outcome in step.outcome],
        }
        for step in kind.step
    ]
    head = {"schema": KINDS_SCHEMA, "what": "kind", "name": kind.name, "summary": kind.summary}
    return head | {"hypotheses": causes, "steps": steps}


def _kind(text: str) -> tuple[Equipment, str]:
    """The kind of that name, or of that TOML file with its text."""
    from coilbell.isolate import LONGEST_KIND, decode, shipped

    kinds = shipped()
    if text in kinds:
        return kinds[text], ""
    path = Path(text)
    if path.suffix.lower() != ".toml":
        raise InputError(f"no kind {text[:60]!r}; choose one of: {', '.join(kinds)}, or give a .toml file")
    toml = text_of_file(path, LONGEST_KIND)
    try:
        return decode(toml), toml
    except FileError as error:
        raise FileError(f"{path}: {error}") from error
