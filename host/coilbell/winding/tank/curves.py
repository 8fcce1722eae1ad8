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
    reference: HealthyTank, of_turns: float, turn_leak: float = 0.4, winding_leak: float = 0.05
) -> tuple[FaultCurve, ...]:
    """One shorted turn, another winding shorted, a load, a changed core and added capacitance.

    of_turns: turns of the winding; turn_leak, winding_leak: leakage of a single turn and of a whole other
    winding over their inductance on the core [1].
    """
    ring_ohms = math.sqrt(reference.henries / reference.farads)
    q = float(ring(reference).q)
    # From a tenth of the healthy loss up to a hundredth of the reactance.
    referred = np.geomspace(10 * ring_ohms * min(q, 1e4), 1e-2 * ring_ohms * turn_leak, _POINTS)
    turn = referred / of_turns**2
    load = np.geomspace(10 * ring_ohms * min(q, 1e4), 0.51 * ring_ohms, _POINTS)
    factor = np.geomspace(1.0, max(0.15, 1.05 * reference.leakage), _POINTS)
    farads = reference.farads * np.geomspace(1e-3, 1.0, _POINTS)
    near, far = coupling_of(winding_leak, reference.leakage), coupling_of(turn_leak, reference.leakage)
    return (
        fault_curve("one shorted turn", turn, "ohm", ShortedTurns(1, of_turns, turn, far), reference),
        fault_curve("another winding shorted", referred, "ohm", WindingLoad(referred, 1.0, near), reference),
        fault_curve("load across the winding", load, "ohm", Load(load), reference),
        fault_curve("core or gap changed", factor, "of the inductance", CoreChange(factor), reference),
        fault_curve("capacitance added", farads, "F", AddedCapacitance(farads), reference),
    )
