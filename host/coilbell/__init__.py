"""Coilbell: how a winding rings, and what that says of its turns.

The public names, nothing else. They are loaded when first used, so that `import coilbell` is quick::

    records = coilbell.read("choke.json")
    fit = coilbell.fit(records)
    finding = coilbell.judge(fit, "tarn-21-line")
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coilbell.bench.files import example, write
    from coilbell.bench.log import Log
    from coilbell.bench.notebook import fit, judge, read, reference
    from coilbell.board import Settings, Tester
    from coilbell.decay import Fit
    from coilbell.errors import CoilbellError
    from coilbell.record import Capacitor, Connection, Record
    from coilbell.winding import Finding, Reference

__version__ = "0.1.0"

__all__ = [
    "Capacitor",
    "CoilbellError",
    "Connection",
    "Finding",
    "Fit",
    "Log",
    "Record",
    "Reference",
    "Settings",
    "Tester",
    "example",
    "fit",
    "judge",
    "read",
    "reference",
    "write",
]

_HOMES = {
    "Capacitor": "coilbell.record",
    "CoilbellError": "coilbell.errors",
    "Connection": "coilbell.record",
    "Finding": "coilbell.winding",
    "Fit": "coilbell.decay",
    "Log": "coilbell.bench.log",
    "Record": "coilbell.record",
    "Reference": "coilbell.winding",
    "Settings": "coilbell.board",
    "Tester": "coilbell.board",
    "example": "coilbell.bench.files",
    "fit": "coilbell.bench.notebook",
    "judge": "coilbell.bench.notebook",
    "read": "coilbell.bench.notebook",
    "reference": "coilbell.bench.notebook",
    "write": "coilbell.bench.files",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'coilbell' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
