"""A kind of equipment as data: what may have failed, what can be looked at, and how likely each sight is.

A kind is one TOML file. Its parts, and the rules that loading checks:

    schema, name, summary, slip       slip: how often a reading is taken or written down wrongly [0..1]
    [[hypothesis]]                    a part that may have failed
        key, name, part               part: what would be taken out
        prior                         probability before anything was seen; all priors sum to 1
        reason, source
    [[step]]                          a look or a measurement
        key, name, how, enter         how: what to do; enter: an example of what to type
        unless_done                   step that a capture may say was done -> its words, which stand in how
                                      at "{unless done}" until it was
        measure                       what is given: "seen" (an outcome), or numbers: "rails", "ratio",
                                      "parallel", "power", "line rate", or "ring" (a finding)
        connection, winding           of a ring: how the winding is connected, and the kinds of winding it
                                      may be (none: any): a finding is offered at the step it belongs to
        live, hazards                 who may do it, and which cautions it carries, see `caution`
        minutes, risk                 effort, and risk from 0 (none) to 3 (to life)
        after                         steps and sights that must come first (none: always offered)
        [[step.outcome]]              a state that may be seen: key, name; for numbers pattern and range
        [[step.row]]                  of: hypotheses; chances: probability of each outcome; reason, source

A hypothesis called "unknown" must be there, and every sight must be possible under it. Every step has a
row for every hypothesis. A source is "common practice" (of the trade, nothing published), "physics" or
"computed". To add a kind, copy a shipped file, change it, and run `coilbell isolate kinds FILE`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from functools import cached_property
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from coilbell import terms
from coilbell.errors import InputError
from coilbell.isolate.caution import Hazard, Live
from coilbell.record import Connection

__all__ = [
    "SCHEMA",
    "UNKNOWN",
    "UNLESS_DONE",
    "Equipment",
    "Hypothesis",
    "Measure",
    "Outcome",
    "Row",
    "Source",
    "Step",
]

SCHEMA = 1
"""Number of the layout of a kind's file."""

UNLESS_DONE = "{unless done}"
"""Place in how to do a step for the words of what may have been done."""

UNKNOWN = "unknown"
"""Key of the hypothesis that nothing listed has failed."""

Source = Literal["common practice", "physics", "computed"]
Measure = Literal["seen", "rails", "parallel", "power", "ratio", "line rate", "ring"]
Pattern = Literal["common", "single", "separate"]


class _Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    pass


class Hypothesis(_Part, frozen=True):
    """A part that may have failed; prior: probability before anything was seen [0..1]."""

    key: str
    name: str
    part: str
    prior: float
    reason: str
    source: Source


class Outcome(_Part, frozen=True):
    """A state that a step may show; pattern and range say which ratios of reading to expectation it makes."""

    key: str
    name: str
    pattern: Pattern | None = None
    range: tuple[float, float] | None = None


class Row(_Part, frozen=True):
    """Probability of each outcome, for the hypotheses in `of`; outcomes that are not named have none."""

    of: tuple[str, ...]
    chances: dict[str, float]
    reason: str
    source: Source


class Step(_Part, frozen=True):
    """A look or a measurement."""

    key: str
    name: str
    how: str
    enter: str
    live: Live
    hazards: tuple[Hazard, ...]
    minutes: float
    risk: Literal[0, 1, 2, 3]
    outcome: tuple[Outcome, ...]
    row: tuple[Row, ...]
    measure: Measure = "seen"
    after: dict[str, tuple[str, ...]] = {}
    unless_done: dict[terms.Step, str] = {}
    connection: Connection | None = None
    winding: tuple[str, ...] = ()

    def how_after(self, done: Collection[terms.Step]) -> str:
        """How to do it, without what was done to the set already."""
        left = (words for step, words in self.unless_done.items() if step not in done)
        return self.how.replace(UNLESS_DONE, "".join(f", {words}" for words in left))

    def row_of(self, hypothesis: str) -> Row:
        """The row that holds the chances under a hypothesis."""
        return next(row for row in self.row if hypothesis in row.of)

    def place(self, outcome: str) -> int:
        """Position of an outcome. Raises InputError with the choices."""
        for place, one in enumerate(self.outcome):
            if outcome == one.key:
                return place
        raise InputError(
            f"{self.key} has no outcome {outcome[:40]!r}; choose one of: {_listed(self.outcome)}"
        )


class Equipment(_Part, frozen=True, dict=True):
    """A kind of equipment, checked."""

    schema: int
    name: str
    summary: str
    slip: float
    hypothesis: tuple[Hypothesis, ...]
    step: tuple[Step, ...]

    @cached_property
    def keys(self) -> tuple[str, ...]:
        """Keys of the hypotheses in their order."""
        return tuple(h.key for h in self.hypothesis)

    @cached_property
    def tables(self) -> dict[str, npt.NDArray[np.float64]]:
        """Chances of each step as arrays, filled by `odds.chances` as they are asked for."""
        return {}

    def step_named(self, key: str) -> Step:
        """The step of that key. Raises InputError with the choices."""
        for step in self.step:
            if step.key == key:
                return step
        raise InputError(f"no step {key[:40]!r} for a {self.name}; choose one of: {_listed(self.step)}")

    def hypothesis_named(self, key: str) -> Hypothesis:
        """The hypothesis of that key. Raises InputError with the choices."""
        for one in self.hypothesis:
            if one.key == key:
                return one
        raise InputError(f"no hypothesis {key[:40]!r}; choose one of: {_listed(self.hypothesis)}")

    @property
    def digest(self) -> str:
        """SHA-256 over everything in the kind, whatever the layout of its file."""
        return hashlib.sha256(msgspec.json.encode(self)).hexdigest()


def _listed(items: tuple[Step, ...] | tuple[Hypothesis, ...] | tuple[Outcome, ...]) -> str:
    return ", ".join(item.key for item in items)
