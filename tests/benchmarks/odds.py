"""Is what is called 70 % probable true in 70 % of cases? Beside simpler scores."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator, Sequence

import numpy as np

from benchmarks.verdicts import Row, rows, tuned_parts
from coilbell.board.simulation import catalogue
from coilbell.winding.odds.faultfile import value

__all__ = ["calibration"]


def calibration(options: argparse.Namespace) -> None:
    """Requirement 2: expected calibration error and Brier score beside simpler scores."""
    found = list(rows(options, 3, shorted=True, healthy_units=30))
    rng = np.random.default_rng((options.seed, 77))
    for title, others in (
        ("whole parts are loaded, detuned or with capacitance as often as faults.toml says", True),
        ("healthy against shorted only", False),
    ):
        print(f"\n## 2. Calibration of a short that would show, {title}")
        chosen = _mixed(found, others, rng)
        _scores(chosen)
        for words, tuned in (("kinds tuned on", True), ("other kinds", False)):
            half = [r for r in chosen if (r.part in tuned_parts()) is tuned]
            print(f"ECE on {words}: " + _ece_words(half))
    hidden = [r for r in found if r.shorted and r.moved < 1]
    p = np.array([r.probability for r in hidden])
    print(
        f"\nshorts that move nothing (below one spread): {len(p)}; probability median {np.median(p):.2f}, "
        f"5 % {np.quantile(p, 0.05):.2f}, 95 % {np.quantile(p, 0.95):.2f}"
    )


_OTHERS = {
    "load": ("loaded", "loaded-heavily"),
    "core": ("gap-halved", "core-cracked"),
    "capacitance": ("capacitance-added",),
}
"""Cause of faults.toml -> states of the catalogue."""


def _mixed(found: Sequence[Row], others: bool, rng: np.random.Generator) -> list[Row]:
    """For each part as many shorted as not, as the stated prior has it; the latter in the stated shares."""
    chosen: list[Row] = []
    for name in catalogue.names():
        pools = {"shorted": [r for r in found if r.part == name and r.shorted]}
        pools["nothing"] = [r for r in found if r.part == name and r.state == "healthy"]
        for cause, states in _OTHERS.items():
            pools[cause] = [r for r in found if others and r.part == name and r.state in states]
        shares = {cause: float(value(f"causes.{cause}")) for cause in ("nothing", *_OTHERS) if pools[cause]}
        whole = sum(shares.values())
        n = min(len(pools["shorted"]), int(len(pools["nothing"]) * whole / shares["nothing"]))
        sizes = {"shorted": n} | {cause: round(n * share / whole) for cause, share in shares.items()}
        for group, size in sizes.items():
            pool = pools[group]
            chosen += [pool[k] for k in rng.choice(len(pool), size, replace=size > len(pool))]
    return chosen


def _shows(row: Row) -> bool:
    """The truth that is asked for: a short that moves f or Q by more than three spreads of units."""
    return row.shorted and row.moved > 3


def _scores(chosen: Sequence[Row]) -> None:
    from sklearn.linear_model import LogisticRegression

    y = np.array([_shows(r) for r in chosen], dtype=float)
    order = np.random.default_rng(5).permutation(len(y))
    learn, test = order[: len(y) // 2], order[len(y) // 2 :]
    print(
        f"{len(y)} parts, {y.mean():.2f} with a short that would show; the others learn on one half, all are "
        "scored on the other"
    )
    print(f"{'':34}{'Brier':>8}{'ECE':>8}")
    stated = np.array([r.probability for r in chosen])
    print(f"{'this judgement':34}{np.mean((stated - y)[test] ** 2):8.4f}{_ece(stated[test], y[test]):8.4f}")
    features = {
        "count, best threshold": np.array([[r.count] for r in chosen]),
        "ring count, logistic": np.array([[math.log(r.count + 1)] for r in chosen]),
        "Q over the reference's, logistic": np.array([[r.q[1]] for r in chosen]),
        "f and Q, logistic": np.array([[r.frequency[0], r.q[0]] for r in chosen]),
        "f and Q over the reference's": np.array([[r.frequency[1], r.q[1]] for r in chosen]),
    }
    for name, x in features.items():
        if name.startswith("count"):
            cuts = np.quantile(x[learn, 0], np.linspace(0, 1, 200))
            cut = max(cuts, key=lambda c: np.mean((x[learn, 0] < c) == y[learn]))
            p = (x[:, 0] < cut).astype(float)
            name = f"{name} ({cut:.0f} rings)"
        else:
            p = LogisticRegression().fit(x[learn], y[learn]).predict_proba(x)[:, 1]
        print(f"{name:34}{np.mean((p[test] - y[test]) ** 2):8.4f}{_ece(p[test], y[test]):8.4f}")
    print("stated 0.0-0.1 ...: " + "  ".join(_bins(stated, y)))
    print("ECE over all: " + _ece_words(chosen))


def _ece_words(chosen: Sequence[Row]) -> str:
    """The error, and what chance alone makes of it when every stated probability is true."""
    p, y = np.array([r.probability for r in chosen]), np.array([_shows(r) for r in chosen], dtype=float)
    rng = np.random.default_rng(9)
    chance = np.mean([_ece(p, (rng.random(len(p)) < p).astype(float)) for _ in range(200)])
    return f"{_ece(p, y):.4f} of {len(p)} (were every probability true, chance would make it {chance:.4f})"


def _ece(p: np.ndarray, y: np.ndarray) -> float:
    bins = np.minimum((p * 10).astype(int), 9)
    return float(sum(abs(p[bins == k].sum() - y[bins == k].sum()) for k in range(10)) / len(p))


def _bins(p: np.ndarray, y: np.ndarray) -> Iterator[str]:
    bins = np.minimum((p * 10).astype(int), 9)
    for k in range(10):
        if (bins == k).any():
            yield f"{p[bins == k].mean():.2f}->{y[bins == k].mean():.2f} ({(bins == k).sum()})"
