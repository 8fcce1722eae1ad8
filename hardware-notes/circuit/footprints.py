"""Footprints of KiCad's library, and those that KiCad 6 does not have: module, posts, a test point."""

from __future__ import annotations

from pathlib import Path

import pcbnew

from circuit.netlist import Part, table

__all__ = ["FOOTPRINTS", "footprint", "point", "size", "test_point"]

FOOTPRINTS = Path("/usr/share/kicad/footprints")
_PITCH = 2.54
_POSTS_APART = 19.0
"""Of two 4 mm plugs or posts side by side [mm] (common practice)."""


def footprint(part: Part) -> pcbnew.FOOTPRINT:
    library, name = str(table()[part.ref]["footprint"]).split(":")
    if library == "Module":
        return _module()
    if library == "Coilbell":
        return _posts()
    found = pcbnew.FootprintLoad(str(FOOTPRINTS / f"{library}.pretty"), name)
    if found is None:
        raise FileNotFoundError(f"{part.ref}: KiCad has no footprint {library}:{name}")
    return found


def _module() -> pcbnew.FOOTPRINT:
    """Two rows of 20 holes, 17.78 mm apart: KiCad 6 has no footprint of the module."""
    made = pcbnew.FOOTPRINT(None)
    made.SetFPID(pcbnew.LIB_ID("Module", "RaspberryPi_Pico_Common_THT"))
    made.SetAttributes(pcbnew.FP_THROUGH_HOLE)
    for number in range(1, 41):
        x, y = (0.0, (number - 1) * _PITCH) if number <= 20 else (17.78, (40 - number) * _PITCH)
        _pad(made, number, (x, y), 1.7, 1.02)
    for layer, grow in ((pcbnew.F_CrtYd, 0.25), (pcbnew.F_SilkS, 0.0)):
        _box(made, layer, (-1.61 - grow, -1.37 - grow, 19.39 + grow, 49.63 + grow))
    return made


def _posts() -> pcbnew.FOOTPRINT:
    """Two screwed posts for 4 mm plugs, one above the other."""
    made = pcbnew.FOOTPRINT(None)
    made.SetFPID(pcbnew.LIB_ID("Coilbell", "Posts_4mm_P19.00mm"))
    made.SetAttributes(pcbnew.FP_THROUGH_HOLE)
    for number in (1, 2):
        _pad(made, number, (0.0, (number - 1) * _POSTS_APART), 9.0, 4.3)
    for layer, grow in ((pcbnew.F_CrtYd, 0.25), (pcbnew.F_SilkS, 0.0)):
        _box(made, layer, (-5.6 - grow, -5.6 - grow, 5.6 + grow, _POSTS_APART + 5.6 + grow))
    return made


def test_point(net: str) -> pcbnew.FOOTPRINT:
    """A bare spot of copper for a meter's tip, on the parts side."""
    made = pcbnew.FOOTPRINT(None)
    made.SetFPID(pcbnew.LIB_ID("Coilbell", "TestPoint_D2.0mm"))
    made.SetAttributes(pcbnew.FP_SMD | pcbnew.FP_EXCLUDE_FROM_POS_FILES | pcbnew.FP_EXCLUDE_FROM_BOM)
    pad = pcbnew.PAD(made)
    pad.SetNumber("1")
    pad.SetShape(pcbnew.PAD_SHAPE_CIRCLE)
    pad.SetAttribute(pcbnew.PAD_ATTRIB_SMD)
    layers = pcbnew.LSET()
    layers.AddLayer(pcbnew.F_Cu)
    layers.AddLayer(pcbnew.F_Mask)
    pad.SetLayerSet(layers)
    pad.SetSize(size(2.0, 2.0))
    made.Add(pad)
    _box(made, pcbnew.F_CrtYd, (-1.25, -1.25, 1.25, 1.25))
    made.SetReference(f"TP_{net}")
    made.SetValue(net)
    return made


def _pad(made: pcbnew.FOOTPRINT, number: int, at: tuple[float, float], across: float, drill: float) -> None:
    """A plated hole; square where it is pin 1, but for the posts."""
    pad = pcbnew.PAD(made)
    pad.SetNumber(str(number))
    square = number == 1 and across < 3
    pad.SetShape(pcbnew.PAD_SHAPE_RECT if square else pcbnew.PAD_SHAPE_CIRCLE)
    pad.SetAttribute(pcbnew.PAD_ATTRIB_PTH)
    pad.SetLayerSet(pad.PTHMask())
    pad.SetSize(size(across, across))
    pad.SetDrillSize(size(drill, drill))
    pad.SetPosition(point(*at))
    pad.SetPos0(point(*at))
    made.Add(pad)


def _box(footprint: pcbnew.FOOTPRINT, layer: int, corners: tuple[float, float, float, float]) -> None:
    x1, y1, x2, y2 = corners
    for a, b in (((x1, y1), (x2, y1)), ((x2, y1), (x2, y2)), ((x2, y2), (x1, y2)), ((x1, y2), (x1, y1))):
        line = pcbnew.FP_SHAPE(footprint, pcbnew.SHAPE_T_SEGMENT)
        line.SetStart0(point(*a))
        line.SetEnd0(point(*b))
        line.SetDrawCoord()
        line.SetLayer(layer)
        line.SetWidth(pcbnew.FromMM(0.05 if layer == pcbnew.F_CrtYd else 0.12))
        footprint.Add(line)


def point(x: float, y: float) -> pcbnew.wxPoint:
    return pcbnew.wxPointMM(x, y)


def size(x: float, y: float) -> pcbnew.wxSize:
    return pcbnew.wxSizeMM(x, y)
