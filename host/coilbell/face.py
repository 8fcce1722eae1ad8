"""A package's face: names that it offers and loads when they are first used (PEP 562).

`import coilbell` stays quick by it, and a command loads of the log only what it needs. To a type checker the
package shows the same names as plain imports.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any

__all__ = ["loader"]


def loader(package: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """A `__getattr__` for `package`; homes: name -> the module it lives in, as seen from the package."""

    def load(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(homes[name], package), name)

    return load
