"""From the posterior to the verdict: the headline follows from the odds, and from nothing else.

    1 - sure < shows < sure    open question, between the explanations that keep 10 % or more
    shows <= 1 - sure          no shorted turn shows; what it is like comes second
    shows >= sure              a turn is shorted

Before that come what forbids odds: rings that cannot be trusted, that are of two windings, or of another
winding than the reference's, and no ring at all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from coilbell.errors import InputError
from coilbell.record import Connection
from coilbell.terms import Attached, Cause, Headline, Silence, Step
from coilbell.winding.odds.bykind import KindOdds
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.posterior import Posterior
from coilbell.winding.odds.stage import Stage
from coilbell.winding.odds.visible import visible_ohms
from coilbell.winding.said.conducting import Conducting, conducting
from coilbell.winding.said.planner import next_steps, steps_of_silence
from coilbell.winding.said.verdict import DEFAULT_SURE, Alternative, Deciding, Verdict

__all__ = ["SHORT_CAUTION", "Bench", "check_sure", "deliver"]

_MOSTLY_ASSUMED = 0.8
"""Part of the spread that is assumption, from which good units are asked for [0..1]; assumed."""

NAMED = 0.10
"""Probability from which an explanation is named beside the first [0..1]; assumed."""

SHORT_CAUTION = (
    "dead circuits only: mains plug out, stored charge made safe by one who knows the set and measured gone"
)
"""The caution in one clause; `advice.CAUTION` is the whole of it."""


@dataclass(frozen=True, slots=True)
class Bench:
    """What is known beside the posterior when a verdict is said.

    kind: None where unknown; rings: of the stage that decides; healthy: None without a reference; doubts:
    reasons to distrust the rings, the weightiest first; another, two: why this may be another winding, or
    two windings, "" where not; other_capacitor: a healthy one rings like this with another capacitor;
    tried: test capacitors used at this stage, those too with which nothing rang.
    """

    kind: Kind | None
    rings: tuple[Ring, ...]
    healthy: Healthy | None
    rests_on: str
    doubts: tuple[str, ...] = ()
    another: str = ""
    two: str = ""
    other_capacitor: bool = False
    silence: tuple[Silence, ...] = ()
    marked: tuple[str, ...] = ()
    tried: int = 1


def check_sure(sure: float) -> None:
    """Raise InputError unless the odds asked for lie between 1/2 and 1."""
    if not 0.5 < sure < 1:
        raise InputError(f"sure {sure!r} must lie between 0.5 and 1, such as 0.95")


def deliver(
    bench: Bench, odds: Posterior | None, by_kind: KindOdds | None, sure: float = DEFAULT_SURE
) -> Verdict:
    """The verdict. odds: by a reference; by_kind: by the kind alone, where there is none."""
    check_sure(sure)
    stage = bench.rings[0].stage
    shows = odds.shows if odds is not None else by_kind.shows if by_kind is not None else None
    headline, why = _headline(bench, shows, odds, sure)
    if headline in (Headline.NO_RING, Headline.AGAIN, Headline.TWO_WINDINGS):
        shows = None
    junction = conducting(bench.rings, odds) if odds is not None else None
    alternatives = _alternatives(odds, by_kind, junction) if headline is Headline.OPEN else ()
    explained = _explained(odds, junction) if headline is Headline.NO_SHORT else None
    steps = (
        steps_of_silence(bench.silence, stage)
        if headline is Headline.NO_RING
        else next_steps(
            headline,
            odds,
            bench.kind,
            stage,
            bench.tried,
            explained=explained.cause if explained else None,
            other_capacitor=bench.other_capacitor,
            junction=junction.step if junction else None,
            assumed_spread=bench.healthy is not None and bench.healthy.prior_share > _MOSTLY_ASSUMED,
        )
    )
    return Verdict(
        headline,
        shows,
        sure,
        alternatives,
        explained,
        why,
        bench.silence if headline is Headline.NO_RING else (),
        tuple(_deciding(r, bench.healthy) for r in bench.rings),
        _doubt(bench, headline),
        steps,
        _limits(bench, stage),
        _caution(headline, stage),
        bench.rests_on,
        bench.marked,
    )


def _doubt(bench: Bench, headline: Headline) -> str:
    """The one doubt that matters: of the rings, else of a good unit that was taken against a warning."""
    if headline is Headline.AGAIN:
        return ""
    if bench.doubts:
        return bench.doubts[0]
    return f"the reference rests on {bench.marked[0]}" if bench.marked else ""


def _headline(bench: Bench, shows: float | None, odds: Posterior | None, sure: float) -> tuple[Headline, str]:
    """The headline and what it waits for."""
    if not any(r.rings for r in bench.rings):
        return Headline.NO_RING, ""
    trouble = [reason for r in bench.rings for reason in r.trouble]
    if trouble and all(r.trouble for r in bench.rings if r.rings):
        return Headline.AGAIN, "; ".join(dict.fromkeys(trouble))
    if bench.two:
        return Headline.TWO_WINDINGS, bench.two
    if shows is None:
        return Headline.OPEN, _no_odds(bench.kind)
    if bench.another and not _like_healthy(odds):
        return Headline.ANOTHER, bench.another
    if shows >= sure:
        return Headline.SHORTED, ""
    return (Headline.NO_SHORT, "") if shows <= 1 - sure else (Headline.OPEN, "")


def _like_healthy(odds: Posterior | None) -> bool:
    return odds is not None and odds.of(Cause.NOTHING) + odds.of(Cause.HIDDEN) > 0.5


def _no_odds(kind: Kind | None) -> str:
    if kind is None:
        return "neither reference nor kind is known; any Q can be healthy on some kind of part"
    if kind.iron:
        return "on iron the kind alone tells nothing: a healthy one rings as little"
    if kind.bare_q:
        return "its damping resistors make a healthy yoke ring as little; unsolder them first"
    return "the kind alone tells nothing here; take a reference from a good unit"


def _alternatives(
    odds: Posterior | None, by_kind: KindOdds | None, junction: Conducting | None
) -> tuple[Alternative, ...]:
    """Explanations that keep `NAMED` or more, the likeliest first; a short that shows, and one thing that is
    none, always among them."""
    if odds is None:
        if by_kind is None:
            return ()
        found = [
            Alternative(Cause.SHORTED, Cause.SHORTED.words, by_kind.shows, True),
            Alternative(Cause.LOAD, Cause.LOAD.words, by_kind.loaded, False),
            Alternative(Cause.NOTHING, Cause.NOTHING.words, 1 - by_kind.shows - by_kind.loaded, False),
        ]
        return _ranked(found)
    found = [
        Alternative(c, c.words, odds.of(c), c.shorted)
        for c in Cause
        if c not in (Cause.HIDDEN, Cause.NOTHING)
    ]
    whole = odds.of(Cause.NOTHING) + odds.of(Cause.HIDDEN)
    found.append(_whole(odds, whole, junction))
    return _ranked(found, always=bool(waiting_words(odds)))


def _whole(odds: Posterior, chance: float, junction: Conducting | None) -> Alternative:
    """A sound winding, with what the set adds to it where it is in circuit."""
    if junction is not None and not waiting_words(odds):
        return Alternative(None, junction.words, chance, False)
    words = waiting_words(odds) or _brief_set_words(odds)
    if not words:
        return Alternative(Cause.NOTHING, Cause.NOTHING.words, chance, False)
    return Alternative(None, f"{words} on a sound winding", chance, False)


_WAITS = {
    Step.YOKE_OFF: "a shorted turn of the yoke",
    Step.TUBE_BASE_OFF: "the tube's heater",
    Step.RECTIFIERS_TESTED: "a shorted rectifier",
}


def waiting_words(odds: Posterior) -> str:
    """What rings as closed copper does and has not been ruled out by a step; "" where two rings show none."""
    if odds.limits.copper is None:
        return ""
    return " or ".join(_WAITS[step] for step in odds.limits.waits)


def set_words(odds: Posterior) -> str:
    """What the set connects, by all that the rings speak for; "" for nothing, or out of circuit."""
    return " and ".join(str(one) for one in Attached if one in odds.together[0])


def _brief_set_words(odds: Posterior) -> str:
    """The same for a headline: what lies at the winding in every set is left out beside anything else."""
    usual = (Attached.TUNING, Attached.SNUBBER)
    rest = [str(one) for one in Attached if one in odds.together[0] and one not in usual]
    return " and ".join(rest) or set_words(odds)


def _ranked(found: Sequence[Alternative], *, always: bool = False) -> tuple[Alternative, ...]:
    """Those with `NAMED` or more; always: what a set adds to a sound winding too, which a step has to rule
    out."""
    ranked = sorted(found, key=lambda a: -a.probability)
    named = [a for a in ranked if a.probability >= NAMED or (always and a.cause is None)]
    for side in (True, False):  # a question is open between a shorted turn and something that is none
        if not any(a.shorted is side for a in named):
            named += [a for a in ranked if a.shorted is side][:1]
    return tuple(named)


def _explained(odds: Posterior | None, junction: Conducting | None) -> Alternative | None:
    """What a winding without a short that shows is like, where that is not simply healthy."""
    if odds is not None and junction is not None:
        return Alternative(None, junction.words, odds.of(Cause.NOTHING) + odds.of(Cause.HIDDEN), False)
    if odds is None or _like_healthy(odds):
        return None
    rest = [c for c in Cause if not c.shorted and c is not Cause.NOTHING]
    best = max(rest, key=odds.of)
    return Alternative(best, best.words, odds.of(best), False)


def _deciding(ring: Ring, healthy: Healthy | None) -> Deciding:
    named = ring.capacitor.words, ring.stage.words
    if not ring.rings:
        return Deciding(*named, None, None, None, None, *_usual(ring, healthy), shots=len(ring.observations))
    hertz, q = math.exp(ring.point[0]), math.exp(-ring.point[1])
    spread_f, spread_q = (math.sqrt(ring.covariance[k, k]) for k in (0, 1))
    own = (hertz, hertz * spread_f, q, q * spread_q)
    return Deciding(*named, *own, *_usual(ring, healthy), shots=len(ring.observations))


_Usual = tuple[float | None, float | None, float | None, float | None]


def _usual(ring: Ring, healthy: Healthy | None) -> _Usual:
    """Where the next good unit is expected to ring with this capacitor."""
    if healthy is None:
        return None, None, None, None
    k = healthy.place(ring.capacitor)
    m = len(healthy.capacitors)
    hertz, q = math.exp(healthy.location[k]), math.exp(-healthy.location[m + k])
    return hertz, hertz * float(healthy.spreads[k]), q, q * float(healthy.spreads[m + k])


def _limits(bench: Bench, stage: Stage) -> tuple[str, ...]:
    """What no ring shows here, a clause each, the weightiest first."""
    found = []
    kind, healthy = bench.kind, bench.healthy
    if kind is not None and kind.iron:
        found.append("a few shorted turns among hundreds")
    elif kind is not None and healthy is not None:
        ohms = visible_ohms(healthy, kind)
        found.append(
            "single shorted turns, against units that differ this much"
            if ohms is None
            else f"one turn through more than {float(f'{ohms:.2g}'):g} ohm"
        )
    found.append("breakdown at working voltage or with heat")
    if stage.connection is not Connection.OUT_OF_CIRCUIT:
        found.append("a rail shorted behind its rectifier")
    return tuple(found)


def _caution(headline: Headline, stage: Stage) -> str:
    """Wherever the next step is, or may be, at the set."""
    at_set = stage.connection is not Connection.OUT_OF_CIRCUIT or headline is Headline.NO_SHORT
    return SHORT_CAUTION if at_set else ""
