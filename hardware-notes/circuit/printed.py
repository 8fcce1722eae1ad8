"""The printed board for KiCad 6: parts placed after the stripboard, tracks by the maze, KiCad's check.

Runs under the Python that has KiCad's pcbnew, in hardware-notes:

    /usr/bin/python3 -m circuit.printed            writes printed/tester.kicad_pcb and .kicad_pro, then checks
    /usr/bin/python3 -m circuit.printed --check    only checks the file that is there
"""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pcbnew

from circuit import stripboard
from circuit.footprints import FOOTPRINTS, PITCH, footprint, point, size
from circuit.maze import Maze, Pad, Rule, route
from circuit.netlist import HERE, Part, parts
from circuit.strips import HIGH

__all__ = ["BOARD", "build", "check"]

BOARD = HERE.parent / "printed" / "tester.kicad_pcb"
_ORIGIN = 50.0
_MARGIN = 9.0
_HIGH_CLEARANCE = 2.0
"""[mm]; for 400 V on a board's outside common tables give 0.8 mm coated, 2.5 mm not (from memory)."""

_POSTS = (("1", "RED"), ("2", "BLACK"))
_WIDE = ("LEAD", "DRAINA", "DRAINB", "DRAINC", "FUSED", "RING", "0")
RULES = {net: Rule(1.0, 0.3) for net in _WIDE} | {
    net: Rule(1.0 if net in _WIDE else 0.5, _HIGH_CLEARANCE) for net in HIGH
}


def pad_of(part: Part, pin: int) -> str:
    """Pad number of a pin: KiCad counts a diode's cathode as 1, the netlist its anode."""
    return str(3 - pin) if part.ref[0] == "D" else str(pin)


def _placed(board: pcbnew.BOARD) -> dict[str, pcbnew.FOOTPRINT]:
    """Footprints with nets, near where their parts stand on the stripboard."""
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
        made.Value().SetVisible(False)
        board.Add(made)
        for pin, net in part.connected:
            for pad in made.Pads():
                if pad.GetNumber() == pad_of(part, pin):
                    pad.SetNet(nets[net])
        _seat(made, part)
        found[part.ref] = made
    return found


def _seat(made: pcbnew.FOOTPRINT, part: Part) -> None:
    holes = [stripboard.layout().laid.pins[part.ref, pin] for pin in range(1, len(part.nodes) + 1)]
    first = next(pad for pad in made.Pads() if pad.GetNumber() == pad_of(part, 1)).GetPosition()
    second = next(pad for pad in made.Pads() if pad.GetNumber() == pad_of(part, 2)).GetPosition()
    lies_across = abs(second.x - first.x) > abs(second.y - first.y)
    if lies_across:
        down = holes[1][1] > holes[0][1]
        right = second.x > first.x
        made.SetOrientationDegrees(-90 if down == right else 90)
    x = sum(c for c, _ in holes) / len(holes) * PITCH
    y = sum(r for _, r in holes) / len(holes) * PITCH
    box = _extent(made)
    made.Move(point(x - (box[0] + box[2]) / 2, y - (box[1] + box[3]) / 2))


def _extent(made: pcbnew.FOOTPRINT) -> list[float]:
    """Courtyard or, where wider, the pads [mm]: left, top, right, bottom."""
    made.BuildCourtyardCaches()
    yard = made.GetCourtyard(pcbnew.F_CrtYd)
    if yard.OutlineCount() == 0:
        raise ValueError(f"{made.GetReference()} has no courtyard")
    corners = [yard.Outline(0).CPoint(k) for k in range(yard.Outline(0).PointCount())]
    across, along = [pcbnew.ToMM(p.x) for p in corners], [pcbnew.ToMM(p.y) for p in corners]
    return [min(across), min(along), max(across), max(along)]


def _apart(found: dict[str, pcbnew.FOOTPRINT], gap: float = 0.4) -> None:
    """Pushes courtyards apart until none overlap; module and posts stay where they are."""
    boxes = {ref: _extent(made) for ref, made in found.items()}
    start = {ref: tuple(box[:2]) for ref, box in boxes.items()}
    refs = list(boxes)
    for _ in range(4000):
        moved = False
        for k, a in enumerate(refs):
            for b in refs[k + 1 :]:
                moved |= _push(boxes[a], boxes[b], (a == "U3", b == "U3"), gap)
        if not moved:
            break
    else:
        raise ValueError("parts do not come apart")
    for ref, made in found.items():
        dx = round((boxes[ref][0] - start[ref][0]) / 0.127) * 0.127
        dy = round((boxes[ref][1] - start[ref][1]) / 0.127) * 0.127
        made.Move(point(dx, dy))


def _push(a: list[float], b: list[float], fixed: tuple[bool, bool], gap: float) -> bool:
    over_x = min(a[2], b[2]) - max(a[0], b[0]) + gap
    over_y = min(a[3], b[3]) - max(a[1], b[1]) + gap
    if over_x <= 1e-6 or over_y <= 1e-6:
        return False
    axis = 0 if over_x <= over_y else 1
    over = min(over_x, over_y) + 0.02
    sign = 1 if a[axis] + a[axis + 2] >= b[axis] + b[axis + 2] else -1
    share = 0.0 if fixed[0] else 1.0 if fixed[1] else 0.5
    for box, part in ((a, share), (b, share - 1.0)):
        box[axis] += sign * over * part
        box[axis + 2] += sign * over * part
    return True


def _frame(board: pcbnew.BOARD, found: dict[str, pcbnew.FOOTPRINT]) -> tuple[float, float]:
    """Moves everything to its place on the sheet and draws the board's edge; returns its size [mm]."""
    boxes = [_extent(made) for made in found.values()]
    left, top = min(b[0] for b in boxes), min(b[1] for b in boxes)
    width = max(b[2] for b in boxes) - left + 2 * _MARGIN
    height = max(b[3] for b in boxes) - top + _MARGIN + 3.0
    for made in found.values():
        made.Move(point(_ORIGIN + _MARGIN - left, _ORIGIN + 3.0 - top))
    x1, y1, x2, y2 = _ORIGIN, _ORIGIN, _ORIGIN + width, _ORIGIN + height
    for a, b in (((x1, y1), (x2, y1)), ((x2, y1), (x2, y2)), ((x2, y2), (x1, y2)), ((x1, y2), (x1, y1))):
        edge = pcbnew.PCB_SHAPE(board)
        edge.SetShape(pcbnew.SHAPE_T_SEGMENT)
        edge.SetStart(point(*a))
        edge.SetEnd(point(*b))
        edge.SetLayer(pcbnew.Edge_Cuts)
        edge.SetWidth(pcbnew.FromMM(0.1))
        board.Add(edge)
    return width, height


def _holes(board: pcbnew.BOARD, width: float, height: float) -> list[Pad]:
    """Four screw holes of 3.2 mm; what they keep free, for the maze."""
    kept: list[Pad] = []
    for x in (4.5, width - 4.5):
        for y in (4.5, height - 4.5):
            made = pcbnew.FootprintLoad(str(FOOTPRINTS / "MountingHole.pretty"), "MountingHole_3.2mm_M3")
            made.SetReference(f"H{len(kept) + 1}")
            made.Reference().SetVisible(False)
            made.Value().SetVisible(False)
            made.SetPosition(point(_ORIGIN + x, _ORIGIN + y))
            board.Add(made)
            kept.append(Pad("screw", x, y, 3.4, 3.4))
    return kept


def _maze(found: dict[str, pcbnew.FOOTPRINT], size: tuple[float, float], holes: list[Pad]) -> Maze:
    pads = list(holes)
    for made in found.values():
        for pad in made.Pads():
            box = pad.GetBoundingBox()
            at = pad.GetPosition()
            net = pad.GetNetname() or f"alone {made.GetReference()} {pad.GetNumber()}"
            pads.append(
                Pad(
                    "0" if net == "GND" else net,
                    pcbnew.ToMM(at.x) - _ORIGIN,
                    pcbnew.ToMM(at.y) - _ORIGIN,
                    pcbnew.ToMM(box.GetWidth()) / 2,
                    pcbnew.ToMM(box.GetHeight()) / 2,
                )
            )
    return Maze(*size, pads, RULES)


def _copper(board: pcbnew.BOARD, maze: Maze) -> None:
    layers = (pcbnew.F_Cu, pcbnew.B_Cu)
    for net, run in maze.runs.items():
        code = board.FindNet("GND" if net == "0" else net)
        for x1, y1, x2, y2, layer in run.tracks:
            track = pcbnew.PCB_TRACK(board)
            track.SetStart(point(_ORIGIN + x1, _ORIGIN + y1))
            track.SetEnd(point(_ORIGIN + x2, _ORIGIN + y2))
            track.SetLayer(layers[layer])
            track.SetWidth(pcbnew.FromMM(maze.rule(net).width))
            track.SetNet(code)
            board.Add(track)
        for x, y in run.vias:
            via = pcbnew.PCB_VIA(board)
            via.SetPosition(point(_ORIGIN + x, _ORIGIN + y))
            via.SetWidth(pcbnew.FromMM(0.8))
            via.SetDrill(pcbnew.FromMM(0.4))
            via.SetNet(code)
            board.Add(via)


def _zones(board: pcbnew.BOARD, width: float, height: float) -> None:
    """Ground over both layers, kept away from 400 V by the class's clearance."""
    for layer in (pcbnew.F_Cu, pcbnew.B_Cu):
        zone = pcbnew.ZONE(board)
        zone.SetLayer(layer)
        zone.SetNetCode(board.FindNet("GND").GetNetCode())
        zone.SetLocalClearance(0)
        zone.SetMinThickness(pcbnew.FromMM(0.3))
        zone.SetThermalReliefGap(pcbnew.FromMM(0.4))
        zone.SetThermalReliefSpokeWidth(pcbnew.FromMM(0.6))
        zone.SetIslandRemovalMode(pcbnew.ISLAND_REMOVAL_MODE_ALWAYS)
        outline = pcbnew.wxPoint_Vector()
        for x, y in ((1, 1), (width - 1, 1), (width - 1, height - 1), (1, height - 1)):
            outline.append(point(_ORIGIN + x, _ORIGIN + y))
        zone.AddPolygon(outline)
        board.Add(zone)


def _too_near(board: pcbnew.BOARD) -> list[str]:
    """Ground pour within the clearance of copper of 400 V, looked for at points around it."""
    pour = {zone.GetLayer(): zone for zone in board.Zones()}
    found: list[str] = []
    for item in (*board.GetPads(), *board.GetTracks()):
        if item.GetNetname() not in HIGH:
            continue
        found += [
            f"pour near {item.GetNetname()} at {x:.1f}, {y:.1f} mm"
            for x, y in _around(item)
            for layer in (pcbnew.F_Cu, pcbnew.B_Cu)
            if item.IsOnLayer(layer) and pour[layer].HitTestFilledArea(layer, point(x, y), 0)
        ]
    return found


def _around(item: pcbnew.BOARD_CONNECTED_ITEM) -> Iterator[tuple[float, float]]:
    """Points just within the clearance of a pad or track [mm]."""
    if isinstance(item, pcbnew.PAD):
        at = item.GetPosition()
        middles, half = (
            [(at.x, at.y)],
            min(item.GetBoundingBox().GetWidth(), item.GetBoundingBox().GetHeight()) / 2,
        )
    else:
        a, b = item.GetStart(), item.GetEnd()
        middles = [(a.x + (b.x - a.x) * k / 8, a.y + (b.y - a.y) * k / 8) for k in range(9)]
        half = item.GetWidth() / 2
    reach = pcbnew.ToMM(int(half)) + _HIGH_CLEARANCE - 0.05
    for x, y in middles:
        for k in range(24):
            angle = 2 * math.pi * k / 24
            yield pcbnew.ToMM(x) + reach * math.cos(angle), pcbnew.ToMM(y) + reach * math.sin(angle)


def _spot(pad: pcbnew.PAD) -> tuple[float, float]:
    return pcbnew.ToMM(pad.GetPosition().x), pcbnew.ToMM(pad.GetPosition().y)


def _words(board: pcbnew.BOARD, found: dict[str, pcbnew.FOOTPRINT], height: float) -> None:
    """References on the bodies, small; what a hand that holds the leads must know, large."""
    for made in found.values():
        left, top, right, bottom = _extent(made)
        name = made.Reference()
        name.SetTextSize(size(0.9, 0.9))
        name.SetTextThickness(pcbnew.FromMM(0.14))
        name.SetKeepUpright(True)
        middle = ((left + right) / 2, (top + bottom) / 2)
        spots = [_spot(pad) for pad in made.Pads()]
        if any(math.dist(middle, spot) < 2.0 for spot in spots):
            # Beside the pins, on the body where it is wide enough there; a round one's above it.
            beside = right - 0.9 if right - 0.9 - max(x for x, _ in spots) > 1.5 else left - 0.7
            middle = (middle[0], top - 0.6) if made.GetReference()[0] == "C" else (beside, middle[1])
        name.SetPosition(point(*middle))
        upright = bottom - top > 1.5 * (right - left)
        name.SetTextAngle((90 if upright else 0) * 10 - made.GetOrientation())
    posts = {pad.GetNumber(): pad.GetPosition() for pad in found["J1"].Pads()}
    beside = {"1": (0.0, 3.4), "2": (-5.5, 0.0)}
    spots = [
        (w, pcbnew.ToMM(posts[n].x) + beside[n][0], pcbnew.ToMM(posts[n].y) + beside[n][1]) for n, w in _POSTS
    ]
    spots.append(("COILBELL TESTER - DEAD, DISCHARGED PARTS ONLY", _ORIGIN + 75.0, _ORIGIN + height - 5.0))
    for words, x, y in spots:
        text = pcbnew.PCB_TEXT(board)
        text.SetText(words)
        text.SetPosition(point(x, y))
        text.SetLayer(pcbnew.F_SilkS)
        text.SetTextSize(size(1.3, 1.3))
        text.SetTextThickness(pcbnew.FromMM(0.2))
        board.Add(text)


def _project() -> str:
    """The project file, which is where KiCad 6 keeps net classes: the nets of 400 V keep their distance."""
    default = {"name": "Default", "clearance": 0.2, "track_width": 0.4, "via_diameter": 0.8, "via_drill": 0.4}
    rest = {"microvia_diameter": 0.3, "microvia_drill": 0.1, "diff_pair_gap": 0.25, "diff_pair_width": 0.2}
    high = default | rest | {"name": "High", "clearance": _HIGH_CLEARANCE, "nets": sorted(HIGH)}
    settings = {"classes": [default | rest, high], "meta": {"version": 2}}
    whole = {"meta": {"filename": "tester.kicad_pro", "version": 1}, "net_settings": settings}
    return json.dumps(whole, indent=2) + "\n"


def build() -> pcbnew.BOARD:
    """The whole board; raises ValueError when a net finds no way."""
    board = pcbnew.BOARD()
    found = _placed(board)
    _apart(found)
    width, height = _frame(board, found)
    holes = _holes(board, width, height)
    maze = _maze(found, (width, height), holes)
    nets = sorted({net for part in parts() for _, net in part.connected}, key=lambda n: _order(maze, n))
    left = route(maze, nets)
    if left:
        raise ValueError(f"no way for {', '.join(left)}")
    _copper(board, maze)
    _zones(board, width, height)
    _words(board, found, height)
    return board


def pour() -> None:
    """Fills the zones of the board on disk; in a process of its own, for KiCad reads net classes but once."""
    board = pcbnew.LoadBoard(str(BOARD))
    pcbnew.ZONE_FILLER(board).Fill(board.Zones())
    pcbnew.SaveBoard(str(BOARD), board)


def _order(maze: Maze, net: str) -> tuple[bool, bool, float]:
    """High nets first, ground last, the others from short to long."""
    pads = [pad for pad in maze._pads if pad.net == net]
    wide = max(p.x for p in pads) - min(p.x for p in pads) + max(p.y for p in pads) - min(p.y for p in pads)
    return net == "0", net not in HIGH, wide


def check(board: pcbnew.BOARD) -> list[str]:
    """What KiCad's design rule check complains of, silk screen left out; 400 V against the pour besides."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder, "drc.txt")
        pcbnew.WriteDRCReport(board, str(report), pcbnew.EDA_UNITS_MILLIMETRES, True)
        text = report.read_text(encoding="utf-8")
    if "** End of Report **" not in text:
        raise RuntimeError("KiCad wrote no whole report of its design rule check")
    found = re.findall(r"^\[(?!silk|lib_foot)\w+\]:.*(?:\n    .*)*", text, re.MULTILINE)
    return found + _too_near(board)


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
