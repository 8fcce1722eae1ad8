"""One shot with all that is said of it, and the message a page gets of it. All words are made here."""

from __future__ import annotations

import math
from dataclasses import dataclass

from msgspec import structs

from coilbell.bench.facts.finding import finding_facts
from coilbell.bench.page.curve import decay_drawing
from coilbell.bench.page.messages import FigureWords, Found, Shot, Whole
from coilbell.bench.page.verdict import hand_message, verdict_message
from coilbell.bench.words.finding import count_words
from coilbell.bench.words.fit import doubt_sentence, figure, fraction_words
from coilbell.decay import Fit, Quantity
from coilbell.quantities import concise, engineering, interval
from coilbell.record import Record
from coilbell.winding import Finding, Observation, Reference

__all__ = ["JudgedShot", "shot_message", "tone_hz"]

_NOTE = (180.0, 0.5)
"""Pitch at Q 1 [Hz] and the power of Q it follows: Q 10 sounds at 570 Hz, Q 100 at 1.8 kHz."""


@dataclass(frozen=True, slots=True, eq=False)
class JudgedShot:
    """A record, its fit and the finding that it leads to.

    struck_at: when its samples had arrived [s since 1970]; remark: why it was not judged, or not by the
    chosen reference, or ""; beside: the last shots of the other capacitors asked for, judged with it.
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
    beside: tuple[JudgedShot, ...] = ()

    @property
    def together(self) -> tuple[JudgedShot, ...]:
        """This shot and those beside it by capacitor, so that each keeps its place from shot to shot."""
        return tuple(sorted((self, *self.beside), key=lambda shot: shot.letter))


def shot_message(shot: JudgedShot, rate_per_s: float | None, *, whole: bool = False) -> Shot:
    """Everything a page shows of a shot; drawn and sounded is the first of several capacitors."""
    kind = Whole if whole else Shot
    first = shot.together[0]
    rate = "" if rate_per_s is None else f"{rate_per_s:.1f} shots a second"
    return kind(
        number=shot.number,
        struck_at_ms=round(shot.struck_at * 1e3, 1),
        title=_title(shot),
        rate=rate,
        rings=shot.fit.rings,
        figures=_figures(shot),
        doubts=_doubts(shot),
        finding=_unjudged(shot) if shot.finding is None else _judged(shot, shot.finding),
        hand=hand_message(shot.finding, first.fit, first.record),
        decay=decay_drawing(first.fit, first.record, name=_with(first, shot), whole=whole),
        tone_hz=tone_hz(first.fit),
    )


def tone_hz(fit: Fit) -> float:
    """Pitch that follows Q [Hz]; 0, which is silence, where nothing rings."""
    return round(_NOTE[0] * fit.main.q.value ** _NOTE[1], 1) if fit.rings else 0.0


def _title(shot: JudgedShot) -> str:
    several = shot.together
    names = " and ".join(one.letter + (f" ({_size(one)})" if _size(one) else "") for one in several)
    return f"shot {shot.number}, capacitor{'s' * (len(several) > 1)} {names}, {_connection(shot)}"


def _size(shot: JudgedShot) -> str:
    capacitor = shot.record.test_capacitor
    return engineering(capacitor.farads, "F", 3) if capacitor else ""


def _with(one: JudgedShot, shot: JudgedShot) -> str:
    """ "with 22 nF" where several capacitors are shown, else ""."""
    return f"with {_size(one) or one.letter}" if shot.beside else ""


def _connection(shot: JudgedShot) -> str:
    where = str(shot.record.connection)
    return "connection not said" if where == "unknown" else where


def _figures(shot: JudgedShot) -> list[FigureWords]:
    """Name, value with uncertainty and 95 % interval; "no ring" where there is none. Inductance once."""
    first, *further = shot.together
    frequency, quality, count = _own_figures(first, shot)
    found = [frequency, quality, _inductance(shot), count]
    for one in further:
        found += _own_figures(one, shot)
    return found


def _own_figures(one: JudgedShot, shot: JudgedShot) -> list[FigureWords]:
    fit, rang = one.fit, one.fit.rings
    tail = f" {_with(one, shot)}".rstrip()
    frequency = _figure(f"frequency{tail}", fit.main.frequency_hz if rang else None, "Hz", "no ring")
    told = "; ".join(filter(None, (frequency.interval, _natural_words(one, shot))))
    count = f"rings to {fraction_words(fit.count_to)}{tail}"
    return [
        structs.replace(frequency, interval=told),
        _figure(f"Q{tail}", fit.main.q if rang else None, "", "no ring"),
        _figure(count, fit.main.ring_count if rang else None, "", "no ring"),
    ]


def _natural_words(one: JudgedShot, shot: JudgedShot) -> str:
    """The natural frequency, of which the reasons speak: a low Q rings some percent below it."""
    seen, finding = one.observation, shot.finding
    for ring in finding.rings if finding else ():
        if ring.rings and seen is not None and ring.capacitor == seen.capacitor:
            natural_hz = math.exp(ring.point[0])
            figure_hz = concise(natural_hz, natural_hz * math.sqrt(ring.covariance[0, 0]), "Hz")
            return f"natural {figure_hz}".replace(" ", "\N{NO-BREAK SPACE}")
    return ""


def _inductance(shot: JudgedShot) -> FigureWords:
    rang = any(one.fit.rings for one in shot.together)
    known = shot.finding.inductance_henries if shot.finding else None
    return _figure("inductance", known, "H", "not known" if rang else "no ring")


def _figure(name: str, quantity: Quantity | None, unit: str, without: str) -> FigureWords:
    if quantity is None:
        return FigureWords(name=name, value=without, interval="")
    return FigureWords(
        name=name,
        value=figure(quantity, unit),
        interval=f"95 %: {interval(quantity.low, quantity.high, unit)}",
    )


def _doubts(shot: JudgedShot) -> list[str]:
    own = [
        f"{_with(one, shot)}: {doubt_sentence(doubt)}" if shot.beside else doubt_sentence(doubt)
        for one in shot.together
        for doubt in one.fit.doubts
    ]
    heads = {str(doubt.kind) for one in shot.together for doubt in one.fit.doubts}
    further = shot.finding.doubts if shot.finding else ()
    # A finding repeats the doubts of its fits; what it adds comes after them.
    more = [text for text in further if text.partition(":")[0] not in heads]
    return [text for text in (shot.remark, *own, *more) if text]


def _judged(shot: JudgedShot, finding: Finding) -> Found:
    return verdict_message(finding, shot.remark, count_words(finding_facts(finding).count))


def _unjudged(shot: JudgedShot) -> Found:
    """Takes the place of the last finding, which is not this ring's."""
    said = "It rings" if shot.fit.rings else "No ring"
    return Found(headline="", sentence=f"{said}, and is not judged; the doubts say why.")
