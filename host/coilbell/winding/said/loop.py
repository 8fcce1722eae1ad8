"""A closed loop of wire round the core as a check: a shorted turn made on purpose, which has to show.

A loop of n turns, resistance r, inductance l, coupled to the winding by M reflects into it (from the circuit
equations of two coupled coils, any textbook)

    Z = (w M)^2 / (r + j w l)

so that f rises and Q falls, as with a turn that is shorted by itself. Whether a shorted turn shows on this
very part is seen so without a good unit. A ring with the loop is held against the same part's ring without
it; into the odds of the winding it never enters.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from coilbell.errors import InputError
from coilbell.figure import concise
from coilbell.terms import Step
from coilbell.winding.odds.observation import Observation, Ring

__all__ = ["LoopCheck", "apart", "loop_check"]

_SHOWS = (0.12, 0.54)
"""Move of ln f and of ln Q from which a short shows: three times 4 % and 18 %, what good units differ by
where nothing else is known (simulated: tests/benchmarks/judgement.py)."""


def apart(seen: Sequence[Observation]) -> tuple[list[Observation], list[Observation]]:
    """Rings to judge by, and those with the loop round the core. Raises InputError where only those are."""
    bare = [one for one in seen if Step.LOOP not in one.done]
    if not bare:
        raise InputError(
            f"every ring is one with {Step.LOOP}, which only checks that a short shows; take it off, ring "
            "again, and give both"
        )
    return bare, [one for one in seen if Step.LOOP in one.done]


@dataclass(frozen=True, slots=True)
class LoopCheck:
    """What the loop did to the ring, in words; shows: whether a shorted turn shows on this part by it."""

    words: str
    shows: bool


def loop_check(bare: Sequence[Ring], looped: Sequence[Ring]) -> LoopCheck | None:
    """A ring of the stage that decides against one with the loop; None without two of one test capacitor."""
    pairs = ((a, b) for a in bare for b in looped if a.rings and a.capacitor == b.capacitor)
    return next((_told(a, b) for a, b in pairs), None)


def _told(bare: Ring, looped: Ring) -> LoopCheck:
    """What the loop did, and whether a short shows by it. A ring that the loop ends altogether shows it."""
    if not looped.rings:
        words = "check: with a loop of wire round the core nothing rings: a shorted turn shows on this part"
        return LoopCheck(words, True)
    rise, fall = looped.point[0] - bare.point[0], looped.point[1] - bare.point[1]
    moved = (
        f"check: a loop of wire round the core takes Q from {_q(bare)} to {_q(looped)}, the frequency "
        f"by {100 * math.expm1(rise):+.1f} %"
    )
    if rise >= _SHOWS[0] or fall >= _SHOWS[1]:
        return LoopCheck(f"{moved}: a shorted turn shows on this part", True)
    why = "the loop is not closed, not round this winding's core, or a turn is closed already"
    return LoopCheck(f"{moved}, which hardly shows: {why}", False)


def _q(ring: Ring) -> str:
    q = math.exp(-ring.point[1])
    return concise(q, q * math.sqrt(ring.covariance[1, 1]))
