"""Odds over the hypotheses from what was seen, and a plain account of what moved them.

For a step with readings D_1..D_n and outcomes o,

    p(D_1..D_n | H) = sum_o p(o | H) prod_k [(1 - s) p(D_k | o) + s mean_o' p(D_k | o')]

with s the kind's `slip`: a reading may be taken wrongly, so that no single one decides. Steps are taken as
independent under a hypothesis, and Bayes' rule multiplies them onto the priors. Hypotheses are cut fine
enough for that (a fault that shows only at working voltage is one of its own).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError
from coilbell.isolate.equipment import UNKNOWN, Equipment, Source, Step
from coilbell.isolate.evidence import Evidence

__all__ = ["Contradiction", "Move", "Odds", "chances", "odds", "reading_likelihoods"]

Array = npt.NDArray[np.float64]

_SURPRISING = 0.08
"""How probable, beside the likeliest, a sight may be under all others before it is called a contradiction;
assumed."""

_AGREE = 0.05
"""The same for two readings of one step; assumed."""

_DISTANT = 0.35
"""Probability of `unknown` from which it is said that nothing listed fits [0..1]; assumed."""


@dataclass(frozen=True, slots=True)
class Move:
    """What one step did to the odds.

    factors: for each hypothesis, how many times likelier the reading is with it than with the others as
    they stand without this step; reason, source: of the row for `leader`.
    """

    step: str
    words: str
    factors: dict[str, float]
    reason: str
    source: Source
    reading_source: Source
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Sights that do not go together.

    chance: probability of the sight, beside the likeliest one, given everything else [0..1].
    """

    step: str
    words: str
    chance: float


@dataclass(frozen=True, slots=True)
class Odds:
    """Where it stands. probabilities: by hypothesis, sum to 1, none is 0 or 1, likeliest first; parts: the
    same summed over what would be taken out."""

    probabilities: dict[str, float]
    parts: dict[str, float]
    moves: tuple[Move, ...]
    contradictions: tuple[Contradiction, ...]

    @property
    def leader(self) -> str:
        """Key of the likeliest hypothesis."""
        return next(iter(self.probabilities))

    @property
    def nothing_fits(self) -> bool:
        """True when `unknown` takes so much that the list itself is in doubt."""
        return self.probabilities[UNKNOWN] > _DISTANT

    @property
    def bits(self) -> float:
        """What is still open [bit]."""
        return -sum(p * math.log2(p) for p in self.probabilities.values() if p > 0)


def odds(kind: Equipment, evidence: Sequence[Evidence]) -> Odds:
    """Odds after all readings, in any order. Raises InputError for a reading of a step the kind has not."""
    grouped = _grouped(kind, evidence)
    logs = [np.log(_likelihoods(kind, step, readings)) for step, readings in grouped]
    prior = np.log([h.prior for h in kind.hypothesis])
    total = prior + np.sum(logs, axis=0) if logs else prior
    posterior = _normal(total)
    order = np.argsort(-posterior, kind="stable")
    leader = kind.keys[order[0]]
    without = [_normal(total - own) for own in logs]
    moves = [
        _move(kind, step, readings, np.exp(own - own.max()), rest, leader)
        for (step, readings), own, rest in zip(grouped, logs, without, strict=True)
    ]
    return Odds(
        {kind.keys[k]: float(posterior[k]) for k in order},
        _parts(kind, posterior),
        tuple(sorted(moves, key=lambda m: -abs(math.log(m.factors[leader])))),
        (*_within(grouped), *_between(kind, grouped, without)),
    )


def chances(kind: Equipment, step: Step) -> Array:
    """(n_hypotheses, n_outcomes) probability of each state under each hypothesis, read-only."""
    found = kind.tables.get(step.key)
    if found is None:
        rows = [step.row_of(key).chances for key in kind.keys]
        found = np.array([[row.get(o.key, 0.0) for o in step.outcome] for row in rows])
        found.setflags(write=False)
        kind.tables[step.key] = found
    return found


def reading_likelihoods(reading: Evidence, slip: float) -> Array:
    """(n_outcomes,) likelihood of a reading, scaled so that the largest is 1, then mixed with the slip."""
    plain = np.exp(np.array(reading.log_likelihoods) - max(reading.log_likelihoods))
    return np.asarray((1 - slip) * plain + slip * plain.mean(), dtype=np.float64)


def _grouped(kind: Equipment, evidence: Sequence[Evidence]) -> list[tuple[Step, list[Evidence]]]:
    found: dict[str, list[Evidence]] = {}
    for one in evidence:
        if len(one.log_likelihoods) != len(kind.step_named(one.step).outcome):
            raise InputError(f"{one.step}: a reading of {len(one.log_likelihoods)} outcomes does not fit")
        found.setdefault(one.step, []).append(one)
    return [(kind.step_named(key), readings) for key, readings in found.items()]


def _likelihoods(kind: Equipment, step: Step, readings: Sequence[Evidence]) -> Array:
    """(n_hypotheses,) likelihood of all readings of one step; never 0."""
    each = np.prod([reading_likelihoods(r, kind.slip) for r in readings], axis=0)
    # A kind without slips may rule a hypothesis out; nothing is ever quite impossible.
    return np.asarray(np.maximum(chances(kind, step) @ each, 1e-9 * each.max()), dtype=np.float64)


def _normal(logs: Array) -> Array:
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def _parts(kind: Equipment, posterior: Array) -> dict[str, float]:
    found: dict[str, float] = {}
    for one, chance in zip(kind.hypothesis, posterior, strict=True):
        found[one.part] = found.get(one.part, 0.0) + float(chance)
    return dict(sorted(found.items(), key=lambda item: -item[1]))


def _move(
    kind: Equipment, step: Step, readings: Sequence[Evidence], own: Array, rest: Array, leader: str
) -> Move:
    factors = {}
    for k, key in enumerate(kind.keys):
        others = np.delete(rest, k)
        against = float(np.delete(own, k) @ others / others.sum())
        factors[key] = float(own[k]) / against
    row = step.row_of(leader)
    return Move(
        step.key,
        "; again: ".join(r.words for r in readings),
        factors,
        row.reason,
        row.source,
        readings[-1].source,
        tuple(remark for r in readings for remark in r.remarks),
    )


def _within(grouped: Sequence[tuple[Step, list[Evidence]]]) -> list[Contradiction]:
    """Readings of one step that do not fit one state."""
    found = []
    for step, readings in grouped:
        each = [reading_likelihoods(r, 0.0) for r in readings]
        together = float(np.prod(each, axis=0).max())
        if together < _AGREE:
            words = " against ".join(r.words for r in readings)
            found.append(Contradiction(step.key, f"two readings of one thing disagree: {words}", together))
    return found


def _between(
    kind: Equipment, grouped: Sequence[tuple[Step, list[Evidence]]], without: Sequence[Array]
) -> list[Contradiction]:
    """Sights that everything else makes improbable."""
    found = []
    for (step, readings), rest in zip(grouped, without, strict=True):
        expected = rest @ chances(kind, step)
        each = np.prod([reading_likelihoods(r, 0.0) for r in readings], axis=0)
        share = float(each @ expected / (each.max() * expected.max())) if each.max() > 0 else 1.0
        if share < _SURPRISING:
            usual = step.outcome[int(expected.argmax())].name
            words = f"{readings[-1].words}, where everything else makes one expect: {usual}"
            found.append(Contradiction(step.key, words, share))
    return found
