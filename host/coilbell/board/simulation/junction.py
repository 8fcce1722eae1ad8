"""Propagation with junctions that conduct: the linear part exact, the junctions by step averages.

Over a step h each junction's current is constant and follows from the junction's average voltage:

    x1 = exp(A h) x0 + S i,   v = v_free - Z i,   i = I_s (exp(v/V) - 1),   V = n V_T

with v and v_free averages over the step. This is the midpoint rule made exact for the linear part: the
error is of second order in h, and because h i v is the very energy the step exchanges, Z is positive
semidefinite for every passive network, however fast its resonances. One junction has the closed
solution v = u - V W(exp(ln(a/V) + u/V)), u = v_free + a, a = Z I_s, W(exp(.)) Wright's omega function;
several are solved in turn until they agree, which descends a convex function.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from coilbell.board.simulation.network import Junction, StateSpace
from coilbell.errors import InputError

__all__ = ["THERMAL_VOLTS", "JunctionMarch"]

THERMAL_VOLTS = 1.380649e-23 * 300.15 / 1.602176634e-19
"""k T / e at 27 degrees Celsius [V]."""

_ROUNDS = 200

Array = npt.NDArray[np.float64]


class JunctionMarch:
    """State of a network with junctions, marched from rest.

    longest_step_s: no step is longer [s].
    """

    def __init__(self, system: StateSpace, junctions: Sequence[Junction], longest_step_s: float) -> None:
        from scipy.special import wrightomega

        if np.any(system.d[1:]):
            raise InputError("a junction hangs on a node without capacitance; give the node some")
        self._system = system
        self._longest = longest_step_s
        self._saturations = [j.saturation_amps for j in junctions]
        self._scales = [j.emission * THERMAL_VOLTS for j in junctions]
        self._omega = wrightomega
        self._across = -system.c[1:]
        self._steps: dict[float, _Step] = {}
        self.state: Array = np.zeros(system.a.shape[0])
        self._currents: Array = np.zeros(len(junctions))

    def advance(self, duration_s: float, lead_amps: float) -> None:
        """March `duration_s` with a constant current [A] into the leads."""
        if duration_s <= 0:
            return
        count = max(1, int(np.ceil(duration_s / self._longest - 1e-9)))
        step = self._step(duration_s / count)
        drive = step.lead * lead_amps
        size = self.state.size
        for _ in range(count):
            free = step.free @ self.state
            free += drive
            self._currents = self._solved(free[size:], step)
            self.state = free[:size] + step.driven @ self._currents

    def lead_volts(self, lead_amps: float) -> float:
        """Voltage at the leads now [V]."""
        return float(self._system.c[0] @ self.state + self._system.d[0, 0] * lead_amps)

    def _step(self, step_s: float) -> _Step:
        # Durations that differ by rounding only share their matrices.
        key = float(f"{step_s:.9e}")
        if key not in self._steps:
            self._steps[key] = _Step(self._system, self._across, key)
        return self._steps[key]

    def _solved(self, free_volts: Array, step: _Step) -> Array:
        if len(self._currents) == 1:
            return np.array([self._alone(0, float(free_volts[0]), step)])
        currents = self._currents.copy()
        for _ in range(_ROUNDS):
            before = currents.copy()
            for k in range(currents.size):
                others = step.impedance[k] @ currents - step.impedance[k, k] * currents[k]
                currents[k] = self._alone(k, float(free_volts[k] - others), step)
            change = float(np.max(np.abs(currents - before)))
            if change < 1e-13 + 1e-10 * float(np.max(np.abs(currents))):
                return currents
        raise InputError("junctions could not be solved; use shorter steps")

    def _alone(self, k: int, volts: float, step: _Step) -> float:
        scale, impedance = self._scales[k], step.alone[k]
        offset = impedance * self._saturations[k]
        omega = self._omega(math.log(offset / scale) + (volts + offset) / scale)
        return (scale * float(omega) - offset) / impedance


class _Step:
    """Matrices of one step length; below the state stand the step averages of the junction voltages."""

    def __init__(self, system: StateSpace, across: Array, step_s: float) -> None:
        from scipy.linalg import expm

        size, ports = system.b.shape
        block = np.zeros((size + ports + ports - 1,) * 2)
        block[:size, :size] = system.a * step_s
        block[:size, size : size + ports] = system.b * step_s
        block[size + ports :, :size] = across
        moved = np.asarray(expm(block), dtype=np.float64)
        rows = np.r_[0:size, size + ports : block.shape[0]]
        self.free: Array = moved[rows, :size]
        self.lead: Array = moved[rows, size]
        self.driven: Array = moved[:size, size + 1 : size + ports]
        self.impedance: Array = -moved[size + ports :, size + 1 : size + ports]
        self.alone = [float(z) for z in np.diag(self.impedance)]
