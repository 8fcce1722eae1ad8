"""Numbers that decide odds or acceptance stand in one place, with unit, meaning and source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

HOST = Path(__file__).parents[1] / "host" / "coilbell"

SOURCES = ("published", "simulated", "common practice", "assumed", "from memory", "computed")
"""One of these stands beside every constant."""

FORMATS = ("SCHEMA", "REFERENCE_SCHEMA", "LONGEST_KIND", "_LARGEST", "_LONGEST_REMARK")
"""Numbers of layouts, and sizes of texts: they decide nothing about a part."""

ARITHMETIC = {0, 1, 2, 3, 4, 5, 10, 60, 100, 1000, 0.5, 0.25, 1e6, 1e9, 1e-3, 1e-6, 1e-9}
"""Numbers that mean themselves: powers, counts, halves, minutes in an hour, per cent, prefixes."""


def _numbers(tree: ast.AST) -> Iterator[ast.Constant]:
    """Numbers in a tree, but for places in lists, lengths of shown texts, and sizes of caches."""
    aside: set[int] = set()
    for node in ast.walk(tree):
        unseen = [node.slice] if isinstance(node, ast.Subscript) else getattr(node, "decorator_list", [])
        aside |= {id(below) for one in unseen for below in ast.walk(one)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and type(node.value) in (int, float) and id(node) not in aside:
            yield node


def _constants(tree: ast.Module) -> Iterator[tuple[str, str]]:
    """Name and text below it, of each number or list of numbers at the top of a module."""
    for one, after in zip(tree.body, [*tree.body[1:], None], strict=True):
        if (
            not isinstance(one, ast.Assign | ast.AnnAssign)
            or one.value is None
            or not any(_numbers(one.value))
        ):
            continue
        target = one.targets[0] if isinstance(one, ast.Assign) else one.target
        text = (
            after.value.value if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) else ""
        )
        yield ast.unparse(target), str(text)


def _bare(tree: ast.Module) -> Iterator[str]:
    """Numbers inside functions that are no arithmetic."""
    for function in ast.walk(tree):
        if not isinstance(function, ast.FunctionDef):
            continue
        for number in _numbers(function):
            if abs(number.value) not in ARITHMETIC and abs(number.value) > 1e-5:
                yield f"{function.name}, line {number.lineno}: {number.value}"


def _modules(room: str) -> list[Path]:
    found = sorted((HOST / room).rglob("*.py"))
    assert len(found) > 5
    return found


ROOMS = ["isolate", "winding/tank", "winding/odds", "winding/said"]


@pytest.mark.parametrize("room", ROOMS)
def test_every_constant_has_its_source(room: str) -> None:
    without = [
        f"{path.name}: {name}"
        for path in _modules(room)
        for name, text in _constants(ast.parse(path.read_text(encoding="utf-8")))
        if name not in FORMATS and not any(source in text for source in SOURCES)
    ]
    assert not without


@pytest.mark.parametrize("room", ROOMS)
def test_no_number_stands_bare_in_a_function(room: str) -> None:
    bare = [
        f"{path.name}: {where}"
        for path in _modules(room)
        for where in _bare(ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert not bare


def test_the_looking_finds_what_it_looks_for() -> None:
    tree = ast.parse(
        '_A = 0.3\n_B = 2.0\n"""Width [1]; assumed."""\ndef f(x):\n    return x[:40] + 2 * 0.37\n'
    )
    assert [name for name, text in _constants(tree) if "assumed" not in text] == ["_A"]
    assert list(_bare(tree)) == ["f, line 5: 0.37"]
