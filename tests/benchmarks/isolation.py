"""How often the worksheet finds the cause in simulated cases, and how many tests it takes.

    python tests/benchmarks/isolation.py --seed 1 --cases 1000

Each case draws a cause from the priors and then, test by test, what is seen. What is seen does not come from
the very chances the worksheet believes: each row of each case is a Dirichlet draw about the file's row (so
many pseudo-counts as --sureness says), one sight in fifty is read wrongly, and where a step takes numbers the
readings are made with meter errors inside or beside the outcome's range and go through the same computation
as a technician's. The worksheet chooses tests by information over effort; the other way of working follows
the order of the file, which is the customary one: quick looks, live readings, rings, then the bench. Both
stop when one cause has 90 % or when nothing is left, and both are asked for the first two after that.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from coilbell.isolate import (
    RAIL_SCATTER,
    Equipment,
    Evidence,
    Meter,
    Odds,
    Proposal,
    Ratio,
    Step,
    check_level,
    may,
    odds,
    plan,
    ratio_evidence,
    ratio_of_ring,
    seen,
    shipped,
)

STOP = 0.90
LEVEL = "high voltage"
"""Live work allowed in this run."""

_RAILS = (142.0, 33.0, 9.0)
_METER = Meter()
_WRONG = 0.02


@dataclass(frozen=True)
class Outcome:
    """One case: was the cause first, among the first two; tests and effort used; did it stop by itself."""

    first: bool
    top_two: bool
    tests: int
    effort: float
    settled: bool
    confidence: float


class Case:
    """A faulty set: what each step shows of it, drawn once so that both ways of working see the same."""

    def __init__(self, kind: Equipment, rng: np.random.Generator, sureness: float) -> None:
        self.kind = kind
        priors = np.array([h.prior for h in kind.hypothesis])
        self.cause = kind.keys[rng.choice(len(priors), p=priors)]
        self.shown = {step.key: self._show(step, rng, sureness) for step in kind.step}

    def _show(self, step: Step, rng: np.random.Generator, sureness: float) -> Evidence:
        believed = np.array([step.row_of(self.cause).chances.get(o.key, 0.0) for o in step.outcome])
        true = rng.dirichlet(sureness * believed + 0.02)
        place = int(rng.choice(len(true), p=true))
        if rng.random() < _WRONG:
            place = int(rng.integers(len(true)))
        return reading(step, place, rng)


def reading(step: Step, place: int, rng: np.random.Generator) -> Evidence:
    """What a technician would enter for an outcome, with the errors of meters and rings."""
    outcome = step.outcome[place]
    if step.measure == "ring":
        # log10 ratios scatter as the judgement's own benchmark shows them: about +-2 +- 1, capped at 3.
        if outcome.key in ("whole", "shorted"):
            sign = 1 if outcome.key == "shorted" else -1
            return ratio_of_ring(step, float(np.clip(sign * rng.normal(2.0, 1.0), -3, 3)))
        return seen(step, outcome.key, 0.9)
    if outcome.pattern is None:
        return seen(step, outcome.key)
    assert outcome.range is not None
    low, high = outcome.range
    true = (
        float(np.exp(rng.uniform(np.log(low), np.log(high))))
        if high > 3 * low > 0
        else rng.uniform(low, high)
    )
    if step.measure != "rails":
        spread = 2e-4 if step.measure == "line rate" else 0.03
        return ratio_evidence(step, [Ratio(rng.normal(true, spread), spread)], "simulated")
    ratios = []
    bad = rng.integers(len(_RAILS))
    for k, volts in enumerate(_RAILS):
        ratio = true if outcome.pattern == "common" or k == bad else 1.0
        value = round(volts * ratio * (1 + rng.normal(0, 0.03)), 1)
        read = _METER.reading(value, 0.1)
        ratios.append(Ratio(rng.normal(value, read.uncertainty) / volts, read.uncertainty / volts))
    return ratio_evidence(step, ratios, "simulated", scatter=RAIL_SCATTER)


def allowed(kind: Equipment, now: Odds, evidence: list[Evidence]) -> list[Proposal]:
    """What may be instructed at the level of this run."""
    return [p for p in plan(kind, now, evidence, check_level(LEVEL)) if p.instructed]


def by_worth(kind: Equipment, now: Odds, evidence: list[Evidence]) -> str | None:
    """The worksheet's choice."""
    proposals = allowed(kind, now, evidence)
    return proposals[0].step if proposals else None


def by_bits(kind: Equipment, now: Odds, evidence: list[Evidence]) -> str | None:
    """The choice that looks at information alone."""
    proposals = allowed(kind, now, evidence)
    return max(proposals, key=lambda p: p.bits).step if proposals else None


def in_order(kind: Equipment, now: Odds, evidence: list[Evidence]) -> str | None:
    """The next of the file that may be done, whatever it would tell."""
    done = {e.step for e in evidence}
    for step in kind.step:
        ready = all(
            any(e.step == a and kind.step_named(a).outcome[e.best].key in sights for e in evidence)
            for a, sights in step.after.items()
        )
        if step.key not in done and ready and may(step.live, check_level(LEVEL)):
            return step.key
    return None


def worked(case: Case, choose: Callable[[Equipment, Odds, list[Evidence]], str | None]) -> Outcome:
    """Work on a case until one cause stands out or nothing is left to do."""
    from coilbell.isolate import RISK_MINUTES

    evidence: list[Evidence] = []
    effort = 0.0
    now = odds(case.kind, evidence)
    while next(iter(now.probabilities.values())) < STOP:
        key = choose(case.kind, now, evidence)
        if key is None:
            break
        step = case.kind.step_named(key)
        effort += step.minutes + RISK_MINUTES[step.risk]
        evidence.append(case.shown[key])
        now = odds(case.kind, evidence)
    ranked = list(now.probabilities)
    top = now.probabilities[ranked[0]]
    return Outcome(ranked[0] == case.cause, case.cause in ranked[:2], len(evidence), effort, top >= STOP, top)


def table(kind: Equipment, seed: int, cases: int, sureness: float) -> dict[str, list[Outcome]]:
    """All ways of working on the same cases."""
    rng = np.random.default_rng([seed, sum(map(ord, kind.name))])
    drawn = [Case(kind, rng, sureness) for _ in range(cases)]
    ways = {"worth": by_worth, "bits": by_bits, "fixed order": in_order}
    return {name: [worked(case, choose) for case in drawn] for name, choose in ways.items()}


def show(kind: Equipment, results: dict[str, list[Outcome]]) -> None:
    print(f"\n{kind.name}: {len(kind.hypothesis)} causes, {len(kind.step)} tests")
    print("  chosen by     first  top two  tests  effort/min  stopped  stated  right when stopped")
    for name, outcomes in results.items():
        stopped = [o for o in outcomes if o.settled]
        print(
            f"  {name:<12}{np.mean([o.first for o in outcomes]):7.1%}"
            f"{np.mean([o.top_two for o in outcomes]):9.1%}{np.mean([o.tests for o in outcomes]):7.2f}"
            f"{np.mean([o.effort for o in outcomes]):12.0f}{len(stopped) / len(outcomes):9.1%}"
            f"{np.mean([o.confidence for o in stopped]):8.1%}{np.mean([o.first for o in stopped]):20.1%}"
        )


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1, help="any whole number; the table names it")
    parser.add_argument("--cases", type=int, default=1000, help="cases of each kind")
    parser.add_argument("--sureness", type=float, default=20.0, help="pseudo-counts of the file's rows")
    parser.add_argument("--qualified", default=LEVEL, help="live work allowed, from none to high voltage")
    options = parser.parse_args(arguments)
    globals()["LEVEL"] = check_level(options.qualified)
    print(
        f"seed {options.seed}, {options.cases} cases of each kind, sureness {options.sureness:g}, "
        f"live work: {LEVEL}",
        flush=True,
    )
    for kind in shipped().values():
        show(kind, table(kind, options.seed, options.cases, options.sureness))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
