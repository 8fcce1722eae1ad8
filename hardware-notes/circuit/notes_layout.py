"""Blocks of the notes on what is built: copper of the printed board, other types, the first board."""

from __future__ import annotations

from typing import Any

from circuit import ringpath
from circuit.claims.types import CASES as TYPE_CASES
from circuit.words import percent, prose, quantity, table

__all__ = ["copper", "first_board", "first_readings", "types"]


def copper(figures: dict[str, Any]) -> str:
    """The ring's way on the printed board."""
    rows = [
        [
            letter,
            quantity(way["copper_ohms"], "ohm"),
            quantity(way["copper_henries"], "H"),
            quantity(way["switch_ohms"], "ohm"),
            f"{1e3 * way['series_ohms']:.1f}({1e3 * way['series_uncertainty_ohms']:.1f}) mohm",
        ]
        for letter, way in ringpath.kept()["printed"].items()
    ]
    return (
        prose("""From the red post over test capacitor and switch to the black post, of the Gerber files
            of the printed board, 35 um of copper:""")
        + "\n"
        + table("capacitor|copper|its inductance|switch that is on|together", rows)
    )


def types(figures: dict[str, Any]) -> str:
    """Other types of semiconductors."""
    cases = "|".join(f"{quantity(henries, 'H')}, {letter}" for henries, letter in TYPE_CASES)
    rows = [[name, *map(percent, found)] for name, found in figures["types"].items()]
    return (
        prose("""Change of Q 150 as read, on the posts, with another type in the place of the parts list's
            first; figures of the types from memory of data sheets:""")
        + "\n"
        + table(f"type|{cases}", rows)
    )


def first_readings(figures: dict[str, Any]) -> str:
    """What a meter shows on the first board."""
    rows = [
        [
            r["net"],
            r["where"],
            f"{r['volts'] + 0.0:.2f}",
            f"{r['volts'] - m:.2f} .. {r['volts'] + m:.2f}",
            r["blame"],
        ]
        for r in figures["first"]["readings"]
        for m in [max(0.05, 0.07 * abs(r["volts"]))]
    ]
    return table("net|where|volts|from .. to|if not", rows).replace("-0.00", "0.00")


def first_board(figures: dict[str, Any]) -> str:
    """Limits and loading of the first board."""
    own = figures["first"]
    rows = [
        [
            quantity(r["henries"], "H"),
            quantity(r["hz"], "Hz", 3),
            percent(r["read_error"]),
            percent(r["corrected_error"]),
        ]
        for r in own["loading"]
    ]
    heights = [
        [quantity(r["width_s"], "s"), quantity(r["first_peak_volts"], "V"), percent(r["early_change"])]
        for r in own["amplitudes"]
    ]
    c = own["constants"]
    return (
        prose(f"""Its limits: one test capacitor, 22 nF, soldered to the leads; windings of 100 uH to
            30 mH; the whole board conducts {quantity(c["siemens"], "S")} across the ring, fourteen times the
            full board. Error of Q 150, as read and with that conductance and the dielectric's 0.0002 taken
            off, simulated; the copper of the breadboard carries none of the ring:""")
        + "\n"
        + table("coil|rings at|as read|corrected", rows)
        + "\n"
        + prose("""Pulse, first peak on 2.2 mH, and by how much Q of the first five cycles differs from
            that of cycles 13 to 17 (the pulse's diodes conduct a little while the lead is below ground; the
            board aims between 0.1 and 0.19 V):""")
        + "\n"
        + table("pulse|first peak|early against late", heights)
    )
