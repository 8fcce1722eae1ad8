"""Modes -> what they say of the winding. Pure numbers."""

from coilbell.winding.capacitors import SeveralCapacitorTank, tank_of_several
from coilbell.winding.circuit import Circuit, Rings, rings
from coilbell.winding.curves import FaultCurve, fault_curve, fault_curves
from coilbell.winding.faults import (
    AddedCapacitance,
    CoreChange,
    Fault,
    HealthyTank,
    Load,
    OpenWinding,
    ShortedRectifier,
    ShortedTurns,
    WindingLoad,
    coupling_of,
    largest_visible_resistance,
    ring,
    shift,
)
from coilbell.winding.freering import FreeRing
from coilbell.winding.rectifier import RectifierStack
from coilbell.winding.tank import Loading, OneCapacitorTank, TankDoubt, TankDoubtKind, tank_of_one
from coilbell.winding.uncertainty import propagate

__all__ = [
    "AddedCapacitance",
    "Circuit",
    "CoreChange",
    "Fault",
    "FaultCurve",
    "FreeRing",
    "HealthyTank",
    "Load",
    "Loading",
    "OneCapacitorTank",
    "OpenWinding",
    "RectifierStack",
    "Rings",
    "SeveralCapacitorTank",
    "ShortedRectifier",
    "ShortedTurns",
    "TankDoubt",
    "TankDoubtKind",
    "WindingLoad",
    "coupling_of",
    "fault_curve",
    "fault_curves",
    "largest_visible_resistance",
    "propagate",
    "ring",
    "rings",
    "shift",
    "tank_of_one",
    "tank_of_several",
]
