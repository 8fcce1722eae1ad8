"""Single faults of building: which rows of the readings and of `board check` each one fails.

A fault is a line of the netlist that is missing, turned round, of a neighbour's value, or a bridge of solder.
What no reading can see at the voltages of a bench is for the eye, and stands in the notes' list.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from circuit.claims import bench_rows
from circuit.claims.bench_rows import Board

__all__ = ["FAULTS", "UNSEEN", "Fault", "found", "names"]


@dataclass(frozen=True, slots=True)
class Fault:
    """words: what a builder did; part: the reference or net that a failing row must name; change, add: see
    `bench_rows.Board`."""

    words: str
    part: str
    change: tuple[tuple[str, str], ...] = ()
    add: tuple[str, ...] = ()

    @property
    def board(self) -> Board:
        """A board that is right but for this."""
        return replace(bench_rows.nominal(), change=self.change, add=self.add)


def _missing(ref: str) -> Fault:
    return Fault(f"{ref} missing, or a joint of it open", ref, ((rf"^X?{ref} .*$", "* gone"),))


def _turned(ref: str) -> Fault:
    return Fault(f"{ref} the wrong way round", ref, ((rf"^{ref} (\S+) (\S+) (\S+)$", rf"{ref} \2 \1 \3"),))


def _value(ref: str, value: str, words: str) -> Fault:
    return Fault(words, ref, ((rf"^({ref} \S+ \S+) \S+$", rf"\1 {value}"),))


def _bridge(a: str, b: str, part: str) -> Fault:
    return Fault(f"{a} bridged to {'ground' if b == '0' else b}", part, (), (f"Rbridge {a} {b} 0.01",))


def _swapped(a: str, b: str, value_a: str, value_b: str) -> Fault:
    changed = tuple((rf"^({ref} \S+ \S+) \S+$", rf"\1 {v}") for ref, v in ((a, value_b), (b, value_a)))
    return Fault(f"{a} and {b} exchanged", a, changed)


FAULTS = (
    *map(
        _missing,
        (
            *("R3", "R25", "R26", "R33", "R34", "R28", "R2", "R19", "R22", "R23", "R24", "R20", "R21"),
            *("R6", "R9", "R35", "R15", "R16", "R17", "C1", "C2", "C3", "C6", "C4", "C20", "C15", "C17"),
            *("Q1", "Q4", "D8", "D9", "D5", "E1", "D1"),
        ),
    ),
    Fault("F1 blown", "F1", ((r"^XF1 .*$", "* gone"),)),
    *map(_turned, ("D8", "D9", "D10", "D11", "D5", "D1")),
    Fault("Q4's source and drain exchanged", "Q4", ((r"^XQ4 (\S+) (\S+) (\S+) (\S+)$", r"XQ4 \3 \2 \1 \4"),)),
    _swapped("R20", "R21", "2k", "1k"),
    _swapped("R33", "R34", "150k", "16k"),
    _swapped("C1", "C2", "22n", "2.2n"),
    _value("R17", "56", "R17 of 56 ohm"),
    _value("C4", "100n", "C4 of 100 nF"),
    _bridge("DRAINA", "0", "Q1"),
    _bridge("RING", "0", "F1"),
    _bridge("BOOT", "VMID", "U1"),
    _bridge("PGATE", "VRES", "Q4"),
    _bridge("SENSE", "0", "R25"),
    _bridge("LEAD", "0", "F1"),
)

UNSEEN = {
    "E1": "the arrester does nothing below some hundred volts",
    "D1": "a clamp that is not there lets everything pass that should, too",
    "D5": "likewise D12, and those of Q2 and Q3: they work above 13 V only",
    "D8": "it keeps the gate of Q4 from going above VRES, which harms in time and not at once",
    "R19": "bias by leakage may do for a while; the reading drifts",
    "C15": "without it R19 and R2 load a ring as 44 Mohm: Q 150 of 100 mH falls by 0.7 %",
    "C20": "without it the bleeder loads a ring: Q 150 of 100 mH falls by 21 %, of 1 mH by 2.6 %",
    "C17": "likewise C18, C19: of an open switch; nothing of it is seen with A",
}
"""Parts whose want no reading at a bench's voltages can see, and why. Each stands in building.md."""


def found(fault: Fault) -> dict[str, str]:
    """Rows that fail, each with what it points at."""
    return bench_rows.failed(bench_rows.figures(fault.board))


def names(rows: dict[str, str], part: str) -> bool:
    """True where a failing row points at the part, by itself or in a run such as "D1 to D4"."""
    return any(part in _parts(blame) for blame in rows.values())


def _parts(blame: str) -> set[str]:
    every = set(re.findall(r"[A-Z]\d+", blame))
    for letter, first, last in re.findall(r"([A-Z])(\d+) to \1(\d+)", blame):
        every |= {f"{letter}{k}" for k in range(int(first), int(last) + 1)}
    return every
