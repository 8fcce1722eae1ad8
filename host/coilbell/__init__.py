"""Coilbell: how a winding rings, and what that says of its turns.

The public names, nothing else. They are loaded when first used, so that `import coilbell` is quick::

    records = coilbell.read("choke.json")
    fit = coilbell.fit(records)
    finding = coilbell.judge(fit, "tarn-21-line")
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from coilbell.face import loader

if TYPE_CHECKING:
    from coilbell.bench.files.records import example, write
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
    "Capacitor": ".record",
    "CoilbellError": ".errors",
    "Connection": ".record",
    "Finding": ".winding",
    "Fit": ".decay",
    "Log": ".bench.log",
    "Record": ".record",
    "Reference": ".winding",
    "Settings": ".board",
    "Tester": ".board",
    "example": ".bench.files",
    "fit": ".bench.notebook",
    "judge": ".bench.notebook",
    "read": ".bench.notebook",
    "reference": ".bench.notebook",
    "write": ".bench.files",
}

__getattr__ = loader(__name__, _HOMES)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
