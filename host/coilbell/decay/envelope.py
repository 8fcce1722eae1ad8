"""The slow equation of an envelope whose loss follows its amplitude, and what a ladder of rings sees of it.

Every ring of one circuit runs down the same curve, from the amplitude its own pulse gave it:

    da/dt = -a (rate + g F(a/V) + k a),    dphase/dt = w (1 + eta a^2),    F(x) = 2 I1(x)/x

rate: the linear loss [1/s]; g: what a junction takes at vanishing amplitude, r I_s/(2 C V) for saturation
current
I_s behind a turns ratio r [1/s]; V = n V_T/r its voltage at the leads [V]; I1 the modified Bessel function
of first
order, the fundamental of a junction's exponential under a sine; k: the core's own hysteresis, which rises
with the
amplitude [1/(s V)]; eta: a capacitance that follows the voltage [1/V^2]. Averaging over a cycle: Krylov and
Bogoliubov (from memory). Valid where little is lost in one cycle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Path", "Slow", "bessel_rise", "trajectory"]

Array = npt.NDArray[np.float64]

_GRID = 400
"""Points in ln a on which a trajectory is laid out."""
_LEAST = 1e-4
"""Smallest amplitude of a trajectory, over its largest; what rings on below falls at the linear rate."""
_HIGHEST = 600.0
"""Largest a/V that is taken, near the range of floats."""


@dataclass(frozen=True, slots=True)
class Slow:
    """The figures of the slow equation; see the module."""

    rate: float
    junction: float = 0.0
    volts: float = 0.1
    core: float = 0.0
    eta: float = 0.0

    def loss(self, amplitude: Array) -> Array:
        """-d ln a/dt at each amplitude [1/s]."""
        out = self.rate + self.core * amplitude
        if self.junction:
            out = out + self.junction * bessel_rise(amplitude / self.volts)
        return np.asarray(out, dtype=np.float64)


def bessel_rise(x: Array) -> Array:
    """F(x) = 2 I1(x)/x, 1 at 0: a junction's conductance under a sine of amplitude x, over that at rest
    [1]."""
    from scipy.special import i1e  # heavy to import, and not needed to look at a fit

    x = np.clip(np.asarray(x, dtype=np.float64), 1e-6, _HIGHEST)
    return np.asarray(2 * i1e(x) * np.exp(x) / x, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """ln a, time and the integral of a^2 along one fall, from the largest amplitude down."""

    log: Array
    times: Array
    turned: Array

    def at(self, start: float, times: Array, slow: Slow) -> tuple[Array, Array]:
        """Envelope and integral of a^2 dt of a ring that starts at that amplitude, at `times` after it."""
        begins = float(np.interp(-np.log(start), -self.log, self.times))
        now = begins + times
        linear = slow.rate + slow.junction
        late = np.maximum(now - self.times[-1], 0.0)
        log = np.interp(now, self.times, self.log) - linear * late
        turned = np.interp(now, self.times, self.turned) - float(np.interp(begins, self.times, self.turned))
        return np.exp(log), turned


def trajectory(slow: Slow, largest: float) -> Path:
    """The fall from the amplitude `largest` [V]; t = integral of d ln a/loss, by Simpson's rule on a fine
    grid."""
    log = np.log(largest) + np.linspace(0.0, np.log(_LEAST), _GRID)
    middle = (log[1:] + log[:-1]) / 2
    step = log[:-1] - log[1:]
    at, between = 1 / slow.loss(np.exp(log)), 1 / slow.loss(np.exp(middle))
    taken = step * (at[:-1] + 4 * between + at[1:]) / 6
    square, half = np.exp(2 * log), np.exp(2 * middle)
    turned = step * (at[:-1] * square[:-1] + 4 * between * half + at[1:] * square[1:]) / 6
    return Path(log, np.append(0.0, np.cumsum(taken)), np.append(0.0, np.cumsum(turned)))
