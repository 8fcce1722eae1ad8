"""The printed board's parts side as a drawing: /usr/bin/python3 -m circuit.printed_picture."""

from __future__ import annotations

import re
from pathlib import Path

import pcbnew

from circuit.netlist import HERE
from circuit.printed import BOARD

__all__ = ["plot"]

_DIGITS = 4
_AROUND = 2.0


def plot(file: Path = HERE.parent / "drawings" / "printed-parts.svg") -> None:
    """Bodies, references, holes and edge as SVG."""
    board = pcbnew.LoadBoard(str(BOARD))
    plotter = pcbnew.PLOT_CONTROLLER(board)
    options = plotter.GetPlotOptions()
    options.SetOutputDirectory(str(file.parent))
    options.SetPlotFrameRef(False)
    options.SetSvgPrecision(_DIGITS, False)
    plotter.OpenPlotfile("parts", pcbnew.PLOT_FORMAT_SVG, "")
    for layer in (pcbnew.F_SilkS, pcbnew.F_Mask, pcbnew.Edge_Cuts):
        plotter.SetLayer(layer)
        plotter.PlotLayer()
    plotter.ClosePlot()
    drawn = file.with_name("tester-parts.svg")
    file.write_text(_cropped(drawn.read_text(encoding="utf-8"), board), encoding="utf-8", newline="")
    drawn.unlink()


def _cropped(text: str, board: pcbnew.BOARD) -> str:
    """The page cut down to the board; KiCad's header with path and date taken out."""
    box = board.GetBoardEdgesBoundingBox()
    x, y = pcbnew.ToMM(box.GetLeft()) - _AROUND, pcbnew.ToMM(box.GetTop()) - _AROUND
    w, h = pcbnew.ToMM(box.GetWidth()) + 2 * _AROUND, pcbnew.ToMM(box.GetHeight()) + 2 * _AROUND
    text = re.sub(r"<title>.*?</title>\s*|<desc>.*?</desc>\s*", "", text, flags=re.DOTALL)
    frame = " ".join(f"{v * 10**_DIGITS:.0f}" for v in (x, y, w, h))
    view = f'width="{w:.2f}mm" height="{h:.2f}mm" viewBox="{frame}"'
    text, count = re.subn(r'width="[^"]*" height="[^"]*" viewBox="[^"]*"', view, text, count=1)
    if count != 1:
        raise ValueError("KiCad's drawing has no page to cut down")
    return text


if __name__ == "__main__":
    plot()
