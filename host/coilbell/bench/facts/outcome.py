"""What an item was in the end: the cause that was found, how it was seen, and how surely.

::

    cause       a state of the winding (`coilbell.terms.FOUND`), key of a worksheet's cause, or `NEVER_KNOWN`
    equipment   kind of equipment whose cause it is, "" for a state of the winding
    state       what that says of the winding itself; None where it says nothing of it
    sure        probability that this is the truth, as the one who found it states it
"""

from __future__ import annotations

from typing import Annotated

import msgspec

from coilbell.bench.facts.base import Count, Facts
from coilbell.terms import FOUND, Cause

__all__ = [
    "LEAST_SURE",
    "NEVER_KNOWN",
    "OUTCOME_SCHEMA",
    "USUALLY_SURE",
    "KeptOutcomeFacts",
    "Outcome",
    "Sureness",
]

OUTCOME_SCHEMA = 1
"""Number of the layout of `Outcome`; it rises when a field changes its meaning."""

NEVER_KNOWN = "never-known"
"""Cause of an item of which nobody will ever learn what it was."""

LEAST_SURE = 0.5
"""Under it an outcome tells less than a coin [1]."""

USUALLY_SURE = 0.99
"""How sure an outcome is where nobody says so [1]: one in a hundred is written down wrongly; assumed."""

Sureness = Annotated[float, msgspec.Meta(ge=LEAST_SURE, le=1)]


class Outcome(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was found in the end; see the module. how: in the finder's words, such as "replaced, set runs"."""

    schema: int = OUTCOME_SCHEMA
    cause: str
    equipment: str = ""
    state: Cause | None = None
    how: str = ""
    sure: Sureness = USUALLY_SURE

    def __post_init__(self) -> None:
        if self.schema != OUTCOME_SCHEMA:
            raise ValueError(
                f"has outcome schema {self.schema}, this version knows {OUTCOME_SCHEMA}; update coilbell"
            )
        named = self.cause in FOUND and FOUND[self.cause] is self.state
        if not (named or self.equipment or self.cause == NEVER_KNOWN):
            raise ValueError(f"no state of a winding {self.cause[:40]!r}, or of another one")
        if self.cause == NEVER_KNOWN and (self.equipment or self.state is not None):
            raise ValueError("what is never known is of no kind and no state")

    @property
    def known(self) -> bool:
        """True where something was found."""
        return self.cause != NEVER_KNOWN

    @property
    def shorted(self) -> bool | None:
        """Whether a turn of the winding was shorted; None where it says nothing of it."""
        return None if self.state is None else self.state.shorted


class KeptOutcomeFacts(Facts, frozen=True, kw_only=True):
    """An outcome as the log keeps it."""

    id: Count
    added_utc: str
    outcome: Outcome
