"""Where everything of the printed board lies; knows nothing of KiCad. Millimetres, x to the right, y down.

The ring's way is short and wide: red post, LEAD, test capacitor, DRAIN, switch, power ground, black post.
Ground is two pieces that meet in the copper of the black post and nowhere else: power ground carries the
ring, the clamp, the arrester and the gates, signal ground the amplifier, the converter and the logic.
"""

from __future__ import annotations

from dataclasses import dataclass

from circuit.netlist import Part

__all__ = [
    "CROSSING",
    "HIGH",
    "HIGH_CLEARANCE",
    "HOLES",
    "NECK",
    "PLACES",
    "POURS",
    "POWER",
    "SIZE",
    "TEST_POINTS",
    "Pour",
    "piece",
]

SIZE = (100.0, 100.0)
"""The largest that is cheap at most makers (common practice)."""

HIGH = frozenset({"LEAD", "FUSED", "SENSEA", "PSERIES"})
"""Nets that can carry 400 V after an accident."""
HIGH_CLEARANCE = 2.6
"""From HIGH copper to all other [mm]: 2.5 asked of bare copper on a board's outside at 400 V by common tables
(from memory), 0.1 for the making."""

POWER = frozenset(
    {("J1", 2), ("E1", 2), ("D2", 2), ("D3", 1), ("D11", 1)}
    | {(f"Q{k}", 3) for k in (1, 2, 3)}
    | {(f"C{k}", 2) for k in (17, 18, 19)}
)
"""Pins on power ground; every other ground pin is on signal ground."""

CROSSING = frozenset({*(f"{of}{k}" for k in "ABC" for of in ("GATE", "DRAIN")), "RING", "SENSE"})
"""Nets whose tracks cross power ground on the solder side; on the parts side none does."""
NECK = ((1, 38), (10.2, 38), (10.2, 60), (1, 60))
"""Signal ground on its way to the black post: no track in it."""

HOLES = ((96.3, 3.7), (4.0, 4.0), (96.0, 96.0), (4.0, 65.0))
"""Middles of the screw holes, 3.2 mm."""


def piece(part: Part, pin: int) -> str:
    """Piece of copper that a pin belongs to: its net, with power ground apart from signal ground."""
    net = part.nodes[pin - 1]
    return "POWER" if net == "0" and (part.ref, pin) in POWER else net


@dataclass(frozen=True, slots=True)
class Pour:
    """Filled copper: piece, layers (0 parts side, 1 solder side), corners."""

    piece: str
    layers: tuple[int, ...]
    corners: tuple[tuple[float, float], ...]


def _box(x1: float, y1: float, x2: float, y2: float) -> tuple[tuple[float, float], ...]:
    return ((x1, y1), (x2, y1), (x2, y2), (x1, y2))


_BOTH = (0, 1)


def _drain(net: str, x: float) -> Pour:
    """From a test capacitor down to the middle pin of its switch at x."""
    tongue = ((x + 1.2, 39.3), (x + 1.2, 42.0), (x - 1.2, 42.0), (x - 1.2, 39.3))
    wide = ((x - 4.7, 28.5), (x + 4.7, 28.5), (x + 4.7, 39.3))
    return Pour(net, _BOTH, (*wide, *tongue, (x - 4.7, 39.3)))


def _signal() -> tuple[tuple[float, float], ...]:
    """All that is left, from the black post down a neck at the left edge."""
    neck = ((1.0, 38.0), (10.2, 38.0), (10.2, 54.8))
    rest = ((72.8, 54.8), (72.8, 47.6), (79.8, 47.6), (79.8, 36.0), (99.0, 36.0), (99.0, 99.0), (1.0, 99.0))
    return (*neck, *rest)


def _power() -> tuple[tuple[float, float], ...]:
    """Black post and arrester at the left, a tongue to each switch's source, the clamp at the right."""
    corners = [(3.0, 30.5), (17.9, 30.5), (17.9, 42.6)]
    for x in (25.94, 36.64, 47.34):
        corners += [(x - 1.1, 42.6), (x - 1.1, 39.8), (x + 1.1, 39.8), (x + 1.1, 42.6)]
    return (*corners, (79, 42.6), (79, 46.8), (72, 46.8), (72, 54), (11, 54), (11, 37.2), (3, 37.2))


POURS = (
    Pour("LEAD", _BOTH, ((11, 3), (67, 3), (67, 12), (60.5, 21.5), (2.5, 21.5), (2.5, 11))),
    *(_drain(net, x) for net, x in (("DRAINA", 23.4), ("DRAINC", 34.1), ("DRAINB", 44.8))),
    Pour("POWER", _BOTH, _power()),
    Pour("0", _BOTH, _signal()),
)
"""In the order in which they are poured; what lies in none is bare."""

# reference: middle of the courtyard and turn [degrees, against the clock]
PLACES: dict[str, tuple[float, float, float]] = {
    # posts, arrester, test capacitors, switches
    "J1": (8, 26.5, 0),
    "E1": (15.9, 26.0, 270),
    "C1": (24.2, 26.5, 270),
    "C3": (33.8, 22.75, 270),
    "C2": (44.2, 26.5, 270),
    "Q1": (23.4, 40, 0),
    "Q3": (34.1, 40, 0),
    "Q2": (44.8, 40, 0),
    "C17": (21.4, 54.4, 90),
    "C19": (32.1, 54.4, 90),
    "C18": (42.8, 54.4, 90),
    # gates and drains of the switches
    "D5": (19.5, 58, 180),
    "D12": (19.5, 61.5, 0),
    "R9": (13.0, 58, 270),
    "R6": (26.5, 59.7, 90),
    "D7": (34.5, 58, 180),
    "D14": (34.5, 61.5, 0),
    "R11": (41.5, 59.7, 90),
    "R8": (29.0, 65.5, 0),
    "D6": (49.0, 58, 180),
    "D13": (49.0, 61.5, 0),
    "R10": (43.5, 65.5, 0),
    "R7": (51.5, 65.5, 0),
    # fuse, clamp, lead voltage
    "F1": (74.0, 9.5, 0),
    "R5": (84.0, 19.0, 180),
    "D10": (88.5, 26.0, 180),
    "R17": (86.0, 33.0, 0),
    "D1": (66.6, 26.5, 90),
    "D4": (70.3, 26.5, 270),
    "D2": (66.6, 37.5, 90),
    "D3": (70.3, 37.5, 270),
    "R3": (57.5, 23.5, 270),
    "R4": (61.5, 34.0, 270),
    # pulse
    "D9": (80.5, 38.8, 0),
    "D11": (82.5, 43.6, 180),
    "Q4": (92.5, 41.5, 180),
    "R1": (83.0, 49.0, 0),
    "C5": (89.5, 49.0, 0),
    "R16": (96.0, 47.0, 90),
    "C4": (76.7, 50.5, 0),
    "R15": (83.0, 52.5, 0),
    "D8": (90.5, 52.8, 180),
    # amplifier
    "U1": (76.2, 62.5, 0),
    "C6": (60.5, 57.5, 0),
    "C15": (60.5, 61.0, 0),
    "R2": (60.5, 64.5, 0),
    "R35": (60.5, 68.0, 0),
    "R36": (60.5, 71.5, 0),
    "C20": (60.5, 75.0, 0),
    "R18": (67.3, 57.5, 0),
    "R19": (67.3, 61.0, 0),
    "R20": (67.3, 64.5, 0),
    "R21": (67.3, 68.0, 0),
    "R23": (67.3, 71.5, 0),
    "C7": (68.2, 75.2, 0),
    "R22": (74.2, 71.5, 0),
    "C14": (74.2, 75.0, 0),
    "R27": (85.2, 57.5, 0),
    "C9": (85.2, 61.0, 0),
    "R33": (85.2, 64.5, 0),
    "R34": (85.2, 68.0, 0),
    "R25": (85.2, 71.5, 0),
    "R26": (85.2, 75.0, 0),
    "C16": (94.0, 62.0, 0),
    "R29": (94.0, 67.5, 0),
    # module and what stands at its pins
    "U3": (28.5, 87.8, 90),
    "C11": (9.8, 72.0, 0),
    "C12": (17.0, 73.6, 90),
    "R32": (20.4, 73.6, 90),
    "R31": (23.8, 73.6, 90),
    "C8": (27.2, 73.6, 90),
    "R24": (32.5, 71.0, 0),
    "C10": (36.5, 74.5, 0),
    "R28": (43.5, 71.0, 0),
    # logic
    "U2": (72.5, 88.0, 0),
    "R12": (61.0, 83.0, 0),
    "R13": (61.0, 86.5, 0),
    "R14": (61.0, 90.0, 0),
    "R30": (61.0, 93.5, 0),
    "C13": (81.5, 82.5, 0),
}

TEST_POINTS: dict[str, tuple[float, float]] = {
    "VBUS": (88.0, 82.0),
    "3V3": (13.5, 69.2),
    "VA": (92.0, 72.0),
    "VREF": (18.5, 69.0),
    "VHALF": (74.0, 78.8),
    "VMID": (67.0, 78.8),
    "ADC0": (27.5, 69.5),
    "BOOT": (81.0, 78.8),
    "SENSEOUT": (88.0, 78.8),
    "VRES": (97.3, 57.0),
    "PGATE": (77.0, 54.3),
    "PDRAIN": (91.0, 46.3),
    "NPULSE": (81.5, 94.0),
    "GATEA": (13.5, 65.3),
    "DRAINA": (24.0, 65.5),
    "DRAINB": (56.5, 61.0),
    "DRAINC": (38.0, 65.5),
}
"""Middles of the test points, named as the table of readings; LEAD is the red post."""
