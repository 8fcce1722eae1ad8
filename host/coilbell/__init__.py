"""Coilbell: how a winding rings, and what that says of its turns.

The public names, nothing else. They are loaded when first used, so that `import coilbell` is quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coilbell.decay import Fit
    from coilbell.errors import CoilbellError
    from coilbell.record import Capacitor, Connection, Record

__version__ = "0.1.0"

__all__ = ["Capacitor", "CoilbellError", "Connection", "Fit", "Record"]

_HOMES = {
    "Capacitor": "coilbell.record",
    "CoilbellError": "coilbell.errors",
    "Connection": "coilbell.record",
    "Fit": "coilbell.decay",
    "Record": "coilbell.record",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'coilbell' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
