"""How the odds of a short that shows moved, piece of evidence by piece, from the prior on.

A piece is the first ring of a stage, a further test capacitor there, or a statement that comes with it.
Each step
is the whole posterior with one piece more, so the last one is the verdict's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from coilbell.errors import CoilbellError
from coilbell.terms import Step
from coilbell.winding.odds.observation import Observation
from coilbell.winding.odds.reference import Reference
from coilbell.winding.odds.stage import Stage
from coilbell.winding.said.finding import find

__all__ = ["Piece", "odds_by_piece"]

_STATED = (Step.RECTIFIERS_TESTED, Step.DEVICE_TESTED)
"""Steps that tell without changing the ring."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of evidence and the odds with it [0..1], None where rings forbid any."""

    words: str
    shows: float | None


def odds_by_piece(
    observations: Sequence[Observation], reference: Reference, *, prior: float | None = None
) -> tuple[Piece, ...]:
    """The odds after each piece, the prior first; stages in circuit by what was done, those out of it last.

    Raises what `find` raises for all observations together.
    """
    whole = find(observations, reference, prior=prior).odds
    assert whole is not None
    even = whole.prior  # one prior for all pieces, whatever their connection
    taken: list[Observation] = []
    found = [Piece("before any ring", even)]
    stages = sorted({o.stage for o in observations}, key=lambda s: (not s.in_circuit, len(s.done), s.words))
    before: Stage | None = None
    for stage in stages:
        here = sorted((o for o in observations if o.stage == stage), key=lambda o: -o.capacitor.farads)
        stated = [step for step in stage.done if step in _STATED and before and step not in before.done]
        plain = tuple(step for step in stage.done if step not in stated)
        capacitors = list(dict.fromkeys(o.capacitor.words for o in here))
        for number, words in enumerate(capacitors):
            rings = [o for o in here if o.capacitor.words == words]
            taken += [replace(o, done=plain) for o in rings]
            said = _ring_words(stage, before) if number == 0 else f"second capacitor, {words}"
            found.append(Piece(said, _shows(taken, reference, even)))
        if stated:
            taken = [replace(o, done=stage.done) if o in here or o.done == plain else o for o in taken]
            found.append(Piece(", ".join(map(str, stated)), _shows(taken, reference, even)))
        before = stage
    return tuple(found)


def _ring_words(stage: Stage, before: Stage | None) -> str:
    if before is None or before.in_circuit != stage.in_circuit:
        return f"ring {stage.connection}"
    new = [str(step) for step in stage.done if step not in before.done and step not in _STATED]
    return ", ".join(new) or "rung again"


def _shows(taken: Sequence[Observation], reference: Reference, prior: float) -> float | None:
    try:
        return find(taken, reference, prior=prior).verdict.shows
    except CoilbellError:
        return None
