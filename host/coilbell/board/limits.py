"""What a good board shows in the rows of its check, and which parts a wrong figure points at.

Limits come from 500 boards of drawn parts on the circuit of hardware-notes, of which 99 % and more pass each
row, and from 40 single faults (simulated: hardware-notes/circuit/claims/bench_rows.py, faults.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from coilbell.board.identity import Identity
from coilbell.board.outcome import Row

__all__ = ["FIRST", "LIMITS", "Limit", "limit_of", "limited", "ratio"]


@dataclass(frozen=True, slots=True)
class Limit:
    """Of one row: unit, lowest and highest of a good board, what a figure beyond points at."""

    unit: str
    low: float
    high: float
    blame: str


LIMITS = {
    "offset": Limit(
        "LSB", 1700, 2200, "U1, R22, R23 (middle of the scale); R2, R19, R18, C6 (input); R20, R21, R24"
    ),
    "lead voltage": Limit("V", -0.4, 0.4, "R3, R4, R25, R26, R28, R33, R34, U1; something live on the leads"),
    "cell": Limit("V", 1.1, 1.9, "R3, R4, R25, R28, R33, R34, C9, C10, U1"),
    "noise": Limit("LSB rms", 0.05, 3.0, "C11, C12, C14, C16, R29; another computer or supply near by"),
    # 0.1 pF from a mains lead make 4 to 25 codes on open leads. At 40 they carry 11 mV: no fault of the
    # board, but no place to measure its steps and its discharge.
    "hum": Limit("LSB rms", 0.0, 40.0, "mains near the leads: twist them, move away from supplies and lamps"),
    "pulse current": Limit(
        "A", 4.4e-3, 7.6e-3, "Q4, R17, C4, R15, D8 to D11, C5, U2; R20, R21, R24, C6 (amplifier); F1; C1, Q1"
    ),
    "input resistance": Limit(
        "ohm", 4.5e6, math.inf, "D1 to D4, D10, R3, R19, R2, R35, R36, C20, C15, U1 (BOOT), flux about them"
    ),
}
FIRST = {
    # Its amplifier lets direct voltage through: open leads rest at 0.33 V, codes 2650 (simulated: first.py).
    "offset": Limit("LSB", 1700, 3000, "R3 to R8, U1"),
    "lead voltage": Limit("V", -0.45, 0.45, "R2, R3, R4, U1; something live on the leads"),
    "pulse current": Limit("A", 4.2e-3, 6.2e-3, "R1, D1, D2, C1, R7, R8, U1"),
    "input resistance": Limit("ohm", 0.0, math.inf, "R2, R3, R4, U1; something across the leads"),
}
"""Rows of the first board, on a breadboard, that differ (hardware-notes/circuit/first.cir)."""
_WAY = {
    "A": "C1, Q1, R6, R9, D5, D12",
    "B": "C2, Q2, R7, R10, D6, D13",
    "C": "C3, Q3, R8, R11, D7, D14",
}
_COIL_FARADS = 0.5e-9
"""Standard uncertainty of what an unknown coil brings along: up to a nanofarad is usual (common practice)."""
_ROOM = 2.5
"""Standard uncertainties that a good board may be off: common practice."""


def ratio(identity: Identity, other: str, stray: tuple[float, float] | None = None) -> Limit:
    """Of the row that compares the first test capacitor with another, by the constants of the board [1].

    All capacitance with the one over all capacitance with the other, which is (f2/f1)^2 of one coil. stray:
    what is beside the test capacitors, coil and all, with its standard uncertainty [F], where it was found.
    """
    parts = [p for letter in (identity.capacitors[0], other) if (p := identity.capacitor(letter))]
    own = math.hypot(identity.stray_uncertainty_farads, _COIL_FARADS)
    beside, spread = stray or (identity.stray_farads, own)
    totals = [part.farads + beside for part in parts if part]
    tolerances = [
        part.farads * part.tolerance / total for part, total in zip(parts, totals, strict=True) if part
    ]
    shared = spread * abs(1 / totals[0] - 1 / totals[1])
    middle, room = totals[0] / totals[1], _ROOM * math.hypot(*tolerances, shared)
    blame = "; ".join(_WAY.get(letter, letter) for letter in (identity.capacitors[0], other))
    return Limit("", middle * math.exp(-room), middle * math.exp(room), f"{blame}; U2")


def limit_of(name: str, identity: Identity) -> Limit:
    """The limits of that row for the board's design."""
    return FIRST.get(name, LIMITS[name]) if identity.constants.get("design") else LIMITS[name]


def limited(
    name: str, value: float, note: str = "", uncertainty: float | None = None, limit: Limit | None = None
) -> Row:
    """The row of that name with its limits; where it fails its note says which parts to look at.

    limit: in place of the one in LIMITS.
    """
    limit = limit or LIMITS[name]
    row = Row(name, value, limit.unit, limit.low, limit.high, note, uncertainty)
    if row.passed:
        return row
    words = f"look at {limit.blame}"
    return replace(row, note=f"{note}; {words}" if note else words)
