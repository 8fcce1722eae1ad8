"""Odds against truth over items drawn from what the prior states, beside the best possible judge.

The best possible one has the same densities and is told what the judge has to learn: the make's typical unit
and its spreads, and how much warmer the item was.
"""

from __future__ import annotations

import argparse
import math
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from multiprocessing import Pool

import numpy as np
import numpy.typing as npt

from benchmarks.drawn import Item, kept, true_covariance, true_location
from coilbell.terms import Headline
from coilbell.winding import find, grouped
from coilbell.winding.odds.healthy import Healthy, healthy
from coilbell.winding.odds.hypothesis import hypotheses
from coilbell.winding.odds.posterior import posterior
from coilbell.winding.odds.warmth import LOSS
from coilbell.winding.said.finding import chosen

__all__ = ["ece", "perfect", "stated"]

Array = npt.NDArray[np.float64]
FULL = 5000
"""Items from which the error is held to its goal; below, to what chance makes of a perfect judge's."""
GOAL = 0.02
MANY = 40.0
"""Degrees of freedom of the best possible judge, who knows the spreads but for what circuits leave open."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One item as judged: odds of a short that shows, by the judge and by the best possible one."""

    kind: str
    cause: str
    shows: bool
    odds: float | None
    best: float
    headline: Headline
    in_circuit: bool
    thermometer: bool


def stated(options: argparse.Namespace) -> None:
    """Calibration over items that are drawn from the prior itself."""
    print(f"\n## Calibration over {options.items} items drawn from the stated prior, with stages and warmth")
    found = _all(options.seed, options.items, False, options.jobs)
    report("by the estimator's stated errors", found)
    number = min(options.items // 10, 500)
    drawn, fitted = (_all(options.seed + 1, number, flag, options.jobs) for flag in (False, True))
    report(f"{number} others, by the stated errors", drawn)
    report("the same makes, each ring a record that is fitted", fitted)


def _all(seed: int, count: int, fitted: bool, jobs: int) -> list[Judged]:
    parts = max(1, count // 500)
    sizes = [count // parts] * parts
    work = [(seed * 1000 + k, size, fitted) for k, size in enumerate(sizes)]
    if jobs == 1:
        return [one for part in work for one in _part(part)]
    with Pool(jobs, initializer=os.nice, initargs=(10,)) as pool:
        return [one for part in pool.imap_unordered(_part, work) for one in part]


def _part(work: tuple[int, int, bool]) -> list[Judged]:
    seed, size, fitted = work
    return [judged(item) for item in kept(seed, size, fitted=fitted)]


def judged(item: Item) -> Judged:
    """The item's odds by its reference, and by all that is true of its make."""
    found = find(item.rings, item.reference)
    in_circuit = any(o.stage.in_circuit for o in item.rings)
    best = math.nan
    if not in_circuit:
        told, rings = _told(item), list(chosen(grouped(item.rings))[0])
        best = posterior(rings, told, hypotheses(told, item.reference), item.make.kind).shows
    return Judged(
        item.make.kind.name,
        item.cause,
        item.shows,
        found.verdict.shows,
        best,
        found.verdict.headline,
        in_circuit,
        item.rings[0].temperature is not None,
    )


def _told(item: Item) -> Healthy:
    """What a healthy unit of this make rings like, at the item's own warmth."""
    by = healthy(item.reference, grouped(item.rings))
    make, m = item.make, len(item.make.capacitors)
    places = [by.place(c) for c in make.capacitors]
    order = [*places, *(m + k for k in places)]
    location, covariance = np.empty(2 * m), np.empty((2 * m, 2 * m))
    own = true_covariance(make)
    own[m:, m:] += (LOSS * item.warmer) ** 2
    location[order] = true_location(make) - np.repeat([make.warming * item.warmer / 2, 0.0], m)
    covariance[np.ix_(order, order)] = own
    return replace(
        by,
        location=location,
        scale=covariance * (MANY - 2) / MANY,
        freedom=MANY,
        between=np.sqrt(np.diag(covariance)),
        tank=make.tank,
    )


def report(title: str, found: Sequence[Judged]) -> None:
    """Error, band of a perfect judge, log and Brier scores and bins."""
    asked = [j for j in found if j.odds is not None]
    p = np.array([j.odds for j in asked], dtype=float)
    best = np.array([j.best for j in asked])
    y = np.array([j.shows for j in asked], dtype=float)
    print(f"\n{title}: {len(asked)} of {len(found)} with odds, {y.mean():.3f} with a short that would show")
    known = np.isfinite(best)
    for words, odds, true in (
        ("this judgement", p, y),
        ("the same, out of circuit", p[known], y[known]),
        ("best possible there", best[known], y[known]),
        ("in circuit too", p[~known], y[~known]),
    ):
        if not len(odds):
            continue
        middle, most = perfect(odds)
        error = ece(odds, true)
        # Few of the items have no odds, for nothing rang.
        held = error <= GOAL if len(found) >= FULL and len(odds) > FULL / 2 else error <= most
        print(
            f"  {words:26} {len(odds):5} ECE {error:.4f}  (perfect {middle:.4f}, 95 % band to {most:.4f}; "
            f"{'held' if held else 'NOT HELD'})  Brier {np.mean((odds - true) ** 2):.4f}  "
            f"log score {log_score(odds, true):.4f}"
        )
    print("  stated -> true: " + "  ".join(bins(p, y)))
    shorts = Counter(j.headline for j in asked if j.shows)
    said = ", ".join(f"{headline} {n}" for headline, n in shorts.most_common())
    falsely = sum(j.headline is Headline.SHORTED for j in asked if not j.shows)
    print(f"  shorts that show: {said}; others called shorted: {falsely}")


def ece(p: Array, y: Array) -> float:
    """Expected calibration error over ten bins."""
    at = np.minimum((p * 10).astype(int), 9)
    return float(sum(abs(p[at == k].sum() - y[at == k].sum()) for k in range(10)) / len(p))


def perfect(p: Array, seed: int = 9) -> tuple[float, float]:
    """Mean of the error were every probability true, and what 95 % of such draws stay under."""
    rng = np.random.default_rng(seed)
    chance = [ece(p, (rng.random(len(p)) < p).astype(float)) for _ in range(400)]
    return float(np.mean(chance)), float(np.quantile(chance, 0.95))


def log_score(p: Array, y: Array) -> float:
    """Mean log of the probability given to what was true."""
    return float(np.mean([math.log(max(a if t else 1 - a, 1e-6)) for a, t in zip(p, y, strict=True)]))


def bins(p: Array, y: Array) -> list[str]:
    """Mean stated and true share of each bin, with its size."""
    at = np.minimum((p * 10).astype(int), 9)
    masks = [at == k for k in range(10) if (at == k).any()]
    return [f"{p[mask].mean():.2f}->{y[mask].mean():.2f} ({mask.sum()})" for mask in masks]
