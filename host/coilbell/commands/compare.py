"""`coilbell compare`: what a second ring has that a first, known good, has not."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.bench.quantities import parse
from coilbell.errors import InputError

if TYPE_CHECKING:
    from coilbell.winding import Observation

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell compare bench.json set.json --in-circuit --kind "horizontal yoke"
  coilbell compare before.json after.json
  coilbell compare good.csv other.csv --units --capacitor 22n

A is known good or was rung first; B is what it is held against. With records of
two test capacitors on both sides inductance and capacitance come apart: give
A and A2 as --also-a, B and B2 as --also-b.
In circuit a ring like A's clears the winding; a worse one convicts nothing.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell compare`."""
    add = parser.add_argument
    add("first", metavar="A", help="record file of the good or earlier ring")
    add("second", metavar="B", help="record file of the ring held against it")
    add("--also-a", metavar="RECORD", action="append", default=[], help="further records of A")
    add("--also-b", metavar="RECORD", action="append", default=[], help="further records of B")
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--in-circuit", action="store_true", help="A out of circuit, B connected in its set")
    how.add_argument("--units", action="store_true", help="A and B are two units of one kind")
    how.add_argument("--same-unit", action="store_true", help="one unit, before and after")
    add("--kind", metavar="KIND", default="other winding", help="kind of winding")
    add("--prior", metavar="P", default="0.5", help="probability of a shorted turn before the ring (0.5)")
    add("--capacitor", metavar="C", action="append", default=[], help="test capacitor of all, or of A and B")
    add("--tolerance", metavar="PERCENT", default="1", help="uncertainty of --capacitor (1)")
    add("--channel", metavar="NAME", help="channel by name or number, for files that hold several")
    add("--json", action="store_true", help="one JSON object instead of text")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Compare; returns 0."""
    from coilbell.bench.sentences import comparison_facts, comparison_text
    from coilbell.winding import Relation, compare

    prior = parse(options.prior, "", "--prior")
    if not 0 < prior < 1:
        raise InputError(f"--prior {options.prior} must lie between 0 and 1, such as 0.5")
    relation = None
    for wanted, name in (
        (options.in_circuit, "CIRCUIT"),
        (options.units, "UNITS"),
        (options.same_unit, "TIME"),
    ):
        relation = Relation[name] if wanted else relation
    first, second = _sides(options)
    result = compare(first, second, kind=options.kind, relation=relation, prior=prior)
    title = f"{Path(options.first).name} -> {Path(options.second).name}"
    facts = comparison_facts(result, title)
    print(json.dumps(facts) if options.json else comparison_text(facts), flush=True)
    return 0


def _sides(options: argparse.Namespace) -> tuple[list[Observation], list[Observation]]:
    from coilbell.bench.rung import capacitors_for, rung

    files = [options.first, *options.also_a, options.second, *options.also_b]
    capacitors = capacitors_for(files, options.capacitor, options.tolerance)
    seen = [
        list(rung(name, capacitor, channel=options.channel))
        for name, capacitor in zip(files, capacitors, strict=True)
    ]
    split = 1 + len(options.also_a)
    sides = seen[:split], seen[split:]
    first, second = ([one for part in side for one in part] for side in sides)
    return first, second
