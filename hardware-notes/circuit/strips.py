"""A stripboard as data: zones of strips, parts put across them, wires, and what that joins.

Strips run from left to right. A zone is a stretch of columns in which every row is one strip of its own,
cut off from the next zone; a row of a zone carries a net or is left empty. Parts stand across the strips with
all their pins in one column.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from circuit.netlist import Part

__all__ = ["HIGH", "Hole", "Laid", "Seat", "Zone", "joined", "pack", "reach", "span", "thickness"]

Hole = tuple[int, int]
"""(column, row), both from 0."""

HIGH = frozenset({"LEAD", "FUSED", "SENSEA", "PSERIES"})
"""Nets that a charged capacitor on the leads takes to 400 V: no copper beside them but their own."""

_BY_FOOTPRINT = (
    # footprint has this in it: (least holes, most holes, columns)
    ("DIN0617", 7, 10, 3),
    ("Fuse", 8, 10, 4),
    ("DIN0309", 4, 8, 2),
    ("D_DO-41", 4, 8, 1),
    ("D_DO-35", 2, 8, 1),
    ("C_Rect_L18", 6, 6, 3),
    ("C_Rect_L26", 9, 9, 4),
    ("C_Rect_L7.2", 2, 3, 2),
    ("C_Rect_L7.0", 2, 3, 1),
    ("C_Disc", 2, 4, 1),
    ("CP_Radial", 1, 3, 2),
    ("bornier", 2, 2, 4),
    ("DIN0207", 1, 8, 1),
)
_HIGH_RESISTOR = (4, 8, 1)


def reach(part: Part, footprint: str) -> tuple[int, int, int]:
    """(least, most holes from pin to pin, columns taken) of a part with two pins, lying or standing."""
    if part.ref[0] == "R" and "DIN0207" in footprint and HIGH & set(part.nodes):
        return _HIGH_RESISTOR
    for word, *size in _BY_FOOTPRINT:
        if word in footprint:
            return size[0], size[1], size[2]
    raise ValueError(f"{part.ref}: no size for {footprint}")


def thickness(part: Part, footprint: str) -> int:
    """Columns that a part takes."""
    if len(part.nodes) > 2:
        return 2
    return reach(part, footprint)[2]


@dataclass(frozen=True, slots=True)
class Seat:
    """A part in a zone: row of each pin, in the order of the pins."""

    ref: str
    rows: tuple[int, ...]
    columns: int
    margin: int = 0

    @property
    def low(self) -> int:
        """First row under its body."""
        return min(self.rows) - self.margin

    @property
    def high(self) -> int:
        """Last row under its body."""
        return max(self.rows) + self.margin


@dataclass(slots=True)
class Zone:
    """One zone: net of each row, parts in it, top row, left column, width; placed: by reference."""

    name: str
    rows: Sequence[str]
    refs: Sequence[str]
    top: int = 0
    left: int = 0
    width: int = 0
    placed: dict[str, tuple[int, Seat]] = field(default_factory=dict)


def span(part: Part, rows: Sequence[str], footprint: str) -> tuple[float, Seat] | None:
    """Best (cost, seat) for a part among rows of nets; None when it cannot be reached."""
    found: list[tuple[float, Seat]] = []
    where = [[r for r, net in enumerate(rows) if net == node] for node in part.nodes]
    if len(part.nodes) == 3:
        found = [
            (3.0, Seat(part.ref, (a, b, c), 2, 1 if "TO-220" in footprint else 0))
            for a in where[0]
            for b in where[1]
            for c in where[2]
            if b - a == c - b and abs(b - a) == 1
        ]
    else:
        least, most, columns = reach(part, footprint)
        for a in where[0]:
            for b in where[1]:
                length = abs(a - b)
                if least <= length <= most:
                    found.append((float(length * columns), Seat(part.ref, (a, b), columns)))
    return min(found, key=lambda pair: pair[0], default=None)


def pack(zone: Zone, seats: Sequence[Seat], taken: Sequence[tuple[int, int]] = ()) -> None:
    """Gives every seat the first columns that are free; longest and widest first."""
    used: set[Hole] = set(taken)
    width = 1 + max((column for column, _ in taken), default=-1)
    for seat in sorted(seats, key=lambda s: (-s.columns, s.low - s.high, s.low)):
        column = 0
        while any(
            (column + dx, row) in used for dx in range(seat.columns) for row in range(seat.low, seat.high + 1)
        ):
            column += 1
        used |= {(column + dx, row) for dx in range(seat.columns) for row in range(seat.low, seat.high + 1)}
        zone.placed[seat.ref] = (column + (seat.columns - 1) // 2, seat)
        width = max(width, column + seat.columns)
    zone.width = width


@dataclass(frozen=True, slots=True)
class Laid:
    """A whole layout: hole of each pin, strips as (row, first column, last column), wires by both holes."""

    pins: Mapping[tuple[str, int], Hole]
    strips: Sequence[tuple[int, int, int]]
    wires: Sequence[tuple[Hole, Hole]]


def joined(laid: Laid) -> list[set[tuple[str, int]]]:
    """Pins that copper and wires join, group by group; nothing but holes is looked at."""
    strip_of = {
        (column, row): k
        for k, (row, first, last) in enumerate(laid.strips)
        for column in range(first, last + 1)
    }
    group = list(range(len(laid.strips)))
    for a, b in laid.wires:
        old, new = group[strip_of[a]], group[strip_of[b]]
        group = [new if g == old else g for g in group]
    found: dict[int, set[tuple[str, int]]] = {}
    for pin, hole in laid.pins.items():
        found.setdefault(group[strip_of[hole]], set()).add(pin)
    return list(found.values())
