"""`coilbell compare`: what a second ring has that a first, known good, has not."""

from __future__ import annotations

import argparse
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from coilbell.commands.options import (
    add_keeping,
    add_prior,
    add_reading,
    add_sure,
    board_words,
    drawer_of,
    prior_of,
    reading_of,
    refuse_reading,
    show_and_keep,
    sure_of,
    tell_chosen,
    tolerance_of,
)
from coilbell.errors import InputError

if TYPE_CHECKING:
    from coilbell.bench.log import FittedCapture, ItemLog
    from coilbell.winding import Reference, Relation

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell compare bench.json set.json --in-circuit --kind "horizontal yoke"
  coilbell compare before.json after.json
  coilbell compare good.csv other.csv --units --capacitor 22n
  coilbell compare --item lot-3             what the log holds of it

A is known good or was rung first; B is what it is held against. With records of
two test capacitors on both sides inductance and capacitance come apart: give
A and A2 as --also-a, B and B2 as --also-b.
With --item NAME rings and comparison are kept in the bench log, as new rows.
Then A and B may be numbers of captures there; without them the last rings out
of circuit stand against the last in circuit, else the first against the last.
In circuit a ring like A's clears the winding; a worse one convicts nothing.
All rings of an item are weighed together: by --reference, or by what the item
was judged by before, the verdict is the one that `coilbell judge` gives.
Exit code: 0 whatever is found; 2 wrong usage, unusable record.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell compare`."""
    add = parser.add_argument
    add("first", metavar="A", nargs="?", help="record file of the good or earlier ring")
    add("second", metavar="B", nargs="?", help="record file of the ring held against it")
    add("--also-a", metavar="RECORD", action="append", default=[], help="further records of A")
    add("--also-b", metavar="RECORD", action="append", default=[], help="further records of B")
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--in-circuit", action="store_true", help="A out of circuit, B connected in its set")
    how.add_argument("--units", action="store_true", help="A and B are two units of one kind")
    how.add_argument("--twins", action="store_true", help="two like windings on one core, as of a choke")
    how.add_argument("--same-unit", action="store_true", help="one unit, before and after")
    add("--reference", metavar="NAME", help="judge by this (by that of the item's last finding)")
    add("--store", metavar="DIR", help="folder of references")
    add("--kind", metavar="KIND", help="kind of winding (that of the item, or other winding)")
    add_prior(parser)
    add_reading(parser, capacitor="one for all, or one a file")
    add_keeping(parser)
    add_sure(parser)
    add("--full", action="store_true", help="all that the verdict rests on, not its ten lines alone")
    add("--json", action="store_true", help="one JSON object instead of text")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Compare; returns 0."""
    from coilbell.bench.facts.question import comparison_question
    from coilbell.bench.log import compared, sides_words
    from coilbell.bench.words.finding import comparison_text

    prior = prior_of(options)
    with drawer_of(options) as drawer:
        relation, first, second = _sides(options, drawer)
        reference = _reference(options, drawer, relation)
        question = comparison_question(
            len(first),
            kind=reference.kind.name if reference else _kind(options, drawer),
            prior=prior,
            sure=sure_of(options),
            relation=relation,
            first_judged=_judged(drawer, first, relation) if reference is None else "",
        )
        rungs = [*first, *second]
        title = f"{sides_words(first[0], second[0])}{board_words(rungs)}"
        rings = [(rung.facts, rung.records[0]) for rung in rungs]
        facts = compared(question, rings, title, reference)
        keep = partial(drawer.keep, rungs, question, facts, reference) if drawer else None
        show_and_keep(options, facts, partial(comparison_text, full=options.full), keep)
    return 0


def _reference(
    options: argparse.Namespace, drawer: ItemLog | None, relation: Relation | None
) -> Reference | None:
    """What the item is judged by: the reference named, else that of the item's last finding.

    Two units are no one item: without a name they are held against each other alone.
    """
    from coilbell.bench.learned.lent import reference_named
    from coilbell.winding import Relation

    if options.reference is not None:
        return reference_named(options.reference, options.store, options.log)
    return drawer.reference() if drawer and relation is not Relation.UNITS else None


def _judged(drawer: ItemLog | None, first: list[FittedCapture], relation: Relation | None) -> str:
    from coilbell.winding import Relation

    return drawer.said_of(first) if drawer and relation is not Relation.UNITS else ""


def _relation(options: argparse.Namespace) -> Relation | None:
    from coilbell.winding import Relation

    if options.in_circuit:
        return Relation.CIRCUIT
    if options.units:
        return Relation.UNITS
    if options.twins:
        return Relation.TWIN
    return Relation.TIME if options.same_unit else None


def _kind(options: argparse.Namespace, drawer: ItemLog | None) -> str:
    from coilbell.winding import KINDS

    item = drawer.item if drawer else None
    return options.kind or (item.kind if item and item.kind in KINDS else "other winding")


def _sides(
    options: argparse.Namespace, drawer: ItemLog | None
) -> tuple[Relation | None, list[FittedCapture], list[FittedCapture]]:
    relation = _relation(options)
    if options.second is not None:
        return relation, *_given(options, drawer, relation)
    if options.first is not None or options.also_a or options.also_b:
        raise InputError("one side is missing; give A and B")
    if drawer is None:
        raise InputError("nothing to compare; give A and B, or --item NAME for what the log holds")
    refuse_reading(options)
    how, first, second = drawer.sides(relation)
    tell_chosen(drawer, first, "first")
    tell_chosen(drawer, second, "then")
    return how, first, second


def _given(
    options: argparse.Namespace, drawer: ItemLog | None, relation: Relation | None
) -> tuple[list[FittedCapture], list[FittedCapture]]:
    """The captures of both sides, as the command line names them."""
    from coilbell.bench.files.captures import capacitors_for
    from coilbell.bench.log import fitted_captures
    from coilbell.record import Connection
    from coilbell.winding import Relation

    read = drawer.rungs if drawer else fitted_captures
    sides = [options.first, *options.also_a], [options.second, *options.also_b]
    files = [*sides[0], *sides[1]]
    for name in sides[0]:
        if name in sides[1]:
            raise InputError(
                f"{name} stands on both sides; a ring held against itself shows nothing, give another"
            )
    capacitors_for(files, options.capacitor, tolerance_of(options))
    split = len(sides[0]) if len(options.capacitor) > 1 else None
    stated = (
        (Connection.OUT_OF_CIRCUIT, Connection.IN_CIRCUIT) if relation is Relation.CIRCUIT else (None, None)
    )
    reading = reading_of(options)
    readings = (
        replace(reading, presumed=stated[0], capacitors=reading.capacitors[:split]),
        replace(reading, presumed=stated[1], capacitors=reading.capacitors[split or 0 :]),
    )
    first, second = (read(side, one) for side, one in zip(sides, readings, strict=True))
    return first, second
