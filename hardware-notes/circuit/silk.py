"""Names and values on the printed board's parts side, where there is room for them."""

from __future__ import annotations

import math

import pcbnew

from circuit import plan
from circuit.footprints import point, size
from circuit.netlist import parts

__all__ = ["write"]

_HEIGHT = 0.85
_WIDE = 0.78
"""Of a letter, for its height [1]."""
_LONG = {"U1": "U1 MCP6024", "U2": "U2 74HCT86", "U3": "U3 Pico or Pico 2", "J1": "", "E1": "E1 1 kV"}
_LONG |= {"F1": "F1 F 100 mA 500 V"}
_ABOUT = (
    ("RED", (8.0, 9.4), 1.4),
    ("BLACK", (5.2, 42.9), 1.1),
    ("LEAD", (14.6, 14.4), 1.0),
    ("400 V after an accident", (81.0, 13.9), 1.0),
    ("COILBELL TESTER  for dead, discharged parts only", (36.0, 1.7), 1.3),
)
Box = tuple[float, float, float, float]


def write(board: pcbnew.BOARD, found: dict[str, pcbnew.FOOTPRINT], extents: dict[str, list[float]]) -> None:
    """Reference and value of each part, names of test points, what a hand must know."""
    values = {part.ref: part.value for part in parts()}
    taken: list[Box] = [_pad_box(pad) for made in found.values() for pad in made.Pads()]
    taken += [(x - 3.3, y - 3.3, x + 3.3, y + 3.3) for x, y in plan.HOLES]
    for words, at, high in _ABOUT:
        _text(board, words, at, high, 0)
        taken.append(_around(words, at, high, 0))
    order = sorted(found, key=lambda ref: (not ref.startswith("TP"), -_area(extents[ref])))
    for ref in order:
        made = found[ref]
        made.Reference().SetVisible(False)
        made.Value().SetVisible(False)
        words = _LONG.get(ref, made.GetValue() if ref.startswith("TP") else f"{ref} {_shown(values[ref])}")
        if words:
            others = [box for name, e in extents.items() if name != ref for box in [tuple(e)]]
            at, turn = _spot(words, extents[ref], taken, others, ref.startswith("TP"))
            _text(board, words, at, _HEIGHT, turn)
            taken.append(_around(words, at, _HEIGHT, turn))


def _shown(value: str) -> str:
    """A value short enough for the board: models without their letters of SPICE."""
    return value.replace("Meg", "M").replace("D1N4148", "1N4148").replace("DZ10", "10V")


def _area(e: list[float]) -> float:
    return (e[2] - e[0]) * (e[3] - e[1])


def _pad_box(pad: pcbnew.PAD) -> Box:
    box = pad.GetBoundingBox()
    edges = (box.GetLeft(), box.GetTop(), box.GetRight(), box.GetBottom())
    grown = [pcbnew.ToMM(v) + d for v, d in zip(edges, (-0.15, -0.15, 0.15, 0.15), strict=True)]
    return grown[0], grown[1], grown[2], grown[3]


def _around(words: str, at: tuple[float, float], high: float, turn: int) -> Box:
    half = len(words) * high * _WIDE / 2 + 0.1, high / 2 + 0.12
    across, along = half if turn == 0 else half[::-1]
    return at[0] - across, at[1] - along, at[0] + across, at[1] + along


def _overlap(a: Box, b: Box) -> float:
    return max(0.0, min(a[2], b[2]) - max(a[0], b[0])) * max(0.0, min(a[3], b[3]) - max(a[1], b[1]))


def _spot(
    words: str, e: list[float], taken: list[Box], others: list[Box], outside: bool
) -> tuple[tuple[float, float], int]:
    """The free place nearest to a part: on its body, then beside it, then turned."""
    middle = ((e[0] + e[2]) / 2, (e[1] + e[3]) / 2)
    upright = e[3] - e[1] > 1.3 * (e[2] - e[0])
    best: tuple[float, tuple[float, float], int] | None = None
    for turn in (90, 0) if upright else (0, 90):
        for dx10 in range(-90, 91, 3):
            for dy10 in range(-90, 91, 3):
                at = (middle[0] + dx10 / 10, middle[1] + dy10 / 10)
                box = _around(words, at, _HEIGHT, turn)
                if box[0] < 0.6 or box[1] < 0.6 or box[2] > plan.SIZE[0] - 0.6 or box[3] > plan.SIZE[1] - 0.6:
                    continue
                if any(_overlap(box, b) for b in taken):
                    continue
                away = math.hypot(dx10 / 10, dy10 / 10) + 1.5 * (turn != (90 if upright else 0))
                away += 6.0 * sum(_overlap(box, b) for b in others)
                if outside:
                    away += 2.0 * _overlap(box, (e[0], e[1], e[2], e[3]))
                if best is None or away < best[0]:
                    best = (away, at, turn)
    if best is None:
        raise ValueError(f"no room for {words!r}")
    return best[1], best[2]


def _text(board: pcbnew.BOARD, words: str, at: tuple[float, float], high: float, turn: int) -> None:
    text = pcbnew.PCB_TEXT(board)
    text.SetText(words)
    text.SetPosition(point(*at))
    text.SetLayer(pcbnew.F_SilkS)
    text.SetTextSize(size(high * 0.9, high))
    text.SetTextThickness(pcbnew.FromMM(0.13))
    text.SetTextAngle(turn * 10)
    board.Add(text)
