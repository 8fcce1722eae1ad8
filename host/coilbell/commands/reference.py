"""`coilbell reference`: keep what good and deliberately shorted windings ring like."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.commands.handover import distrust, export_all, import_set
from coilbell.commands.options import action_of, actions_of, add_log, add_reading, show, tell, tolerance_of
from coilbell.commands.windingkinds import kind_of, kinds
from coilbell.errors import CoilbellError, FileError, InputError
from coilbell.quantities import counted

if TYPE_CHECKING:
    from coilbell.bench.shelf import Shelf
    from coilbell.winding import Capture, Reference

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell reference add tarn-21-line good1.json --unit unit-1 \\
      --kind "line-output transformer"
  coilbell reference add tarn-21-line loop.json --unit unit-1 \\
      --shorted "one-turn loop of 1 mm wire"
  coilbell reference withdraw tarn-21-line unit-2 --why "shorted after all"
  coilbell reference show tarn-21-line
  coilbell reference export tarn-21-line tarn.json
  coilbell reference import tarn.json --merge
  coilbell reference export --all all.json --who "Heron Bench"
  coilbell reference import all.json --merge --same unit-7
  coilbell reference distrust "Heron Bench" --why "its capacitors are off"
  coilbell reference kinds "horizontal yoke"   its figures and sources
  coilbell reference kinds my-kind.toml        is it sound?

References are files in --store DIR, else in the folder that the environment
variable COILBELL_REFERENCES names, else in the user's data folder.
A kind of winding of your own is a TOML file: copy a shipped one (kinds NAME
--toml), change it and give it as --kind; the reference then carries it.
A good unit whose Q is not usual for its kind, or that rings far from the good
units there, is refused with its figures; --anyway takes it, and it stays marked
in every finding that rests on it.
A set keeps who handed it on and when; board, firmware and time stand with each
ring. What is here already is left out; another unit of a name that is taken
gets one of its own, unless --same says that it is the very specimen: where two
testers rang it their difference is measured, else it widens the intervals.
A damaged file is never replaced: move it away, then import an export.
Exit code: 0 done; 2 wrong usage, unusable record, damaged reference; 3 no
reference of that name, or its folder cannot be made.
"""


_ACTIONS: dict[str, str] = {
    "add": "add captures of one unit, known good or shorted on purpose",
    "withdraw": "take a unit out again, with the reason",
    "list": "names, kinds and sizes of all references",
    "show": "units, captures and spreads of one",
    "check": "verify files, hashes and captures of one or all",
    "export": "write one, or all, to a file, to hand on",
    "import": "take one or a set over from a file",
    "distrust": "let what a source handed on no longer count, or count again",
    "kinds": "list the kinds of winding, show one, or check a file of your own",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell reference`."""
    parser.epilog = _EXAMPLES
    made = actions_of(parser, _ACTIONS)
    for one in made.values():
        one.add_argument("--store", metavar="DIR", help="folder of references")
    for name in ("show", "withdraw"):
        made[name].add_argument("name", metavar="NAME", help="name of the reference")
    made["export"].add_argument("name", metavar="NAME", nargs="?", help="name of the reference")
    made["check"].add_argument("name", metavar="NAME", nargs="?", help="all when left out")
    for name in ("export", "import"):
        made[name].add_argument("file", metavar="FILE", help="file to write, or to read")
    made["export"].add_argument("--force", action="store_true", help="replace FILE when it exists")
    made["export"].add_argument("--all", action="store_true", help="every reference, in one file")
    made["export"].add_argument("--who", metavar="NAME", help="who hands it on; the shop of the settings")
    made["import"].add_argument(
        "--same", metavar="UNIT", action="append", default=[], help="a unit that is the very specimen here"
    )
    made["distrust"].add_argument("source", metavar="ORIGIN", nargs="?", help="name@hash, or who gave it")
    made["distrust"].add_argument("--why", metavar="TEXT", help="the reason, kept with it")
    made["distrust"].add_argument("--again", action="store_true", help="let it count again")
    made["import"].add_argument("--name", metavar="NAME", dest="rename", help="keep it under another name")
    made["import"].add_argument("--merge", action="store_true", help="join it to the one of that name")
    for name in ("add", "withdraw", "list", "show", "check", "import", "kinds", "distrust"):
        made[name].add_argument("--json", action="store_true", help="one JSON object a line")
    made["withdraw"].add_argument("unit", metavar="UNIT", help="the specimen that is not what it seemed")
    add_log(made["withdraw"])
    made["withdraw"].add_argument("--why", metavar="TEXT", required=True, help="the reason, kept with it")
    made["kinds"].add_argument("kind", metavar="KIND", nargs="?", help="a kind, or a TOML file to check")
    made["kinds"].add_argument("--faults", action="store_true", help="how severe faults of any kind may be")
    made["kinds"].add_argument("--toml", action="store_true", help="the kind as a TOML file to copy")
    _add_arguments(made["add"])


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("name", metavar="NAME", help="name of the reference; made when new")
    add("files", metavar="RECORD", nargs="+", help="record files of one unit")
    add("--unit", metavar="UNIT", required=True, help="name of the specimen")
    add("--kind", metavar="KIND", help="kind of winding, or its TOML file; needed for a new reference")
    add("--shorted", metavar="HOW", help="what was shorted on purpose; a good unit without")
    add_reading(parser)
    add("--note", metavar="TEXT", default="", help="kept with a new reference")
    add("--anyway", action="store_true", help="take a good unit that is doubted; it stays marked")


def run(options: argparse.Namespace) -> int:
    """Do the action; returns its exit code."""
    action = action_of(options, _ACTIONS)
    from coilbell.bench.shelf import Shelf

    actions: dict[str, Callable[[argparse.Namespace, Shelf], int]] = {
        "add": _add,
        "withdraw": _withdraw,
        "list": _list,
        "show": _show,
        "check": _check,
        "export": _export,
        "import": _import,
        "kinds": lambda options, _: kinds(options),
        "distrust": distrust,
    }
    return actions[action](options, Shelf(options.store))


def _add(options: argparse.Namespace, shelf: Shelf) -> int:
    captures = _captures(options)
    with shelf.alone(options.name):
        after, new = _added(options, shelf, captures)
    tell(
        f"{options.name}: {counted(new, 'capture')} of {options.unit} added"
        if new
        else f"{options.name}: nothing added, it holds these rings of {options.unit} already"
    )
    show(_summary(options, after))
    return 0


def _added(options: argparse.Namespace, shelf: Shelf, captures: list[Capture]) -> tuple[Reference, int]:
    """The reference with these captures, on the shelf, and how many of them are new."""
    from coilbell.winding import Reference, guarded

    if shelf.holds(options.name):
        before = shelf.get(options.name)
        if options.kind is not None and kind_of(options.kind) != before.kind:
            raise InputError(
                f"{options.name} is of another kind, a {before.kind.name}; leave --kind {options.kind} out"
            )
        _refuse_doubles(captures, before)
        captures = list(guarded(before.kind, before, captures, anyway=options.anyway))
        after = before.having(captures)
        new = len(after.captures) - len(before.captures)
    else:
        if options.kind is None:
            from coilbell.winding import KINDS

            raise InputError(f"{options.name} is new: give --kind, one of: {', '.join(KINDS)}")
        kind = kind_of(options.kind)
        captures = list(guarded(kind, None, captures, anyway=options.anyway))
        after = Reference.begin(options.name, kind, captures, options.note)
        new = len(captures)
    shelf.put(after)
    return after, new


def _withdraw(options: argparse.Namespace, shelf: Shelf) -> int:
    """Take a unit out; findings of the bench log that rest on it are listed, and stay marked."""
    with shelf.alone(options.name):
        before = shelf.get(options.name)
        after = before.without(options.unit, options.why)
        shelf.put(after)
    tell(f"{options.name}: unit {options.unit} withdrawn ({options.why})")
    _mark(options, after)
    show(_summary(options, after))
    return 0


def _mark(options: argparse.Namespace, after: Reference) -> None:
    """Keep the reference as it is now beside the findings that rest on the unit, and list them."""
    from coilbell.bench.log import Log, default_path
    from coilbell.bench.log.marks import resting_on
    from coilbell.bench.words.moment import local_time

    path = Path(options.log) if options.log else default_path()
    if not path.exists():
        tell(f"no bench log at {path}, so no findings are marked")
        return
    with Log(path) as log:
        found = list(resting_on(log, options.name, options.unit))
        if found:
            log.add_reference(after)
    for item, one in found:
        show(f"{item}: judgement {one.id} of {local_time(one.made_utc)}: {one.explanation}; judge it again")
    tell(f"{counted(len(found), 'finding')} of {path} {'rests' if len(found) == 1 else 'rest'} on it")


def _captures(options: argparse.Namespace) -> list[Capture]:
    from coilbell.bench.files.captures import capacitors_for, observations_of
    from coilbell.winding import Capture, Condition

    condition = Condition.GOOD if options.shorted is None else Condition.SHORTED
    capacitors = capacitors_for(options.files, options.capacitor, tolerance_of(options))
    return [
        Capture(options.unit, condition, seen, options.shorted or "")
        for name, capacitor in zip(options.files, capacitors, strict=True)
        for seen in observations_of(name, capacitor, channel=options.channel)
    ]


def _refuse_doubles(captures: list[Capture], before: Reference) -> None:
    """Raise InputError for a ring that is there as another specimen: counted twice it narrows the spread."""
    for new in captures:
        for old in before.captures:
            same = _heard(new) is not None and _heard(new) == _heard(old)
            if same and (new.unit, new.condition) != (old.unit, old.condition):
                raise InputError(
                    f"this very ring of {new.unit} is in {before.name} already, as {old.condition} unit "
                    f"{old.unit}; check the file and --unit"
                )


def _heard(capture: Capture) -> tuple[float, float, float] | None:
    """Figures that no two rings share to the last digit; None where nothing rang."""
    seen = capture.observation
    if seen.frequency_hz is None or seen.q is None:
        return None
    return seen.capacitor.farads, seen.frequency_hz, seen.q


def _list(options: argparse.Namespace, shelf: Shelf) -> int:
    names, worst = shelf.names(), 0
    if not names and not options.json:
        tell(f"no references in {shelf.folder}")
    for name in names:
        try:
            reference = shelf.get(name)
        except CoilbellError as error:
            tell(f"coilbell: {error}")
            worst = max(worst, error.exit_code)
            continue
        show(_summary(options, reference))
    return worst


def _show(options: argparse.Namespace, shelf: Shelf) -> int:
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.facts.reference import reference_facts
    from coilbell.bench.words.reference import reference_text

    facts = reference_facts(shelf.get(options.name))
    show(json_line(facts) if options.json else reference_text(facts))
    return 0


def _check(options: argparse.Namespace, shelf: Shelf) -> int:
    from coilbell.bench.facts.reference import REFERENCE_FACTS_SCHEMA
    from coilbell.bench.words.fit import wrapped
    from coilbell.winding import digest, remarks

    names, worst = [options.name] if options.name else list(shelf.names()), 0
    for name in names:
        facts = {"schema": REFERENCE_FACTS_SCHEMA, "what": "check", "name": name}
        try:
            reference = shelf.get(name)
        except CoilbellError as error:
            tell(f"{name}: {error}")
            worst = max(worst, error.exit_code)
            if options.json:
                show(json.dumps(facts | {"problem": str(error)}))
            continue
        weak = list(remarks(reference))
        if options.json:
            show(json.dumps(facts | {"problem": None, "sha256": digest(reference), "remarks": weak}))
            continue
        show(f"{name}: sound, sha256 {digest(reference)[:16]}...")
        for remark in weak:
            show(wrapped(remark))
    return worst


def _export(options: argparse.Namespace, shelf: Shelf) -> int:
    from coilbell.bench.shelf import write_reference

    place = Path(options.file)
    if options.name is None and not options.all:
        raise InputError("name the reference to hand on, or give --all")
    if place.exists() and not options.force:
        raise InputError(f"{place} exists and is left as it is; choose another name, or give --force")
    if options.all:
        return export_all(options, shelf)
    write_reference(shelf.get(options.name), place)
    tell(f"{options.name} written to {place}")
    return 0


def _import(options: argparse.Namespace, shelf: Shelf) -> int:
    from dataclasses import replace

    from coilbell.bench.learned.handover import handed
    from coilbell.bench.shelf import read_reference

    told = handed(Path(options.file))
    if told is not None:
        return import_set(options, shelf, told)
    arriving = read_reference(Path(options.file))
    named = replace(arriving, name=options.rename) if options.rename else arriving
    with shelf.alone(named.name):
        named = _taken_over(options, shelf, arriving, named)
    show(_summary(options, named))
    return 0


def _taken_over(
    options: argparse.Namespace, shelf: Shelf, arriving: Reference, named: Reference
) -> Reference:
    """What arrived, on the shelf under its name, joined to what is there where that was asked for."""
    from coilbell.winding import origin

    if shelf.holds(named.name):
        _there(shelf, named.name)
        if not options.merge:
            raise FileError(
                f"{named.name} is there already and is left as it is; give --merge to join the two, "
                "or --name for another name"
            )
        named = shelf.get(named.name).merged(arriving, origin(arriving), same=options.same)
    shelf.put(named)
    return named


def _there(shelf: Shelf, name: str) -> None:
    """Raise FileError when the file of that name cannot be read: it is never replaced, so say what helps."""
    try:
        shelf.get(name)
    except FileError as error:
        raise FileError(
            f"{error}; nothing is imported before that file is moved away, or give --name for another name"
        ) from error


def _summary(options: argparse.Namespace, reference: Reference) -> str:
    """The reference in one line, or all of it with --json."""
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.facts.reference import reference_facts
    from coilbell.bench.words.reference import reference_line

    return json_line(reference_facts(reference)) if options.json else reference_line(reference)
