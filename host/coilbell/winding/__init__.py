"""Modes -> what they say of the winding. Pure numbers."""

from coilbell.winding.added import Added
from coilbell.winding.archive import REFERENCE_SCHEMA, decode, digest, encode, origin
from coilbell.winding.capacitors import SeveralCapacitorTank, tank_of_several
from coilbell.winding.circuit import Circuit, Rings, rings
from coilbell.winding.compare import Comparison, Relation, compare
from coilbell.winding.count import RingCount
from coilbell.winding.curves import FaultCurve, fault_curve, fault_curves
from coilbell.winding.doubt import TankDoubt, TankDoubtKind
from coilbell.winding.explanation import Explanation
from coilbell.winding.faults import (
    AddedCapacitance,
    CoreChange,
    Fault,
    Load,
    OpenWinding,
    ShortedRectifier,
    ShortedTurns,
    WindingLoad,
    coupling_of,
    ring,
    shift,
)
from coilbell.winding.finding import Finding, Odds, find
from coilbell.winding.freering import FreeRing
from coilbell.winding.healthy import Healthy, healthy_of
from coilbell.winding.healthytank import HealthyTank
from coilbell.winding.kind import KINDS, Kind, kind_named
from coilbell.winding.likelihood import CauseOdds, Posterior, shorted_neighbourhoods
from coilbell.winding.observation import AmplitudeSlope, Observation, Ring, grouped, observe
from coilbell.winding.plane import Shift
from coilbell.winding.rectifier import RectifierStack
from coilbell.winding.reference import Capture, Condition, Reference, remarks
from coilbell.winding.tank import OneCapacitorTank, tank_of_one, tank_of_record
from coilbell.winding.uncertainty import propagate
from coilbell.winding.visible import largest_visible_resistance

__all__ = [
    "KINDS",
    "REFERENCE_SCHEMA",
    "Added",
    "AddedCapacitance",
    "AmplitudeSlope",
    "Capture",
    "CauseOdds",
    "Circuit",
    "Comparison",
    "Condition",
    "CoreChange",
    "Explanation",
    "Fault",
    "FaultCurve",
    "Finding",
    "FreeRing",
    "Healthy",
    "HealthyTank",
    "Kind",
    "Load",
    "Observation",
    "Odds",
    "OneCapacitorTank",
    "OpenWinding",
    "Posterior",
    "RectifierStack",
    "Reference",
    "Relation",
    "Ring",
    "RingCount",
    "Rings",
    "SeveralCapacitorTank",
    "Shift",
    "ShortedRectifier",
    "ShortedTurns",
    "TankDoubt",
    "TankDoubtKind",
    "WindingLoad",
    "compare",
    "coupling_of",
    "decode",
    "digest",
    "encode",
    "fault_curve",
    "fault_curves",
    "find",
    "grouped",
    "healthy_of",
    "kind_named",
    "largest_visible_resistance",
    "observe",
    "origin",
    "propagate",
    "remarks",
    "ring",
    "rings",
    "shift",
    "shorted_neighbourhoods",
    "tank_of_one",
    "tank_of_record",
    "tank_of_several",
]
