"""parts.csv: one line for each kind of part, made from the netlist and parts.toml.

python -m circuit.partslist (in hardware-notes) writes the file; a test checks that it is current.
"""

from __future__ import annotations

import csv
import io
import sys

from circuit.netlist import HERE, Part, parts, table

__all__ = ["FILE", "text", "total"]

FILE = HERE.parent / "parts.csv"
_COLUMNS = (
    "references",
    "quantity",
    "value",
    "what",
    "tolerance_percent",
    "volts",
    "watts",
    "dielectric",
    "must",
    "footprint",
    "alternative_1",
    "alternative_2",
    "about_eur_each",
)


def text() -> str:
    """The parts list as CSV; raises KeyError for a part that parts.toml does not know."""
    alike: dict[int, list[Part]] = {}
    for part in parts():
        alike.setdefault(id(table()[part.ref]), []).append(part)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_COLUMNS)
    writer.writerows(_row(same) for same in alike.values())
    return out.getvalue()


def total() -> float:
    """All parts together, without board and box [euro]; roughly, from memory."""
    return sum(float(str(table()[part.ref]["price"])) for part in parts())


def _row(same: list[Part]) -> list[str]:
    listed = table()[same[0].ref]
    values = {part.value for part in same}
    if len(values) > 1:
        raise ValueError(f"{' '.join(p.ref for p in same)} stand together in parts.toml with values {values}")
    first, second = listed["alternatives"]  # type: ignore[misc]
    return [
        " ".join(part.ref for part in same),
        str(len(same)),
        values.pop(),
        str(listed["what"]),
        _percent(listed.get("tolerance")),
        *(str(listed.get(name, "")) for name in ("volts", "watts", "dielectric", "must", "footprint")),
        str(first),
        str(second),
        f"{float(str(listed['price'])):g}",
    ]


def _percent(tolerance: object) -> str:
    return "" if tolerance is None else f"{100 * float(str(tolerance)):g}"


if __name__ == "__main__":
    FILE.write_text(text(), encoding="utf-8", newline="")
    sys.stdout.write(f"{FILE.name}: {text().count(chr(10)) - 1} kinds of part\n")
