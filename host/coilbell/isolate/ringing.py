"""A finding of the ring test as evidence, never as a fact.

A finding made with a reference holds, for each true cause, its probability before and after the ring; their
ratio is p(ring | cause) up to a constant. Causes are gathered into states of the winding,

    p(ring | state) = sum of posteriors of its causes / sum of their priors

Where the priors are not kept, and for a comparison, only log10 p(ring | shorted)/p(ring | not shorted) is
known, and all states that are not shorted are alike. The ratio counts for at most 1000 : 1 either way: no
reference is known better than that.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Protocol

from coilbell.errors import InputError
from coilbell.isolate.equipment import UNKNOWN, Equipment, Step
from coilbell.isolate.evidence import Evidence
from coilbell.record import Connection
from coilbell.terms import OLD_SET, Attached, Cause

__all__ = ["MOST_DECADES", "RingCause", "implied_state", "ratio_of_ring", "ring_evidence", "ring_step"]

MOST_DECADES = 3.0
"""Largest log10 likelihood ratio that a ring may carry [1]; assumed: no reference is
known better than that."""

_STATES = {
    Cause.NOTHING: "whole",
    Cause.LOAD: "loaded",
    Cause.JUNCTION: "loaded",
    Cause.CORE: "core",
    Cause.CAPACITANCE: "capacitance",
    Cause.OPEN: "silent",
}
"""Cause of a finding that is no shorted turn -> state of the winding; "none of these" belongs to no state."""


_SHORT = "shorted"
"""State of a winding with a shorted turn."""

_FIRM = 0.7
"""Chance of one state of the winding under a cause, from which the cause says that it is so; assumed."""


class RingCause(Protocol):
    """What may be true of a winding, with its probability before and after the ring."""

    @property
    def name(self) -> str: ...
    @property
    def shorted(self) -> bool: ...
    @property
    def prior(self) -> float: ...
    @property
    def probability(self) -> float: ...


def ring_step(kind: Equipment, winding: str, connection: str) -> Step | None:
    """The step that a ring of that kind of winding belongs to; None where no step asks for such a ring.

    connection: how the winding was connected, "" where nobody said.
    """
    rings = [s for s in kind.step if s.measure == "ring" and (not s.winding or winding in s.winding)]
    suits = [s for s in rings if s.connection is not None and str(s.connection) == connection]
    return next(iter(suits or rings), None)


def implied_state(kind: Equipment, cause: str, winding: str) -> Cause | None:
    """What a cause, by its key, says of a winding of that kind: what its ring out of circuit would show.

    None where no step rings such a winding, or the step says nothing firm.
    """
    if cause == UNKNOWN:
        return None
    for step in kind.step:
        if step.connection == Connection.OUT_OF_CIRCUIT and winding in step.winding:
            chances = step.row_of(cause).chances
            likeliest = max(chances, key=lambda key: chances[key])
            states = {state: one for one, state in reversed(_STATES.items())} | {_SHORT: Cause.SHORTED}
            return states.get(likeliest) if chances[likeliest] >= _FIRM else None
    return None


def ring_evidence(
    step: Step,
    log10_ratio: float | None,
    *,
    explanation: str,
    causes: Sequence[RingCause] = (),
    doubts: int = 0,
) -> Evidence:
    """Evidence of a finding or a comparison.

    log10_ratio: of a shorted turn against none; explanation: what was said; causes: of a finding, with their
    probabilities before and after the ring; doubts: how many the ring has. Raises InputError without odds.
    """
    if log10_ratio is None:
        raise InputError(
            "this finding has no odds: judge the ring by a reference, or give the outcome yourself"
        )
    words = f"ring {explanation} (log10 ratio {log10_ratio:+.2f})"
    by_state = _by_state(causes)
    if by_state is None:
        return ratio_of_ring(step, log10_ratio, words)
    remarks = (f"doubts of the ring: {doubts}; see its finding",) if doubts else ()
    return Evidence(step.key, _limited(step, by_state), words, "computed", remarks)


def ratio_of_ring(step: Step, log10_ratio: float, words: str = "") -> Evidence:
    """Evidence of a bare log10 likelihood ratio of a shorted turn against none."""
    if not math.isfinite(log10_ratio):
        raise InputError(f"log10 likelihood ratio {log10_ratio} is no number")
    decades = min(max(log10_ratio, -MOST_DECADES), MOST_DECADES)
    logs = [decades * math.log(10) * (o.key == _SHORT) for o in step.outcome]
    return Evidence(step.key, tuple(logs), words or f"ring with log10 ratio {log10_ratio:+.2f}", "computed")


def _by_state(causes: Sequence[RingCause]) -> dict[str, float] | None:
    """State -> p(ring | state), or None where a state that is needed has no causes."""
    sums: dict[str, list[float]] = {}
    for cause in causes:
        state = _SHORT if cause.shorted else _state(cause.name)
        if not state:
            continue
        pair = sums.setdefault(state, [0.0, 0.0])
        pair[0] += cause.probability
        pair[1] += cause.prior
    found = {state: after / before for state, (after, before) in sums.items() if before > 0}
    return found if {"whole", _SHORT} <= set(found) and max(found.values()) > 0 else None


def _state(name: str) -> str:
    """The state of a cause by its kept name, "" for none; findings of older logs name sets beside it."""
    if name in set(Cause):
        return _STATES.get(Cause(name), "")
    if not name.startswith(OLD_SET):
        return ""
    return "silent" if name.removeprefix(OLD_SET) == Attached.DEVICE else "loaded"


def _limited(step: Step, by_state: Mapping[str, float]) -> tuple[float, ...]:
    """ln likelihoods, none further below the best than `MOST_DECADES`; states not asked about are `whole`."""
    top = math.log(max(by_state.values()))
    least = top - MOST_DECADES * math.log(10)
    found = []
    for outcome in step.outcome:
        value = by_state.get(outcome.key, by_state["whole"])
        found.append(max(math.log(value), least) if value > 0 else least)
    return tuple(found)
