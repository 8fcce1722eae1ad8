"""Evidence: what one reading says of the outcomes of a step.

A reading never names a hypothesis. It gives ln p(reading | outcome) for each outcome of its step, up to a
constant; the chances of the outcomes under each hypothesis come from the kind of equipment.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbell.errors import InputError
from coilbell.isolate.equipment import Source, Step

__all__ = ["Evidence", "seen"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """One reading.

    log_likelihoods: ln p(reading | outcome) for each outcome of the step; at least one is finite.
    words: what was read; source: where the numbers come from; remarks: what is odd about the reading.
    """

    step: str
    log_likelihoods: tuple[float, ...]
    words: str
    source: Source
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        finite = [x for x in self.log_likelihoods if x > -math.inf]
        if not finite or any(math.isnan(x) or x == math.inf for x in self.log_likelihoods):
            raise InputError(f"{self.step}: the reading fits no outcome at all; check what was entered")

    @property
    def best(self) -> int:
        """Position of the outcome that the reading fits best."""
        return max(range(len(self.log_likelihoods)), key=lambda k: self.log_likelihoods[k])


def seen(step: Step, outcome: str, sure: float = 1.0) -> Evidence:
    """An outcome that somebody saw.

    sure: probability that the eye was right [1/n..1]; what is missing is shared by the other outcomes.
    Raises InputError for an outcome the step has not, or for a `sure` that says less than a guess.
    """
    place, count = step.place(outcome), len(step.outcome)
    if not 1 / count <= sure <= 1:
        raise InputError(
            f"{step.key}: sure {sure:.3g} of one of {count} outcomes; give {1 / count:.2g} (a guess) to 1"
        )
    rest = (1 - sure) / (count - 1)
    logs = [math.log(sure) if k == place else _log(rest) for k in range(count)]
    doubt = "" if sure == 1 else f" ({100 * sure:.0f} % sure)"
    return Evidence(step.key, tuple(logs), f"{step.outcome[place].name}{doubt}", "common practice")


def _log(value: float) -> float:
    return math.log(value) if value > 0 else -math.inf
