"""What a second state of a winding has that the first has not.

With w the natural frequency, d = 1/Q and C all capacitance at the leads, each state obeys (exactly for a
loss across the winding)

    1/L = w^2 C        G = w C d

so that going from state a to state b adds the conductance G_b - G_a; and with two capacitors, where L and
C_s of each state are known, the capacitance C_b - C_a and the parallel inductance 1/(1/L_b - 1/L_a). With
one capacitor the change of w is given both ways: as capacitance, or as parallel inductance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.decay import Quantity
from coilbell.figure import concise
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.observation import Ring
from coilbell.winding.tank.propagation import ComplexArray, propagate, quantity

__all__ = ["Added", "added_between", "added_words"]

Array = npt.NDArray[np.float64]

_SURE = 2.0
"""Standard uncertainties from which an added element is named [1]; assumed."""

_SMALL = 0.01
"""Share of what was there before below which a change is not worth naming [1]; assumed."""


@dataclass(frozen=True, slots=True)
class Added:
    """What the second state has and the first has not.

    siemens: conductance at each capacitor [S]; farads and per_henry: capacitance [F] and 1/parallel
    inductance [1/H]; both hold at once with two capacitors, each stands for the whole change with one.
    """

    siemens: tuple[Quantity, ...]
    farads: Quantity | None
    per_henry: Quantity | None
    together: bool
    all_farads: float
    """All capacitance at the leads in the first state, with the first capacitor [F]."""
    all_per_henry: float
    """1/L of the first state [1/H]."""


def added_between(pairs: Sequence[tuple[Ring, Ring]], by: Healthy) -> Added:
    """Conductance, capacitance and parallel inductance, by linear propagation.

    Inputs: ln f and ln d of both states at each capacitor, the capacitors' errors, the stray capacitance
    (which with two capacitors each state gives for itself).
    """
    values, covariance = _inputs(pairs, by)
    m = len(pairs)
    nominal = np.array([b.capacitor.farads for _, b in pairs])

    def formula(x: ComplexArray) -> ComplexArray:
        f_a, d_a, f_b, d_b, errors = (x[k * m : (k + 1) * m] for k in range(5))
        test: ComplexArray = nominal * (1 + errors)
        w_a, w_b = (np.asarray(2 * np.pi * np.exp(f), dtype=np.complex128) for f in (f_a, f_b))
        stray_a, stray_b = x[-1], x[-1]
        if m > 1:
            stray_a, stray_b = _stray(w_a, test), _stray(w_b, test)
        all_a, all_b = test + stray_a, test + stray_b
        siemens = w_b * all_b * np.exp(d_b) - w_a * all_a * np.exp(d_a)
        if m > 1:
            farads = stray_b - stray_a
            per_henry = w_b[0] ** 2 * all_b[0] - w_a[0] ** 2 * all_a[0]
        else:
            farads = all_a[0] * ((w_a[0] / w_b[0]) ** 2 - 1)
            per_henry = (w_b[0] ** 2 - w_a[0] ** 2) * all_a[0]
        return np.concatenate([siemens, [farads], [per_henry]])

    value, spread = propagate(formula, values, covariance)
    told = [quantity(float(v), float(s)) for v, s in zip(value, np.diag(spread), strict=True)]
    farads, per_henry = told[m], told[m + 1]
    all_farads = float(nominal[0]) + by.tank.farads
    whole = (all_farads, all_farads * (2 * math.pi * math.exp(pairs[0][0].point[0])) ** 2)
    if m == 1:
        # One change of frequency: the sign says which of the two it can be.
        return Added(
            tuple(told[:m]),
            farads if farads.value > 0 else None,
            per_henry if per_henry.value > 0 else None,
            False,
            *whole,
        )
    return Added(tuple(told[:m]), farads, per_henry, True, *whole)


def _stray(angular: ComplexArray, test: ComplexArray) -> complex:
    slope = (1 / angular[0] ** 2 - 1 / angular[-1] ** 2) / (test[0] - test[-1])
    return complex(1 / (angular[-1] ** 2 * slope) - test[-1])


def _inputs(pairs: Sequence[tuple[Ring, Ring]], by: Healthy) -> tuple[Array, Array]:
    columns = [
        np.array([side.point[row] for side in sides])
        for sides in (tuple(a for a, _ in pairs), tuple(b for _, b in pairs))
        for row in (0, 1)
    ]
    variances = [
        np.array([side.covariance[row, row] for side in sides])
        for sides in (tuple(a for a, _ in pairs), tuple(b for _, b in pairs))
        for row in (0, 1)
    ]
    tolerance = np.array([b.capacitor.tolerance**2 for _, b in pairs])
    stray = by.tank.farads
    values = np.concatenate([*columns, np.zeros(len(pairs)), [stray]])
    spread = np.concatenate([*variances, tolerance, [(0.5 * stray if by.assumed_stray else 0.0) ** 2]])
    return values, np.diag(spread)


def added_words(added: Added) -> list[str]:
    found = []
    conductance = added.siemens[0]
    if abs(conductance.value) > _SURE * conductance.standard_uncertainty and conductance.value > 0:
        found.append(f"added loss like {_inverse(conductance)}ohm across the winding")
    clear = [_clear(added.farads, added.all_farads), _clear(added.per_henry, added.all_per_henry)]
    parts = []
    if added.farads is not None and clear[0]:
        parts.append(
            f"{'added' if added.farads.value > 0 else 'lost'} "
            f"{concise(abs(added.farads.value) * 1e9, added.farads.standard_uncertainty * 1e9)} nF"
        )
    if added.per_henry is not None and clear[1]:
        size = _inverse(added.per_henry)
        parts.append(
            f"{size}H in parallel" if added.per_henry.value > 0 else f"{size}H of parallel inductance lost"
        )
    if parts:
        joint = " and " if added.together else ", or all of it "
        end = "" if added.together else " (one capacitor cannot tell which, were it a change of both)"
        found.append(joint.join(parts) + end)
    return found


def _clear(change: Quantity | None, whole: float) -> bool:
    """True when a change is neither chance nor too small to speak of."""
    return change is not None and abs(change.value) > max(_SURE * change.standard_uncertainty, _SMALL * whole)


def _inverse(one: Quantity) -> str:
    """1/|x| with its standard uncertainty and the prefix of its unit, "4.71(12) k"."""
    value = 1 / abs(one.value)
    spread = value * one.standard_uncertainty / abs(one.value)
    for size, letter in ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n")):
        if value >= size:
            return f"{concise(value / size, spread / size)} {letter}"
    return f"{concise(value, spread)} "
