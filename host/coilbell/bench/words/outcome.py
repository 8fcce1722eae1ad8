"""An outcome in words."""

from __future__ import annotations

from coilbell.bench.facts.outcome import USUALLY_SURE, Outcome
from coilbell.figure import percent
from coilbell.terms import Cause

__all__ = ["outcome_words"]


def outcome_words(outcome: Outcome) -> str:
    """What was found, in a clause, such as "a shorted turn (sure to 90 %): replaced, set runs"."""
    sure = "" if outcome.sure == USUALLY_SURE or not outcome.known else f" (sure to {percent(outcome.sure)})"
    return f"{_found(outcome)}{sure}{f': {outcome.how}' * bool(outcome.how)}"


def _found(outcome: Outcome) -> str:
    if outcome.equipment:
        return f"{outcome.cause}, of a {outcome.equipment}"
    if outcome.state is None:
        return "never known"
    return "the winding was sound" if outcome.state is Cause.NOTHING else outcome.state.words
