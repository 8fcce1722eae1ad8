"""Dependencies go one way: the contracts in pyproject.toml, checked by import-linter."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from outside import require

ROOT = Path(__file__).parents[1]


def test_contracts_of_the_layers_hold() -> None:
    require("importlinter")
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command; lint_imports_command()"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


@pytest.mark.parametrize("package", ["decay", "winding"])
def test_the_computing_packages_import_numpy_and_scipy_only(package: str) -> None:
    require("grimp")
    import grimp

    graph = grimp.build_graph("coilbell", include_external_packages=True)
    home = f"coilbell.{package}"
    for module in {home} | graph.find_descendants(home):
        outside = {name.partition(".")[0] for name in graph.find_modules_directly_imported_by(module)}
        allowed = {"numpy", "scipy", "coilbell"} | sys.stdlib_module_names
        assert outside <= allowed, f"{module} imports {outside - allowed}"
