"""One shot with all that is said of it, and the message a page gets of it. All words are made here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from coilbell.bench.page.curve import decay_drawing
from coilbell.bench.quantities import engineering, interval
from coilbell.bench.sentences import percent
from coilbell.bench.words import doubt_sentence, figure, fraction_words
from coilbell.decay import Fit, Quantity
from coilbell.record import Record
from coilbell.winding import Explanation, Finding, Observation, Reference

__all__ = ["Shot", "shot_message", "tone_hz"]

_NOTE = (180.0, 0.5)
"""Pitch at Q 1 [Hz] and the power of Q it follows: Q 10 sounds at 570 Hz, Q 100 at 1.8 kHz."""


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """A record, its fit and the finding that it leads to, with the last shot of a further capacitor.

    struck_at: when its samples had arrived [s since 1970]; remark: why a chosen reference was
    not used, or "".
    """

    number: int
    struck_at: float
    letter: str
    record: Record
    fit: Fit
    observation: Observation | None
    finding: Finding | None
    reference: Reference | None
    remark: str = ""


def shot_message(shot: Shot, rate_per_s: float | None, *, whole: bool = False) -> dict[str, Any]:
    """Everything a page shows of a shot."""
    rate = "" if rate_per_s is None else f"{rate_per_s:.1f} shots a second"
    return {
        "what": "shot",
        "number": shot.number,
        "struck_at_ms": round(shot.struck_at * 1e3, 1),
        "title": _title(shot),
        "rate": rate,
        "rings": shot.fit.rings,
        "figures": _figures(shot),
        "doubts": _doubts(shot),
        "finding": None if shot.finding is None else _finding(shot.finding),
        "decay": decay_drawing(shot.fit, shot.record, whole=whole),
        "tone_hz": tone_hz(shot.fit),
    }


def tone_hz(fit: Fit) -> float:
    """Pitch that follows Q [Hz]; 0, which is silence, where nothing rings."""
    return round(_NOTE[0] * fit.main.q.value ** _NOTE[1], 1) if fit.rings else 0.0


def _title(shot: Shot) -> str:
    capacitor = shot.record.test_capacitor
    size = f" ({engineering(capacitor.farads, 'F', 3)})" if capacitor else ""
    return f"shot {shot.number}, capacitor {shot.letter}{size}, {_connection(shot)}"


def _connection(shot: Shot) -> str:
    where = str(shot.record.connection)
    return "connection not said" if where == "unknown" else where


def _figures(shot: Shot) -> list[dict[str, str]]:
    """Name, value with uncertainty and 95 % interval of the four figures; "no ring" where there is none."""
    fit = shot.fit
    count = f"rings to {fraction_words(fit.count_to)}"
    if not fit.rings:
        names = ("frequency", "Q", "inductance", count)
        return [{"name": name, "value": "no ring", "interval": ""} for name in names]
    inductance = shot.finding.inductance_henries if shot.finding else None
    return [
        _figure("frequency", fit.main.frequency_hz, "Hz"),
        _figure("Q", fit.main.q, ""),
        _figure("inductance", inductance, "H"),
        _figure(count, fit.main.ring_count, ""),
    ]


def _figure(name: str, quantity: Quantity | None, unit: str) -> dict[str, str]:
    if quantity is None:
        return {"name": name, "value": "not known", "interval": ""}
    return {
        "name": name,
        "value": figure(quantity, unit),
        "interval": f"95 %: {interval(quantity.low, quantity.high, unit)}",
    }


def _doubts(shot: Shot) -> list[str]:
    own = [doubt_sentence(doubt) for doubt in shot.fit.doubts]
    heads = {str(doubt.kind) for doubt in shot.fit.doubts}
    further = shot.finding.doubts if shot.finding else ()
    # A finding repeats the doubts of its fits; what it adds comes after them.
    more = [text for text in further if text.partition(":")[0] not in heads]
    return [text for text in (shot.remark, *own, *more) if text]


def _finding(finding: Finding) -> dict[str, Any]:
    odds = finding.odds
    chances = sorted(odds.explanations.items(), key=lambda item: -item[1]) if odds else []
    return {
        "explanation": str(finding.explanation),
        "sentence": _sentence(finding),
        "odds": [
            {"name": _called(name), "words": percent(chance), "share": round(chance, 4)}
            for name, chance in chances
            if chance >= 0.005
        ],
        "reasons": list(finding.reasons),
        "not_separable": list(finding.not_separable),
        "cannot_see": list(finding.cannot_see),
        "basis": list(odds.basis) if odds else [],
        "next_step": finding.next_step,
        "caution": finding.caution,
    }


def _called(name: Explanation) -> str:
    return "none of these" if name is Explanation.UNDECIDED else str(name)


def _sentence(finding: Finding) -> str:
    """What is said, how probable it is, and what that rests on."""
    odds, what = finding.odds, str(finding.explanation).capitalize()
    if odds is None:
        return f"{what}: no reference is chosen, so no odds are given."
    name = finding.reference.partition("@")[0]
    shorted = f"probability of a shorted turn {percent(odds.shorted)} from a prior of {percent(odds.prior)}"
    if finding.explanation is Explanation.UNDECIDED:
        likeliest = max(odds.explanations, key=lambda e: odds.explanations[e])
        best = f"likeliest is {_called(likeliest)}, {percent(odds.explanations[likeliest])}"
        return f"{what}: {best}; {shorted}. Judged by reference {name}."
    return (
        f"{what}, {percent(odds.explanations[finding.explanation])}; {shorted}. Judged by reference {name}."
    )
