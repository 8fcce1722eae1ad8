"""Copper of the printed board as resistance and inductance between the pins of a net.

From the Gerber files that are ordered, not from the drawing: each net's copper on both sides becomes a mesh
of square cells of 0.25 mm, joined by its plated holes, and is solved for its pins. What is left is a resistor
between any two pins, with an inductance in series.

    python -m circuit.copper         in hardware-notes: writes copper.json and mesh.json, of
                                     printed/fabrication.zip
"""

from __future__ import annotations

import hashlib
import json
import math
import sys
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from circuit import plan
from circuit.gerber import PIXEL, Board, read
from circuit.netlist import GROUND, HERE, parts

__all__ = [
    "MODULE",
    "NETS",
    "PACKAGE",
    "SHEET_OHMS",
    "Mesh",
    "board",
    "digest",
    "kept_mesh",
    "mesh",
    "pad_of",
    "ring_path",
    "terminals",
]

PACKAGE = HERE.parent / "printed" / "fabrication.zip"
FILE = HERE / "copper.json"
MESHES = HERE / "mesh.json"
"""The meshes of NETS, half a minute's work, with the digest of the package that they are of."""

SHEET_OHMS = 1.75e-8 / 35e-6
"""Of copper 35 um thick, the usual one: resistivity over thickness [ohm]; 1.75e-8 ohm m at 25 degC (handbook
figure of copper 1.72e-8 at 20 degC and 0.39 %/K; from memory)."""
_WALL = 20e-6
"""Plating of a hole's wall [m] (common practice)."""
_THICK = 1.6
"""Of the board [mm]."""
_CELL = 10
"""Pixels along a cell's edge: 0.25 mm."""
_REACH, _LEG = 0.6, 0.9
"""A pin joins all copper within this [mm]: half the width of a soldered end, a leg of 0.8 mm or more with the
solder around it."""
_POST = 4.0
"""As far as the washer of a post presses on the copper [mm]."""
_FAINT = 2e-3
"""A resistor of the mesh that conducts less than this share of the strongest at its pins is left out."""

MODULE = ("U3", 3)
_SIGNAL = frozenset(
    {("U1", 11), ("U2", 7), *((f"C{k}", 2) for k in (5, 8, 9, 10)), *((f"R{k}", 2) for k in (1, 25, 36))}
)

NETS = ("LEAD", "0", "DRAINA", "DRAINB", "DRAINC", "BOOT", "FUSED", "RING")
"""Nets whose copper is part of the circuit; ground is both its pieces."""

SWITCH_OHMS, SWITCH_SPREAD = 5.4e-3, 0.8e-3
"""IRLB8748 at 4.5 V: typical, and half of the way to its limit of 6.8 milliohm as standard uncertainty."""


@dataclass(frozen=True)
class Mesh:
    """Copper of one net: pins as (reference, pin), conductance between each two [S], seconds of L over R.

    farads: its capacitance to ground [F].
    """

    net: str
    pins: tuple[tuple[str, int], ...]
    siemens: np.ndarray
    seconds: float
    farads: float

    def ohms(self, a: tuple[str, int], b: tuple[str, int]) -> float:
        """Resistance from pin to pin, all else open [ohm]."""
        i, j = self.pins.index(a), self.pins.index(b)
        laplacian = np.diag(self.siemens.sum(axis=1)) - self.siemens
        keep = [k for k in range(len(self.pins)) if k != j]
        drive = np.zeros(len(self.pins))
        drive[i] = 1.0
        return float(np.linalg.solve(laplacian[np.ix_(keep, keep)], drive[keep])[keep.index(i)])

    def henries(self, a: tuple[str, int], b: tuple[str, int]) -> float:
        """Inductance of the same way [H]."""
        return self.ohms(a, b) * self.seconds


@cache
def board(package: Path = PACKAGE) -> Board:
    """The board in a package as its maker would read it."""
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(package) as files:
        files.extractall(folder)
        return read(Path(folder))


def pad_of(ref: str, pin: int) -> str:
    """Pad number of a pin: a diode's cathode is pad 1, the netlist's anode pin 1."""
    return str(3 - pin) if ref[0] == "D" else str(pin)


def terminals(net: str) -> dict[tuple[str, int], tuple[tuple[str, int], ...]]:
    """Pins of a net -> the pins that each stands for.

    Of ground those are told apart through which the ring, a mishap or the signal passes; the module's are
    one, since its own ground joins them.
    """
    pins = [(part.ref, pin) for part in parts() for pin, node in part.connected if node == net]
    if net != GROUND:
        return {pin: (pin,) for pin in pins}
    module = tuple(pin for pin in pins if pin[0] == "U3")
    told = {pin: (pin,) for pin in pins if pin in plan.POWER or pin in _SIGNAL}
    return {MODULE: module} | told


@cache
def mesh(net: str, package: Path = PACKAGE) -> Mesh:
    """The net's copper between its `terminals`."""
    of = board(package)
    groups = terminals(net)
    pins = tuple(groups)
    spots = [
        [(s.x, s.y, s.sides) for ref, pin in group for s in of.pads[ref, pad_of(ref, pin)]]
        for group in groups.values()
    ]
    grid = _Grid(of, [spot for each in spots for spot in each])
    at = [
        grid.terminal(each, _POST if ref == "J1" else _LEG if len(each[0][2]) == 2 else _REACH)
        for (ref, _), each in zip(pins, spots, strict=True)
    ]
    resistances, currents = grid.solved(at)
    inverse = np.linalg.inv(resistances)
    whole = np.zeros((len(pins), len(pins)))
    whole[1:, 1:] = inverse
    whole[0, 1:] = whole[1:, 0] = -inverse.sum(axis=0)
    siemens = np.maximum(0.0, -whole)
    np.fill_diagonal(siemens, 0.0)
    strongest = siemens.max(axis=1)
    faint = siemens < _FAINT * np.minimum.outer(strongest, strongest)
    siemens[faint] = 0.0
    far = int(np.argmax(np.diag(resistances)))
    seconds = grid.partial_henries(currents[far]) / float(resistances[far, far])
    return Mesh(net, pins, siemens, seconds, grid.farads())


@cache
def kept_mesh(net: str) -> Mesh:
    """The net's mesh of PACKAGE from mesh.json, where that is of this very package; else solved anew."""
    kept = json.loads(MESHES.read_text(encoding="utf-8")) if MESHES.exists() else {}
    if kept.get("package") != digest():
        return mesh(net)
    of = kept["nets"][net]
    pins = tuple((ref, pin) for ref, pin in of["pins"])
    return Mesh(net, pins, np.array(of["siemens"]), of["seconds"], of["farads"])


def digest() -> str:
    """SHA-256 of PACKAGE."""
    return hashlib.sha256(PACKAGE.read_bytes()).hexdigest()


def _meshes() -> dict[str, Any]:
    """What mesh.json says; five figures, far more than copper's thickness is known to."""
    nets = {}
    for net in NETS:
        of = mesh(net)
        nets[net] = {
            "pins": of.pins,
            "siemens": [[float(f"{s:.5g}") for s in row] for row in of.siemens],
            "seconds": float(f"{of.seconds:.5g}"),
            "farads": float(f"{of.farads:.5g}"),
        }
    return {"package": digest(), "nets": nets}


class _Grid:
    """Cells of the copper that some pads stand on."""

    def __init__(self, of: Board, spots: Sequence[tuple[float, float, str]]) -> None:
        labels = of.labels(of.copper)
        own = {int(labels[s][of.at(x, y)]) for x, y, sides in spots for s in sides} - {0}
        filled = [_shares(np.isin(labels[side], list(own))) for side in "FB"]
        self.share = np.stack(filled)
        """Copper's share of each cell [1]: layer, row, column."""
        self.number = np.full(self.share.shape, -1)
        self.number[self.share > 0.2] = np.arange(int((self.share > 0.2).sum()))
        self.count = int(self.number.max()) + 1
        self._links = [*self._flat(1), *self._flat(2)]
        self._vias(of)

    def _flat(self, axis: int) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        a = [slice(None)] * 3
        b = [slice(None)] * 3
        a[axis], b[axis] = slice(None, -1), slice(1, None)
        both = (self.number[tuple(a)] >= 0) & (self.number[tuple(b)] >= 0)
        wide = np.minimum(self.share[tuple(a)], self.share[tuple(b)])[both]
        return [(self.number[tuple(a)][both], self.number[tuple(b)][both], wide / SHEET_OHMS)]

    def _vias(self, of: Board) -> None:
        for hole in of.holes:
            row, column = self.cell(hole.x, hole.y)
            ends = self.number[:, row, column]
            if hole.plated and (ends >= 0).all():
                siemens = math.pi * hole.across * _WALL / (1.75e-8 * _THICK)
                self._links.append((ends[:1], ends[1:], np.array([siemens])))

    def cell(self, x: float, y: float) -> tuple[int, int]:
        """Row and column of a place [mm]."""
        return int(y / PIXEL / _CELL), int(x / PIXEL / _CELL)

    def terminal(self, spots: Sequence[tuple[float, float, str]], reach: float) -> np.ndarray:
        """Cells that a pin joins; raises ValueError where there is no copper."""
        rows, columns = np.indices(self.share.shape[1:])
        found = []
        for x, y, sides in spots:
            near = np.hypot((columns + 0.5) * _CELL * PIXEL - x, (rows + 0.5) * _CELL * PIXEL - y) < reach
            for side in sides:
                numbers = self.number["FB".index(side)][near]
                found += [n for n in numbers if n >= 0]
        if not found:
            raise ValueError(f"no copper at {spots}")
        return np.array(found)

    def solved(self, terminals: Sequence[np.ndarray]) -> tuple[np.ndarray, list[Any]]:
        """Resistances of all terminals against the first [ohm]; current in each link for 1 A into each
        [A]."""
        merged = np.arange(self.count)
        for cells in terminals:
            merged[cells] = cells[0]
        a = np.concatenate([merged[i] for i, _, _ in self._links])
        b = np.concatenate([merged[j] for _, j, _ in self._links])
        s = np.concatenate([x for _, _, x in self._links])
        laplacian = sparse.coo_matrix(
            (np.r_[-s, -s], (np.r_[a, b], np.r_[b, a])), (self.count, self.count)
        ).tocsc()
        laplacian += sparse.diags(-np.asarray(laplacian.sum(axis=1)).ravel())
        used = np.flatnonzero((merged == np.arange(self.count)) & (laplacian.diagonal() > 0))
        used = used[used != merged[terminals[0][0]]]
        where = np.full(self.count, -1)
        where[used] = np.arange(len(used))
        factor = splu((laplacian[used][:, used] + 1e-9 * sparse.eye(len(used))).tocsc())
        ends = [int(where[merged[cells[0]]]) for cells in terminals[1:]]
        volts = np.empty((len(ends), len(used)))
        for k, end in enumerate(ends):
            drive = np.zeros(len(used))
            drive[end] = 1.0
            volts[k] = factor.solve(drive)
        currents = []
        for k in range(len(ends)):
            whole = np.zeros(self.count)
            whole[used] = volts[k]
            currents.append((whole[a] - whole[b]) * s)
        return volts[:, ends], currents

    def partial_henries(self, current: np.ndarray) -> float:
        """Partial inductance of a current of 1 A [H]: Neumann's integral over cells of 1 mm.

        mu0/4pi sum_ef m_e m_f / r_ef, with m the moment (current times length) of each cell along x and
        along y;
        a cell with itself: the mean of 1/r over a square of side a, 2.9732/a (closed form, 4 ln(1 + sqrt 2) +
        4 (1 - sqrt 2)/3).
        """
        step, side = 4, 1e-3
        flat = [link for link in self._links if len(link[0]) != 1 or link[0] is None]
        shape = (2, math.ceil(self.share.shape[1] / step), math.ceil(self.share.shape[2] / step))
        total, start = 0.0, 0
        layer, row, column = np.unravel_index(np.flatnonzero(self.number.ravel() >= 0), self.number.shape)
        for first, _, _ in flat[:2]:
            here = current[start : start + len(first)]
            start += len(first)
            moment = np.zeros(shape)
            np.add.at(
                moment, (layer[first], row[first] // step, column[first] // step), here * _CELL * PIXEL * 1e-3
            )
            cells = np.argwhere(np.abs(moment) > 1e-3 * np.abs(moment).max())
            m = moment[tuple(cells.T)]
            spot = cells[:, 1:] * side
            level = cells[:, 0] * _THICK * 1e-3
            r = np.sqrt(((spot[:, None] - spot[None]) ** 2).sum(axis=2) + (level[:, None] - level[None]) ** 2)
            np.fill_diagonal(r, side / 2.9732)
            total += float(m @ (1 / r) @ m)
        return 1e-7 * total

    def farads(self) -> float:
        """To ground on both sides and beside [F]: 0.1 pF for each millimetre of a track 0.3 mm wide (common
        practice for a track in a ground pour)."""
        square_mm = float(self.share.sum()) * (_CELL * PIXEL) ** 2
        return square_mm / 0.3 * 0.1e-12


def _shares(pixels: np.ndarray) -> np.ndarray:
    rows, columns = (n // _CELL for n in pixels.shape)
    return pixels[: rows * _CELL, : columns * _CELL].reshape(rows, _CELL, columns, _CELL).mean(axis=(1, 3))


_WAYS = {"A": ("C1", "Q1"), "B": ("C2", "Q2"), "C": ("C3", "Q3")}


def ring_path(letter: str, package: Path = PACKAGE) -> tuple[float, float]:
    """Resistance [ohm] and inductance [H] of the copper from post to capacitor to switch to post."""
    capacitor, switch = _WAYS[letter]
    pieces = (
        ("LEAD", ("J1", 1), (capacitor, 1)),
        (f"DRAIN{letter}", (capacitor, 2), (switch, 2)),
        ("0", (switch, 3), ("J1", 2)),
    )
    found = [(mesh(net, package).ohms(a, b), mesh(net, package).henries(a, b)) for net, a, b in pieces]
    return sum(ohms for ohms, _ in found), sum(henries for _, henries in found)


def written() -> dict[str, Any]:
    """What copper.json says; `ringpath` names the fields."""
    layout: dict[str, Mapping[str, float]] = {}
    for letter in _WAYS:
        ohms, henries = ring_path(letter)
        # 35 um copper comes 28 to 42 um thick, and joints add to it: a fifth either way.
        spread = 0.2 * ohms
        layout[letter] = {
            "copper_ohms": ohms,
            "copper_uncertainty_ohms": spread,
            "copper_henries": henries,
            "switch_ohms": SWITCH_OHMS,
            "switch_uncertainty_ohms": SWITCH_SPREAD,
            "series_ohms": ohms + SWITCH_OHMS,
            "series_uncertainty_ohms": math.hypot(spread, SWITCH_SPREAD),
        }
    return {"printed": layout}


if __name__ == "__main__":
    from circuit.proof import rounded

    FILE.write_text(json.dumps(rounded(written(), 3), indent=1) + "\n", encoding="utf-8")
    MESHES.write_text(json.dumps(_meshes()) + "\n", encoding="utf-8")
    sys.stdout.write(FILE.read_text(encoding="utf-8"))
