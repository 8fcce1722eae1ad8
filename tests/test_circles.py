"""No circle of imports: between the modules of one place, and between the packages (rooms) of the host."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PLACES = {"host": ROOT / "host", "firmware": ROOT / "firmware", "hardware-notes": ROOT / "hardware-notes"}
FACE = "coilbell"
"""The package of public names: it offers what lies above it, loaded when used."""


def _module(path: Path, top: Path) -> str:
    parts = path.relative_to(top).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _imports(tree: ast.AST, module: str, package: bool) -> set[str]:
    """Names that a module imports at any depth; not what it runs as a program, nor what only types need."""
    found = set()
    for node in _walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                home = module.split(".")[: len(module.split(".")) - node.level + package]
                base = ".".join([*home, base] if base else home)
            found |= {base} | {f"{base}.{alias.name}" for alias in node.names}
    return found


def _walk(node: ast.AST) -> Iterator[ast.AST]:
    yield node
    for child in ast.iter_child_nodes(node):
        if not (
            isinstance(child, ast.If)
            and any(n in ast.unparse(child.test) for n in ("__main__", "TYPE_CHECKING"))
        ):
            yield from _walk(child)


def _graph(place: str) -> dict[str, set[str]]:
    """Module -> modules of the same place that it imports; a package's face stands for what it offers."""
    top = PLACES[place]
    files = {_module(path, top): path for path in sorted(top.rglob("*.py")) if "__pycache__" not in str(path)}
    graph = {}
    for module, path in files.items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        named = _imports(tree, module, path.stem == "__init__")
        # `from package import module` names both; the module is what is meant.
        meant = {
            n for n in named if n in files and not any(o.startswith(f"{n}.") and o in files for o in named)
        }
        graph[module] = meant - {module}
    return graph


def _circle(graph: dict[str, set[str]]) -> str:
    """One circle of the graph as text, "" where there is none."""
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return " -> ".join(error.args[1])
    return ""


@pytest.mark.parametrize("place", PLACES)
def test_no_module_imports_itself_by_a_detour(place: str) -> None:
    graph = _graph(place)
    assert len(graph) >= 5
    assert _circle(graph) == ""


def test_no_room_of_the_host_needs_a_room_that_needs_it() -> None:
    graph = _graph("host")
    rooms: dict[str, set[str]] = {}
    for module, named in graph.items():
        home = _room(module, graph)
        rooms.setdefault(home, set()).update(_room(name, graph) for name in named)
    for home, named in rooms.items():
        # A room may use its own rooms, and they the modules beside them.
        rooms[home] = {name for name in named if name != home and not _nested(name, home)}
    rooms.pop(FACE, None)
    assert _circle({home: named - {FACE} for home, named in rooms.items()}) == ""


def _room(module: str, graph: dict[str, set[str]]) -> str:
    """The package that a module stands in."""
    is_package = any(name.startswith(f"{module}.") for name in graph)
    return module if is_package else module.rpartition(".")[0]


def _nested(one: str, other: str) -> bool:
    return one.startswith(f"{other}.") or other.startswith(f"{one}.")


def test_a_circle_would_be_found() -> None:
    assert _circle({"a": {"b"}, "b": {"c"}, "c": {"a"}}).count("->") == 3
    assert _circle({"a": {"b"}, "b": set()}) == ""
