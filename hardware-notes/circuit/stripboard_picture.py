"""The stripboard as a drawing, seen from the side of the parts."""

from __future__ import annotations

import hashlib
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.patches import FancyBboxPatch, Rectangle

from circuit.netlist import HERE, parts
from circuit.stripboard import Layout, hole_name, listed
from circuit.strips import HIGH, Hole

__all__ = ["draw", "fingerprint"]

_COPPER, _HIGH, _BODY, _WIRE = "#ead9c0", "#e8a06a", "#ffffff", "#1f4e8c"
_CHIP_NAMES = {"U1": "U1 MCP6024", "U2": "U2 74HCT86", "U3": "U3 Pico or Pico 2"}
_WEST = ("amplifier", "logic", "west")
"""Zones whose last column is a chip's."""


def draw(board: Layout, folder: Path = HERE.parent / "drawings") -> list[Path]:
    """Writes stripboard.svg and .png."""
    matplotlib.rcParams["svg.hashsalt"] = "stripboard"
    figure, axes = plt.subplots(figsize=(0.27 * board.columns + 1, 0.27 * board.rows + 1))
    _strips(axes, board)
    _cuts(axes, board)
    _parts(axes, board)
    _wires(axes, board)
    _frame(axes, board)
    folder.mkdir(exist_ok=True)
    written = [folder / f"stripboard.{ending}" for ending in ("svg", "png")]
    figure.savefig(written[0], bbox_inches="tight", metadata={"Description": fingerprint()})
    figure.savefig(written[1], dpi=130, bbox_inches="tight")
    plt.close(figure)
    return written


def fingerprint() -> str:
    """Of the list of holes; stands in the drawing, so that a test can tell which list it shows."""
    return hashlib.sha256(listed().encode()).hexdigest()


def _strips(axes: Axes, board: Layout) -> None:
    for zone in board.zones.values():
        for row, net in enumerate(zone.rows):
            y = zone.top + row
            colour = _HIGH if net in HIGH else _COPPER
            axes.add_patch(
                Rectangle((zone.left - 0.45, y - 0.36), zone.width - 0.1, 0.72, color=colour, lw=0)
            )
            shown = "" if net == "-" or net.startswith("nc") else net
            end = zone.left + zone.width - 1 - (zone.name in _WEST)
            axes.text(end - 0.45, y, shown, fontsize=3.6, ha="right", va="center", color="#555555", zorder=1)
    for row in range(board.rows):
        axes.plot(range(board.columns), [row] * board.columns, ".", ms=0.9, color="#999999", zorder=1)


def _cuts(axes: Axes, board: Layout) -> None:
    axes.plot(*zip(*board.cuts, strict=True), "x", ms=4.5, mew=0.9, color="black", zorder=2)


def _parts(axes: Axes, board: Layout) -> None:
    seats = {ref: placed for zone in board.zones.values() for ref, placed in zone.placed.items()}
    for part in parts():
        holes = [board.laid.pins[part.ref, pin] for pin in range(1, len(part.nodes) + 1)]
        if part.ref in seats:
            seat = seats[part.ref][1]
            wide = 0.62 + 0.85 * (seat.columns - 1)
            _body(axes, part.ref, holes, (wide, seat.margin))
            if part.ref[0] == "D":
                _band(axes, holes)
        else:
            _chip(axes, part.ref, holes)
        x, y = zip(*holes, strict=True)
        axes.plot(x, y, "o", ms=2.6, color="black", zorder=5)
        first = holes[0]
        if part.ref[0] in "QUJ" or part.ref in ("C11", "C16"):
            axes.plot([first[0]], [first[1]], "s", ms=3.6, color="black", zorder=5)


def _body(axes: Axes, ref: str, holes: list[Hole], size: tuple[float, int]) -> None:
    wide, margin = size
    x = holes[0][0]
    low, high = min(row for _, row in holes) - margin, max(row for _, row in holes) + margin
    centre = x if wide < 1 else x + 0.5 * (0 if round((wide - 0.62) / 0.85) % 2 == 0 else 1)
    corner = (centre - wide / 2, low - 0.3)
    shape = FancyBboxPatch(corner, wide, high - low + 0.6, boxstyle="round,pad=0,rounding_size=0.2")
    shape.set(fc=_BODY, ec="black", lw=0.7, alpha=0.93, zorder=3)
    axes.add_patch(shape)
    turn = 90 if high - low > 1 or wide < 1 else 0
    axes.text(centre, (low + high) / 2, ref, fontsize=5.2, ha="center", va="center", rotation=turn, zorder=6)


def _band(axes: Axes, holes: list[Hole]) -> None:
    """The ring round a diode's body, at the cathode."""
    (x, anode), (_, cathode) = holes
    y = cathode + (0.55 if anode > cathode else -0.55)
    axes.plot([x - 0.31, x + 0.31], [y, y], lw=1.6, color="black", zorder=6, solid_capstyle="butt")


def _chip(axes: Axes, ref: str, holes: list[Hole]) -> None:
    left, right = min(c for c, _ in holes), max(c for c, _ in holes)
    low, high = min(r for _, r in holes), max(r for _, r in holes)
    shape = Rectangle((left - 0.3, low - 0.45), right - left + 0.6, high - low + 0.9)
    shape.set(fc=_BODY, ec="black", lw=0.9, alpha=0.93, zorder=3)
    axes.add_patch(shape)
    middle = ((left + right) / 2, (low + high) / 2)
    axes.text(*middle, _CHIP_NAMES[ref], fontsize=6.5, ha="center", va="center", rotation=90, zorder=6)
    if ref == "U3":
        axes.text(middle[0], low + 0.2, "USB", fontsize=5, ha="center", va="center", zorder=6)


def _wires(axes: Axes, board: Layout) -> None:
    for k, (a, b) in enumerate(board.laid.wires, 1):
        for hole in (a, b):
            axes.plot([hole[0]], [hole[1]], "o", ms=7.6, mfc="white", mec=_WIRE, mew=0.7, zorder=4)
            axes.text(*hole, str(k), fontsize=4.3, ha="center", va="center", color=_WIRE, zorder=6)


def _frame(axes: Axes, board: Layout) -> None:
    for column in range(board.columns):
        if column % 5 == 4 or column == 0:
            for row in (-1.3, board.rows + 0.3):
                axes.text(column, row, str(column + 1), fontsize=5, ha="center", va="center")
    for row in range(board.rows):
        letters = hole_name((0, row))[1:]
        for column in (-1.4, board.columns + 0.4):
            axes.text(column, row, letters, fontsize=5, ha="center", va="center")
    axes.set_xlim(-2, board.columns + 1)
    axes.set_ylim(board.rows + 1, -2.6)
    axes.set_aspect("equal")
    axes.axis("off")
    words = (
        "Parts side. x: cut the strip. Square: pin 1 (gate of Q1 to Q3, source of Q4, red of J1, plus of C11"
        " and C16). Bar: cathode.\nCircles with the same number: one insulated wire. Darker strips carry up"
        " to 400 V after an accident: strips beside them stay empty."
    )
    axes.set_title(words, fontsize=6.5, loc="left")
