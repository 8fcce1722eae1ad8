"""The stripboard layout: which net each strip carries is written here, all else follows from the netlist.

python -m circuit.stripboard (in hardware-notes) draws drawings/stripboard.svg and .png and writes
stripboard.csv, the list of holes to work from.
"""

from __future__ import annotations

import csv
import io
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from circuit.netlist import HERE, parts, table
from circuit.strips import HIGH, Hole, Laid, Seat, Zone, joined, pack, span

__all__ = ["LIST", "Layout", "close_calls", "differences", "hole_name", "layout", "listed"]

LIST = HERE.parent / "stripboard.csv"
_EMPTY = "-"
_SWITCH = "- LEAD -{1} CATCH{0} DRIVE{0} BOOT GATE{0} DRAIN{0} 0"
_STOREY = 26
"""Row where the lower half of the board begins; the row above it stays empty."""


def _switch(letter: str, number: int) -> tuple[str, str]:
    refs = f"C{number} Q{number} R{number + 5} R{number + 8} C{number + 16} D{number + 4} D{number + 11}"
    return _SWITCH.format(letter, " - - -" if letter == "C" else ""), refs


# name: rows of nets from the top, parts, first row
_ZONES = {
    "leads": (
        "FUSED - CLAMPA CLAMPB - - 0 RING 0 - LEAD - SENSE - PLIMIT - SENSEA - FUSED - - - PSERIES",
        "J1 E1 F1 R5 D1 D2 D3 D4 R3 R4 R17 D10",
        0,
    ),
    "switch A": (*_switch("A", 1), 0),
    "switch B": (*_switch("B", 2), 11),
    "switch C": (*_switch("C", 3), 0),
    "pulse": (
        "PLIMIT NPULSE PDRAIN PGATE VRES VRES VBUS 0",
        "R16 C5 C4 R15 D8 Q4 D9 R1 D11",
        15,
    ),
    "amplifier": (
        "RING BLEED ADC0 COUPLED BOOT 0 BIAS VA 3V3 AMPOUT AMPFB AMPIN VA VHALF VMID VMID 0 VREF",
        "R35 R36 C20 C6 R18 R19 R2 C15 R20 R21 R24 C8 R22 R23 C7 R29 C16 C14",
        _STOREY,
    ),
    "sense": (
        "- BOOT BOOT AMPFB 0 SENSEIN SENSEFB SENSEOUT ADC1 SENSE VREF 0",
        "R25 R26 C9 R27 R33 R34 R28 C10",
        _STOREY + 8,
    ),
    "logic": ("- SELA 0 DRIVEA SELB 0 DRIVEB 0 -", "R12 R13", _STOREY),
    "pulse logic": ("- VBUS VBUS PULSE NPULSE 0 SELC DRIVEC 0 LOOP", "C13 R30 R14 R31 R32", _STOREY),
}
_CHIPS = {
    "U1": ("amplifier", "sense", 9, 3),
    "U2": ("logic", "pulse logic", 1, 3),
    "U3": ("west", "east", 0, 7),
}
"""Package: zones at both sides, row of pin 1 in the first of them, holes between its rows of pins."""

_COLUMNS = (
    ("leads",),
    ("switch A", "switch B"),
    ("switch C", "pulse"),
    ("west",),
    ("east",),
    ("amplifier",),
    ("sense",),
    ("logic",),
    ("pulse logic",),
)
_UPPER = 5
"""So many of the columns of zones stand in the upper half of the board."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Everything of the board: zones by name, what is laid, cuts, seats of chips."""

    zones: dict[str, Zone]
    laid: Laid
    cuts: tuple[Hole, ...]
    columns: int
    rows: int


def hole_name(hole: Hole) -> str:
    """Column number and row letter, from 1 and A: 12 AB."""
    column, row = hole
    letters = chr(65 + row % 26)
    return f"{column + 1}{('A' if row >= 26 else '') + letters}"


def _zones() -> dict[str, Zone]:
    made = {name: Zone(name, rows.split(), refs.split(), top) for name, (rows, refs, top) in _ZONES.items()}
    nodes = next(part for part in parts() if part.ref == "U3").nodes
    made["west"] = Zone("west", nodes[:20], (), 0)
    made["east"] = Zone("east", nodes[:19:-1], ("C11", "C12"), 0)
    return made


def _seats(zone: Zone) -> list[Seat]:
    known = {part.ref: part for part in parts()}
    found: list[Seat] = []
    for ref in zone.refs:
        best = span(known[ref], zone.rows, str(table()[ref]["footprint"]))
        if best is None:
            raise ValueError(f"{ref} does not reach its strips in zone {zone.name}")
        found.append(best[1])
    return found


@cache
def layout() -> Layout:
    """The board."""
    zones = _zones()
    for zone in zones.values():
        pack(zone, _seats(zone))
    gaps = _place_zones(zones)
    pins = _pins(zones)
    strips = [
        (zone.top + row, zone.left, zone.left + zone.width - 1)
        for zone in zones.values()
        for row in range(len(zone.rows))
    ]
    width = 1 + max(last for _, _, last in strips)
    height = 1 + max(row for row, _, _ in strips)
    laid = Laid(pins, strips, _wires(zones))
    return Layout(zones, laid, _cuts(gaps, height), width, height)


def _place_zones(zones: dict[str, Zone]) -> list[tuple[int, int, bool]]:
    """Columns for wires and chips added, zones side by side; gaps are (column, holes, upper)."""
    wests = {west: gap for west, _, _, gap in _CHIPS.values()}
    gaps: list[tuple[int, int, bool]] = []
    column = 0
    for k, names in enumerate(_COLUMNS):
        upper = k < _UPPER
        if k == _UPPER:
            column = 0
        for name in names:
            zones[name].left = column
            zones[name].width += 3 + _has_chip(name)  # two for wires, one to write the net's name on
        wide = max(zones[name].width for name in names)
        for name in names:
            zones[name].width = wide
        column += wide
        gap = wests[names[0]] - 1 if names[0] in wests else 2
        if k not in (_UPPER - 1, len(_COLUMNS) - 1):
            gaps.append((column, gap, upper))
        column += gap
    return gaps


def _has_chip(name: str) -> bool:
    return any(name in pair[:2] for pair in _CHIPS.values())


def _first(zone: Zone) -> int:
    """Column of the first part: right of the wires, and of the chip where the zone lies at its far side."""
    return zone.left + 1 + any(zone.name == east for _, east, _, _ in _CHIPS.values())


def _pins(zones: dict[str, Zone]) -> dict[tuple[str, int], Hole]:
    pins = {
        (ref, pin): (_first(zone) + column, zone.top + row)
        for zone in zones.values()
        for ref, (column, seat) in zone.placed.items()
        for pin, row in enumerate(seat.rows, 1)
    }
    known = {part.ref: part for part in parts()}
    for ref, (west, east, row, _) in _CHIPS.items():
        half = len(known[ref].nodes) // 2
        left, top = zones[west].left + zones[west].width - 1, zones[west].top + row
        for k in range(half):
            pins[ref, k + 1] = (left, top + k)
            pins[ref, 2 * half - k] = (zones[east].left, top + k)
    return pins


def _cuts(gaps: Sequence[tuple[int, int, bool]], height: int) -> tuple[Hole, ...]:
    """Every row of every gap; the outer columns of a gap between zones are both cut."""
    cuts: list[Hole] = []
    for column, gap, upper in gaps:
        rows = range(_STOREY - 1) if upper else range(_STOREY, height)
        across = (column, column + 1) if gap == 2 and upper else (column + gap // 2,)
        cuts += [(c, row) for c in across for row in rows]
    return tuple(cuts)


def _wires(zones: dict[str, Zone]) -> list[tuple[Hole, Hole]]:
    """Pieces of the same net joined in a chain, always to the nearest one that is left."""
    pieces: dict[str, list[tuple[Hole, Hole]]] = {}
    for zone in zones.values():
        chip_west = any(zone.name == west for west, _, _, _ in _CHIPS.values())
        for row, net in enumerate(zone.rows):
            if net == _EMPTY or net.startswith("nc"):
                continue
            first = (_first(zone) - 1, zone.top + row)
            last = (zone.left + zone.width - 1 - chip_west, zone.top + row)
            pieces.setdefault(net, []).append((first, last))
    wires: list[tuple[Hole, Hole]] = []
    for ends in pieces.values():
        left = sorted(ends)
        at = left.pop(0)[1]
        while left:
            near = min(left, key=lambda piece: abs(piece[0][0] - at[0]) + abs(piece[0][1] - at[1]))
            left.remove(near)
            wires.append((at, near[0]))
            at = near[1]
    return wires


def differences() -> list[str]:
    """What the board joins otherwise than the netlist; empty when they agree."""
    wanted = {(part.ref, pin): net for part in parts() for pin, net in part.connected}
    wrong: list[str] = [
        f"{ref} pin {pin} is not on the board" for ref, pin in wanted.keys() - layout().laid.pins
    ]
    whole: dict[str, set[tuple[str, int]]] = {}
    for pin, net in wanted.items():
        whole.setdefault(net, set()).add(pin)
    for group in joined(layout().laid):
        nets = {wanted.get(pin, "nothing") for pin in group}
        if nets != {"nothing"} and (len(nets) > 1 or group != whole[next(iter(nets))]):
            wrong.append(f"joined: {sorted(group)}, nets {sorted(nets)}")
    return wrong


def close_calls() -> list[str]:
    """Copper of 400 V beside copper that carries another net; two pins in one hole."""
    wrong: list[str] = []
    net_at: dict[Hole, str] = {}
    for zone in layout().zones.values():
        for row, net in enumerate(zone.rows):
            for column in range(zone.left, zone.left + zone.width):
                net_at[column, zone.top + row] = net
    for (column, row), net in net_at.items():
        near = [(column, row - 1), (column, row + 1), (column - 1, row), (column + 1, row)]
        beside = {net_at.get(hole, _EMPTY) for hole in near} - {net, _EMPTY}
        if net in HIGH and beside:
            wrong.append(f"{net} at {hole_name((column, row))} beside {', '.join(sorted(beside))}")
    holes = [*layout().laid.pins.values(), *(hole for wire in layout().laid.wires for hole in wire)]
    wrong += [f"hole {hole_name(h)} is used twice" for h in set(holes) if holes.count(h) > 1]
    return wrong


def listed() -> str:
    """The list to work from, as CSV: parts with the hole of each pin, then wires, then cuts."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("what", "value_or_net", "holes"))
    for part in parts():
        holes = [hole_name(layout().laid.pins[part.ref, pin]) for pin in range(1, len(part.nodes) + 1)]
        writer.writerow((part.ref, part.value, " ".join(holes)))
    for k, (a, b) in enumerate(layout().laid.wires, 1):
        writer.writerow((f"wire {k}", _net_at(a), f"{hole_name(a)} {hole_name(b)}"))
    by_column: dict[int, list[Hole]] = {}
    for cut in layout().cuts:
        by_column.setdefault(cut[0], []).append(cut)
    for cuts in by_column.values():
        writer.writerow(("cut", "", f"{hole_name(cuts[0])} to {hole_name(cuts[-1])}"))
    return out.getvalue()


def _net_at(hole: Hole) -> str:
    for zone in layout().zones.values():
        if zone.left <= hole[0] < zone.left + zone.width and zone.top <= hole[1] < zone.top + len(zone.rows):
            return zone.rows[hole[1] - zone.top]
    return _EMPTY


if __name__ == "__main__":
    os.environ.setdefault("SOURCE_DATE_EPOCH", "0")
    from circuit.stripboard_picture import draw

    for line in (*differences(), *close_calls()):
        sys.stderr.write(f"{line}\n")
    LIST.write_text(listed(), encoding="utf-8", newline="")
    sys.stdout.writelines(f"{file.name}\n" for file in draw(layout()))
