"""Readings against what they should be, as evidence: the fold-back test and its single-reading kin.

Every reading becomes a ratio r_i = reading / expectation with standard uncertainty u_i. An outcome's pattern
says which ratios it makes:

    common    one ratio for all: rho anywhere in `range`; p = integral prod_i N(r_i; rho, s_i) drho / width
    single    one of several is off, its ratio anywhere in `range`; the others are at 1
    separate  each has a ratio of its own, anywhere in `range`

s_i^2 = u_i^2 + (scatter r_i)^2: rails of one supply do not follow each other exactly. The integral over a
product of normals is closed: a normal in rho about the weighted mean, times how well the r_i agree. A small
uniform part, the same in each outcome, keeps a reading that fits nothing from deciding anything.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError
from coilbell.isolate.equipment import Outcome, Step
from coilbell.isolate.evidence import Evidence

__all__ = ["RAIL_SCATTER", "Ratio", "common_ratio", "ratio_evidence"]

Array = npt.NDArray[np.float64]

RAIL_SCATTER = 0.05
"""How far rails that fold back together differ, relative: common practice, no published source [1]."""

_ELSEWHERE = 0.01
"""Weight of a uniform part in every outcome, so that no single reading rules one out [1]; assumed."""

_WIDEST = 3.0
"""Ratio up to which that part reaches [1]; assumed."""

_LEAST_RATIO = 0.05
"""Ratio under which scatter no longer shrinks with it: a rail near 0 V has an offset of its own [1];
assumed."""

_TINY = 1e-300
"""Keeps the logarithm of a difference finite where both are equal to rounding [1]; assumed."""

_FITS = 0.7
"""ln of how far above the uniform part the best outcome must be to fit at all: twice it [1]; assumed."""


@dataclass(frozen=True, slots=True)
class Ratio:
    """Reading over expectation. value [1], uncertainty: standard, of both together [1]."""

    value: float
    uncertainty: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.uncertainty) and self.uncertainty > 0):
            raise InputError(f"ratio {self.value:g} with uncertainty {self.uncertainty:g} says nothing")


def ratio_evidence(
    step: Step,
    ratios: Sequence[Ratio],
    words: str,
    *,
    scatter: float = 0.0,
    remarks: tuple[str, ...] = (),
) -> Evidence:
    """Evidence of one or several ratios on a step whose outcomes have patterns.

    scatter: relative standard deviation between ratios that belong together [1]. Raises InputError
    without a ratio, and for a step that asks for no numbers.
    """
    if not ratios:
        raise InputError(f"{step.key}: no reading; give at least one")
    if all(outcome.pattern is None for outcome in step.outcome):
        raise InputError(f"{step.key}: takes no numbers; give one of its outcomes")
    values = np.array([r.value for r in ratios])
    spreads = np.hypot([r.uncertainty for r in ratios], scatter * np.maximum(np.abs(values), _LEAST_RATIO))
    elsewhere = math.log(_ELSEWHERE) - len(ratios) * math.log(_WIDEST)
    logs = [
        float(np.logaddexp(math.log1p(-_ELSEWHERE) + _log_density(o, values, spreads), elsewhere))
        if o.pattern is not None
        else elsewhere
        for o in step.outcome
    ]
    if max(logs) < elsewhere + _FITS:
        remarks = (
            *remarks,
            "the reading fits none of the outcomes well; check it, and what it was held against",
        )
    return Evidence(step.key, tuple(logs), words, "computed", remarks)


def common_ratio(ratios: Sequence[Ratio], scatter: float = RAIL_SCATTER) -> tuple[Ratio, float]:
    """The one ratio that fits best, with its uncertainty, and the probability of a disagreement this large.

    rho = sum w_i r_i / sum w_i, w_i = 1/s_i^2; chi2 = sum w_i (r_i - rho)^2 on n - 1 degrees of freedom.
    Birge's test; R. T. Birge, Phys. Rev. 40 (1932) 207 (from memory).
    """
    from scipy.stats import chi2

    values = np.array([r.value for r in ratios])
    weights = (
        1 / np.hypot([r.uncertainty for r in ratios], scatter * np.maximum(np.abs(values), _LEAST_RATIO)) ** 2
    )
    mean = float(weights @ values / weights.sum())
    square = float(weights @ (values - mean) ** 2)
    tail = float(chi2.sf(square, len(values) - 1)) if len(values) > 1 else 1.0
    return Ratio(mean, float(weights.sum() ** -0.5)), tail


def _log_density(outcome: Outcome, values: Array, spreads: Array) -> float:
    """ln p(ratios | outcome)."""
    assert outcome.range is not None
    low, high = outcome.range
    if outcome.pattern == "common":
        return _log_common(values, spreads, low, high)
    alone = np.array([_log_common(values[[k]], spreads[[k]], low, high) for k in range(len(values))])
    if outcome.pattern == "separate":
        return float(alone.sum())
    at_one = -0.5 * ((values - 1) / spreads) ** 2 - np.log(spreads * math.sqrt(2 * math.pi))
    each = alone - at_one + at_one.sum()
    return float(np.logaddexp.reduce(each)) - math.log(len(values))


def _log_common(values: Array, spreads: Array, low: float, high: float) -> float:
    weights = spreads**-2
    mean = float(weights @ values / weights.sum())
    width = float(weights.sum() ** -0.5)
    agreement = -0.5 * float(weights @ (values - mean) ** 2) - float(np.log(spreads).sum())
    constant = math.log(width) - 0.5 * (len(values) - 1) * math.log(2 * math.pi)
    return (
        agreement
        + constant
        + _log_between((low - mean) / width, (high - mean) / width)
        - math.log(high - low)
    )


def _log_between(low: float, high: float) -> float:
    """ln [Phi(high) - Phi(low)], exact in both tails."""
    if low > 0:
        low, high = -high, -low
    from scipy.special import log_ndtr  # scipy slows the start of commands that need none

    upper, lower = float(log_ndtr(high)), float(log_ndtr(low))
    return upper + math.log1p(-math.exp(min(lower - upper, -_TINY))) if lower < upper else -math.inf
