"""One item as one printable page: what stands on it, before it becomes HTML, PDF or text.

There are two pages: the customer's and, with `full`, the technician's. Figures and findings are those the log
keeps. Times are told in local time with its zone; the log and the fields ending in _utc keep UTC.
"""

from __future__ import annotations

from dataclasses import dataclass

from coilbell.bench.facts.base import Chance, Facts
from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.worksheet import WorksheetFacts
from coilbell.bench.log import KeptCapture, KeptFit, KeptJudgement, Log
from coilbell.bench.log.held import Held, held
from coilbell.bench.log.keeper import kept_facts
from coilbell.bench.log.marks import marks
from coilbell.bench.log.rows import Item
from coilbell.bench.report.comparison import Compared, compared_of
from coilbell.bench.words.moment import local_time
from coilbell.bench.words.outcome import outcome_words
from coilbell.bench.words.verdict import bars, tint
from coilbell.errors import FileError, InputError
from coilbell.figure import percent
from coilbell.winding import Explanation, headline_words

__all__ = [
    "BY_WORKSHEET",
    "CARE",
    "SHEET_SCHEMA",
    "UNJUDGED",
    "Basis",
    "Section",
    "Sheet",
    "basis_of",
    "causes",
    "ended",
    "heading",
    "sheet_text",
]

SHEET_SCHEMA = 2
"""Number of the layout of `Sheet`."""

_SHOWN = 0.005
"""Least probability that is told [1]: half a per cent, the last digit shown. Assumed."""

_LIKELY, _CAUSES = 0.02, 5
"""Probability from which a cause of the worksheet is drawn [0..1], and how many are; assumed."""

CARE = (
    "Ring a winding only when nothing feeds it. Before reaching into a set: pull its plug, let mains "
    "capacitors and the picture tube discharge, prove it with a meter. Local rules and licensed practice "
    "come before anything said here."
)

BY_WORKSHEET = "What may have failed, by the worksheet"

UNJUDGED = "judge it by a reference of a good unit of this very part"
"""What comes next where no finding says it."""

UNPROTECTED = "first board, whose leads nothing protects: for new parts on the bench only"
SIMULATED = "simulated: a board in software rang a part that does not exist"

Pairs = tuple[tuple[str, str], ...]
Chances = tuple[tuple[str, Chance], ...]
Section = tuple[str, tuple[str, ...]]
"""A head and its sentences."""


class Sheet(Facts, frozen=True, kw_only=True):
    """The words and figures of one page.

    full: the technician's; explanation: what is said first, tint: its colour, "healthy", "shorted" or "";
    chances: (name, probability) of the odds that go with it, causes: of the worksheet's; tested, made:
    (what, words) pairs; table: a head and rows, () on the customer's page; added_utc: of the item;
    judged_utc: of its finding, "" without one.
    """

    schema: int = SHEET_SCHEMA
    what: str = "report"
    full: bool
    title: str
    explanation: str
    tint: str
    odds: str
    chances: Chances
    causes: Chances
    tested: Pairs
    table: tuple[tuple[str, ...], ...]
    sections: tuple[Section, ...]
    next_step: str
    caution: str
    made: Pairs
    added_utc: str
    judged_utc: str


@dataclass(frozen=True, slots=True)
class Basis:
    """What a page is made from.

    fits: each ring with its newest fit; problem: why the worksheet cannot be had; marks: units of the
    finding's reference that were withdrawn since.
    """

    kept: Held
    fits: tuple[tuple[KeptCapture, KeptFit], ...]
    judgement: KeptJudgement | None
    facts: FindingFacts | None
    compared: Compared | None
    worksheet: WorksheetFacts | None
    problem: str
    customer: str
    marks: tuple[str, ...]

    @property
    def judged(self) -> tuple[tuple[KeptCapture, KeptFit], ...]:
        """The rings that the finding rests on."""
        numbers = self.judgement.fits if self.judgement else ()
        return tuple(pair for pair in self.fits if pair[1].id in numbers)

    @property
    def board(self) -> str:
        """What is to be said of the boards that rang it, "" for nothing."""
        first = [capture.records[0] for capture, _ in self.kept.captures]
        words = [SIMULATED] * any(one.simulated for one in first)
        words += [UNPROTECTED] * any(one.unprotected for one in first)
        return "; ".join(words)


def basis_of(log: Log, item: Item) -> Basis:
    """What the log holds for the item's page. Raises InputError without any ring and worksheet."""
    kept = held(log, item)
    fits = tuple((capture, made[-1]) for capture, made in kept.captures if made)
    worksheet, problem = None, ""
    try:
        worksheet = kept_facts(log, item)
    except FileError as error:  # the rest of the item is reported all the same
        problem = str(error)
    if not fits and not (worksheet or problem):
        raise InputError(f"{item.name} holds no rings yet; add some with `coilbell log add`")
    findings = [(one, one.facts) for one in kept.judgements if isinstance(one.facts, FindingFacts)]
    told, facts = findings[-1] if findings else (None, None)
    marked = marks(log, told) if told else ()
    return Basis(
        kept, fits, told, facts, compared_of(log, kept), worksheet, problem, log.customer(item), marked
    )


def causes(basis: Basis) -> Chances:
    """What the worksheet makes likely, once anything was read."""
    sheet = basis.worksheet
    if sheet is None or not sheet.readings:
        return ()
    return tuple((h.name, h.probability) for h in sheet.hypotheses[:_CAUSES] if h.probability >= _LIKELY)


def heading(basis: Basis) -> tuple[str, str, tuple[tuple[str, float], ...]]:
    """What is said first, its tint, and the odds that go with it.

    Of a finding made before there were headlines: its explanation.
    """
    facts = basis.facts
    if facts is None:
        return ("not judged" if basis.fits else "nothing rung yet"), "", ()
    if facts.verdict:
        told = tuple((bar.name, bar.chance) for bar in bars(facts.verdict))
        return headline_words(facts.verdict), tint(facts.verdict.headline), told
    old = {Explanation.LIKE_HEALTHY: "healthy", Explanation.LIKE_SHORTED: "shorted"}
    names = {str(Explanation.UNDECIDED): "none of these"}
    found = [(names.get(n, str(n)), p) for n, p in (facts.probabilities or {}).items() if p >= _SHOWN]
    return (
        str(facts.explanation),
        old.get(facts.explanation, ""),
        tuple(sorted(found, key=lambda one: -one[1])),
    )


def ended(basis: Basis) -> str:
    """What it was in the end, "" while nobody told."""
    return "; ".join(
        f"{outcome_words(one.outcome)} ({local_time(one.added_utc)})" for one in basis.kept.outcomes
    )


def sheet_text(sheet: Sheet) -> str:
    """The page without its pictures, for mail and for tests; a line for each entry."""
    lines = [f"{sheet.title}: {sheet.explanation}", sheet.odds]
    lines += _chance_lines(sheet.chances)
    lines += [f"{BY_WORKSHEET}:", *_chance_lines(sheet.causes)] if sheet.causes else []
    lines += ["", *(f"{what}: {words}" for what, words in sheet.tested)]
    lines += ["", *(" | ".join(row) for row in sheet.table)] if sheet.table else []
    for head, sentences in sheet.sections:
        lines += ["", head, *(f"- {sentence}" for sentence in sentences)]
    lines += ["", f"Next: {sheet.next_step}", f"Caution: {sheet.caution}", ""]
    return "\n".join([*lines, *(f"{what}: {words}" for what, words in sheet.made)]) + "\n"


def _chance_lines(chances: Chances) -> list[str]:
    return [f"{percent(p):>6}  {name}" for name, p in chances]
