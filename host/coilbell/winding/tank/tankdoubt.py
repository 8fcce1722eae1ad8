"""Reasons to distrust the figures of a tank, by one test capacitor or several."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from coilbell.decay import Quantity
from coilbell.winding.tank.freering import FreeRing

__all__ = [
    "CONTRADICTIONS",
    "ODD_LOSSES",
    "REAL_SLOPES",
    "TankDoubt",
    "TankDoubtKind",
    "doubts_of_one",
    "doubts_of_several",
]

SURE = 2.0
"""Standard uncertainties beyond which an impossible value is held against the model [1]; assumed."""

_SPLIT_MATTERS = 0.01
"""Relative error of L, from not knowing where the loss sits, that is worth a doubt [1]; assumed."""

_MISFIT = 0.01
"""Probability of a chi-square as large as found, below which the captures are said to disagree [0..1];
assumed."""


class TankDoubtKind(StrEnum):
    """Reasons to distrust what a tank's figures say."""

    STRAY_UNKNOWN = "stray capacitance unknown"
    LOSS_PLACE_UNKNOWN = "place of the loss unknown"
    LOADING_TAKES_ALL = "tester loading takes all the loss"
    RESISTANCE_TAKES_ALL = "direct resistance takes all the loss"
    NEGATIVE_STRAY = "negative stray capacitance"
    NEGATIVE_SERIES = "negative series resistance"
    NEGATIVE_SHUNT = "negative shunt conductance"
    MODEL_MISFIT = "captures disagree with one winding"
    CAPACITORS_CLOSE = "test capacitors hardly differ"


CONTRADICTIONS = frozenset(
    {
        TankDoubtKind.NEGATIVE_STRAY,
        TankDoubtKind.MODEL_MISFIT,
    }
)
"""Those by which no figure of a single winding stands."""

ODD_LOSSES = frozenset({TankDoubtKind.NEGATIVE_SERIES, TankDoubtKind.NEGATIVE_SHUNT})
"""A loss that follows no plain tank's law: real cores do it, so that it is a doubt within `REAL_SLOPES`."""

REAL_SLOPES = (-2.5, 0.5)
"""d ln G/d ln w of windings that were measured, or computed on measured cores [1] (published: 34 coils of
thin wire -1.67 to -1.25, ferrite of high permeability above +0.1; a margin beyond both)."""


@dataclass(frozen=True, slots=True)
class TankDoubt:
    """One reason, with the figure that raised it."""

    kind: TankDoubtKind
    detail: str
    """One sentence with figures."""
    statistic: float
    threshold: float


def doubts_of_one(
    ring: FreeRing,
    figures: Mapping[str, Quantity],
    stray: tuple[float, float] | None,
    direct: tuple[float, float] | None,
) -> list[TankDoubt]:
    """Of the figures that `tank.tank_of_one` names, from a stray capacitance and resistance given or not."""
    found = []
    if stray is None:
        found.append(
            TankDoubt(
                TankDoubtKind.STRAY_UNKNOWN,
                "the winding's stray capacitance is left out, so its inductance is too large by its share "
                "of all capacitance; ring it with a second test capacitor",
                math.nan,
                math.nan,
            )
        )
    split = 1 / (4 * ring.q**2)
    if split > _SPLIT_MATTERS:
        found.append(
            TankDoubt(
                TankDoubtKind.LOSS_PLACE_UNKNOWN,
                f"at Q {ring.q:.2f} the inductance depends on where the loss sits, "
                f"by up to {100 * split:.1f} %",
                split,
                _SPLIT_MATTERS,
            )
        )
    loss = figures["loss_siemens"]
    if loss.value < SURE * loss.standard_uncertainty or loss.value <= 0:
        found.append(
            TankDoubt(
                TankDoubtKind.LOADING_TAKES_ALL,
                f"the tester's own loading leaves a loss of {loss.value * 1e6:.3g} uS "
                f"+- {loss.standard_uncertainty * 1e6:.2g} uS, not sure to be above 0; calibrate the tester",
                _ratio(loss),
                SURE,
            )
        )
    rest = figures["other_siemens"]
    if direct is not None and rest.value < -SURE * rest.standard_uncertainty:
        found.append(
            TankDoubt(
                TankDoubtKind.RESISTANCE_TAKES_ALL,
                f"the direct resistance {direct[0]:.3g} ohm alone would lose more than the ring does; "
                "check what the meter's leads add",
                _ratio(rest),
                -SURE,
            )
        )
    return found


def _ratio(figure: Quantity) -> float:
    if figure.standard_uncertainty > 0:
        return figure.value / figure.standard_uncertainty
    return math.copysign(math.inf, figure.value) if figure.value else 0.0


_SIGNS = (
    (
        1,
        TankDoubtKind.NEGATIVE_STRAY,
        1e9,
        "nF",
        "is impossible; a test capacitor is not what it says, or the core changes",
    ),
    (
        2,
        TankDoubtKind.NEGATIVE_SERIES,
        1.0,
        "ohm",
        "is no resistance; the decay rises faster with frequency than a plain core makes it: real ones do",
    ),
    (
        3,
        TankDoubtKind.NEGATIVE_SHUNT,
        1e6,
        "uS",
        "is no conductance; the decay falls as the frequency rises: thin wire does that, or a core",
    ),
)
"""Which figure, its doubt, factor and unit in which it is told, and why it cannot be; computed."""


def doubts_of_several(figures: Sequence[Quantity], chi_square: float, freedom: int) -> list[TankDoubt]:
    """Of inductance, stray capacitance, series resistance and shunt conductance, and of how they fit."""
    found = []
    for row, kind, factor, unit, reason in _SIGNS:
        figure = figures[row]
        if figure.value < -SURE * figure.standard_uncertainty:
            spread = figure.standard_uncertainty
            found.append(
                TankDoubt(
                    kind,
                    f"{figure.value * factor:.3g} +- {spread * factor:.2g} {unit} {reason}",
                    figure.value / spread if spread > 0 else -math.inf,
                    -SURE,
                )
            )
    stray = figures[1]
    if stray.standard_uncertainty > abs(stray.value):
        found.append(
            TankDoubt(
                TankDoubtKind.CAPACITORS_CLOSE,
                f"the stray capacitance {stray.value * 1e9:.3g} +- {stray.standard_uncertainty * 1e9:.2g} nF "
                "is not known from these capacitors; use a smaller second one",
                stray.standard_uncertainty / max(abs(stray.value), 1e-18),
                1.0,
            )
        )
    if freedom > 0:
        found += _misfit(chi_square, freedom)
    return found


def _misfit(chi_square: float, freedom: int) -> list[TankDoubt]:
    from scipy.special import gammaincc  # scipy slows the start of commands that need none

    probability = float(gammaincc(freedom / 2, chi_square / 2))
    if probability >= _MISFIT:
        return []
    return [
        TankDoubt(
            TankDoubtKind.MODEL_MISFIT,
            f"one winding does not explain all captures: chi-square {chi_square:.3g} on {freedom}, "
            f"probability {probability:.1g}; the loss follows no tank's law, or the winding changed",
            chi_square,
            probability,
        )
    ]
