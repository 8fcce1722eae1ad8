"""Series resistance of the ring's own path on each layout, for programs: circuit/copper.json.

For each layout ("printed", "first") and test capacitor letter:

    copper_ohms, copper_uncertainty_ohms  both posts, capacitor, switch: without the switch
    copper_henries                         inductance of the same way
    switch_ohms, switch_uncertainty_ohms  the transistor that is on (data sheet)
    series_ohms, series_uncertainty_ohms   both together: what a program takes off until it has
                                           measured the board; clips and leads are not in it

Uncertainties are standard ones.
"""

from __future__ import annotations

import json
from typing import Any

from circuit.netlist import HERE

__all__ = ["FILE", "kept"]

FILE = HERE / "copper.json"


def kept() -> dict[str, Any]:
    """The figures of the file."""
    return dict(json.loads(FILE.read_text(encoding="utf-8")))
