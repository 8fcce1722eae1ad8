"""`coilbell judge`: what the rings of one winding say of it."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from coilbell.commands.options import (
    add_connection,
    add_done,
    add_keeping,
    add_prior,
    add_reading,
    add_reference,
    add_sure,
    board_words,
    connection_of,
    drawer_of,
    ohms_of,
    prior_of,
    reading_of,
    reference_of,
    refuse_reading,
    show_and_keep,
    sure_of,
    tell,
    tell_chosen,
)
from coilbell.errors import InputError
from coilbell.terms import Headline

if TYPE_CHECKING:
    from coilbell.bench.log import FittedCapture, ItemLog
    from coilbell.winding import Finding, Reference

__all__ = ["VERDICTS", "add_arguments", "connection_of", "run"]

VERDICTS = {
    Headline.NO_SHORT: 0,
    Headline.SHORTED: 10,
    Headline.NO_RING: 14,
    Headline.OPEN: 15,
    Headline.AGAIN: 16,
    Headline.ANOTHER: 17,
    Headline.TWO_WINDINGS: 17,
}
"""Exit code for each headline with --exit-code."""

_EXAMPLES = """\
examples:
  coilbell judge part.json --reference tarn-21-line
  coilbell judge big.csv small.csv --capacitor 22n --capacitor 4.7n \\
      --reference tarn-21-line --out-of-circuit --picture plane.png
  coilbell judge part.json --kind "power inductor"      by what holds for a kind
  coilbell judge --item lot-3 --reference tarn-21-line  what the log holds of it

All files are rings of one winding: further shots, or further test capacitors.
With --item NAME rings and finding are kept in the bench log, as new rows. Then
RECORD may be the number of a capture there; without any the last rings of each
test capacitor at each stage are judged together.
A prior is how probable you hold a shorted turn before this ring, 0 to 1.
The verdict takes at most ten lines; --full tells all that it rests on.
Exit code: 0 whatever is found; with --exit-code 0 no shorted turn shows, 10 a
turn is shorted, 14 no ring, 15 open question, 16 ring again, 17 another
winding or two of them.
2 wrong usage or unusable record, damaged reference; 3 no such reference.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell judge`."""
    add = parser.add_argument
    add("files", metavar="RECORD", nargs="*", help="record files of one winding")
    add_reference(parser)
    add("--kind", metavar="KIND", help="kind of winding; with --reference it must agree")
    add_prior(parser)
    add(
        "--count-to",
        metavar="PART",
        help="fraction of the first peak to which your own counter counts (1/10)",
    )
    add_reading(parser)
    add_connection(parser)
    add_keeping(parser)
    add_sure(parser)
    add_done(parser)
    add("--full", action="store_true", help="all that the verdict rests on, not its ten lines alone")
    add("--json", action="store_true", help="one JSON object instead of text")
    add("--picture", metavar="PATH", help="draw the shift plane (.png, .pdf or .svg)")
    add("--steps", metavar="PATH", help="draw how each piece of evidence moved the odds (.png, .pdf, .svg)")
    add("--loss", metavar="PATH", help="draw 1/Q over amplitude with its law and the reference's (same)")
    add("--exit-code", action="store_true", help="end with a code for the headline")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Judge the records; returns 0, or the headline's code with --exit-code."""
    from coilbell.bench.facts.finding import finding_facts
    from coilbell.bench.facts.question import question_of
    from coilbell.bench.log import finding_of
    from coilbell.bench.words.finding import finding_text
    from coilbell.commands.fit import fraction

    place, steps, loss = (_place(options, option) for option in ("picture", "steps", "loss"))
    _check_alone(options)
    with drawer_of(options) as drawer:
        reference, kind = reference_of(options), _kind(options, drawer)
        question = question_of(
            prior=prior_of(options),
            sure=sure_of(options),
            kind=kind,
            unit=options.unit,
            direct_ohms=ohms_of(options),
            count_to=None if options.count_to is None else fraction(options.count_to),
        )
        rungs = _rungs(options, drawer)
        finding = finding_of(question, [(rung.facts, rung.records[0]) for rung in rungs], reference)
        _check_unit(options.unit, finding, reference)
        title = drawer.name if drawer else _title(options.files)
        facts = finding_facts(finding, f"{title}{board_words(rungs)}")
        keep = partial(drawer.keep, rungs, question, facts, reference) if drawer else None
        show_and_keep(options, facts, partial(finding_text, full=options.full), keep)
    if place is not None and reference is not None:
        _draw(finding, reference, place)
    if steps is not None and reference is not None:
        _draw_steps(rungs, reference, prior_of(options), steps)
    if loss is not None and reference is not None:
        _draw_loss(rungs, reference, title, loss)
    return VERDICTS[finding.verdict.headline] if options.exit_code else 0


def _place(options: argparse.Namespace, option: str) -> Path | None:
    """Where a picture goes. Raises InputError before anything is computed in vain."""
    path = getattr(options, option)
    if path is None:
        return None
    if options.reference is None:
        raise InputError(f"--{option} needs --reference: without one there is no shift plane and no odds")
    from coilbell.bench.pictures.decay import check_path

    place = check_path(path)
    if not place.parent.is_dir():
        raise InputError(f"{place}: no folder {place.parent}; make it, or write the picture elsewhere")
    return place


def _check_alone(options: argparse.Namespace) -> None:
    """Raise InputError for options that say nothing without a reference."""
    given = {"unit": options.unit, "store": options.store, "prior": options.prior is not None}
    for name, said in given.items():
        if said and options.reference is None:
            raise InputError(f"--{name} needs --reference: without one no odds are given")


def _check_unit(unit: str, finding: Finding, reference: Reference | None) -> None:
    """Raise InputError where --unit names a specimen whose own rings the reference lacks.

    Judged by other units instead, a figure would stand for a narrower comparison than was made.
    """
    if not unit or reference is None or (finding.healthy is not None and finding.healthy.same_unit):
        return
    held = ", ".join(reference.units()) or "none"
    raise InputError(
        f"--unit {unit}: {reference.name} holds no good ring of it with this test capacitor (good units: "
        f"{held}); name one of these, or leave --unit out to judge by all"
    )


def _title(files: list[str]) -> str:
    """The first file's name, and how many more were judged with it."""
    more = f" and {len(files) - 1} more" if len(files) > 1 else ""
    return f"{Path(files[0]).name}{more}"


def _kind(options: argparse.Namespace, drawer: ItemLog | None) -> str | None:
    """The kind stated, or without a reference that of the item. Raises InputError without either."""
    from coilbell.winding import KINDS

    item = drawer.item if drawer else None
    if options.kind is None and options.reference is None and item is not None and item.kind in KINDS:
        return item.kind
    if options.kind is None and options.reference is None:
        raise InputError(
            "nothing to judge by; give --reference NAME, or --kind for what holds for a kind: "
            f"{', '.join(KINDS)}"
        )
    kind: str | None = options.kind
    return kind


def _rungs(options: argparse.Namespace, drawer: ItemLog | None) -> list[FittedCapture]:
    from coilbell.bench.log import fitted_captures

    where = connection_of(options)
    if options.files:
        reading = reading_of(options, connection=where)
        return drawer.rungs(options.files, reading) if drawer else fitted_captures(options.files, reading)
    if drawer is None:
        raise InputError("no ring to judge; give record files, or --item NAME for those the log holds")
    refuse_reading(options)
    rungs = drawer.newest(where)
    tell_chosen(drawer, rungs)
    return rungs


def _draw_steps(
    rungs: Sequence[FittedCapture], reference: Reference, prior: float | None, place: Path
) -> None:
    from coilbell.bench.pictures.decay import save
    from coilbell.bench.pictures.ladder import odds_picture
    from coilbell.winding import observe, odds_by_piece

    seen = [observe(rung.facts, rung.records[0]) for rung in rungs]
    save(
        odds_picture(odds_by_piece(seen, reference, prior=prior), title=f"reference {reference.name}"), place
    )


def _draw_loss(rungs: Sequence[FittedCapture], reference: Reference, title: str, place: Path) -> None:
    """The ladders of the stage with the most done; one line instead where no capture holds several
    amplitudes."""
    from coilbell.bench.pictures.decay import save
    from coilbell.bench.pictures.ladder import ladder_picture

    most = max(len(rung.records[0].done) for rung in rungs)
    try:
        last = [rung.facts for rung in rungs if len(rung.records[0].done) == most]
        save(ladder_picture(last, reference=reference, title=title), place)
    except InputError as none:
        tell(f"{none}; {place} is not written")


def _draw(finding: Finding, reference: Reference, place: Path) -> None:
    if not finding.shifts:
        tell(f"nothing rang, so there is no place in the shift plane: {place} is not written")
        return
    from coilbell.bench.pictures.decay import save
    from coilbell.bench.pictures.plane import plane_picture

    save(plane_picture(finding, reference, title=f"reference {reference.name}, {reference.kind.name}"), place)
