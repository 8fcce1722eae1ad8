"""The one planner of next steps: what each is expected to tell of a shorted turn, for its effort.

With S "a shorted turn that would show" and X what a step finds out (a thing is attached, a resistance is on
the part), a step is expected to tell the mutual information I(S; X) [bit], from the posterior; its worth is
that over its minutes. What was done is never advised again. Judge, page, worksheet and report show these.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from coilbell.terms import RECORDED, Attached, Cause, Headline, Silence, Step
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.posterior import Posterior
from coilbell.winding.odds.stage import Stage, recorded_of, removes, step_minutes, step_words
from coilbell.winding.said.verdict import NextStep

__all__ = ["next_steps", "steps_of_silence"]

_WORTH_NAMING = 0.005
"""Information below which a step is not worth naming [bit]; assumed."""

_SETTLES = 0.95
"""Share of what is open about S that taking the part out settles (assumed)."""

_SECOND_TELLS = 0.5
"""Share of what is open between loss and inductance that a second capacitor settles (simulated)."""

_NAMED = 3
"""Steps told at once [1]; assumed."""


_HOW_AGAIN = (
    "ring again with tight clips and nothing moving; a weak ring wants a longer pulse, a fast one a larger "
    "test capacitor"
)


def next_steps(
    headline: Headline,
    odds: Posterior | None,
    kind: Kind | None,
    stage: Stage,
    capacitors: int,
    *,
    explained: Cause | None = None,
    other_capacitor: bool = False,
    assumed_spread: bool = False,
    junction: Step | None = None,
) -> tuple[NextStep, ...]:
    """What to do next, the best first.

    stage: of the ring that decides; capacitors: test capacitors used there; explained: what the ring is
    like; other_capacitor: a healthy one rings like this with another; assumed_spread: the reference's spread
    between units is mostly assumption; junction: what finds one that conducts.
    """
    if headline is Headline.AGAIN:
        return (NextStep(Step.RING_AGAIN, _HOW_AGAIN),)
    if headline in (Headline.ANOTHER, Headline.TWO_WINDINGS):
        return _plain(Step.CHECK_WINDING, Step.RING_AGAIN)
    if kind is not None and kind.iron and headline is Headline.NO_SHORT:
        return _plain(*_loop(stage), Step.KNOWN_GOOD)
    if headline is Headline.NO_SHORT and not stage.in_circuit:
        # By the kind alone nobody has seen a short on this very part yet.
        return (*_plain(*(_loop(stage) if odds is None else ())), *_after_clearing(explained))[:_NAMED]
    if headline is Headline.SHORTED:
        return _after_convicting(kind, stage)
    if odds is not None and odds.limits.copper is not None and odds.limits.waits:
        # Closed copper shows, and only these steps tell whose it is.
        waits = sorted(odds.limits.waits, key=step_minutes)
        return _plain(*waits, Step.TAKE_OUT)[:_NAMED]
    if odds is None:
        return _plain(Step.TAKE_OUT) if stage.in_circuit else _plain(*_loop(stage), Step.GOOD_UNITS)
    found = [
        NextStep(step, step_words(step, kind), bits)
        for step, bits in _candidates(odds, kind, stage, capacitors, other_capacitor, assumed_spread)
        if bits >= _WORTH_NAMING
    ]
    found.sort(key=lambda one: -(one.bits or 0.0) / max(step_minutes(one.step), 1.0))
    if junction is not None and junction not in stage.done:
        # The ladder names it: nothing else tells more for its effort.
        first = NextStep(
            junction,
            step_words(junction, kind),
            next((one.bits for one in found if one.step is junction), None),
        )
        return (first, *(one for one in found if one.step is not junction))[:_NAMED]
    if headline is Headline.NO_SHORT:
        return _plain(Step.LOOK_ELSEWHERE) + tuple(found[: _NAMED - 1])
    return tuple(found[:_NAMED]) or _plain(Step.KNOWN_GOOD)


def steps_of_silence(silence: Sequence[Silence], stage: Stage) -> tuple[NextStep, ...]:
    """What to do where nothing rang."""
    first = silence[0] if silence else None
    if first is Silence.OPEN:
        return _plain(Step.CONTINUITY, Step.CHECK_LEADS)
    if first is Silence.ACROSS:
        return _plain(*_left(Step.DEVICE_TESTED, stage), Step.CHECK_LEADS)
    if first is Silence.DEEP:
        steps = [*_left(Step.RECTIFIERS_TESTED, stage), Step.TAKE_OUT] if stage.in_circuit else []
        return _plain(*steps, Step.CHECK_LEADS, Step.SECOND_CAPACITOR)
    return _plain(Step.CHECK_LEADS, Step.CONTINUITY)


def _left(step: Step, stage: Stage) -> list[Step]:
    return [] if step in stage.done else [step]


def _loop(stage: Stage) -> tuple[Step, ...]:
    """A loop round the core, where the part is out of its set: it tells whether a short shows at all."""
    return () if stage.in_circuit else (Step.LOOP,)


def _plain(*steps: Step) -> tuple[NextStep, ...]:
    return tuple(NextStep(step, step_words(step)) for step in steps)


_AFTER = {
    Cause.CORE: (Step.CHECK_CAPACITOR, Step.CHECK_CORE),
    Cause.CAPACITANCE: (Step.CHECK_CAPACITOR, Step.LOOK_ELSEWHERE),
    Cause.JUNCTION: (Step.SMALLER_AMPLITUDE, Step.LOOK_ELSEWHERE),
}


def _after_clearing(explained: Cause | None) -> tuple[NextStep, ...]:
    return _plain(*_AFTER.get(explained or Cause.NOTHING, (Step.LOOK_ELSEWHERE,)))


def _after_convicting(kind: Kind | None, stage: Stage) -> tuple[NextStep, ...]:
    if stage.in_circuit:
        return _plain(Step.TAKE_OUT)
    if kind is not None and kind.secondary and Step.WINDINGS_OPEN not in stage.done:
        again = NextStep(Step.WINDINGS_OPEN, f"{step_words(Step.WINDINGS_OPEN, kind)}, ring once more")
        return (again, *_plain(Step.COUNT_FAILED))
    return _plain(Step.COUNT_FAILED)


def _candidates(
    odds: Posterior,
    kind: Kind | None,
    stage: Stage,
    capacitors: int,
    other_capacitor: bool,
    assumed_spread: bool,
) -> list[tuple[Step, float]]:
    """Steps not yet done with the bits each is expected to tell."""
    open_ = _entropy(odds.shows)
    found: list[tuple[Step, float]] = []
    for step in recorded_of(kind) if kind is not None else RECORDED:
        if step in stage.done:
            continue
        if stage.in_circuit and removes(step):
            found.append((step, _of_unplugging(odds, removes(step))))
        elif not stage.in_circuit and step in (Step.WINDINGS_OPEN, Step.RESISTORS_OFF, Step.CLEANED):
            found.append((step, _of_cause(odds, Cause.LOAD)))
    if stage.in_circuit:
        found.append((Step.TAKE_OUT, _SETTLES * open_))
    if capacitors == 1:
        found.append((Step.SECOND_CAPACITOR, _SECOND_TELLS * open_))
    unknown = odds.of(Cause.UNKNOWN) + odds.of(Cause.UNKNOWN_SHORT)
    if other_capacitor or unknown > _WORTH_NAMING:
        found.append((Step.CHECK_CAPACITOR, open_ * (1.0 if other_capacitor else unknown)))
    if not stage.in_circuit:
        found.append((Step.CHECK_CORE, _of_cause(odds, Cause.CORE)))
        found.append((Step.GOOD_UNITS, 0.5 * open_ * assumed_spread))
        found.append((Step.KNOWN_GOOD, open_))
    return found


def _of_unplugging(odds: Posterior, gone: frozenset[Attached]) -> float:
    return sum(odds.relieved.get(one, 0.0) for one in gone)


def _of_cause(odds: Posterior, cause: Cause) -> float:
    """I(S; cause) where the cause excludes S: H(S) - (1 - q) H(S | not the cause), in bits."""
    q = min(odds.of(cause), 1 - 1e-12)
    return max(_entropy(odds.shows) - (1 - q) * _entropy(min(odds.shows / (1 - q), 1.0)), 0.0)


def _entropy(p: float) -> float:
    if not 0 < p < 1:
        return 0.0
    return -(p * math.log2(p) + (1 - p) * math.log2(1 - p))
