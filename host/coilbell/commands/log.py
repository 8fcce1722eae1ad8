"""`coilbell log`: the bench log, where items, rings, findings and notes are kept."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.commands.ended import add_audit_arguments, add_outcome_arguments, audit, outcome
from coilbell.commands.options import (
    action_of,
    actions_of,
    add_connection,
    add_log,
    add_prior,
    add_reading,
    add_reference,
    connection_of,
    ohms_of,
    prior_of,
    reading_of,
    reference_of,
    show,
    tell,
)
from coilbell.errors import InputError
from coilbell.quantities import counted, parse

if TYPE_CHECKING:
    from coilbell.bench.facts.item import ItemFacts
    from coilbell.bench.log import Log

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell log add choke-7 rings.json --equipment "Moss supply" \\
      --part "output choke" --kind "power inductor" --out-of-circuit
  coilbell log add lot-3 big.json small.json --reference tarn-21-line
  coilbell log note choke-7 "warm to the touch, lacquer dark on one side"
  coilbell log set choke-7 --serial 0417
  coilbell log outcome choke-7 shorted-turn --how "replaced, runs" --sure 0.9
  coilbell log outcome choke-7 --withdraw "it was the diode after all"
  coilbell log audit --picture odds.png
  coilbell log undo choke-7 "rang the wrong part"
  coilbell log show choke-7
  coilbell log search lacquer
  coilbell log export everything.zip
  coilbell log import everything.zip --prefix other-bench/
  coilbell log backup log-of-today.sqlite
  coilbell log remove choke-7 --backup log-before.sqlite
  coilbell log refit

The log is the file of --log FILE, else the one the environment variable
COILBELL_LOG names, else one in the user's data folder. Nothing in it is ever
overwritten: a new fit or finding stands beside the old ones.
"""

_MOST_JOBS = 256
"""More processes than any processor here runs at once."""

_ACTIONS: dict[str, str] = {
    "add": "add an item, or rings, notes and photos to one; fits and judges what is added",
    "list": "all items",
    "show": "everything kept of one item",
    "note": "add a note to an item",
    "set": "add or correct an item's details; the old words stay kept",
    "audit": "hold what findings said against what items were in the end",
    "outcome": "keep what an item was in the end, or withdraw it",
    "undo": "take an item's last entry back; it stays kept",
    "search": "items that hold all the words in their names, notes or findings",
    "export": "to a table (.csv, .parquet) or to an archive to hand on (.zip)",
    "import": "take over an archive somebody exported",
    "refit": "fit and judge everything again, as after an upgrade",
    "backup": "copy the whole log to a new file",
    "check": "verify every hash and the file itself",
    "remove": "take an item out, after a backup",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell log`."""
    parser.epilog = _EXAMPLES
    made = actions_of(parser, _ACTIONS)
    for one in made.values():
        add_log(one)
    for name in ("show", "note", "set", "undo", "remove"):
        made[name].add_argument("item", metavar="ITEM", help="name of the item")
    for name in ("add", "list", "show", "search", "import", "refit", "check"):
        made[name].add_argument("--json", action="store_true", help="one JSON object a line")
    made["show"].add_argument("--all", action="store_true", help="older fits and findings as well")
    for name in ("note", "search"):
        made[name].add_argument("words", metavar="WORD", nargs="+", help="the words")
    for name in ("equipment", "part", "kind", "serial", "customer"):
        made["set"].add_argument(f"--{name}", metavar="TEXT", help=f"{name} of the item from now on")
    made["undo"].add_argument("words", metavar="WHY", nargs="*", help="the reason")
    add_outcome_arguments(made["outcome"])
    add_audit_arguments(made["audit"])
    _file_arguments(made)
    made["refit"].add_argument("--jobs", metavar="N", default="", help="processes; all processors by default")
    _add_arguments(made["add"])


def _file_arguments(made: dict[str, argparse.ArgumentParser]) -> None:
    made["export"].add_argument("file", metavar="FILE", help="a new .csv, .parquet or .zip file")
    made["export"].add_argument("items", metavar="ITEM", nargs="*", help="items; all when left out")
    made["import"].add_argument("file", metavar="FILE", help="archive made by export")
    made["import"].add_argument("--prefix", metavar="TEXT", default="", help="put before the items' names")
    made["backup"].add_argument("file", metavar="FILE", help="the new file")
    made["remove"].add_argument("--backup", metavar="FILE", required=True, help="new file for the log before")


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("item", metavar="ITEM", help="name of the item; made when new")
    add("files", metavar="RECORD", nargs="*", help="record files of its winding")
    for name in ("equipment", "part", "kind", "serial"):
        add(f"--{name}", metavar="TEXT", default="", help=f"{name} of a new item")
    add("--label", metavar="TEXT", default="", help="what was rung; the file's name when left out")
    add("--note", metavar="TEXT", default="", help="a note")
    add("--photo", metavar="FILE", action="append", default=[], help="a picture, kept by path and hash")
    add_reference(parser)
    add_prior(parser)
    add_reading(parser)
    add_connection(parser)


def run(options: argparse.Namespace) -> int:
    """Do the action; returns its exit code."""
    action = action_of(options, _ACTIONS)
    from coilbell.bench.log import Log

    actions: dict[str, Callable[[argparse.Namespace, Log], int]] = {
        "add": _add,
        "list": _list,
        "show": _show,
        "note": _note,
        "set": _set,
        "audit": audit,
        "outcome": outcome,
        "undo": _undo,
        "search": _search,
        "export": _export,
        "import": _import,
        "refit": _refit,
        "backup": _backup,
        "check": _check,
        "remove": _remove,
    }
    reads_only = action in ("audit", "list", "show", "search", "export", "backup", "check")
    path = Path(options.log) if options.log else None
    with Log(path, writable=not reads_only) as log:
        return actions[action](options, log)


def _add(options: argparse.Namespace, log: Log) -> int:
    from coilbell.bench.facts.item import item_json
    from coilbell.bench.log import Addition, add_to_log, item_facts, item_text

    for name in ("store", "unit", "resistance"):
        if getattr(options, name) and options.reference is None:
            raise InputError(f"--{name} needs --reference: without one nothing is judged")
    entry = Addition(
        name=options.item,
        details={name: getattr(options, name) for name in ("equipment", "part", "kind", "serial")},
        files=tuple(options.files),
        reading=reading_of(options, connection=connection_of(options)),
        note=options.note,
        photos=tuple(map(Path, options.photo)),
        reference=reference_of(options),
        prior=prior_of(options),
        unit=options.unit,
        direct_ohms=ohms_of(options),
    )
    item = add_to_log(log, entry)
    tell(f"kept in {log.path}")
    facts = item_facts(log, item)
    show(item_json(facts) if options.json else item_text(facts))
    return 0


def _list(options: argparse.Namespace, log: Log) -> int:
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.log import item_head, item_line

    items = log.items()
    if not items:
        tell(f"the log {log.path} is empty")
    for item in items:
        facts = item_head(log, item)
        show(json_line(facts) if options.json else item_line(facts))
    return 0


def _show(options: argparse.Namespace, log: Log) -> int:
    from coilbell.bench.facts.item import item_json
    from coilbell.bench.log import item_facts, item_text

    facts = item_facts(log, log.item(options.item))
    show(item_json(facts) if options.json else item_text(facts, everything=options.all))
    _tell_fallen(facts)
    return 0


def _tell_fallen(facts: ItemFacts) -> None:
    """Say which findings rest on good units of a source that is distrusted by now."""
    from coilbell.bench.facts.finding import FindingFacts
    from coilbell.bench.learned.trust import fallen
    from coilbell.bench.shelf import Shelf

    folder = Shelf().folder
    for one in facts.judgements:
        if isinstance(one.facts, FindingFacts) and one.facts.sources:
            for words in fallen(folder, one.facts.sources):
                tell(f"finding of {one.made_utc[:16]}: {words}")


def _note(options: argparse.Namespace, log: Log) -> int:
    log.add_note(log.item(options.item), " ".join(options.words))
    tell(f"noted in {log.path}")
    return 0


def _set(options: argparse.Namespace, log: Log) -> int:
    from coilbell.bench.log import set_details
    from coilbell.bench.log.corrections import DETAILS

    names = (*DETAILS, "customer")
    words = {name: getattr(options, name) for name in names if getattr(options, name) is not None}
    if not words:
        raise InputError(f"nothing to set; give one of: {', '.join(f'--{name}' for name in names)}")
    item = set_details(log, log.item(options.item), words)
    tell(f"{item.name} is now: {', '.join(f'{name} {text}' for name, text in words.items())}")
    return 0


def _undo(options: argparse.Namespace, log: Log) -> int:
    from coilbell.bench.log import undo

    item = log.item(options.item)
    tell(f"taken back, and still kept: {undo(log, item, ' '.join(options.words))}")
    return 0


def _search(options: argparse.Namespace, log: Log) -> int:
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.log import item_found
    from coilbell.bench.words.fit import wrapped

    found = log.search(" ".join(options.words))
    for item, place in found:
        facts = item_found(log, item, place)
        show(json_line(facts) if options.json else wrapped(f"{item.name}: {place}", indent=0))
    if not found:
        tell("nothing holds all of these words")
    return 0


def _export(options: argparse.Namespace, log: Log) -> int:
    from coilbell.bench.log import write_archive, write_table

    place = Path(options.file)
    if place.exists():
        raise InputError(f"{place} exists and is left as it is; choose another name")
    items = [log.item(name) for name in options.items] or log.items()
    what = counted(len(items), "item")
    if place.suffix.lower() == ".zip":
        write_archive(log, items, place)
    else:
        what = f"{counted(write_table(log, items, place), 'capture')} of {what}"
    tell(f"{what} written to {place}")
    return 0


def _import(options: argparse.Namespace, log: Log) -> int:
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.log import item_head, take_over

    for name in take_over(log, Path(options.file), options.prefix):
        show(json_line(item_head(log, log.item(name))) if options.json else name)
    return 0


def _refit(options: argparse.Namespace, log: Log) -> int:
    from dataclasses import asdict

    from coilbell.bench.facts.item import LOG_SCHEMA
    from coilbell.bench.log import refit, refit_text

    wanted = parse(options.jobs, "", "--jobs") if options.jobs else -1.0
    jobs = int(wanted)
    if options.jobs and not (jobs == wanted and 1 <= jobs <= _MOST_JOBS):
        raise InputError(f"--jobs {options.jobs}; give a whole number from 1 to {_MOST_JOBS}")
    if sys.stderr.isatty():
        from tqdm import tqdm

        with tqdm(desc="refitting", file=sys.stderr, leave=False, ncols=79) as bar:

            def progress(done: int, total: int) -> None:
                bar.total = total
                bar.update(done - bar.n)
                bar.refresh()

            outcome = refit(log, jobs=jobs, progress=progress)
    else:
        outcome = refit(log, jobs=jobs)
    facts = {"schema": LOG_SCHEMA, "what": "refit", **asdict(outcome)}
    show(json.dumps(facts) if options.json else refit_text(outcome))
    return 1 if outcome.problems else 0


def _backup(options: argparse.Namespace, log: Log) -> int:
    log.base.copy_to(Path(options.file))
    tell(f"{log.path} copied to {options.file}")
    return 0


def _check(options: argparse.Namespace, log: Log) -> int:
    from coilbell.bench.facts.item import LOG_SCHEMA
    from coilbell.bench.log import problems

    found = list(problems(log))
    count = len(log.items())
    if options.json:
        facts = {"schema": LOG_SCHEMA, "what": "check", "log": str(log.path), "items": count}
        show(json.dumps(facts | {"problems": found}))
    else:
        show("\n".join(found) if found else f"{log.path}: sound, {counted(count, 'item')}")
    if found:
        tell(f"coilbell: {counted(len(found), 'problem')}; restore the log from a backup")
    return 2 if found else 0


def _remove(options: argparse.Namespace, log: Log) -> int:
    item = log.item(options.item)
    log.remove(item, Path(options.backup))
    tell(f"{item.name} is out of the log; {options.backup} holds the log as it was")
    return 0
