"""One item as one printable page: what stands on it, before it becomes HTML, PDF or text.

Figures and findings are those the log keeps. Pictures are drawn from the kept samples, fitted again; when
that gives other figures than were kept, the page says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from coilbell.bench.facts.base import Facts
from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.worksheet import WorksheetFacts
from coilbell.bench.log import Item, KeptCapture, KeptFit, KeptJudgement, Log, versions
from coilbell.bench.log.held import Held, held
from coilbell.bench.report.comparison import Compared, compared_of, comparison_section
from coilbell.bench.report.worksheet import isolation_sections, kept_worksheet
from coilbell.bench.settings import setting
from coilbell.bench.words.fit import fraction_words, shown
from coilbell.bench.words.verdict import bars, basis_words, tint
from coilbell.errors import InputError
from coilbell.figure import percent
from coilbell.quantities import engineering
from coilbell.record import Connection
from coilbell.winding import Explanation, headline_words

__all__ = ["SHEET_SCHEMA", "Sheet", "sheet_facts", "sheet_of", "sheet_text"]

SHEET_SCHEMA = 1
"""Number of the layout `sheet_facts` gives."""

_SHOWN = 0.005
"""Least probability that is told [1]: half a per cent, the last digit shown. Assumed."""

CARE = (
    "Ring a winding only when nothing feeds it. Before reaching into a set: pull its plug, let mains "
    "capacitors and the picture tube discharge, prove it with a meter. Local rules and licensed practice "
    "come before anything said here."
)

SIMULATED = "simulated: a board in software rang a part that does not exist"

BOUND = (
    "An inductance behind < comes from one ring alone and has the winding's stray capacitance in it: the "
    "true one is smaller."
)

HOW = (
    "A short current pulse through a diode strikes the winding with a known capacitor across it; the voltage "
    "is sampled while it rings down and a sum of damped sinusoids is fitted. Figures in brackets are "
    "standard uncertainties in the last digits."
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """The words and figures of one page.

    explanation: what is said first, tint: its colour, "healthy", "shorted" or ""; tested, made: (what, words)
    pairs; chances: (name, probability) of the odds that go with it; table: a head
    and rows; sections: (head, sentences).
    """

    title: str
    explanation: str
    tint: str
    odds: str
    chances: tuple[tuple[str, float], ...]
    tested: tuple[tuple[str, str], ...]
    table: tuple[tuple[str, ...], ...]
    sections: tuple[tuple[str, tuple[str, ...]], ...]
    next_step: str
    caution: str
    made: tuple[tuple[str, str], ...]
    fits: tuple[tuple[KeptCapture, KeptFit], ...] = field(default=(), repr=False)
    """What the pictures are drawn from."""
    judgement: KeptJudgement | None = field(default=None, repr=False)
    compared: Compared | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Judged:
    """The finding a page states, and the numbers of the fits it rests on."""

    fits: frozenset[int]
    facts: FindingFacts


def sheet_of(log: Log, item: Item) -> Sheet:
    """The page for an item. Raises InputError when nothing was rung and no worksheet begun yet."""
    kept = held(log, item)
    fits = [(capture, made[-1]) for capture, made in kept.captures if made]
    worksheet, problem = kept_worksheet(log, item)
    if not fits and not (worksheet or problem):
        raise InputError(f"{item.name} holds no rings yet; add some with `coilbell log add`")
    findings = [(one, one.facts) for one in kept.judgements if isinstance(one.facts, FindingFacts)]
    told, facts = findings[-1] if findings else (None, None)
    compared = compared_of(log, kept)
    judged = Judged(frozenset(told.fits), facts) if told and facts else None
    table = _table(fits, judged)
    return Sheet(
        title=item.name,
        explanation=_said(facts) if facts else "not judged" if fits else "nothing rung yet",
        tint=_tint(facts),
        odds=_odds(facts) if fits else "No winding was rung, so no odds of a shorted turn are given.",
        chances=_chances(facts),
        tested=_tested(kept, facts),
        table=table,
        sections=(
            *_damage(kept),
            *_sections(facts, fits, _how(table)),
            *comparison_section(compared, told),
            *isolation_sections(worksheet, problem),
        ),
        next_step=facts.next_step if facts else _no_finding(worksheet, bool(fits)),
        caution=" ".join(filter(None, (facts.caution if facts else "", CARE))),
        made=_made(fits, told, compared),
        fits=tuple(fits),
        judgement=told,
        compared=compared,
    )


def _no_finding(worksheet: WorksheetFacts | None, rung: bool) -> str:
    if worksheet and worksheet.next and not rung:
        return f"{worksheet.next[0].name}; heed the cautions under 'Isolation worksheet: next test'"
    return "judge it by a reference of a good unit of this very part"


def _damage(kept: Held) -> tuple[tuple[str, tuple[str, ...]], ...]:
    return (("Damaged rows of the log, left out here", kept.damage),) if kept.damage else ()


def _said(facts: FindingFacts) -> str:
    """The headline; of a finding made before there were headlines its explanation."""
    return headline_words(facts.verdict) if facts.verdict else str(facts.explanation)


def _tint(facts: FindingFacts | None) -> str:
    if facts is None:
        return ""
    old = {Explanation.LIKE_HEALTHY: "healthy", Explanation.LIKE_SHORTED: "shorted"}
    return tint(facts.verdict.headline) if facts.verdict else old.get(facts.explanation, "")


def _odds(facts: FindingFacts | None) -> str:
    shorted = facts.shorted_turn if facts else None
    if facts is not None and facts.verdict:
        words = basis_words(facts.verdict, shorted.prior if shorted else None)
        return f"{words[:1].upper()}{words[1:]}."
    if shorted is None:
        return "No reference was at hand, so no odds are given."
    chance, prior = percent(shorted.probability), percent(shorted.prior)
    return f"Probability of a shorted turn {chance} from a prior of {prior}."


def _chances(facts: FindingFacts | None) -> tuple[tuple[str, float], ...]:
    if facts is not None and facts.verdict:
        return tuple((bar.name, bar.chance) for bar in bars(facts.verdict))
    names = {str(Explanation.UNDECIDED): "none of these"}
    told = (facts.probabilities if facts else None) or {}
    found = [(names.get(name, str(name)), p) for name, p in told.items() if p >= _SHOWN]
    return tuple(sorted(found, key=lambda pair: -pair[1]))


def _tested(kept: Held, facts: FindingFacts | None) -> tuple[tuple[str, str], ...]:
    item = kept.item
    kind = item.kind or (facts.kind if facts else "")
    pairs = [
        ("part", item.part),
        ("kind", kind),
        ("equipment", item.equipment),
        ("serial", item.serial),
        ("in the log since", _moment(item.added_utc)),
        ("judged by", facts.reference.partition("@")[0] if facts else ""),
        ("board", SIMULATED if any(c.records[0].simulated for c, _ in kept.captures) else ""),
    ]
    pairs += [("photo", f"{_file_name(p.path)} {p.words}") for p in kept.photos]
    pairs += [("note", note.words) for note in kept.notes[-3:]]
    return tuple((what, words.strip()) for what, words in pairs if words.strip())


def _file_name(path: str) -> str:
    """Last part of a path of any system."""
    return path.replace("\\", "/").rsplit("/", 1)[-1]


_HEAD = ("", "ring", "connection", "with", "frequency", "Q", "inductance")


def _table(fits: Sequence[tuple[KeptCapture, KeptFit]], told: Judged | None) -> tuple[tuple[str, ...], ...]:
    if not fits:
        return ()
    first = fits[0][1].facts
    head = (*_HEAD, f"rings to {fraction_words(first.count_to)}")
    return (head, *(_row(capture, fit, told) for capture, fit in fits))


def _row(capture: KeptCapture, fit: KeptFit, told: Judged | None) -> tuple[str, ...]:
    facts = fit.facts
    test = facts.test_capacitor_f
    where = (
        "*" if told and fit.id in told.fits else "",
        capture.label,
        "not said" if capture.connection == Connection.UNKNOWN else capture.connection,
        engineering(test, "F") if test else "unknown",
    )
    if not facts.rings:
        return (*where, "no ring", "", "", "")
    mode = facts.main
    return (
        *where,
        shown(mode.frequency_hz, "Hz"),
        shown(mode.q),
        _inductance(capture, fit, told),
        shown(mode.ring_count),
    )


def _inductance(capture: KeptCapture, fit: KeptFit, told: Judged | None) -> str:
    """The finding's, where it rests on this ring and has the stray capacitance taken off; else a bound.

    By one ring alone the winding's stray capacitance counts as inductance, so that each test capacitor gives
    another figure. In circuit more than the test capacitor lies across it, and no inductance follows.
    """
    tank = fit.facts.tank
    if not tank or capture.connection == Connection.IN_CIRCUIT:
        return ""
    if told and fit.id in told.fits and not told.facts.impossible:
        by_stray = told.facts.stray_capacitance_f or told.facts.reference
        if told.facts.inductance_h and by_stray:
            return shown(told.facts.inductance_h, "H")
    return f"< {shown(tank.inductance_h, 'H')}"


def _how(table: Sequence[tuple[str, ...]]) -> list[str]:
    bounds = any(row[_HEAD.index("inductance")].startswith("<") for row in table)
    return [HOW, *[BOUND] * bounds] if table else []


def _sections(
    facts: FindingFacts | None, fits: Sequence[tuple[KeptCapture, KeptFit]], how: list[str]
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    doubts = [
        f"{capture.label}: {doubt.kind}: {doubt.detail.rstrip('.')}"
        for capture, fit in fits
        for doubt in fit.facts.doubts
    ]
    listed: list[tuple[str, Sequence[str]]] = [("How it was tested", how)]
    if facts:
        listed += [
            ("Why", facts.reasons),
            ("Not told apart", facts.not_separable),
            ("What this test cannot see", facts.cannot_see),
            ("Rests on", (facts.shorted_turn.basis or ()) if facts.shorted_turn else ()),
        ]
    listed.append(("Doubts", list(dict.fromkeys(doubts))))
    return tuple((head, tuple(sentences)) for head, sentences in listed if sentences)


def _made(
    fits: Sequence[tuple[KeptCapture, KeptFit]], told: KeptJudgement | None, compared: Compared | None
) -> tuple[tuple[str, str], ...]:
    pairs = [("workshop", shop)] if (shop := setting("shop")) else []
    pairs.append(("this page", _versions(versions())))
    by = dict.fromkeys(_versions(fit.versions) for _, fit in fits)
    if by:
        pairs.append(("fits", "; ".join(by)))
    if told:
        pairs.append(("finding", f"{_moment(told.made_utc)}, {_versions(told.versions)}"))
        if told.reference:
            pairs.append(("reference", f"{told.reference[0]}, sha256 {told.reference[1][:32]}"))
    if compared:
        kept = compared.kept
        words = f"{_moment(kept.made_utc)}, {_versions(kept.versions)}" if kept else "with this page"
        pairs.append(("comparison", words))
    pairs += [(f"records {capture.label}", f"sha256 {capture.sha256[:32]}") for capture, _ in fits]
    return tuple(pairs)


def _versions(found: dict[str, str]) -> str:
    return ", ".join(f"{name} {found[name]}" for name in ("coilbell", "numpy", "scipy") if name in found)


def _moment(utc: str) -> str:
    return utc[:16].replace("T", " ") + " UTC"


class SheetFacts(Facts, frozen=True, kw_only=True):
    """The page's words and figures."""

    schema: int
    what: str
    title: str
    explanation: str
    odds: str
    chances: tuple[tuple[str, float], ...]
    tested: tuple[tuple[str, str], ...]
    table: tuple[tuple[str, ...], ...]
    sections: tuple[tuple[str, tuple[str, ...]], ...]
    next_step: str
    caution: str
    made: tuple[tuple[str, str], ...]


def sheet_facts(sheet: Sheet) -> SheetFacts:
    """The page's words and figures, for JSON."""
    names = SheetFacts.__struct_fields__[2:]
    return SheetFacts(schema=SHEET_SCHEMA, what="report", **{name: getattr(sheet, name) for name in names})


def sheet_text(sheet: Sheet) -> str:
    """The page without its pictures, for mail and for tests; a line for each entry."""
    lines = [f"{sheet.title}: {sheet.explanation}", sheet.odds]
    lines += [f"{percent(p):>6}  {name}" for name, p in sheet.chances]
    lines += ["", *(f"{what}: {words}" for what, words in sheet.tested), ""]
    lines += [" | ".join(row) for row in sheet.table]
    for head, sentences in sheet.sections:
        lines += ["", head, *(f"- {sentence}" for sentence in sentences)]
    lines += ["", f"Next: {sheet.next_step}", f"Caution: {sheet.caution}", ""]
    return "\n".join([*lines, *(f"{what}: {words}" for what, words in sheet.made)]) + "\n"
