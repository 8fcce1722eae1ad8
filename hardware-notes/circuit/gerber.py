"""A board as its maker sees it: Gerber and drill files read by gerbonara, copper as pixels.

KiCad has no part in it, so that what KiCad wrote can be checked: outline, what the copper joins, the smallest
width, gap and ring, and how far copper of 400 V is from all other.
"""

from __future__ import annotations

import csv
import math
import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw
from scipy import ndimage

__all__ = ["PIXEL", "Board", "Hole", "PadSpot", "read"]

PIXEL = 0.025
"""[mm]. Lengths measured on pixels are good to about one."""

Pin = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Hole:
    """A drilled hole: middle and diameter [mm], whether its wall is plated."""

    x: float
    y: float
    across: float
    plated: bool


@dataclass(frozen=True, slots=True)
class PadSpot:
    """Middle of a pad [mm] and the sides it stands in, some of "FB"."""

    x: float
    y: float
    sides: str


@dataclass(frozen=True)
class Board:
    """One board: width and height [mm], copper by side as pixels (row 0 at the lower edge), holes, pads.

    drawn: width of the narrowest line that is drawn in copper [mm].
    """

    width: float
    height: float
    copper: Mapping[str, np.ndarray]
    holes: tuple[Hole, ...]
    pads: Mapping[Pin, tuple[PadSpot, ...]]
    drawn: float

    @cached_property
    def pieces(self) -> list[set[Pin]]:
        """Pads that copper and plated holes join."""
        return self.joined(self.copper)

    def joined(self, copper: Mapping[str, np.ndarray]) -> list[set[Pin]]:
        """The same for changed copper; a pad that stands on none is a piece of its own."""
        labels = self.labels(copper)
        found: dict[int, set[Pin]] = {}
        for pin, spots in self.pads.items():
            for spot in spots:
                for side in spot.sides:
                    found.setdefault(int(labels[side][self.at(spot.x, spot.y)]), set()).add(pin)
        alone = found.pop(0, set())
        joined = [set(group) for group in found.values()]
        return joined + [{pin} for pin in alone if not any(pin in group for group in joined)]

    def labels(self, copper: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Number of the piece that each pixel of copper belongs to, both sides together; 0 is bare."""
        raw: dict[str, np.ndarray] = {}
        count = 0
        for side, pixels in copper.items():
            numbers, more = ndimage.label(pixels)
            raw[side] = np.where(numbers > 0, numbers + count, 0)
            count += more
        group = np.arange(count + 1)
        for hole in self.holes:
            if hole.plated:
                ends = {int(group[numbers[self.at(hole.x, hole.y)]]) for numbers in raw.values()} - {0}
                for other in ends:
                    group[group == other] = min(ends)
        return {side: group[numbers] for side, numbers in raw.items()}

    def at(self, x: float, y: float) -> tuple[int, int]:
        """(row, column) of the pixel at a place [mm]."""
        return int(y / PIXEL), int(x / PIXEL)

    def narrowed(self, by: float) -> dict[str, np.ndarray]:
        """Copper with `by` [mm] etched off every edge: what still joins is wider than twice that
        everywhere."""
        return {
            side: ndimage.distance_transform_edt(pixels) * PIXEL > by for side, pixels in self.copper.items()
        }

    def without(self, x: float, y: float, across: float) -> dict[str, np.ndarray]:
        """Copper with a round piece cut out [mm]."""
        rows, columns = np.ogrid[: round(self.height / PIXEL), : round(self.width / PIXEL)]
        away = np.hypot(columns * PIXEL - x, rows * PIXEL - y)
        return {side: pixels & (away > across / 2) for side, pixels in self.copper.items()}

    def smallest_gap(self) -> float:
        """Between copper that is not joined on its own side [mm]."""
        return min(_gap(pixels) for pixels in self.copper.values())

    def clearance(self, pins: Iterable[Pin]) -> float:
        """From the copper of these pins to all other, on one side [mm]."""
        labels, least = self.labels(self.copper), math.inf
        own = {
            int(labels[side][self.at(spot.x, spot.y)])
            for pin in pins
            for spot in self.pads[pin]
            for side in spot.sides
        }
        for numbers in labels.values():
            mine = np.isin(numbers, list(own - {0}))
            away = ndimage.distance_transform_edt(~mine) * PIXEL
            others = away[(numbers > 0) & ~mine]
            least = min(least, float(others.min()))
        return least

    def smallest_ring(self) -> float:
        """Copper around a plated hole [mm]."""
        least, plated = math.inf, [hole for hole in self.holes if hole.plated]
        for pixels in self.copper.values():
            inner = ndimage.distance_transform_edt(pixels) * PIXEL
            least = min(least, *(float(inner[self.at(h.x, h.y)]) - h.across / 2 for h in plated))
        return least


def _gap(pixels: np.ndarray) -> float:
    numbers, _ = ndimage.label(pixels)
    away, (rows, columns) = ndimage.distance_transform_edt(~pixels, return_indices=True)
    nearest = numbers[rows, columns]
    least = math.inf
    for axis in (0, 1):
        a = [slice(None)] * 2
        b = [slice(None)] * 2
        a[axis], b[axis] = slice(None, -1), slice(1, None)
        differ = nearest[tuple(a)] != nearest[tuple(b)]
        between = (away[tuple(a)] + away[tuple(b)])[differ]
        if between.size:
            least = min(least, float(between.min()))
    return least * PIXEL


def read(folder: Path) -> Board:
    """The board of a folder of Gerber, drill and pad files; raises FileNotFoundError where one is missing."""
    from gerbonara import GerberFile

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        edge = GerberFile.open(_one(folder, "*Edge_Cuts.gm1"))
        sides = {
            "F": GerberFile.open(_one(folder, "*F_Cu.gtl")),
            "B": GerberFile.open(_one(folder, "*B_Cu.gbl")),
        }
    (left, low), (right, high) = _bounds(edge)
    if abs(left) > 0.1 or abs(low) > 0.1:
        raise ValueError(f"the board's lower left corner lies at {left:.2f}, {low:.2f} mm, not at 0, 0")
    width, height = right - left, high - low
    copper, drawn = {}, math.inf
    for side, file in sides.items():
        copper[side], narrow = _pixels(file, width, height)
        drawn = min(drawn, narrow)
    return Board(width, height, copper, tuple(_holes(folder)), _spots(folder), drawn)


def _one(folder: Path, pattern: str) -> Path:
    found = sorted(folder.glob(pattern))
    if len(found) != 1:
        raise FileNotFoundError(f"{len(found)} files like {pattern} in {folder}, not 1")
    return found[0]


def _bounds(edge: Any) -> tuple[tuple[float, float], tuple[float, float]]:
    """Corners of the outline's middle line [mm]."""
    spots = []
    for shape in _shapes(edge):
        spots += [(shape.x1, shape.y1), (shape.x2, shape.y2)]
    across, along = zip(*spots, strict=True)
    for corner in spots:
        if spots.count(corner) != 2:
            raise ValueError(f"the outline is not closed at {corner[0]:.2f}, {corner[1]:.2f} mm")
    return (min(across), min(along)), (max(across), max(along))


def _shapes(file: Any) -> list[Any]:
    from gerbonara.utils import MM

    return [shape for thing in file.objects for shape in thing.to_primitives(unit=MM)]


def _pixels(file: Any, width: float, height: float) -> tuple[np.ndarray, float]:
    """Copper of one side, and its narrowest drawn line [mm]."""
    image = Image.new("1", (round(width / PIXEL), round(height / PIXEL)))
    pen, narrow = ImageDraw.Draw(image), math.inf
    for shape in _shapes(file):
        ink = int(shape.polarity_dark)
        kind = type(shape).__name__
        if kind == "Circle":
            _disc(pen, shape.x, shape.y, shape.r, ink)
        elif kind == "Line":
            narrow = min(narrow, shape.width)
            _line(pen, shape, ink)
        elif kind == "Rectangle":
            _oblong(pen, shape, ink)
        elif kind == "ArcPoly":
            pen.polygon([(x / PIXEL - 0.5, y / PIXEL - 0.5) for x, y in _outline(shape)], fill=ink)
        else:
            raise ValueError(f"copper of a kind that is not read: {kind}")
    return np.array(image), narrow


def _outline(shape: Any) -> list[tuple[float, float]]:
    """Corners of a region; its arcs, which KiCad 6 writes for no copper, are refused."""
    if any(arc for arc in (shape.arc_centers or ())):
        raise ValueError("a region with arcs")
    return list(shape.outline)


def _disc(pen: ImageDraw.ImageDraw, x: float, y: float, r: float, ink: int) -> None:
    x, y, r = x / PIXEL - 0.5, y / PIXEL - 0.5, r / PIXEL
    pen.ellipse((x - r, y - r, x + r, y + r), fill=ink)


def _line(pen: ImageDraw.ImageDraw, shape: Any, ink: int) -> None:
    for x, y in ((shape.x1, shape.y1), (shape.x2, shape.y2)):
        _disc(pen, x, y, shape.width / 2, ink)
    away = math.hypot(shape.x2 - shape.x1, shape.y2 - shape.y1)
    if away > 0:
        dx = (shape.y2 - shape.y1) / away * shape.width / 2
        dy = -(shape.x2 - shape.x1) / away * shape.width / 2
        ends = (
            (shape.x1, shape.y1, 1),
            (shape.x2, shape.y2, 1),
            (shape.x2, shape.y2, -1),
            (shape.x1, shape.y1, -1),
        )
        pen.polygon([((x + s * dx) / PIXEL - 0.5, (y + s * dy) / PIXEL - 0.5) for x, y, s in ends], fill=ink)


def _oblong(pen: ImageDraw.ImageDraw, shape: Any, ink: int) -> None:
    turn = shape.rotation or 0.0
    c, s = math.cos(turn), math.sin(turn)
    corners = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    half = [(a * shape.w / 2, b * shape.h / 2) for a, b in corners]
    spots = [(shape.x + x * c - y * s, shape.y + x * s + y * c) for x, y in half]
    pen.polygon([(x / PIXEL - 0.5, y / PIXEL - 0.5) for x, y in spots], fill=ink)


def _holes(folder: Path) -> list[Hole]:
    from gerbonara import ExcellonFile
    from gerbonara.utils import MM

    found = []
    for file in sorted(folder.glob("*.drl")):
        plated = "NPTH" not in file.name
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            drill = ExcellonFile.open(file, plated=plated)
        for thing in drill.objects:
            across = thing.aperture.unit.convert_to(MM, thing.aperture.diameter)
            if not hasattr(thing, "x"):
                raise ValueError("a slot among the holes")
            found.append(
                Hole(thing.unit.convert_to(MM, thing.x), thing.unit.convert_to(MM, thing.y), across, plated)
            )
    if not found:
        raise FileNotFoundError(f"no drill files in {folder}")
    return found


def _spots(folder: Path) -> dict[Pin, tuple[PadSpot, ...]]:
    found: dict[Pin, tuple[PadSpot, ...]] = {}
    with _one(folder, "pads.csv").open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            pin = (row["Designator"], row["Pad"])
            found[pin] = (*found.get(pin, ()), PadSpot(float(row["X"]), float(row["Y"]), row["Sides"]))
    return found
