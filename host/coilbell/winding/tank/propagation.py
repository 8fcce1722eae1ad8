"""Uncertainty carried through formulae: linear propagation with correlations.

For y = f(x) with the covariance V_x of the inputs,

    V_y = J V_x J',    J = df/dx

which is the law of propagation of uncertainty (JCGM 100:2008, the GUM, 5.2.2; several outputs: JCGM
102:2011, 6.2). The derivatives are exact to rounding by a complex step: df/dx = Im f(x + j h)/h for an
analytic f and a tiny h (Squire & Trapp 1998, doi:10.1137/S003614459631241X), so f must be written
without absolute values or comparisons of its inputs.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from coilbell.decay import Quantity

__all__ = ["Z95", "jacobian", "propagate", "quantity"]

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
Formula = Callable[[ComplexArray], ComplexArray]

Z95 = 1.959963984540054
"""Normal quantile of a two-sided 95 % interval [1]; computed."""

_STEP = 1e-30
"""Relative imaginary step [1]: far below rounding, far above underflow; assumed."""


def jacobian(formula: Formula, values: Array) -> Array:
    """(m, n) derivatives of an analytic formula, (n,) -> (m,), at `values` (n,)."""
    columns = []
    for k, value in enumerate(values):
        step = _STEP * (abs(value) or 1.0)
        shifted = values.astype(np.complex128)
        shifted[k] += 1j * step
        columns.append(formula(shifted).imag / step)
    return np.stack(columns, axis=1)


def propagate(formula: Formula, values: Array, covariance: Array) -> tuple[Array, Array]:
    """Value (m,) and covariance (m, m) of formula(x), x of `values` (n,) and `covariance` (n, n)."""
    value = formula(values.astype(np.complex128)).real
    slopes = jacobian(formula, values)
    return value, np.asarray(slopes @ covariance @ slopes.T, dtype=np.float64)


def quantity(value: float, variance: float) -> Quantity:
    """A figure with the normal 95 % interval that its variance gives."""
    spread = math.sqrt(variance) if variance > 0 else 0.0
    return Quantity(float(value), spread, float(value - Z95 * spread), float(value + Z95 * spread))
