"""How far good units of a part stray, learned from units elsewhere; the kind's stated spreads are the prior.

For part p with units i, in ln f, ln 1/Q and the ratio of the frequencies with two capacitors, in units of
the kind's stated standard deviation:

    z_i  ~  (1 - e) N(mu, r^2) + e N(mu, r^2 + K^2)        e: part of good units that are mislabelled
    ln r_p  ~  N(ln t, h^2)                                 parts of one kind stray nearly alike
    ln t    ~  t_3(m, a^2/3)                                m, a: so that a part of which nothing is known has
                                                            the stated spread, worth the stated units

where the tails of t_3 allow for a statement that is simply wrong. (Gelman et al., Bayesian Data Analysis,
chapter 5; contamination: Tukey 1960, both from memory.) Everything is integrated on a grid of ln r: a part
is a curve over it, which is made once and kept, so that a judgement adds up curves. What is learned of a
part comes back as a scaled inverse chi-square, its times the stated spread and the units it is worth; the
reference's own units then update it in closed form (`healthy`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from coilbell.winding.odds.faultfile import value
from coilbell.winding.odds.kind import Kind

__all__ = ["FIGURES", "GRID", "PartCurve", "Spreads", "curve_of", "learned", "neutral"]

Array = npt.NDArray[np.float64]

FIGURES = ("frequency", "loss", "stray")
"""What is learned: spreads of ln f, of ln 1/Q, and of the stray capacitance by the ratio of two
frequencies."""

_NARROWEST, _WIDEST = 1 / 3, 6.0
"""Times the stated spread that units may have: narrower ones are taken for one unit rung anew, which would
make the odds surer than any part allows; wider ones for different parts [1] (assumed)."""

_POINTS = 37
"""Points of the grid of ln r: 8 % apart, a third of what twenty units tell of a spread; assumed."""

GRID: Array = np.linspace(math.log(_NARROWEST), math.log(_WIDEST), _POINTS)
GRID.setflags(write=False)

_CENTRES: Array = np.concatenate([-np.geomspace(24, 0.1, 24), [0.0], np.geomspace(0.1, 24, 24)])
"""Where the centre of a part's units may lie about their median, in stated spreads [1]; assumed."""


@dataclass(frozen=True, slots=True)
class Spreads:
    """What was learned of a part's spreads before its own reference is looked at.

    frequency, loss, stray: times the standard deviations that the kind states [1]; weight: units these are
    worth; part_units, kind_units, kind_parts: good units behind them, of this part in other places and of
    other parts of its kind; assumed_weight: units that the statement itself is worth.
    """

    frequency: float
    loss: float
    stray: float
    weight: float
    part_units: int
    kind_units: int
    kind_parts: int
    assumed_weight: float

    def __post_init__(self) -> None:
        low, high = _NARROWEST / _SLACK, _WIDEST * _SLACK
        if not all(low <= getattr(self, name) <= high for name in FIGURES):
            raise ValueError(f"spreads lie between {low:.2g} and {high:.2g} times the stated ones")
        if not (_LEAST <= self.weight <= _MOST and _LEAST <= self.assumed_weight <= _MOST):
            raise ValueError(f"spreads are worth {_LEAST:g} to {_MOST:g} units")
        if min(self.part_units, self.kind_units, self.kind_parts) < 0:
            raise ValueError("units behind a spread are counted from 0")

    @property
    def assumed_share(self) -> float:
        """Part of `weight` that is the statement's, by the units that tell of a spread beside it [0..1]."""
        telling = self.part_units + max(self.kind_units - self.kind_parts, 0)
        return self.assumed_weight / (self.assumed_weight + telling)


_SLACK = 2.0
"""How far the mean of a heavy tail may lie beyond the grid [1]; assumed."""

_LEAST, _MOST = 2.5, 1e4
"""Units that spreads may be worth: a variance needs more than two (the t distribution's), and no bench has
more than ten thousand good units [1]; assumed."""


@dataclass(frozen=True, slots=True, eq=False)
class PartCurve:
    """What one part's good units tell: log likelihood (3, points of `GRID`), over `FIGURES`; units: how
    many."""

    part: str
    units: int
    log_likelihood: Array


def neutral(kind: Kind) -> Spreads:
    """The kind's statement itself."""
    return Spreads(1.0, 1.0, 1.0, kind.spread.weight, 0, 0, 0, kind.spread.weight)


def curve_of(part: str, points: Array, stated: Array) -> PartCurve:
    """The curve of a part's units.

    points: (n, 3) ln f, ln 1/Q and ln of the ratio of frequencies, nan where it is not known; stated: (3,)
    standard deviations that the kind states for them.
    """
    rows = [_curve(points[:, k] / stated[k]) for k in range(len(FIGURES))]
    return PartCurve(part, len(points), np.array(rows))


def _curve(z: Array) -> Array:
    """log of the integral over the centre of the product over the units, at each r of the grid."""
    z = z[np.isfinite(z)]
    if z.size < 2:  # one unit tells nothing of a spread
        return np.zeros(GRID.size)
    z = z - np.median(z)
    mislabelled, reach = value("units.mislabelled"), value("units.mislabelled_reach")
    r = np.exp(GRID)[:, None, None]
    away = (z - _CENTRES[:, None])[None] ** 2
    wide = r**2 + reach**2
    good = math.log1p(-mislabelled) - np.log(r) - away / r**2 / 2
    bad = math.log(mislabelled) - np.log(wide) / 2 - away / wide / 2
    each = np.logaddexp(good, bad).sum(axis=2)
    width = np.gradient(_CENTRES)
    found = np.logaddexp.reduce(each + np.log(width), axis=1)
    return np.asarray(found - found.max(), dtype=np.float64)


def learned(kind: Kind, own: Sequence[PartCurve], others: Sequence[PartCurve]) -> Spreads:
    """What is to be expected of a part.

    own: its units in other places than the reference that is judged by, others: further parts of its kind.
    Nobody's units may stand in two curves, nor in the reference.
    """
    units = sum(c.units for c in own), sum(c.units for c in others)
    if not any(units):
        return neutral(kind)
    weight = kind.spread.weight
    curves = np.array([c.log_likelihood for c in others]).reshape(-1, len(FIGURES), GRID.size)
    further = np.sum([c.log_likelihood for c in own], axis=0) if own else np.zeros((len(FIGURES), GRID.size))
    found = [_expected(curves[:, k], further[k], weight) for k in range(len(FIGURES))]
    (frequency, _), (loss, _), (stray, _) = found
    worth = min(freedom for _, freedom in found[:2])  # f and Q decide; a stray capacitance is seldom known
    return Spreads(frequency, loss, stray, worth, units[0], units[1], len(others), weight)


def _expected(others: Array, further: Array, weight: float) -> tuple[float, float]:
    """Times the stated spread, and the units it is worth, of one figure of a part."""
    from scipy.special import digamma  # scipy slows the start of commands that need none

    logs, likelihood = [], np.exp(others)
    for of_kind, given in _priors(weight):
        kind = of_kind + np.log(likelihood @ np.exp(given).T).sum(axis=0)
        logs.append(np.logaddexp.reduce(kind[:, None] + given, axis=0))
    part = np.logaddexp.reduce(logs, axis=0) + further
    chance = np.exp(part - np.logaddexp.reduce(part))
    mean = float(chance @ (2 * GRID))
    variance = float(chance @ (2 * GRID - mean) ** 2)
    freedom = _freedom(variance)
    scale = mean - math.log(freedom / 2) + float(digamma(freedom / 2))  # ln of the inverse chi-square's scale
    return math.sqrt(math.exp(scale) * freedom / (freedom - 2)), freedom


def _freedom(variance: float) -> float:
    """v of the scaled inverse chi-square whose logarithm has this variance, trigamma(v/2)."""

    from scipy.optimize import brentq  # likewise
    from scipy.special import polygamma

    def beyond(v: float) -> float:
        return float(polygamma(1, v / 2)) - variance

    if beyond(_LEAST) <= 0:
        return _LEAST
    return _MOST if beyond(_MOST) >= 0 else float(brentq(beyond, _LEAST, _MOST))


_WITHIN = (0.3, 0.6, 0.9)
"""How much of the variance of ln r may be that of parts within their kind, each as likely [1]; assumed."""

_TAILS = 3.0
"""Degrees of freedom of a kind's own deviation from its statement: the fewest with a variance [1];
assumed."""


def _normed(logs: Array) -> Array:
    """The same with the sum of its exponentials 1 along the last axis."""
    return np.asarray(logs - np.logaddexp.reduce(logs, axis=-1)[..., None], dtype=np.float64)


@lru_cache(maxsize=8)
def _priors(weight: float) -> tuple[tuple[Array, Array], ...]:
    """For each share within a kind: log density of ln t, and of ln r (columns) given ln t, on the grid."""
    from scipy.special import digamma, polygamma  # likewise

    total = float(polygamma(1, weight / 2)) / 4  # variance of ln r by the statement alone
    mean = (math.log(weight / 2 - 1) - float(digamma(weight / 2))) / 2
    found = []
    for within in _WITHIN:
        between = total * (1 - within) * (_TAILS - 2) / _TAILS
        of_kind = -(_TAILS + 1) / 2 * np.log1p((GRID - mean) ** 2 / _TAILS / between)
        given = -((GRID[None] - GRID[:, None]) ** 2) / (2 * within * total)
        found.append((_normed(of_kind), _normed(given)))
    return tuple(found)
