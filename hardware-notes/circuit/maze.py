"""Tracks on two layers by a shortest-way search on a grid; knows nothing of KiCad.

Everything is in millimetres outside and in grid cells inside. A net's copper keeps its clearance from that
of all other nets; a through hole stands in both layers.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

__all__ = ["GRID", "Maze", "Pad", "Rule", "Run", "route"]

GRID = 0.635
Cell = tuple[int, int, int]
"""(column, row, layer)."""

_VIA_COST = 12.0
_VIA_RADIUS = 0.4
_EDGE = 0.8
_FARTHEST = 4.0
"""No clearance with half a track is wider [mm]."""
_CORNERS = ((-0.7, -0.7), (0.7, -0.7), (0.7, 0.7), (-0.7, 0.7))
_SLANT = 0.06
"""What a slanting piece comes nearer between two cells than at them."""


@dataclass(frozen=True)
class Pad:
    """A pad: net, middle, half its width and height [mm], layers it stands in."""

    net: str
    x: float
    y: float
    half_x: float
    half_y: float
    layers: tuple[int, ...] = (0, 1)


@dataclass(frozen=True)
class Area:
    """Copper that will be poured and that others may not cut: net, layers, corners [mm], nets that may."""

    net: str
    layers: tuple[int, ...]
    corners: tuple[tuple[float, float], ...]
    passes: frozenset[str] = frozenset()

    def holds(self, x: float, y: float) -> bool:
        """Whether the point lies within."""
        return self.away(x, y) == 0.0

    def away(self, x: float, y: float) -> float:
        """Distance of a point [mm], 0 within."""
        inside, least = False, math.inf
        for (ax, ay), (bx, by) in zip(self.corners, (*self.corners[1:], self.corners[0]), strict=True):
            if (ay > y) != (by > y) and x < ax + (y - ay) / (by - ay) * (bx - ax):
                inside = not inside
            dx, dy = bx - ax, by - ay
            along = max(0.0, min(1.0, ((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy)))
            least = min(least, math.hypot(x - ax - along * dx, y - ay - along * dy))
        return 0.0 if inside else least


@dataclass(frozen=True)
class Rule:
    """Of a net: track width and clearance [mm]."""

    width: float = 0.3
    clearance: float = 0.28


@dataclass
class Run:
    """Copper of a net: tracks as (x1, y1, x2, y2, layer), vias as (x, y) [mm]."""

    tracks: list[tuple[float, float, float, float, int]] = field(default_factory=list)
    vias: list[tuple[float, float]] = field(default_factory=list)
    cells: set[Cell] = field(default_factory=set)


class Maze:
    """A board of given size with its pads; routes one net after the other."""

    def __init__(
        self,
        width: float,
        height: float,
        pads: Sequence[Pad],
        rules: Mapping[str, Rule],
        areas: Sequence[Area] = (),
    ) -> None:
        self.columns, self.rows = int(width / GRID) + 1, int(height / GRID) + 1
        self._size = (width, height)
        self.pads = pads
        self._rules = rules
        self._areas = areas
        self._distances: dict[Area, list[tuple[int, float]]] = {}
        self.runs: dict[str, Run] = {}

    def rule(self, net: str) -> Rule:
        """Width and clearance of a net."""
        return self._rules.get(net, Rule())

    def order(self, net: str) -> tuple[bool, float]:
        """Ground last, the others from short to long."""
        pads = [pad for pad in self.pads if pad.net == net]
        across, along = [pad.x for pad in pads], [pad.y for pad in pads]
        return net == "0", max(across) - min(across) + max(along) - min(along)

    def free(self, net: str, area: Area, step: float) -> list[tuple[float, float]]:
        """Spots in an area, about `step` [mm] apart, where a via of its net touches nothing else."""
        blocked = self._blocked(net, _VIA_RADIUS)
        taken = [(x, y) for run in self.runs.values() for x, y in run.vias]
        found: list[tuple[float, float]] = []
        every = max(1, round(step / GRID))
        for row in range(every // 2, self.rows, every):
            for column in range(every // 2, self.columns, every):
                x, y = column * GRID, row * GRID
                if not area.holds(x, y) or any(not area.holds(x + dx, y + dy) for dx, dy in _CORNERS):
                    continue
                cells = (row * self.columns + column, (self.rows + row) * self.columns + column)
                if (
                    not any(blocked[c] for c in cells)
                    and all(math.hypot(x - tx, y - ty) > 2.0 for tx, ty in taken)
                    and all(max(abs(x - p.x) - p.half_x, abs(y - p.y) - p.half_y) > 0.7 for p in self.pads)
                ):
                    found.append((x, y))
        return found

    def _blocked(self, net: str, half: float) -> bytearray:
        """Cells where copper of this net with this half width would come too close."""
        blocked = bytearray(self.columns * self.rows * 2)
        own = self.rule(net).clearance
        for pad in self.pads:
            if pad.net != net:
                gap = max(own, self.rule(pad.net).clearance) + half + _SLANT
                size = (pad.half_x + gap, pad.half_y + gap)
                for layer in pad.layers:
                    self._cover(blocked, (pad.x, pad.y), size, gap, layer)
        for area in self._areas:
            if area.net != net and net not in area.passes:
                self._fill(blocked, area, max(own, self.rule(area.net).clearance) + half)
        for other, run in self.runs.items():
            if other == net:
                continue
            rule = self.rule(other)
            gap = max(own, rule.clearance) + half + rule.width / 2 + _SLANT
            for column, row, layer in run.cells:
                self._cover(blocked, (column * GRID, row * GRID), (gap, gap), gap, layer)
            gap = max(own, rule.clearance) + half + _VIA_RADIUS
            for x, y in run.vias:
                for layer in (0, 1):
                    self._cover(blocked, (x, y), (gap, gap), gap, layer)
        self._edges(blocked, half)
        return blocked

    def _cover(
        self,
        blocked: bytearray,
        at: tuple[float, float],
        size: tuple[float, float],
        corner: float,
        layer: int,
    ) -> None:
        """An oblong of half sizes `size` about `at` with corners rounded by `corner`."""
        (x, y), (dx, dy) = at, size
        flat_x, flat_y = dx - corner, dy - corner
        for row in range(max(0, math.ceil((y - dy) / GRID)), min(self.rows - 1, int((y + dy) / GRID)) + 1):
            away_y = max(0.0, abs(row * GRID - y) - flat_y)
            reach = flat_x + math.sqrt(max(0.0, corner * corner - away_y * away_y))
            first = max(0, math.ceil((x - reach) / GRID + 1e-6))
            last = min(self.columns - 1, int((x + reach) / GRID - 1e-6))
            if last >= first:
                start = (layer * self.rows + row) * self.columns + first
                blocked[start : start + last - first + 1] = b"\1" * (last - first + 1)

    def _fill(self, blocked: bytearray, area: Area, gap: float) -> None:
        for index, away in self._near(area):
            if away < gap:
                for layer in area.layers:
                    blocked[layer * self.rows * self.columns + index] = 1

    def _near(self, area: Area) -> list[tuple[int, float]]:
        """Cells in or near an area, each with its distance [mm]."""
        if area not in self._distances:
            self._distances[area] = [
                (row * self.columns + column, away)
                for row in range(self.rows)
                for column in range(self.columns)
                if (away := area.away(column * GRID, row * GRID)) < _FARTHEST
            ]
        return self._distances[area]

    def _edges(self, blocked: bytearray, half: float) -> None:
        margin = math.ceil((_EDGE + half) / GRID)
        for layer in (0, 1):
            for row in range(self.rows):
                at = (layer * self.rows + row) * self.columns
                if row < margin or row >= self.rows - margin:
                    blocked[at : at + self.columns] = b"\1" * self.columns
                else:
                    blocked[at : at + margin] = b"\1" * margin
                    blocked[at + self.columns - margin : at + self.columns] = b"\1" * margin

    def net(self, net: str) -> bool:
        """Joins all pads of a net; False when it cannot."""
        rule = self.rule(net)
        pads = [pad for pad in self.pads if pad.net == net]
        track, via = self._blocked(net, rule.width / 2), self._blocked(net, _VIA_RADIUS)
        run = Run()
        poured = [pad for pad in pads if self._poured(pad)]
        reached = set().union(*(self._both(pad) for pad in poured or pads[:1]))
        left = [pad for pad in pads if pad not in (poured or pads[:1])]
        while left:
            way = self._way(reached, left, track, via)
            if way is None:
                return False
            cells, pad = way
            left.remove(pad)
            self._lay(run, cells)
            run.cells.update(cells)
            reached |= run.cells | self._both(pad)
        for pad in pads:
            self._stub(run, pad)
        self.runs[net] = run
        return True

    def _cell(self, pad: Pad) -> tuple[int, int]:
        return round(pad.x / GRID), round(pad.y / GRID)

    def _both(self, pad: Pad) -> set[Cell]:
        return {(*self._cell(pad), layer) for layer in pad.layers}

    def _poured(self, pad: Pad) -> bool:
        """Whether the pour of its own net takes a pad in."""
        return any(
            area.net == pad.net and set(area.layers) & set(pad.layers) and area.holds(pad.x, pad.y)
            for area in self._areas
        )

    def _stub(self, run: Run, pad: Pad) -> None:
        """From the middle of a pad to its cell, where a track comes in."""
        for column, row, layer in self._both(pad) & run.cells:
            if math.hypot(column * GRID - pad.x, row * GRID - pad.y) > 1e-3:
                run.tracks.append((pad.x, pad.y, column * GRID, row * GRID, layer))

    def _way(
        self, reached: Iterable[Cell], left: Sequence[Pad], track: bytearray, via: bytearray
    ) -> tuple[list[Cell], Pad] | None:
        goals = {(*self._cell(pad), layer): pad for pad in left for layer in pad.layers}
        best: dict[Cell, float] = dict.fromkeys(reached, 0.0)
        before: dict[Cell, Cell] = {}
        spots = [self._cell(pad) for pad in left]

        def guess(cell: Cell) -> float:
            return min(max(abs(cell[0] - c), abs(cell[1] - r)) for c, r in spots)

        queue = [(guess(cell), cell) for cell in best]
        heapq.heapify(queue)
        done: set[Cell] = set()
        while queue:
            _, cell = heapq.heappop(queue)
            if cell in done:
                continue
            done.add(cell)
            if cell in goals:
                return self._back(cell, before), goals[cell]
            for step, cost in self._steps(cell, track, via, goals):
                total = best[cell] + cost
                if total < best.get(step, math.inf):
                    best[step] = total
                    before[step] = cell
                    heapq.heappush(queue, (total + guess(step), step))
        return None

    def _steps(
        self, cell: Cell, track: bytearray, via: bytearray, goals: Container[Cell]
    ) -> Iterator[tuple[Cell, float]]:
        column, row, layer = cell
        for dx, dy, cost in _MOVES:
            c, r = column + dx, row + dy
            if 0 <= c < self.columns and 0 <= r < self.rows:
                free = not track[(layer * self.rows + r) * self.columns + c]
                if free or (c, r, layer) in goals:
                    # Each layer has a direction it likes, so that the two do not wall each other in.
                    against = 0.35 if (dx == 0) == (layer == 1) and dx * dy == 0 else 0.0
                    yield (c, r, layer), cost + against
        at = row * self.columns + column
        if not via[at] and not via[self.rows * self.columns + at]:
            yield (column, row, 1 - layer), _VIA_COST

    @staticmethod
    def _back(cell: Cell, before: Mapping[Cell, Cell]) -> list[Cell]:
        cells = [cell]
        while cells[-1] in before:
            cells.append(before[cells[-1]])
        return cells[::-1]

    @staticmethod
    def _lay(run: Run, cells: Sequence[Cell]) -> None:
        """Straight pieces as long as they go; a via where the layer changes."""
        start = 0
        for k in range(1, len(cells)):
            (c0, r0, l0), (c1, r1, l1) = cells[k - 1], cells[k]
            if l0 != l1:
                _piece(run, cells[start], cells[k - 1])
                run.vias.append((c0 * GRID, r0 * GRID))
                start = k
            elif k - 1 > start:
                c, r, _ = cells[k - 2]
                if (c0 - c, r0 - r) != (c1 - c0, r1 - r0):
                    _piece(run, cells[start], cells[k - 1])
                    start = k - 1
        _piece(run, cells[start], cells[-1])


_MOVES = tuple((dx, dy, math.sqrt(dx * dx + dy * dy)) for dx in (-1, 0, 1) for dy in (-1, 0, 1) if dx or dy)


def _piece(run: Run, a: Cell, b: Cell) -> None:
    if a[:2] != b[:2]:
        run.tracks.append((a[0] * GRID, a[1] * GRID, b[0] * GRID, b[1] * GRID, a[2]))


def route(maze: Maze, order: Sequence[str], tries: int = 10) -> list[str]:
    """Routes all nets; one that finds no way goes to the front and all begins again. Returns those left."""
    waiting = list(order)
    failed: list[str] = []
    for _ in range(tries):
        maze.runs = {}
        failed = []
        for net in waiting:
            if not maze.net(net):
                failed.append(net)
        if not failed:
            return []
        waiting = failed + [net for net in waiting if net not in failed]
    return failed
