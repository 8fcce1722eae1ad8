"""Judgements of every part in every state, and what share of them is right."""

from __future__ import annotations

import argparse
import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.best import best_ratios
from benchmarks.populations import capacitors, expected, observed, reference
from coilbell.board.simulation import CONDITIONS, catalogue
from coilbell.record import Connection
from coilbell.winding import Explanation, Observation, Posterior, Reference, find, grouped
from coilbell.winding.odds.healthy import healthy

__all__ = ["Bench", "Row", "detection", "rows", "tuned_parts"]

LABELS = [str(e) for e in Explanation]

_UNASKED = (math.nan, math.nan)


class Bench:
    """A reference and how what it judges is connected."""

    def __init__(self, by: Reference, where: Connection = Connection.OUT_OF_CIRCUIT) -> None:
        self.reference, self.where = by, where

    def judge(self, seen: Sequence[Observation], unit: str = "") -> tuple[Posterior, str]:
        """Odds and the explanation named, as `find` gives them."""
        found = find(seen, self.reference, connection=self.where, unit=unit)
        assert found.odds is not None
        return found.odds, str(found.explanation)


@dataclass
class Row:
    part: str
    state: str
    shorted: bool
    expected: str | None
    moved: float
    probability: float
    """Of a short that would show on this part, as the headline has it."""
    named: str
    shows: float
    """log10 of the ratio of a short that shows over a healthy winding."""
    best: tuple[float, float]
    """The same by the population's own densities, told its severities and not; nan where not asked for."""
    count: float
    frequency: tuple[float, float]
    """ln f, ln f/f0."""
    q: tuple[float, float]
    """ln Q, ln Q/Q0."""


def rows(
    options: argparse.Namespace,
    good: int,
    *,
    shorted: bool,
    number: int = 1,
    known: int = 0,
    healthy_units: int = 12,
    best: bool = False,
) -> Iterator[Row]:
    """Judgements of every part in every state out of circuit, from `references` references each.

    number: capacitors that a unit is rung with; known: those that the reference was, when more.
    """
    for index, name in enumerate(catalogue.names()):
        test = capacitors(name, number)
        states = [s for s in catalogue.states(name) if not CONDITIONS[s].in_circuit]
        told = {s: expected(name, s, test) for s in states}
        for turn in range(options.references):
            rng = np.random.default_rng((options.seed, index, turn))
            by = capacitors(name, max(known, number))
            bench = Bench(reference(name, by, good, int(rng.integers(2**31)), shorted=shorted, rng=rng))
            for state in states:
                n = healthy_units if state == "healthy" else options.units
                for unit in catalogue.population(name, state, n, int(rng.integers(2**31))):
                    seen = [observed(unit, farads, rng) for farads in test]
                    odds, says = bench.judge(seen)
                    judged = state == "healthy" or (CONDITIONS[state].shorted and told[state][1] > 3)
                    limits = (
                        best_ratios(grouped(seen), bench.reference, name) if best and judged else _UNASKED
                    )
                    yield _row(name, state, told[state], odds, says, limits, seen[0], bench)


def _row(
    name: str,
    state: str,
    told: tuple[str | None, float],
    odds: Posterior,
    says: str,
    limits: tuple[float, float],
    seen: Observation,
    bench: Bench,
) -> Row:
    by = healthy(bench.reference, grouped([seen]))
    f0, d0 = by.location
    f, d = (math.log(seen.natural_hz), math.log(seen.loss)) if seen.rings else (f0, math.log(2.0))
    return Row(
        name,
        state,
        CONDITIONS[state].shorted,
        *told,
        odds.shows,
        says,
        odds.log10_shows,
        limits,
        _count(seen),
        (f, f - f0),
        (-d, d0 - d),
    )


def _count(seen: Observation) -> float:
    """Cycles until the envelope falls to 1/10 of the first peak."""
    return 0.0 if seen.q is None else math.sqrt(max(seen.q**2 - 0.25, 0.0)) / math.pi * math.log(10)


_RULES = {
    "called bad": lambda r: r.shows >= 0,
    "named like shorted, loaded, no ring": lambda r: r.named in ("like shorted", "loaded", "no ring"),
    "best possible, told the severities": lambda r: r.best[0] >= 0,
    "best possible, not told them": lambda r: r.best[1] >= 0,
}


def detection(options: argparse.Namespace) -> None:
    """Requirement 1: detectable shorts, false calls, confusion matrix."""
    for good, shorted, number, known in ((3, True, 1, 2), (3, True, 2, 2), (3, True, 1, 1), (1, False, 1, 1)):
        found = list(rows(options, good, shorted=shorted, number=number, known=known, best=True))
        whole = [r for r in found if r.state == "healthy"]
        seen = [r for r in found if r.shorted and r.moved > 3]
        loop = "one shorted on purpose" if shorted else "none shorted"
        title = f"{good} good unit(s), {loop}, reference by {known}, unit by {number} capacitor(s)"
        print(f"\n## 1. Detection: {title}")
        print(f"{len(whole)} healthy, {len(seen)} shorts that can be detected")
        print(f"{'':38}{'found':>8}{'false':>8}{'balanced accuracy':>19}{'tuned on / other kinds':>24}")
        for words, called in _RULES.items():
            halves = " / ".join(
                f"{_balanced(called, seen, whole, lambda r, t=tuned: (r.part in tuned_parts()) is t)[2]:.4f}"
                for tuned in (True, False)
            )
            true, false, balanced = _balanced(called, seen, whole, lambda r: True)
            print(f"{words:38}{true:8.4f}{false:8.4f}{balanced:19.4f}{halves:>24}")
        print(f"healthy named like shorted: {sum(r.named == 'like shorted' for r in whole)} of {len(whole)}")
        for words in ("called bad", "best possible, not told them"):
            missed = Counter(f"{r.part} {r.state}" for r in seen if not _RULES[words](r))
            print(
                f"missed most, {words}:", ", ".join(f"{k} ({v})" for k, v in missed.most_common(4)) or "none"
            )
        _confusion(found)


_TUNED = (
    "common-mode choke",
    "horizontal yoke",
    "mains transformer",
    "power inductor",
    "switch-mode transformer",
)
"""Every other kind of the catalogue, as first listed."""


def tuned_parts() -> frozenset[str]:
    """Parts of every other kind: constants of the judgement may be chosen on these, and on these only."""
    return frozenset(name for name in catalogue.names() if catalogue.part(name).kind in _TUNED)


def _balanced(
    called: Callable[[Row], bool], seen: Sequence[Row], whole: Sequence[Row], among: Callable[[Row], bool]
) -> tuple[float, float, float]:
    """Share found, share of healthy falsely called, and the mean of both rights."""
    true = float(np.mean([called(r) for r in seen if among(r)]))
    false = float(np.mean([called(r) for r in whole if among(r)]))
    return true, false, (true + 1 - false) / 2


def _confusion(found: Sequence[Row]) -> None:
    """Truth down, name across; cases that move more than three spreads and that physics separates."""
    print("\nconfusion of what physics separates (truth down, named across)")
    print(f"{'':18}" + "".join(f"{label.split()[-1]:>12}" for label in LABELS) + "     right")
    right = total = 0
    for label in LABELS:
        cases = [r for r in found if r.expected == label and (r.moved > 3 or label == "like healthy")]
        if not cases:
            continue
        counts = Counter(r.named for r in cases)
        good = counts[label]
        right, total = right + good, total + len(cases)
        print(
            f"{label:18}" + "".join(f"{counts[other]:12d}" for other in LABELS) + f"{good / len(cases):10.3f}"
        )
    wrong = Counter(
        f"{r.part} {r.state} -> {r.named}"
        for r in found
        if r.expected and r.named != r.expected and (r.moved > 3 or r.state == "healthy")
    )
    worst = "; ".join(f"{k} ({v})" for k, v in wrong.most_common(5))
    print(f"all: {right / total:.4f} of {total}; most often wrong: {worst}")
    aside = Counter(r.named for r in found if r.expected is None and r.moved > 3)
    print("not separable, named: " + ", ".join(f"{k} {v}" for k, v in aside.most_common()))
