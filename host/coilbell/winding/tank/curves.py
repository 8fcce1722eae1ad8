"""The ways faults take through the shift plane as they grow worse, for pictures."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.winding.tank.faults import (
    AddedCapacitance,
    CoreChange,
    Fault,
    Load,
    ShortedTurns,
    WindingLoad,
    coupling_of,
    ring,
    shift,
)
from coilbell.winding.tank.healthytank import HealthyTank

__all__ = ["FaultCurve", "fault_curve", "fault_curves"]

Array = npt.NDArray[np.float64]

_POINTS = 200
"""Points of a curve: finer than a screen shows; assumed."""

_TURN_LEAK, _WINDING_LEAK = 0.4, 0.05
"""Leakage of a single turn and of a whole winding over their inductance on the core [1]; assumed."""

_MOST_Q = 1e4
"""Q from which a reference counts as without loss when the mildest fault is chosen [1]; assumed."""

_HEAVIEST_LOAD = 0.51
"""Heaviest load drawn, in parts of the reactance: Q just above 0.5, where a ring ends; computed."""

_LEAST_INDUCTANCE = (0.15, 1.05)
"""Inductance down to which a core changes [1], and times the leakage, which no core takes away; assumed."""

_MILDEST, _TIGHTEST = 10.0, 1e-2
"""Times the healthy loss resistance, and of the reactance, between which a short is drawn [1]; assumed."""


@dataclass(frozen=True, slots=True, eq=False)
class FaultCurve:
    """One fault over its severity, mild first; all arrays (n,), read-only."""

    name: str
    severity: Array
    unit: str
    added_loss: Array
    """g = r/Q - 1/Q0 [1], nan where nothing rings."""
    inductance_drop: Array
    """b = r^2 - 1 [1]."""


def fault_curve(name: str, severity: Array, unit: str, fault: Fault, reference: HealthyTank) -> FaultCurve:
    """The curve of a fault whose fields were made from `severity` (n,)."""
    loss, drop = shift(fault, reference)
    arrays = [np.array(a, dtype=np.float64) for a in (severity, loss, drop)]
    for array in arrays:
        array.setflags(write=False)
    return FaultCurve(name, arrays[0], unit, arrays[1], arrays[2])


def fault_curves(
    reference: HealthyTank,
    of_turns: float,
    turn_leak: float = _TURN_LEAK,
    winding_leak: float = _WINDING_LEAK,
) -> tuple[FaultCurve, ...]:
    """One shorted turn, another winding shorted, a load, a changed core and added capacitance.

    of_turns: turns of the winding; turn_leak, winding_leak: leakage of a single turn and of a whole other
    winding over their inductance on the core [1].
    """
    ring_ohms = math.sqrt(reference.henries / reference.farads)
    q = float(ring(reference).q)
    mildest = _MILDEST * ring_ohms * min(q, _MOST_Q)
    referred = np.geomspace(mildest, _TIGHTEST * ring_ohms * turn_leak, _POINTS)
    turn = referred / of_turns**2
    load = np.geomspace(mildest, _HEAVIEST_LOAD * ring_ohms, _POINTS)
    factor = np.geomspace(1.0, max(_LEAST_INDUCTANCE[0], _LEAST_INDUCTANCE[1] * reference.leakage), _POINTS)
    farads = reference.farads * np.geomspace(1e-3, 1.0, _POINTS)
    near, far = coupling_of(winding_leak, reference.leakage), coupling_of(turn_leak, reference.leakage)
    return (
        fault_curve("one shorted turn", turn, "ohm", ShortedTurns(1, of_turns, turn, far), reference),
        fault_curve("another winding shorted", referred, "ohm", WindingLoad(referred, 1.0, near), reference),
        fault_curve("load across the winding", load, "ohm", Load(load), reference),
        fault_curve("core or gap changed", factor, "of the inductance", CoreChange(factor), reference),
        fault_curve("capacitance added", farads, "F", AddedCapacitance(farads), reference),
    )
