"""Paper for a circuit diagram that knows what it joins.

Everything drawn is recorded as pins, wires and net names at points of the paper, so that the drawing can
be read back as a netlist: `Sheet.nets`. Ends of wires, pins and names join where they touch, also in the
middle of a wire; wires that merely cross do not.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from itertools import pairwise
from pathlib import Path

import schemdraw
from schemdraw import elements as elm
from schemdraw.elements import Element

from circuit.netlist import GROUND, HERE, Part, parts

__all__ = ["Point", "Sheet", "shown", "volts"]

Point = tuple[float, float]

_SYMBOLS = {"R": elm.ResistorIEC, "C": elm.Capacitor, "D": elm.Diode, "F": elm.FuseIEC, "E": elm.SparkGap}
_SPECIAL = {"DZ10": elm.Zener}
_GREY = "#555555"
_BESIDE = {
    "in1": (0.25, 0.18, "{}"),
    "in2": (0.25, 0.18, "{}"),
    "out": (-0.25, 0.18, "{}"),
    "gate": (-0.1, 0.3, "{} G"),
    "drain": (0.35, 0.25, "{} D"),
    "source": (0.35, -0.25, "{} S"),
}
"""Anchor of a symbol -> where the pin's number stands from it, and its letter."""


def shown(part: Part) -> str:
    """The value as a builder reads it: 4.7k, 22n, 1N4148."""
    value = part.value.replace("Meg", "M")
    if part.ref[0] == "D":
        return {"DZ10": "10 V"}.get(value, value.removeprefix("D"))
    return {"ARRESTER": "1 kV", "FUSE": "F 100 mA 500 V"}.get(value, value)


@cache
def volts() -> dict[str, str]:
    """Net -> what a meter shows there at rest, by the table of building.md: "1.65 V"."""
    text = (HERE.parent / "building.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\w+) \| [^|]+ \| (-?[\d.]+) \|", text, re.MULTILINE)
    return {net: f"{shows} V" for net, shows in rows}


class Sheet:
    """One page; points are in grid units, 1 unit = a third of a resistor with its leads."""

    def __init__(self) -> None:
        schemdraw.config(unit=3, inches_per_unit=0.28, fontsize=8, lw=1.1)
        self._drawing = schemdraw.Drawing(show=False)
        self._parts = {part.ref: part for part in parts()}
        self.pins: dict[tuple[str, int], Point] = {}
        self._wires: list[tuple[Point, Point]] = []
        self._names: list[tuple[Point, str]] = []

    def title(self, words: str, at: Point) -> None:
        """Heading of a block."""
        self._drawing.add(elm.Label().at(at).label(words, fontsize=11, halign="left", valign="bottom"))

    def remark(self, words: str, at: Point) -> None:
        """Words for the reader, joined to nothing."""
        self._drawing.add(elm.Label().at(at).label(words, fontsize=7, halign="left", color=_GREY))

    def two(self, ref: str, first: Point, second: Point, loc: str = "top", polar: bool = False) -> None:
        """A part with two pins, pin 1 at `first`; `loc`: side of its words, seen from `first`."""
        part = self._parts[ref]
        kind = elm.Capacitor2 if polar else _SPECIAL.get(part.value, _SYMBOLS[ref[0]])
        element = kind().at(first).to(second)
        upright = first[0] == second[0]
        words = f"{ref}\n{shown(part)}" if upright else f"{ref}  {shown(part)}"
        self._drawing.add(element.label(words, loc=loc, ofst=0.12))
        self._pin(ref, 1, first)
        self._pin(ref, 2, second)

    def package(self, element: Element, ref: str, pins: Mapping[int, str]) -> Element:
        """A package or one unit of it; pins: number -> anchor of the element."""
        placed = self._drawing.add(element)
        for pin, anchor in pins.items():
            x, y = placed.absanchors[anchor]
            self._pin(ref, pin, (x, y))
            dx, dy, words = _BESIDE.get(anchor, (0.0, 0.0, ""))
            if ref == "U2" and anchor in ("in1", "in2"):
                dx = -0.25  # its inputs have no leads of their own
            if words:
                self._drawing.add(
                    elm.Label().at((x + dx, y + dy)).label(words.format(pin), fontsize=6, color=_GREY)
                )
        return placed

    def post(self, ref: str, pin: int, at: Point) -> None:
        """A bare terminal."""
        self._drawing.add(elm.Dot(open=True, radius=0.16).at(at))
        self._pin(ref, pin, at)

    def at(self, ref: str, pin: int) -> Point:
        """Where a pin is."""
        return self.pins[ref, pin]

    def wire(self, *corners: Point) -> None:
        """Straight pieces from corner to corner."""
        for a, b in pairwise(corners):
            if _near(a, b):
                continue
            self._drawing.add(elm.Line().at(a).to(b))
            self._wires.append((_snap(a), _snap(b)))

    def name(self, net: str, at: Point, side: str = "right") -> None:
        """A net's name at a point; the same name elsewhere is the same net."""
        self._names.append((_snap(at), net))
        align = {"right": ("left", "center"), "left": ("right", "center"), "up": ("center", "bottom")}
        across, along = align.get(side, ("center", "top"))
        off = {"right": (0.15, 0), "left": (-0.15, 0), "up": (0, 0.15)}.get(side, (0, -0.15))
        tag = elm.Label().at((at[0] + off[0], at[1] + off[1]))
        words = f"{net}  {volts()[net]}" if net in volts() else net
        self._drawing.add(tag.label(words, halign=across, valign=along, color="#1f4e8c", fontsize=8))

    def ground(self, at: Point) -> None:
        """The ground sign."""
        self._drawing.add(elm.GroundSignal().at(at))
        self._names.append((_snap(at), GROUND))

    def _pin(self, ref: str, pin: int, at: Point) -> None:
        if (ref, pin) in self.pins:
            raise ValueError(f"{ref} pin {pin} is drawn twice")
        self.pins[ref, pin] = _snap(at)

    def nets(self) -> list[tuple[set[tuple[str, int]], set[str]]]:
        """What is joined on this sheet: (pins, names) of each joint piece of wiring."""
        points = [*self.pins.values(), *(p for p, _ in self._names), *(p for w in self._wires for p in w)]
        group = {p: k for k, p in enumerate(dict.fromkeys(points))}
        for a, b in self._wires:
            on = [p for p in group if _lies_on(p, a, b)]
            first = min(group[p] for p in on)
            merged = {group[p] for p in on}
            group = {p: first if g in merged else g for p, g in group.items()}
        found: dict[int, tuple[set[tuple[str, int]], set[str]]] = {}
        for pin, p in self.pins.items():
            found.setdefault(group[p], (set(), set()))[0].add(pin)
        for p, net in self._names:
            found.setdefault(group[p], (set(), set()))[1].add(net)
        return list(found.values())

    def dots(self) -> None:
        """A dot where three or more ends meet; to be called once, at the end."""
        ends: dict[Point, int] = {}
        for p in [*self.pins.values(), *(p for w in self._wires for p in w)]:
            ends[p] = ends.get(p, 0) + 1
        for p in ends:
            inside = sum(p not in w and _lies_on(p, *w) for w in self._wires)
            if ends[p] + 2 * inside >= 3:
                self._drawing.add(elm.Dot(radius=0.07).at(p))

    def save(self, file: Path) -> None:
        """Writes .svg or .png."""
        self._drawing.config(bgcolor="white", margin=0.4)
        self._drawing.save(str(file), transparent=False, dpi=130)


def _snap(p: Point) -> Point:
    return round(float(p[0]), 3), round(float(p[1]), 3)


def _near(a: Point, b: Point) -> bool:
    return abs(a[0] - b[0]) < 1e-3 and abs(a[1] - b[1]) < 1e-3


def _lies_on(p: Point, a: Point, b: Point) -> bool:
    (x, y), (ax, ay), (bx, by) = p, a, b
    cross = abs((bx - ax) * (y - ay) - (by - ay) * (x - ax))
    inside = min(ax, bx) - 2e-3 <= x <= max(ax, bx) + 2e-3 and min(ay, by) - 2e-3 <= y <= max(ay, by) + 2e-3
    return inside and cross < 5e-3
