"""The simulated figures that the notes and drawings quote, as `circuit.proof` keeps them."""

from __future__ import annotations

import json
from typing import Any

from circuit.netlist import HERE

__all__ = ["FIGURES", "kept"]

FIGURES = HERE / "simulated.json"


def kept() -> dict[str, Any]:
    """The figures by section."""
    return dict(json.loads(FIGURES.read_text(encoding="utf-8")))
