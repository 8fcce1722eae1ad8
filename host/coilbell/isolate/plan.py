"""Which test next: what each is expected to tell, against its effort and risk.

The information a step is expected to give is the mutual information of hypothesis and reading,

    I = sum_H sum_r p(H) p(r | H) log2 [p(r | H) / p(r)]        [bit]

with p(r | H) the chance that outcome r is read, slips included. Its worth is I over effort, where effort is
the step's minutes plus minutes for its risk: a stated exchange rate, not a fact of nature.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell import terms
from coilbell.errors import InputError
from coilbell.isolate.caution import Live, cautions, may
from coilbell.isolate.equipment import Equipment, Step
from coilbell.isolate.evidence import Evidence
from coilbell.isolate.odds import Odds, chances

__all__ = ["RISK_MINUTES", "Proposal", "information", "plan", "settling"]

RISK_MINUTES = (0.0, 5.0, 20.0, 60.0)
"""Minutes that a risk of 0, 1, 2, 3 counts for; assumed."""

_NOTHING = 0.005
"""Information below which a step is not worth naming [bit]; assumed."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A step that could come next.

    bits: information expected [bit]; effort: minutes, those for risk included; worth: bits per hour of
    effort; instructed: False when it needs a qualification that was not stated, and then `how` is empty.
    """

    step: str
    name: str
    bits: float
    effort: float
    worth: float
    live: Live
    instructed: bool
    how: str
    enter: str
    cautions: tuple[str, ...]


def plan(
    kind: Equipment,
    now: Odds,
    evidence: Sequence[Evidence],
    qualified: Live = "none",
    *,
    done: Collection[terms.Step] = (),
) -> tuple[Proposal, ...]:
    """Steps not yet done that would tell something: those that may be instructed first, best worth first.

    qualified: what the user states to be qualified for; further steps are named but not instructed; done:
    what was done to the set already, which no step advises again.
    """
    weights = np.array([now.probabilities[key] for key in kind.keys])
    return _ranked(kind, weights, evidence, qualified, done)


def settling(
    kind: Equipment,
    evidence: Sequence[Evidence],
    pair: tuple[str, str],
    qualified: Live = "none",
    *,
    done: Collection[terms.Step] = (),
) -> tuple[Proposal, ...]:
    """The same for one question alone: is it this or that? Both are weighed as likely as each other.

    Raises InputError for keys that are no hypotheses or the same one twice.
    """
    first, second = (kind.hypothesis_named(key).key for key in pair)
    if first == second:
        raise InputError(f"{first} against itself; give two hypotheses")
    weights = np.array([0.5 * (key in (first, second)) for key in kind.keys])
    return _ranked(kind, weights, evidence, qualified, done)


def information(weights: npt.NDArray[np.float64], chance: npt.NDArray[np.float64], slip: float) -> float:
    """Mutual information of hypothesis and reading [bit].

    weights: (n,) probabilities of hypotheses; chance: (n, m) of outcomes under them; slip: how often an
    outcome is read as any of the m at random.
    """
    read = (1 - slip) * chance + slip / chance.shape[1]
    whole = weights @ read
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(read > 0, read * np.log2(read / whole), 0.0)
    return float(weights @ terms.sum(axis=1))


def _ranked(
    kind: Equipment,
    weights: npt.NDArray[np.float64],
    evidence: Sequence[Evidence],
    qualified: Live,
    done: Collection[terms.Step],
) -> tuple[Proposal, ...]:
    read = {one.step for one in evidence}
    found = [
        _proposal(step, information(weights, chances(kind, step), kind.slip), qualified, done)
        for step in kind.step
        if step.key not in read and _offered(kind, step, evidence)
    ]
    useful = [one for one in found if one.bits >= _NOTHING]
    return tuple(sorted(useful, key=lambda one: (not one.instructed, -one.worth)))


def _offered(kind: Equipment, step: Step, evidence: Sequence[Evidence]) -> bool:
    """True when what must come first was seen."""
    for earlier, sights in step.after.items():
        outcomes = kind.step_named(earlier).outcome
        if not any(e.step == earlier and outcomes[e.best].key in sights for e in evidence):
            return False
    return True


def _proposal(step: Step, bits: float, qualified: Live, done: Collection[terms.Step]) -> Proposal:
    effort = step.minutes + RISK_MINUTES[step.risk]
    allowed = may(step.live, qualified)
    return Proposal(
        step.key,
        step.name,
        bits,
        effort,
        60 * bits / effort,
        step.live,
        allowed,
        step.how_after(done) if allowed else "",
        step.enter,
        cautions(step.hazards),
    )
