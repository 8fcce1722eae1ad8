"""What a board maker asks for, out of KiCad: Gerbers, drill files, positions; and where each pad lies.

Runs under the Python that has pcbnew: /usr/bin/python3 -m circuit.export FOLDER. `fabrication` calls it and
checks what it wrote by means that are not KiCad's.
"""

from __future__ import annotations

import csv
import re
import sys
from pathlib import Path

import pcbnew

from circuit import plan
from circuit.printed import BOARD

__all__ = ["export"]

_LAYERS = (
    ("F_Cu", pcbnew.F_Cu),
    ("B_Cu", pcbnew.B_Cu),
    ("F_Mask", pcbnew.F_Mask),
    ("B_Mask", pcbnew.B_Mask),
    ("F_Silkscreen", pcbnew.F_SilkS),
    ("B_Silkscreen", pcbnew.B_SilkS),
    ("F_Paste", pcbnew.F_Paste),
    ("Edge_Cuts", pcbnew.Edge_Cuts),
)
_HEIGHT = plan.SIZE[1]


def export(folder: Path) -> None:
    """Writes all files into the folder; they carry no date, so that equal boards make equal files."""
    board = pcbnew.LoadBoard(str(BOARD))
    settings = board.GetDesignSettings()
    settings.SetAuxOrigin(pcbnew.wxPointMM(0.0, _HEIGHT))
    plotter = pcbnew.PLOT_CONTROLLER(board)
    options = plotter.GetPlotOptions()
    options.SetOutputDirectory(str(folder))
    options.SetPlotFrameRef(False)
    options.SetUseAuxOrigin(True)
    options.SetUseGerberProtelExtensions(True)
    options.SetSubtractMaskFromSilk(True)
    options.SetIncludeGerberNetlistInfo(False)
    for name, layer in _LAYERS:
        plotter.SetLayer(layer)
        plotter.OpenPlotfile(name, pcbnew.PLOT_FORMAT_GERBER, name)
        plotter.PlotLayer()
    plotter.ClosePlot()
    drill = pcbnew.EXCELLON_WRITER(board)
    drill.SetOptions(False, False, settings.GetAuxOrigin(), False)
    drill.SetFormat(True)
    drill.CreateDrillandMapFilesSet(str(folder), True, False)
    for file in folder.iterdir():
        text = file.read_text(encoding="utf-8")
        text = re.sub(r"(%TF\.CreationDate|G04 Created by|; DRILL file|; #@! TF\.CreationDate).*\n", "", text)
        file.write_text(text, encoding="utf-8", newline="")
    _positions(board, folder)
    _pads(board, folder)


def _positions(board: pcbnew.BOARD, folder: Path) -> None:
    """The columns that assemblers have in common."""
    rows = []
    for made in board.GetFootprints():
        if made.GetAttributes() & pcbnew.FP_EXCLUDE_FROM_POS_FILES:
            continue
        spots = [pad.GetPosition() for pad in made.Pads()]
        across, along = [pcbnew.ToMM(p.x) for p in spots], [pcbnew.ToMM(p.y) for p in spots]
        x, y = (min(across) + max(across)) / 2, _HEIGHT - (min(along) + max(along)) / 2
        turn = f"{made.GetOrientationDegrees() % 360:g}"
        name = str(made.GetFPID().GetLibItemName())
        rows.append((made.GetReference(), made.GetValue(), name, f"{x:.3f}mm", f"{y:.3f}mm", turn, "Top"))
    head = ("Designator", "Val", "Package", "Mid X", "Mid Y", "Rotation", "Layer")
    _table(folder / "placement.csv", head, sorted(rows))


def _pads(board: pcbnew.BOARD, folder: Path) -> None:
    """Reference, pad, place [mm from the lower left corner], sides it stands in; no nets."""
    rows = []
    for made in board.GetFootprints():
        for pad in made.Pads():
            if pad.GetNumber():
                sides = "".join(s for s, k in (("F", pcbnew.F_Cu), ("B", pcbnew.B_Cu)) if pad.IsOnLayer(k))
                x, y = pcbnew.ToMM(pad.GetPosition().x), _HEIGHT - pcbnew.ToMM(pad.GetPosition().y)
                rows.append((made.GetReference(), pad.GetNumber(), f"{x:.3f}", f"{y:.3f}", sides))
    _table(folder / "pads.csv", ("Designator", "Pad", "X", "Y", "Sides"), sorted(rows))


def _table(file: Path, head: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    with file.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(rows)


if __name__ == "__main__":
    export(Path(sys.argv[1]))
