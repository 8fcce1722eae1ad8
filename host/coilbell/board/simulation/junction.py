"""Propagation with junctions that conduct: the linear part exact, the junctions by step averages.

Over a step h each junction's current is constant and follows from the junction's average voltage:

    x1 = exp(A h) x0 + S i,   v = v_free - Z i,   i = I_s (exp(v/V) - 1),   V = n V_T

with v and v_free averages over the step. This is the midpoint rule made exact for the linear part: the
error is of second order in h, and because h i v is the very energy the step exchanges, Z is positive
semidefinite for every passive network, however fast its resonances. So v + Z i(v) is monotone and has
one solution; Newton's method finds it from the step before. Several runs of one circuit march together.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from coilbell.board.simulation.network import Junction, StateSpace
from coilbell.errors import InputError

__all__ = ["THERMAL_VOLTS", "JunctionMarch"]

THERMAL_VOLTS = 1.380649e-23 * 300.15 / 1.602176634e-19
"""k T / e at 27 degrees Celsius [V]."""

_ROUNDS = 200
_SETTLED = 3e-5
"""Change of a junction's voltage, in its own n V_T, at which Newton's method ends [1]: what is left of it
then is
its square."""
_STRIDE = 4.0
"""Longest step of a junction's voltage upwards in one round, in its own n V_T [1]: an exponential
overshoots."""

Array = npt.NDArray[np.float64]


class JunctionMarch:
    """State of a network with junctions, marched from rest.

    longest_step_s: no step is longer [s]; runs: how many march together, each with its own lead current.
    state: (size, runs), its columns the runs.
    """

    def __init__(
        self, system: StateSpace, junctions: Sequence[Junction], longest_step_s: float, runs: int = 1
    ) -> None:
        if np.any(system.d[1:]):
            raise InputError("a junction hangs on a node without capacitance; give the node some")
        self._system = system
        self._longest = longest_step_s
        self._saturations = np.array([j.saturation_amps for j in junctions])[:, None]
        self._scales = np.array([j.emission * THERMAL_VOLTS for j in junctions])[:, None]
        self._across = -system.c[1:]
        self._steps: dict[float, _Step] = {}
        self.state: Array = np.zeros((system.a.shape[0], runs))
        self._volts: Array = np.zeros((len(junctions), runs))
        self._least, self._most, self._middle = self._volts, self._volts, self._volts
        self._before = self._volts

    def advance(self, duration_s: float, lead_amps: float | Array) -> None:
        """March `duration_s` with constant currents [A] into the leads, one for all runs or (runs,)."""
        if duration_s <= 0:
            return
        count = max(1, int(np.ceil(duration_s / self._longest - 1e-9)))
        step = self._step(duration_s / count)
        drive = step.lead[:, None] * lead_amps
        size = self.state.shape[0]
        for _ in range(count):
            free = step.free @ self.state
            free += drive
            currents = self._solved(free[size:], step)
            self.state = free[:size] + step.driven @ currents

    def lead_volts(self, lead_amps: float | Array) -> Array:
        """Voltages at the leads now (runs,) [V]."""
        return np.asarray(self._system.c[0] @ self.state + self._system.d[0, 0] * lead_amps)

    def swing(self) -> float:
        """Widest swing of a junction's voltage since this was asked last, in its own n V_T [1]."""
        widest = float(np.max((self._most - self._least) / self._scales))
        self._middle = (self._most + self._least) / 2
        self._least, self._most = self._volts, self._volts
        return widest

    def small_signal(self, run: int) -> Array:
        """(size + 1, size + 1): one run with its junctions straightened, its drive a last state.

        d(x, 1)/dt = M (x, 1) with no lead current, straight about the middle of the swing asked last: `swing`
        says whether that may be done.
        """
        system, volts = self._system, self._middle[:, run]
        grown = self._saturations[:, 0] * np.exp(volts / self._scales[:, 0])
        slopes = grown / self._scales[:, 0]
        kept = grown - self._saturations[:, 0] - slopes * volts
        into = system.b[:, 1:]
        size = system.a.shape[0]
        matrix = np.zeros((size + 1, size + 1))
        # A port's voltage is the cathode's over the anode's, hence the sign.
        matrix[:size, :size] = system.a - (into * slopes) @ system.c[1:]
        matrix[:size, size] = into @ kept
        return matrix

    def _step(self, step_s: float) -> _Step:
        # Durations that differ by rounding only share their matrices.
        key = float(f"{step_s:.9e}")
        if key not in self._steps:
            self._steps[key] = _Step(self._system, self._across, key)
        return self._steps[key]

    def _solved(self, free_volts: Array, step: _Step) -> Array:
        """Junction currents (junctions, runs) of one step."""
        saturations, scales = self._saturations, self._scales
        ahead = np.clip(self._volts - self._before, -scales, scales)
        volts, self._before = self._volts + ahead, self._volts
        for _ in range(_ROUNDS):
            grown = saturations * np.exp(np.minimum(volts / scales, 700.0))
            currents = grown - saturations
            wrong = volts + step.impedance @ currents - free_volts
            change = _solve(step.impedance, grown / scales, wrong)
            volts = volts - np.maximum(change, -_STRIDE * scales)
            if float(np.max(np.abs(change) / scales)) < _SETTLED:
                self._volts = volts
                self._least, self._most = np.minimum(self._least, volts), np.maximum(self._most, volts)
                return np.asarray(saturations * np.expm1(np.minimum(volts / scales, 700.0)))
        raise InputError("junctions could not be solved; use shorter steps")


def _solve(impedance: Array, slopes: Array, wrong: Array) -> Array:
    """(1 + Z G) x = wrong for each run, G the junctions' slopes (junctions, runs) [S]."""
    if len(impedance) == 1:
        return np.asarray(wrong / (1 + impedance[0, 0] * slopes))
    matrices = impedance[None] * slopes.T[:, None, :]
    matrices[:, range(len(impedance)), range(len(impedance))] += 1
    return np.asarray(np.linalg.solve(matrices, wrong.T[:, :, None])[:, :, 0].T)


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
