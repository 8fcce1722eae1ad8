"""A ring's frequency and decay rate with their uncertainty, from a fit or from plain numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.decay import Fit, Mode
from coilbell.errors import InputError
from coilbell.winding.tank.propagation import ComplexArray, propagate

__all__ = ["FreeRing"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class FreeRing:
    """A ring's damped angular frequency and decay rate, with their (2, 2) covariance."""

    angular_per_s: float
    decay_per_s: float
    covariance: Array

    def __post_init__(self) -> None:
        for name in ("angular_per_s", "decay_per_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise InputError(f"ring {name} {value!r}; give a number above 0")
        matrix = np.array(self.covariance, dtype=np.float64)
        if matrix.shape != (2, 2) or not np.isfinite(matrix).all() or (np.diag(matrix) < 0).any():
            raise InputError("a ring's covariance must be 2 x 2 and finite; give both uncertainties")
        matrix.setflags(write=False)
        object.__setattr__(self, "covariance", matrix)

    @classmethod
    def from_q(
        cls,
        frequency_hz: float,
        q: float,
        frequency_uncertainty_hz: float = 0.0,
        q_uncertainty: float = 0.0,
        correlation: float = 0.0,
    ) -> FreeRing:
        """From the damped frequency [Hz] and Q = w0/(2 a), their standard uncertainties and correlation.

        a = w_d / sqrt(4 Q^2 - 1); raises InputError for a Q of 0.5 or less, which does not ring.
        """
        if not (math.isfinite(q) and q > 0.5):
            raise InputError(f"Q {q!r} does not ring; give a Q above 0.5")
        if not (math.isfinite(frequency_hz) and frequency_hz > 0):
            raise InputError(f"ring frequency {frequency_hz!r} Hz; give a number above 0")
        if not abs(correlation) <= 1:
            raise InputError(f"correlation {correlation!r} of f and Q; give a number from -1 to 1")

        def rates(x: ComplexArray) -> ComplexArray:
            angular = 2 * math.pi * x[0]
            return np.stack([angular, angular / np.sqrt(4 * x[1] ** 2 - 1)])

        cross = correlation * frequency_uncertainty_hz * q_uncertainty
        given = np.array([[frequency_uncertainty_hz**2, cross], [cross, q_uncertainty**2]])
        value, covariance = propagate(rates, np.array([frequency_hz, q]), given)
        return cls(float(value[0]), float(value[1]), covariance)

    @classmethod
    def from_natural(
        cls, natural_hz: float, q: float, frequency_uncertainty: float = 0.0, q_uncertainty: float = 0.0
    ) -> FreeRing:
        """From w0/(2 pi) [Hz] and Q = w0/(2 a) with their relative standard uncertainties."""
        damped = natural_hz * math.sqrt(1 - 0.25 / q**2)
        return cls.from_q(damped, q, damped * frequency_uncertainty, q * q_uncertainty)

    @classmethod
    def from_mode(cls, mode: Mode, correlation: float = 0.0) -> FreeRing:
        """From a fitted mode; `correlation` of its frequency and decay rate, 0 where unknown."""
        spread = np.array(
            [2 * math.pi * mode.frequency_hz.standard_uncertainty, mode.decay_per_s.standard_uncertainty]
        )
        matrix = np.outer(spread, spread) * np.array([[1.0, correlation], [correlation, 1.0]])
        return cls(2 * math.pi * mode.frequency_hz.value, mode.decay_per_s.value, matrix)

    @classmethod
    def from_fit(cls, fit: Fit) -> FreeRing:
        """The main mode of a fit with the correlation from its covariance.

        Raises LookupError when nothing rings.
        """
        return cls.from_mode(fit.main, _correlation(fit))

    @property
    def natural_per_s(self) -> float:
        """w0, w0^2 = w_d^2 + a^2 [1/s]."""
        return math.hypot(self.angular_per_s, self.decay_per_s)

    @property
    def q(self) -> float:
        """w0/(2 a) [1]."""
        return self.natural_per_s / (2 * self.decay_per_s)


def _correlation(fit: Fit) -> float:
    """Correlation of frequency and decay rate of the main mode, found by its two uncertainties."""
    sought = (
        2 * math.pi * fit.main.frequency_hz.standard_uncertainty,
        fit.main.decay_per_s.standard_uncertainty,
    )
    best, found = math.inf, 0.0
    for row, name in enumerate(fit.parameters):
        if not name.startswith("decay_per_s["):
            continue
        column = fit.parameters.index(name.replace("decay", "angular"))
        decay, angular = math.sqrt(fit.covariance[row, row]), math.sqrt(fit.covariance[column, column])
        distance = abs(decay - sought[1]) / sought[1] + abs(angular - sought[0]) / sought[0]
        if distance < best:
            best, found = distance, float(fit.covariance[row, column] / (decay * angular))
    return found
