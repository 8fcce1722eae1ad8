"""Figures, tables and running text of the notes."""

from __future__ import annotations

import textwrap

__all__ = ["percent", "prose", "quantity", "table"]

_PREFIXES = {-12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M"}


def quantity(value: float, unit: str, digits: int = 2) -> str:
    """Engineering figure: 1.34e-06, "s" -> 1.3 us."""
    if value == 0:
        return f"0 {unit}"
    power = 0
    while abs(value) * 10**-power >= 999.5 and power < 6:
        power += 3
    while abs(value) * 10**-power < 0.9995 and power > -12:
        power -= 3
    return f"{float(f'{value * 10**-power:.{digits}g}'):g} {_PREFIXES[power]}{unit}"


def percent(value: float) -> str:
    """0.0123 -> +1.2 %."""
    return f"{100 * value:+.1f} %" if abs(value) >= 0.0095 else f"{100 * value:+.2f} %"


def table(head: str, rows: list[list[str]]) -> str:
    columns = head.split("|")
    lines = [columns, ["---"] * len(columns), *rows]
    return "\n".join("| " + " | ".join(cell.strip() for cell in line) + " |" for line in lines) + "\n"


def prose(text: str) -> str:
    return textwrap.fill(" ".join(text.split()), 118) + "\n"
