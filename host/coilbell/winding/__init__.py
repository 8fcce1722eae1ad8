"""Modes -> what they say of the winding. Pure numbers."""

from coilbell.winding.circuit import Circuit, Rings, rings
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
    largest_visible_resistance,
    ring,
    shift,
)

__all__ = [
    "AddedCapacitance",
    "Circuit",
    "CoreChange",
    "Fault",
    "HealthyTank",
    "Load",
    "OpenWinding",
    "Rings",
    "ShortedRectifier",
    "ShortedTurns",
    "WindingLoad",
    "largest_visible_resistance",
    "ring",
    "rings",
    "shift",
]
