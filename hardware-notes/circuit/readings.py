"""What a meter of 10 megohms shows on the finished board at rest: the table of building.md.

python -m circuit.readings (in hardware-notes) simulates each reading and writes the block anew.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass

from circuit.deck import Deck
from circuit.netlist import HERE

__all__ = ["NOTE", "POINTS", "Reading", "block", "margin", "readings", "written"]

NOTE = HERE.parent / "building.md"
_METER_OHMS = 10e6
_MARK = re.compile(r"(<!-- simulated: readings -->\n).*?(<!-- end -->)", re.DOTALL)

# net, where to put the meter, relative tolerance of the reading, what a wrong reading points at
POINTS = (
    ("VBUS", "U3 pin 40, C13", 0.05, "cable, computer's port"),
    ("3V3", "U3 pin 36", 0.03, "short on the 3.3 V net"),
    ("VA", "U1 pin 4", 0.03, "R29; U1 the wrong way round"),
    ("VREF", "U3 pin 35, plus of C11", 0.03, "C11 the wrong way round"),
    ("VHALF", "U1 pin 5", 0.04, "R22, R23"),
    ("VMID", "U1 pins 6 and 7", 0.04, "U1; a short on VMID"),
    ("ADC0", "U3 pin 31", 0.04, "U1; flux residue about R2 and R19"),
    ("BOOT", "U1 pins 13 and 14", 0.04, "U1; a short on BOOT"),
    ("SENSEOUT", "U1 pin 8, leads open", 0.12, "R25, R26, R33, R34, R3"),
    ("VRES", "plus side of C5", 0.05, "Q4 shorted; R16"),
    ("PGATE", "Q4 gate", 0.05, "D8 the wrong way round; R15"),
    ("PDRAIN", "Q4 drain", 0.0, "Q4 shorted or the wrong way round"),
    ("NPULSE", "U2 pin 11", 0.05, "U2; R30"),
    ("GATEA", "Q1 gate (also Q2, Q3)", 0.0, "U2; R12 to R14"),
    ("DRAINA", "Q1 drain", 0.2, "Q1; D5 the wrong way round; R6"),
    ("DRAINB", "Q2 drain", 0.2, "Q2; D6 the wrong way round; R7"),
    ("DRAINC", "Q3 drain", 0.2, "Q3; D7 the wrong way round; R8"),
    ("LEAD", "red post, leads open", 0.0, "R3, R4, R35, R36"),
)
_SMALL_VOLTS = 0.05


@dataclass(frozen=True, slots=True)
class Reading:
    """What is shown at a net: volts [V] and how far a good board may be off [V]."""

    net: str
    where: str
    volts: float
    margin: float
    blame: str


def margin(volts: float, tolerance: float) -> float:
    """How far a good board may be off at a point of that relative tolerance [V]."""
    return max(tolerance * abs(volts), _SMALL_VOLTS)


def readings() -> list[Reading]:
    """Simulated with the meter connected, one point at a time."""
    found: list[Reading] = []
    for net, where, tolerance, blame in POINTS:
        deck = Deck("").add(f"Rmeter {net} 0 {_METER_OHMS:g}")
        volts = float(deck.run("op", [f"v({net})"])[f"v({net.lower()})"][0])
        found.append(Reading(net, where, volts, margin(volts, tolerance), blame))
    return found


def block(of: list[Reading]) -> str:
    """The table, as it stands in the note."""
    lines = ["| net | where | volts | from .. to | if not |", "|---|---|---|---|---|"]
    for r in of:
        shown = f"{r.volts:.2f}".replace("-0.00", "0.00")
        low = f"{r.volts - r.margin:.2f}".replace("-0.00", "0.00")
        lines.append(f"| {r.net} | {r.where} | {shown} | {low} .. {r.volts + r.margin:.2f} | {r.blame} |")
    return "\n".join(lines) + "\n"


def written(text: str, table: str) -> str:
    """The note with the table in its place; raises ValueError when the place is missing."""
    new, count = _MARK.subn(lambda found: found[1] + table + found[2], text)
    if count != 1:
        raise ValueError(f"{count} places for the readings in {NOTE.name}, not 1")
    return new


if __name__ == "__main__":
    NOTE.write_text(
        written(NOTE.read_text(encoding="utf-8"), block(readings())), encoding="utf-8", newline=""
    )
    sys.stdout.write(f"{NOTE.name}: {len(POINTS)} readings\n")
