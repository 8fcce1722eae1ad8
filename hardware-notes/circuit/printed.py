"""The printed board for KiCad 6: parts where `plan` puts them, tracks by the maze, KiCad's check.

Runs under the Python that has KiCad's pcbnew, in hardware-notes:

    /usr/bin/python3 -m circuit.printed            writes printed/tester.kicad_pcb and .kicad_pro, then checks
    /usr/bin/python3 -m circuit.printed --check    only checks the file that is there
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import pcbnew

from circuit import plan
from circuit.footprints import FOOTPRINTS, footprint, point, test_point
from circuit.maze import Area, Maze, Pad, Rule, route
from circuit.netlist import HERE, Part, parts
from circuit.silk import write

__all__ = ["BOARD", "build", "check"]

BOARD = HERE.parent / "printed" / "tester.kicad_pcb"
_LAYERS = (pcbnew.F_Cu, pcbnew.B_Cu)
_ZONE_CLEARANCE = 0.3
_DRAINS = ("DRAINA", "DRAINB", "DRAINC")
RULES = {net: Rule(0.8, 0.3) for net in (*_DRAINS, "RING", "POWER")} | {
    net: Rule(1.0, plan.HIGH_CLEARANCE) for net in plan.HIGH
}


def pad_of(part: Part, pin: int) -> str:
    """Pad number of a pin: KiCad counts a diode's cathode as 1, the netlist its anode."""
    return str(3 - pin) if part.ref[0] == "D" else str(pin)


def _placed(board: pcbnew.BOARD) -> dict[str, pcbnew.FOOTPRINT]:
    """Footprints with nets where the plan has them; test points besides."""
    nets: dict[str, pcbnew.NETINFO_ITEM] = {}
    for part in parts():
        for _, net in part.connected:
            if net not in nets:
                nets[net] = pcbnew.NETINFO_ITEM(board, "GND" if net == "0" else net)
                board.Add(nets[net])
    found: dict[str, pcbnew.FOOTPRINT] = {}
    for part in parts():
        made = footprint(part)
        made.SetReference(part.ref)
        made.SetValue(part.value)
        board.Add(made)
        for pin, net in part.connected:
            for pad in made.Pads():
                if pad.GetNumber() == pad_of(part, pin):
                    pad.SetNet(nets[net])
        x, y, turn = plan.PLACES[part.ref]
        made.SetOrientationDegrees(turn)
        box = _extent(made)
        made.Move(point(x - (box[0] + box[2]) / 2, y - (box[1] + box[3]) / 2))
        found[part.ref] = made
    for net, (x, y) in plan.TEST_POINTS.items():
        made = test_point(net)
        board.Add(made)
        next(iter(made.Pads())).SetNet(nets[net])
        made.Move(point(x, y))
        found[f"TP_{net}"] = made
    return found


def _extent(made: pcbnew.FOOTPRINT) -> list[float]:
    """Courtyard [mm]: left, top, right, bottom."""
    made.BuildCourtyardCaches()
    yard = made.GetCourtyard(pcbnew.F_CrtYd)
    if yard.OutlineCount() == 0:
        raise ValueError(f"{made.GetReference()} has no courtyard")
    corners = [yard.Outline(0).CPoint(k) for k in range(yard.Outline(0).PointCount())]
    across, along = [pcbnew.ToMM(p.x) for p in corners], [pcbnew.ToMM(p.y) for p in corners]
    return [min(across), min(along), max(across), max(along)]


def _frame(board: pcbnew.BOARD) -> list[Pad]:
    """The board's edge and its screw holes; what they keep free, for the maze."""
    x, y = plan.SIZE
    for a, b in (((0, 0), (x, 0)), ((x, 0), (x, y)), ((x, y), (0, y)), ((0, y), (0, 0))):
        edge = pcbnew.PCB_SHAPE(board)
        edge.SetShape(pcbnew.SHAPE_T_SEGMENT)
        edge.SetStart(point(*a))
        edge.SetEnd(point(*b))
        edge.SetLayer(pcbnew.Edge_Cuts)
        edge.SetWidth(pcbnew.FromMM(0.1))
        board.Add(edge)
    for k, at in enumerate(plan.HOLES, 1):
        made = pcbnew.FootprintLoad(str(FOOTPRINTS / "MountingHole.pretty"), "MountingHole_3.2mm_M3")
        made.SetReference(f"H{k}")
        made.Reference().SetVisible(False)
        made.Value().SetVisible(False)
        made.SetPosition(point(*at))
        made.SetAttributes(pcbnew.FP_EXCLUDE_FROM_POS_FILES | pcbnew.FP_EXCLUDE_FROM_BOM)
        board.Add(made)
    return [Pad("screw", x, y, 3.4, 3.4) for x, y in plan.HOLES]


def _maze(found: dict[str, pcbnew.FOOTPRINT], holes: list[Pad]) -> Maze:
    pads = list(holes)
    power = {(p.ref, pad_of(p, k)) for p in parts() for k in range(1, 4) if (p.ref, k) in plan.POWER}
    for ref, made in found.items():
        for pad in made.Pads():
            box, at = pad.GetBoundingBox(), pad.GetPosition()
            net = {"GND": "0", "": f"alone {ref} {pad.GetNumber()}"}.get(pad.GetNetname(), pad.GetNetname())
            if (ref, pad.GetNumber()) in power:
                net = "POWER"
            half = pcbnew.ToMM(box.GetWidth()) / 2, pcbnew.ToMM(box.GetHeight()) / 2
            layers = tuple(k for k in (0, 1) if pad.IsOnLayer(_LAYERS[k]))
            pads.append(Pad(net, pcbnew.ToMM(at.x), pcbnew.ToMM(at.y), *half, layers))
    # On the solder side the gates, the drains and what leads to the amplifier cross power ground; nothing
    # else.
    areas = []
    for pour in plan.POURS:
        if pour.piece in plan.HIGH:
            areas.append(Area(pour.piece, pour.layers, pour.corners))
        elif pour.piece != "0":
            areas += [
                Area(pour.piece, (0,), pour.corners),
                Area(pour.piece, (1,), pour.corners, plan.CROSSING),
            ]
    areas.append(Area("0", (0, 1), plan.NECK))
    return Maze(*plan.SIZE, pads, RULES, areas)


def _copper(board: pcbnew.BOARD, maze: Maze) -> None:
    for net, run in maze.runs.items():
        code = board.FindNet("GND" if net in ("0", "POWER") else net)
        for x1, y1, x2, y2, layer in run.tracks:
            track = pcbnew.PCB_TRACK(board)
            track.SetStart(point(x1, y1))
            track.SetEnd(point(x2, y2))
            track.SetLayer(_LAYERS[layer])
            track.SetWidth(pcbnew.FromMM(maze.rule(net).width))
            track.SetNet(code)
            board.Add(track)
        for x, y in run.vias:
            _via(board, code, x, y)


def _via(board: pcbnew.BOARD, code: pcbnew.NETINFO_ITEM, x: float, y: float) -> None:
    via = pcbnew.PCB_VIA(board)
    via.SetPosition(point(x, y))
    via.SetWidth(pcbnew.FromMM(0.8))
    via.SetDrill(pcbnew.FromMM(0.4))
    via.SetNet(code)
    board.Add(via)


def _stitch(board: pcbnew.BOARD, maze: Maze) -> None:
    """Vias between the two layers of a pour, wherever there is room for one."""
    for pour in plan.POURS:
        code = board.FindNet("GND" if pour.piece in ("0", "POWER") else pour.piece)
        step = 8.0 if pour.piece == "0" else 4.0
        for x, y in maze.free(pour.piece, Area(pour.piece, pour.layers, pour.corners), step):
            _via(board, code, x, y)


def _zones(board: pcbnew.BOARD) -> None:
    for k, pour in enumerate(plan.POURS):
        for layer in pour.layers:
            zone = pcbnew.ZONE(board)
            zone.SetLayer(_LAYERS[layer])
            net = "GND" if pour.piece in ("0", "POWER") else pour.piece
            zone.SetNetCode(board.FindNet(net).GetNetCode())
            zone.SetLocalClearance(pcbnew.FromMM(_ZONE_CLEARANCE))
            zone.SetMinThickness(pcbnew.FromMM(0.25))
            zone.SetPriority(len(plan.POURS) - k)
            solid = pour.piece not in ("0",)
            zone.SetPadConnection(pcbnew.ZONE_CONNECTION_FULL if solid else pcbnew.ZONE_CONNECTION_THERMAL)
            zone.SetThermalReliefGap(pcbnew.FromMM(0.3))
            zone.SetThermalReliefSpokeWidth(pcbnew.FromMM(0.5))
            zone.SetIslandRemovalMode(pcbnew.ISLAND_REMOVAL_MODE_ALWAYS)
            outline = pcbnew.wxPoint_Vector()
            for x, y in pour.corners:
                outline.append(point(x, y))
            zone.AddPolygon(outline)
            board.Add(zone)


def _project() -> str:
    """The project file, which is where KiCad 6 keeps net classes: the nets of 400 V keep their distance."""
    default = {
        "name": "Default",
        "clearance": 0.19,
        "track_width": 0.3,
        "via_diameter": 0.8,
        "via_drill": 0.4,
    }
    rest = {"microvia_diameter": 0.3, "microvia_drill": 0.1, "diff_pair_gap": 0.25, "diff_pair_width": 0.2}
    high = (
        default | rest | {"name": "High", "clearance": plan.HIGH_CLEARANCE - 0.02, "nets": sorted(plan.HIGH)}
    )
    settings = {"classes": [default | rest, high], "meta": {"version": 2}}
    whole = {"meta": {"filename": "tester.kicad_pro", "version": 1}, "net_settings": settings}
    return json.dumps(whole, indent=2) + "\n"


def build() -> pcbnew.BOARD:
    """The whole board; raises ValueError when a net finds no way."""
    board = pcbnew.BOARD()
    found = _placed(board)
    maze = _maze(found, _frame(board))
    nets = sorted({pad.net for pad in maze.pads if pad.net[:5] not in ("alone", "screw")}, key=maze.order)
    nets = [n for n in nets if n in plan.HIGH] + [n for n in nets if n not in plan.HIGH]
    left = route(maze, nets)
    if left:
        raise ValueError(f"no way for {', '.join(left)}")
    _copper(board, maze)
    _stitch(board, maze)
    _zones(board)
    write(board, found, {ref: _extent(made) for ref, made in found.items()})
    return board


def pour() -> None:
    """Fills the zones of the board on disk; in a process of its own, for KiCad reads net classes but once."""
    board = pcbnew.LoadBoard(str(BOARD))
    pcbnew.ZONE_FILLER(board).Fill(board.Zones())
    pcbnew.SaveBoard(str(BOARD), board)


def check(board: pcbnew.BOARD) -> list[str]:
    """What KiCad's design rule check complains of, names on the silk screen left out."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder, "drc.txt")
        pcbnew.WriteDRCReport(board, str(report), pcbnew.EDA_UNITS_MILLIMETRES, True)
        text = report.read_text(encoding="utf-8")
    if "** End of Report **" not in text:
        raise RuntimeError("KiCad wrote no whole report of its design rule check")
    return re.findall(r"^\[(?!silk|lib_foot)\w+\]:.*(?:\n    .*)*", text, re.MULTILINE)


def _main(step: str) -> int:
    if step == "":
        BOARD.parent.mkdir(exist_ok=True)
        BOARD.with_suffix(".kicad_pro").unlink(missing_ok=True)
        pcbnew.SaveBoard(str(BOARD), build())
        BOARD.with_suffix(".kicad_pro").write_text(_project(), encoding="utf-8", newline="")
        for following in ("--pour", "--check"):
            done = subprocess.run([sys.executable, "-m", "circuit.printed", following], check=False)
        return done.returncode
    if step == "--pour":
        pour()
        return 0
    complaints = check(pcbnew.LoadBoard(str(BOARD)))
    sys.stdout.writelines(f"{line}\n" for line in complaints)
    sys.stdout.write(f"{BOARD.name}: {len(complaints)} complaints of KiCad {pcbnew.GetBuildVersion()}\n")
    return 1 if complaints else 0


if __name__ == "__main__":
    sys.exit(_main("".join(sys.argv[1:2])))
