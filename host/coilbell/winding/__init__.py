"""Modes -> what they say of the winding. Pure numbers."""

from coilbell.winding.odds.added import Added
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.faultfile import FaultFigure
from coilbell.winding.odds.faultfile import listed as fault_figures
from coilbell.winding.odds.guard import guarded
from coilbell.winding.odds.healthy import Healthy, healthy_of
from coilbell.winding.odds.kind import KINDS, Kind, decode_kind, encode_kind, kind_named
from coilbell.winding.odds.kindfile import SPREAD, TYPICAL
from coilbell.winding.odds.law import AmplitudeLaw, AmplitudeSlope, core_loss
from coilbell.winding.odds.observation import Observation, Ring, grouped, same_capacitor
from coilbell.winding.odds.observe import observe
from coilbell.winding.odds.plane import Shift
from coilbell.winding.odds.posterior import CauseOdds, Posterior, shorted_neighbourhoods
from coilbell.winding.odds.provenance import Provenance
from coilbell.winding.odds.reference import Capture, Condition, Reference
from coilbell.winding.odds.referencefile import REFERENCE_SCHEMA, decode, digest, encode, origin
from coilbell.winding.odds.shares import EVEN, Shares, bounded_shares, learned_shares
from coilbell.winding.odds.spreads import GRID as SPREAD_GRID
from coilbell.winding.odds.spreads import PartCurve, Spreads
from coilbell.winding.odds.spreads import learned as learned_spreads
from coilbell.winding.odds.stage import Stage, recorded_of, step_words
from coilbell.winding.odds.unitpoints import UnitPoints, ring_keys, unit_points
from coilbell.winding.odds.visible import largest_visible_resistance
from coilbell.winding.odds.weakness import remarks
from coilbell.winding.said.compare import Comparison, Relation, compare
from coilbell.winding.said.count import RingCount
from coilbell.winding.said.finding import Finding, Odds, find
from coilbell.winding.said.lines import headline_words, odds_words, verdict_lines
from coilbell.winding.said.pieces import Piece, odds_by_piece
from coilbell.winding.said.verdict import DEFAULT_SURE, Alternative, Deciding, NextStep, Verdict
from coilbell.winding.tank.circuit import Circuit, Rings, rings
from coilbell.winding.tank.curves import FaultCurve, fault_curve, fault_curves
from coilbell.winding.tank.faults import (
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
from coilbell.winding.tank.freering import FreeRing
from coilbell.winding.tank.healthytank import HealthyTank
from coilbell.winding.tank.propagation import propagate
from coilbell.winding.tank.rectifier import RectifierStack
from coilbell.winding.tank.several import SeveralCapacitorTank, tank_of_several
from coilbell.winding.tank.single import OneCapacitorTank, tank_of_one, tank_of_record
from coilbell.winding.tank.tankdoubt import TankDoubt, TankDoubtKind

__all__ = [
    "DEFAULT_SURE",
    "EVEN",
    "KINDS",
    "REFERENCE_SCHEMA",
    "SPREAD",
    "SPREAD_GRID",
    "TYPICAL",
    "Added",
    "AddedCapacitance",
    "Alternative",
    "AmplitudeLaw",
    "AmplitudeSlope",
    "Capture",
    "CauseOdds",
    "Circuit",
    "Comparison",
    "Condition",
    "CoreChange",
    "Deciding",
    "Explanation",
    "Fault",
    "FaultCurve",
    "FaultFigure",
    "Finding",
    "FreeRing",
    "Healthy",
    "HealthyTank",
    "Kind",
    "Load",
    "NextStep",
    "Observation",
    "Odds",
    "OneCapacitorTank",
    "OpenWinding",
    "PartCurve",
    "Piece",
    "Posterior",
    "Provenance",
    "RectifierStack",
    "Reference",
    "Relation",
    "Ring",
    "RingCount",
    "Rings",
    "SeveralCapacitorTank",
    "Shares",
    "Shift",
    "ShortedRectifier",
    "ShortedTurns",
    "Spreads",
    "Stage",
    "TankDoubt",
    "TankDoubtKind",
    "UnitPoints",
    "Verdict",
    "WindingLoad",
    "bounded_shares",
    "compare",
    "core_loss",
    "coupling_of",
    "decode",
    "decode_kind",
    "digest",
    "encode",
    "encode_kind",
    "fault_curve",
    "fault_curves",
    "fault_figures",
    "find",
    "grouped",
    "guarded",
    "headline_words",
    "healthy_of",
    "kind_named",
    "largest_visible_resistance",
    "learned_shares",
    "learned_spreads",
    "observe",
    "odds_by_piece",
    "odds_words",
    "origin",
    "propagate",
    "recorded_of",
    "remarks",
    "ring",
    "ring_keys",
    "rings",
    "same_capacitor",
    "shift",
    "shorted_neighbourhoods",
    "step_words",
    "tank_of_one",
    "tank_of_record",
    "tank_of_several",
    "unit_points",
    "verdict_lines",
]
