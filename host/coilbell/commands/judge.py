"""`coilbell judge`: what the rings of one winding say of it."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.bench.quantities import parse
from coilbell.errors import InputError

if TYPE_CHECKING:
    from coilbell.record import Connection
    from coilbell.winding import Finding, Reference

__all__ = ["VERDICTS", "add_arguments", "connection_of", "run"]

VERDICTS = {
    "like healthy": 0,
    "like shorted": 10,
    "loaded": 11,
    "detuned": 12,
    "extra capacitance": 13,
    "no ring": 14,
    "undecided": 15,
}
"""Exit code for each explanation with --exit-code."""

_EXAMPLES = """\
examples:
  coilbell judge part.json --reference tarn-21-line
  coilbell judge big.csv small.csv --capacitor 22n --capacitor 4.7n \\
      --reference tarn-21-line --out-of-circuit --picture plane.png
  coilbell judge part.json --kind "horizontal yoke"     no reference: no odds

All files are rings of one winding: further shots, or further test capacitors.
A prior is how probable you hold a shorted turn before this ring, 0 to 1.
Exit code: 0 whatever is found; with --exit-code 0 like healthy, 10 like
shorted, 11 loaded, 12 detuned, 13 extra capacitance, 14 no ring, 15 undecided.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell judge`."""
    add = parser.add_argument
    add("files", metavar="RECORD", nargs="+", help="record files of one winding")
    add("--reference", metavar="NAME", help="the reference to judge by, or a file made by export")
    add("--store", metavar="DIR", help="folder of references")
    add("--kind", metavar="KIND", help="kind of winding; with --reference it must agree")
    add("--unit", metavar="UNIT", default="", help="judge by this very unit's own rings in the reference")
    add("--prior", metavar="P", default="0.5", help="probability of a shorted turn before the ring (0.5)")
    add("--capacitor", metavar="C", action="append", default=[], help="test capacitor; one, or one a file")
    add("--tolerance", metavar="PERCENT", default="1", help="uncertainty of --capacitor (1)")
    add("--channel", metavar="NAME", help="channel by name or number, for files that hold several")
    add("--resistance", metavar="R", help="direct resistance; shares out the loss, is no evidence")
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--in-circuit", action="store_true", help="it was rung connected in its set")
    where.add_argument("--out-of-circuit", action="store_true", help="it was rung with nothing connected")
    add("--json", action="store_true", help="one JSON object instead of text")
    add("--picture", metavar="PATH", help="draw the shift plane (.png, .pdf or .svg)")
    add("--exit-code", action="store_true", help="end with a code for the explanation")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Judge the records; returns 0, or the explanation's code with --exit-code."""
    from coilbell.bench.pictures import check_path
    from coilbell.bench.rung import capacitors_for, rung
    from coilbell.bench.sentences import finding_facts, finding_text
    from coilbell.winding import find

    prior, ohms = _prior(options.prior), _ohms(options.resistance)
    place = check_path(options.picture) if options.picture else None
    reference = _reference(options)
    capacitors = capacitors_for(options.files, options.capacitor, options.tolerance)
    where = connection_of(options)
    seen = [
        one
        for name, capacitor in zip(options.files, capacitors, strict=True)
        for one in rung(name, capacitor, where, options.channel)
    ]
    finding = find(
        seen, reference, prior=prior, connection=where, kind=options.kind, unit=options.unit, direct_ohms=ohms
    )
    facts = finding_facts(finding, Path(options.files[0]).name)
    print(json.dumps(facts) if options.json else finding_text(facts), flush=True)
    if place is not None:
        _draw(finding, reference, place)
    return VERDICTS[str(finding.explanation)] if options.exit_code else 0


def connection_of(options: argparse.Namespace) -> Connection | None:
    """What --in-circuit and --out-of-circuit say, None when neither is given."""
    from coilbell.record import Connection

    if options.in_circuit:
        return Connection.IN_CIRCUIT
    return Connection.OUT_OF_CIRCUIT if options.out_of_circuit else None


def _reference(options: argparse.Namespace) -> Reference | None:
    from coilbell.bench.shelf import Shelf, read_reference

    if options.reference is None:
        if options.kind is None:
            raise InputError(
                "nothing to judge by; give --reference NAME, or --kind for what holds for a kind"
            )
        return None
    path = Path(options.reference)
    if path.suffix == ".json" and path.is_file():
        return read_reference(path)
    return Shelf(options.store).get(options.reference)


def _prior(text: str) -> float:
    value = parse(text, "", "--prior")
    if not 0 < value < 1:
        raise InputError(f"--prior {text} must lie between 0 and 1, such as 0.5")
    return value


def _ohms(text: str | None) -> float | None:
    return None if text is None else parse(text, "ohm", "--resistance")


def _draw(finding: Finding, reference: Reference | None, place: Path) -> None:
    from coilbell.bench.pictures import save
    from coilbell.bench.plane import plane_picture

    if reference is None:
        raise InputError("--picture needs --reference: without one there is no shift plane")
    save(plane_picture(finding, reference, title=f"reference {reference.name}, {reference.kind.name}"), place)
