"""The technician's page: every ring, reasons, limits, worksheet, versions and hashes."""

from __future__ import annotations

from collections.abc import Sequence

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.learned.trust import fallen
from coilbell.bench.log import KeptCapture, KeptFit, versions
from coilbell.bench.report.comparison import comparison_section
from coilbell.bench.report.sheet import (
    CARE,
    UNJUDGED,
    Basis,
    Pairs,
    Section,
    Sheet,
    ended,
    heading,
)
from coilbell.bench.report.worksheet import isolation_sections
from coilbell.bench.settings import setting
from coilbell.bench.shelf import Shelf
from coilbell.bench.words.fit import fraction_words, shown
from coilbell.bench.words.moment import local_time
from coilbell.bench.words.verdict import basis_words
from coilbell.figure import percent
from coilbell.quantities import engineering
from coilbell.record import Connection

__all__ = ["BOUND", "full_sheet"]

BOUND = (
    "An inductance behind < comes from one ring alone and has the winding's stray capacitance in it: the "
    "true one is smaller."
)

HOW = (
    "A short current pulse through a diode strikes the winding with a known capacitor across it; the voltage "
    "is sampled while it rings down and a sum of damped sinusoids is fitted. Figures in brackets are "
    "standard uncertainties in the last digits; the table has the frequency as damped."
)


def full_sheet(basis: Basis) -> Sheet:
    """The page."""
    facts, told = basis.facts, basis.judgement
    explanation, tint, chances = heading(basis)
    table = _table(basis)
    return Sheet(
        full=True,
        title=basis.kept.item.name,
        explanation=explanation,
        tint=tint,
        odds=_odds(facts) if basis.fits else "No winding was rung, so no odds of a shorted turn are given.",
        chances=chances,
        causes=(),  # all of them stand in the worksheet's section
        tested=_tested(basis),
        table=table,
        sections=(
            *((("Damaged rows of the log, left out here", basis.kept.damage),) if basis.kept.damage else ()),
            *((("To be judged again", basis.marks),) if basis.marks else ()),
            *_sections(basis, _how(table)),
            *comparison_section(basis.compared, told),
            *isolation_sections(basis.worksheet, basis.problem),
        ),
        next_step=_next(basis),
        caution=(facts.caution if facts else "") or CARE,
        made=_made(basis),
        added_utc=basis.kept.item.added_utc,
        judged_utc=told.made_utc if told else "",
    )


def _next(basis: Basis) -> str:
    if basis.facts:
        return basis.facts.next_step
    if basis.worksheet and basis.worksheet.next and not basis.fits:
        return f"{basis.worksheet.next[0].name}; its cautions and how to do it: `coilbell isolate next`"
    return UNJUDGED


def _odds(facts: FindingFacts | None) -> str:
    shorted = facts.shorted_turn if facts else None
    if facts is not None and facts.verdict:
        words = basis_words(facts.verdict, shorted.prior if shorted else None)
        return f"{words[:1].upper()}{words[1:]}."
    if shorted is None:
        return "No reference was at hand, so no odds are given."
    chance, prior = percent(shorted.probability), percent(shorted.prior)
    return f"Probability of a shorted turn {chance} from a prior of {prior}."


def _tested(basis: Basis) -> Pairs:
    item, facts = basis.kept.item, basis.facts
    pairs = [
        ("customer", basis.customer),
        ("part", item.part),
        ("kind", item.kind or (facts.kind if facts else "")),
        ("equipment", item.equipment),
        ("serial", item.serial),
        ("in the log since", local_time(item.added_utc)),
        ("judged by", facts.reference.partition("@")[0] if facts else ""),
        ("in the end", ended(basis)),
        ("board", basis.board),
    ]
    pairs += [("photo", f"{_file_name(p.path)} {p.words}") for p in basis.kept.photos]
    pairs += [("note", note.words) for note in basis.kept.notes[-3:]]
    return tuple((what, words.strip()) for what, words in pairs if words.strip())


def _file_name(path: str) -> str:
    """Last part of a path of any system."""
    return path.replace("\\", "/").rsplit("/", 1)[-1]


_HEAD = ("", "ring", "connection", "with", "frequency", "Q", "inductance")


def _table(basis: Basis) -> tuple[tuple[str, ...], ...]:
    if not basis.fits:
        return ()
    head = (*_HEAD, f"rings to {fraction_words(basis.fits[0][1].facts.count_to)}")
    return (head, *(_row(capture, fit, basis) for capture, fit in basis.fits))


def _row(capture: KeptCapture, fit: KeptFit, basis: Basis) -> tuple[str, ...]:
    facts = fit.facts
    test = facts.test_capacitor_f
    where = (
        "*" if (capture, fit) in basis.judged else "",
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
        _inductance(capture, fit, basis),
        shown(mode.ring_count),
    )


def _inductance(capture: KeptCapture, fit: KeptFit, basis: Basis) -> str:
    """The finding's, where it rests on this ring and has the stray capacitance taken off; else a bound.

    By one ring alone the winding's stray capacitance counts as inductance, so that each test capacitor gives
    another figure. In circuit more than the test capacitor lies across it, and no inductance follows.
    """
    tank = fit.facts.tank
    if not tank or capture.connection == Connection.IN_CIRCUIT:
        return ""
    facts = basis.facts
    if facts and (capture, fit) in basis.judged and not facts.impossible:
        by_stray = facts.stray_capacitance_f or facts.reference
        if facts.inductance_h and by_stray:
            return shown(facts.inductance_h, "H")
    return f"< {shown(tank.inductance_h, 'H')}"


def _how(table: Sequence[tuple[str, ...]]) -> list[str]:
    bounds = any(row[_HEAD.index("inductance")].startswith("<") for row in table)
    return [HOW, *[BOUND] * bounds] if table else []


def _sections(basis: Basis, how: list[str]) -> tuple[Section, ...]:
    doubts = [
        f"{capture.label}: {doubt.kind}: {doubt.detail.rstrip('.')}"
        for capture, fit in basis.fits
        for doubt in fit.facts.doubts
    ]
    listed: list[tuple[str, Sequence[str]]] = [("How it was tested", how)]
    if facts := basis.facts:
        listed += [
            ("Why", facts.reasons),
            ("Not told apart", facts.not_separable),
            ("What this test cannot see", facts.cannot_see),
            ("Rests on", (facts.shorted_turn.basis or ()) if facts.shorted_turn else ()),
            ("Distrusted", fallen(Shelf().folder, facts.sources or ())),
        ]
    listed.append(("Doubts", list(dict.fromkeys(doubts))))
    return tuple((head, tuple(sentences)) for head, sentences in listed if sentences)


def _made(basis: Basis) -> Pairs:
    pairs = [("workshop", shop)] if (shop := setting("shop")) else []
    pairs.append(("this page", _versions(versions())))
    by = dict.fromkeys(_versions(fit.versions) for _, fit in basis.fits)
    if by:
        pairs.append(("fits", "; ".join(by)))
    if told := basis.judgement:
        pairs.append(("finding", f"{local_time(told.made_utc)}, {_versions(told.versions)}"))
        if told.reference:
            pairs.append(("reference", f"{told.reference[0]}, sha256 {told.reference[1][:32]}"))
    if basis.compared:
        kept = basis.compared.kept
        words = f"{local_time(kept.made_utc)}, {_versions(kept.versions)}" if kept else "with this page"
        pairs.append(("comparison", words))
    pairs += [(f"records {capture.label}", f"sha256 {capture.sha256[:32]}") for capture, _ in basis.fits]
    return tuple(pairs)


def _versions(found: dict[str, str]) -> str:
    return ", ".join(f"{name} {found[name]}" for name in ("coilbell", "numpy", "scipy") if name in found)
