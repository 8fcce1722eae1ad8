"""The first board on a breadboard: which hole each leg goes to, checked against first.cir, and its picture.

    python -m circuit.breadboard         in hardware-notes: first-board.csv and drawings/first-board.*

Holes are a column from 1 and a row from a to j; five holes of a column are one piece of metal, a to e and
f to j.
T+ T- are the long rails beside row a, B+ B- those beside row j; a rail's hole has a column too.
"""

from __future__ import annotations

import csv
import io
import os
import sys
from pathlib import Path

from circuit import first
from circuit.netlist import HERE

__all__ = ["JUMPERS", "LEGS", "LIST", "differences", "draw", "listed"]

FOLDER = HERE.parent / "drawings"
LIST = HERE.parent / "first-board.csv"

LEGS: dict[str, tuple[str, ...]] = {
    "R1": ("i20", "i25"),
    "D1": ("g25", "g28"),
    "D2": ("j28", "j36"),
    "R2": ("i36", "B-38"),
    "R3": ("h36", "h32"),
    "C2": ("g36", "g32"),
    "R4": ("B+30", "i32"),
    "C1": ("f36", "f39"),
    "R7": ("g30", "g31"),
    "R8": ("h31", "h27"),
    "R5": ("T+33", "a33"),
    "R6": ("b33", "T-35"),
    "C4": ("c33", "T-38"),
    "C3": ("b30", "T-28"),
    "U1": ("f30", "f31", "f32", "f33", "e33", "e32", "e31", "e30"),
    "U3": (*(f"h{k}" for k in range(1, 21)), *(f"c{k}" for k in range(20, 0, -1))),
}
"""Reference -> hole of each leg, in the order of the netlist's pins."""

JUMPERS = (
    ("b5", "c30"),
    ("b6", "T+6"),
    ("b3", "T-3"),
    ("b8", "T-8"),
    ("T+43", "B+43"),
    ("T-45", "B-45"),
    ("j30", "a10"),
    ("b31", "b32"),
    ("a31", "j27"),
    ("j33", "B-33"),
    ("j39", "B-40"),
)
"""Wires, by both holes."""

RED, BLACK = "LEAD", "0"


def _metal(hole: str) -> str:
    """The piece of metal that a hole belongs to."""
    if hole[0] in "TB":
        return hole[:2]
    return f"{'a' if hole[0] in 'abcde' else 'f'}{hole[1:]}"


def joined() -> list[set[tuple[str, int]]]:
    """Pins that metal and jumpers join."""
    group = {_metal(h): _metal(h) for legs in LEGS.values() for h in legs}
    group |= {_metal(h): _metal(h) for pair in JUMPERS for h in pair}
    for a, b in JUMPERS:
        old, new = group[_metal(a)], group[_metal(b)]
        group = {metal: new if g == old else g for metal, g in group.items()}
    found: dict[str, set[tuple[str, int]]] = {}
    for ref, legs in LEGS.items():
        for pin, hole in enumerate(legs, 1):
            found.setdefault(group[_metal(hole)], set()).add((ref, pin))
    return list(found.values())


def differences() -> list[str]:
    """What the breadboard joins otherwise than first.cir; holes used twice."""
    wanted = {(p.ref, pin): net for p in first.parts() for pin, net in p.connected}
    wrong = [f"{part.ref} is not on the board" for part in first.parts() if part.ref not in LEGS]
    whole: dict[str, set[tuple[str, int]]] = {}
    for pin, net in wanted.items():
        whole.setdefault(net, set()).add(pin)
    for group in joined():
        nets = {wanted[pin] for pin in group if pin in wanted}
        told = {pin for pin in group if pin in wanted}
        if len(nets) > 1 or (nets and told != whole[next(iter(nets))]):
            wrong.append(f"joined: {sorted(told)}, nets {sorted(nets)}")
    holes = [h for legs in LEGS.values() for h in legs] + [h for pair in JUMPERS for h in pair]
    return wrong + [f"hole {h} is used twice" for h in sorted(set(holes)) if holes.count(h) > 1]


def listed() -> str:
    """Parts with what to ask for, quantity one each, and the hole of every leg; then the jumpers."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("what", "part", "must", "holes"))
    for part in first.parts():
        kind, legs = first.table()[part.ref], LEGS[part.ref]
        holes = " ".join(legs) if part.ref != "U3" else "pin 1 in h1, pin 40 in c1"
        writer.writerow((part.ref, kind["what"], kind["must"], holes))
    for number, (a, b) in enumerate(JUMPERS, 1):
        writer.writerow((f"jumper {number}", "wire", "", f"{a} {b}"))
    return out.getvalue()


_ROWS = {row: 16.0 - k for k, row in enumerate("abcde")} | {row: 9.0 - k for k, row in enumerate("fghij")}
_RAILS = {"T+": 19.5, "T-": 18.5, "B-": 2.5, "B+": 1.5}
_LAST = 47


def _spot(hole: str) -> tuple[float, float]:
    if hole[:2] in _RAILS:
        return float(hole[2:]), _RAILS[hole[:2]]
    return float(hole[1:]), _ROWS[hole[0]]


_COLOURS = {"T+": "#c0392b", "T-": "#222222", "B+": "#c0392b", "B-": "#222222"}


def draw(folder: Path = FOLDER) -> list[Path]:
    """Writes first-board.svg and .png."""
    import matplotlib as mpl

    mpl.use("Agg")
    mpl.rcParams["svg.hashsalt"] = "breadboard"
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(figsize=(13.5, 6.4))
    axes.set_aspect("equal")
    axes.axis("off")
    axes.set_xlim(-2.5, _LAST + 1.5)
    axes.set_ylim(-3.4, 21)
    _holes(axes)
    _module(axes)
    _chip(axes)
    for k, (a, b) in enumerate(JUMPERS, 1):
        _wire(axes, a, b, k)
    for ref, legs in LEGS.items():
        if len(legs) == 2:
            _part(axes, ref, *map(_spot, legs))
    _leads(axes)
    axes.text(
        -1.5,
        -2.9,
        "FIRST BOARD: nothing protects these leads. New parts on the bench only, never a part in a set, "
        "never anything charged.\nThe bands of D1 and D2 point to the right. Columns and rows as printed "
        "on a breadboard; + is 3.3 V of pin 35, - is ground.",
        fontsize=10,
        weight="bold",
        color="#a00000",
    )
    files = [folder / "first-board.svg", folder / "first-board.png"]
    for file in files:
        options = {"metadata": {"Date": None}} if file.suffix == ".svg" else {"dpi": 110}
        figure.savefig(file, bbox_inches="tight", **options)
    plt.close(figure)
    return files


def _holes(axes) -> None:  # type: ignore[no-untyped-def]
    for name, y in _RAILS.items():
        axes.plot([1, _LAST], [y, y], color=_COLOURS[name], lw=0.6, alpha=0.5, zorder=0)
        axes.text(0.2, y, name[1], ha="right", va="center", fontsize=9, color=_COLOURS[name])
    for y in (*_ROWS.values(), *_RAILS.values()):
        axes.plot(range(1, _LAST + 1), [y] * _LAST, "s", color="#d5d5d5", ms=2.6, zorder=0)
    for row, y in _ROWS.items():
        axes.text(0.2, y, row, ha="right", va="center", fontsize=7, color="#777777")
    for column in (1, *range(5, _LAST, 5)):
        axes.text(column, 10.3, column, ha="center", va="center", fontsize=6.5, color="#777777")


def _module(axes) -> None:  # type: ignore[no-untyped-def]
    from matplotlib.patches import Rectangle

    axes.add_patch(Rectangle((0.3, 6.4), 20.4, 8.2, fc="#dfeee0", ec="#3a7a3e", zorder=1))
    axes.add_patch(Rectangle((-1.2, 9), 2.2, 3, fc="#cccccc", ec="#666666", zorder=2))
    axes.text(9.5, 11.6, "U3  Pico or Pico 2", ha="center", fontsize=9, zorder=3)
    axes.text(-0.1, 10.5, "USB", ha="center", va="center", fontsize=6.5, rotation=90, zorder=3)
    for pin, hole in enumerate(LEGS["U3"], 1):
        x, y = _spot(hole)
        axes.plot(x, y, "o", color="#8a6d1a", ms=3.2, zorder=3)
        if pin in (1, 20, 31, 33, 35, 36, 38):
            axes.text(
                x, y + (0.75 if y < 10 else -0.75), pin, ha="center", va="center", fontsize=6.5, zorder=3
            )


def _chip(axes) -> None:  # type: ignore[no-untyped-def]
    from matplotlib.patches import Rectangle

    axes.add_patch(Rectangle((29.5, 9.35), 4, 2.3, fc="#444444", ec="black", zorder=2))
    axes.plot(29.9, 9.8, "o", color="white", ms=3, zorder=3)
    axes.text(31.6, 10.7, "U1 MCP6022", ha="center", va="center", fontsize=7, color="white", zorder=3)
    for pin, hole in enumerate(LEGS["U1"], 1):
        x, y = _spot(hole)
        axes.plot(x, y, "o", color="#8a8a8a", ms=3.6, zorder=3)
        axes.text(
            x + 0.3, y + (0.35 if y < 10 else -0.35), pin, fontsize=6, ha="center", va="center", zorder=3
        )


def _wire(axes, a: str, b: str, number: int) -> None:  # type: ignore[no-untyped-def]
    (x1, y1), (x2, y2) = _spot(a), _spot(b)
    axes.plot([x1, x2], [y1, y2], color="#1f5fa8", lw=1.8, alpha=0.75, zorder=4, solid_capstyle="round")
    axes.plot([x1, x2], [y1, y2], "o", color="#1f5fa8", ms=3.4, zorder=4)
    x, y = x1 + 0.35 * (x2 - x1), y1 + 0.35 * (y2 - y1)
    axes.text(
        x,
        y,
        number,
        fontsize=6.5,
        color="white",
        ha="center",
        va="center",
        zorder=6,
        bbox={"boxstyle": "circle,pad=0.15", "fc": "#1f5fa8", "ec": "none"},
    )


def _part(axes, ref: str, a: tuple[float, float], b: tuple[float, float]) -> None:  # type: ignore[no-untyped-def]
    value = next(part.value for part in first.parts() if part.ref == ref).replace("Meg", "M")
    colour = {"R": "#b9770e", "C": "#117a65", "D": "#922b21"}[ref[0]]
    axes.plot([a[0], b[0]], [a[1], b[1]], color="#777777", lw=1.2, zorder=5)
    axes.plot([a[0], b[0]], [a[1], b[1]], "o", color=colour, ms=4, zorder=6)
    x, y = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
    words = f"{ref} {value.removeprefix('D')}"
    if ref[0] == "D":
        axes.plot([b[0] - 0.6] * 2, [b[1] - 0.35, b[1] + 0.35], color=colour, lw=3, zorder=7)
    axes.text(
        x,
        y,
        words,
        fontsize=6.8,
        ha="center",
        va="center",
        zorder=7,
        bbox={"boxstyle": "round,pad=0.18", "fc": "white", "ec": colour, "lw": 1.0},
    )


def _leads(axes) -> None:  # type: ignore[no-untyped-def]
    for hole, colour, words in (("f36", "#c0392b", "red lead"), ("f39", "#222222", "black lead")):
        x, y = _spot(hole)
        far = x + (4.2 if colour == "#c0392b" else 3.0)
        low = y - (1.6 if colour != "#c0392b" else 0.7)
        axes.plot([x, far, far + 2.5], [y, low, low], color=colour, lw=2.5, alpha=0.8, zorder=3)
        axes.text(far + 2.6, low, words, fontsize=7.5, va="center", color=colour)
    axes.text(40.3, 5.3, "soldered to C1's own legs", fontsize=7, color="#555555")


if __name__ == "__main__":
    os.environ.setdefault("SOURCE_DATE_EPOCH", "0")
    for line in differences():
        sys.stderr.write(f"{line}\n")
    LIST.write_text(listed(), encoding="utf-8", newline="")
    sys.stdout.writelines(f"{file.name}\n" for file in draw())
