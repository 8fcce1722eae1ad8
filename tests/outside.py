"""Tools and modules from outside the project that some checks need.

A check whose tool is missing is skipped where people can see it. Under continuous integration, where
COILBELL_CI is set, a missing tool is a failure: there nothing may be skipped without being noticed.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
from pathlib import Path

import pytest

__all__ = ["REAL", "real_records", "require", "shared"]

REAL = Path(__file__).resolve().parents[2] / "shared" / "real"
"""Measured decays kept beside the project, never in it."""


def require(name: str) -> str:
    """Path of the program or importable module `name`; skips the test, or fails it, when missing."""
    # Programs of this environment first: it need not be activated to run the tests.
    path = shutil.which(name, path=str(Path(sys.executable).parent)) or shutil.which(name) or _module(name)
    if path is None:
        _missing(f"{name} is not installed here")
    return path


def real_records() -> Path:
    """Folder of measured decays; always only a skip when missing, since it does not ship."""
    if not REAL.is_dir():
        pytest.skip("no folder of measured decays beside the project (../shared/real)")
    return REAL


def shared(name: str) -> Path:
    """A folder of data beside the project, read where it lies; always only a skip when missing."""
    folder = REAL.parent / name
    if not folder.is_dir():
        pytest.skip(f"no folder {name} beside the project (../shared/{name})")
    return folder


def _module(name: str) -> str | None:
    try:
        found = importlib.util.find_spec(name)
    except (ImportError, ValueError):
        return None
    return None if found is None else (found.origin or name)


def _missing(what: str) -> None:
    if os.environ.get("COILBELL_CI"):
        pytest.fail(f"{what}, and COILBELL_CI says every check must run")
    pytest.skip(what)
