"""Footprints of KiCad's library, and that of the module, which KiCad 6 does not have."""

from __future__ import annotations

from pathlib import Path

import pcbnew

from circuit.netlist import Part, table

__all__ = ["FOOTPRINTS", "PITCH", "footprint", "point", "size"]

FOOTPRINTS = Path("/usr/share/kicad/footprints")
PITCH = 2.54


def footprint(part: Part) -> pcbnew.FOOTPRINT:
    library, name = str(table()[part.ref]["footprint"]).split(":")
    if library == "Module":
        return _module()
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
        pad = pcbnew.PAD(made)
        pad.SetNumber(str(number))
        pad.SetShape(pcbnew.PAD_SHAPE_RECT if number == 1 else pcbnew.PAD_SHAPE_CIRCLE)
        pad.SetAttribute(pcbnew.PAD_ATTRIB_PTH)
        pad.SetLayerSet(pad.PTHMask())
        pad.SetSize(size(1.7, 1.7))
        pad.SetDrillSize(size(1.02, 1.02))
        x, y = (0.0, (number - 1) * PITCH) if number <= 20 else (17.78, (40 - number) * PITCH)
        pad.SetPosition(point(x, y))
        pad.SetPos0(point(x, y))
        made.Add(pad)
    for layer, grow in ((pcbnew.F_CrtYd, 0.25), (pcbnew.F_SilkS, 0.0)):
        _box(made, layer, (-1.61 - grow, -1.37 - grow, 19.39 + grow, 49.63 + grow))
    return made


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
