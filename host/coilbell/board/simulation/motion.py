"""Exact propagation of a linear network, and its natural modes.

Between samples the state moves by the matrix exponential, x(t + h) = exp(A h) x(t), so the sampled
voltage is exact to rounding whatever the step. The natural modes are the eigenvalues of A: a pair
l = -a +- i w is a ring of damped frequency w/(2 pi), decay rate a and quality factor |l|/(2 a).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.board.simulation.network import StateSpace

__all__ = ["TrueMode", "advanced", "after_pulse", "augmented", "modes", "sweep"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TrueMode:
    """One natural mode as the leads show it.

    After a pulse of charge q that ends at t = 0 the lead voltage is the sum over modes of
    q Re(residue exp((-a + 2 pi i f) t)).
    """

    frequency_hz: float
    """Damped frequency [Hz]; 0 for a relaxation, which does not ring."""
    decay_per_s: float
    """Decay rate a [1/s]."""
    q: float
    """w0/(2 a) from the natural frequency w0 [1]; 0 for a relaxation."""
    residue: complex
    """[V/C]."""

    @property
    def natural_frequency_hz(self) -> float:
        """w0/(2 pi) [Hz], w0^2 = (2 pi f)^2 + a^2."""
        return math.hypot(2 * math.pi * self.frequency_hz, self.decay_per_s) / (2 * math.pi)


def modes(system: StateSpace, pulse_s: float = 0.0, visible: float = 1e-6) -> tuple[TrueMode, ...]:
    """Modes with at least `visible` of the largest amplitude; rings first, by energy |residue|^2/a.

    pulse_s: width of the constant current that strikes the charge; 0 is an impulse [s]. A mode l takes
    the share (exp(l T) - 1)/(l T) of a pulse of width T.
    """
    values, right = np.linalg.eig(system.a)
    left = np.linalg.inv(right)
    residues = (system.c[0] @ right) * (left @ system.b[:, 0])
    if pulse_s > 0:
        residues = residues * np.expm1(values * pulse_s) / (values * pulse_s)
    found = [
        _mode(value, residue) for value, residue in zip(values, residues, strict=True) if value.imag >= 0
    ]
    floor = visible * max(abs(mode.residue) for mode in found)
    shown = [mode for mode in found if abs(mode.residue) >= floor]
    return tuple(sorted(shown, key=_rank))


def _rank(mode: TrueMode) -> tuple[bool, float]:
    return mode.frequency_hz == 0, -(abs(mode.residue) ** 2) / mode.decay_per_s


def _mode(value: complex, residue: complex) -> TrueMode:
    decay = -float(value.real)
    if value.imag == 0:
        return TrueMode(0.0, decay, 0.0, complex(residue))
    # The conjugate partner doubles the real part.
    return TrueMode(
        float(value.imag) / (2 * math.pi), decay, float(abs(value)) / (2 * decay), 2 * complex(residue)
    )


def sweep(a: Array, start: Array, step_s: float, n: int) -> Array:
    """States (n, size) at 0, h, 2 h, ... from `start`, by repeated doubling of the propagator."""
    from scipy.linalg import expm

    states = np.empty((n, start.size))
    if n == 0:
        return states
    states[0] = start
    done, power = 1, np.asarray(expm(a * step_s), dtype=np.float64)
    while done < n:
        take = min(done, n - done)
        states[done : done + take] = states[:take] @ power.T
        done += take
        if done < n:
            power = power @ power
    return states


def after_pulse(system: StateSpace, amps: float, duration_s: float) -> Array:
    """State after a constant current [A] has flowed into the leads for `duration_s` from rest."""
    from scipy.linalg import expm

    size = system.a.shape[0]
    held = augmented(system, amps)
    return np.asarray(expm(held * duration_s)[:size, size], dtype=np.float64)


def augmented(system: StateSpace, amps: float) -> Array:
    """A with the constant lead current as one more state, equal to 1."""
    size = system.a.shape[0]
    held = np.zeros((size + 1, size + 1))
    held[:size, :size] = system.a
    held[:size, size] = system.b[:, 0] * amps
    return held


def advanced(system: StateSpace, state: Array, duration_s: float) -> Array:
    """State after running free for `duration_s`."""
    from scipy.linalg import expm

    return np.asarray(expm(system.a * duration_s) @ state, dtype=np.float64)
