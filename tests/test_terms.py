"""Names that rooms share are values of enumerations: no room finds another's meaning by comparing text."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path

from coilbell import terms
from coilbell.winding import Explanation, Relation

HOST = Path(__file__).parents[1] / "host" / "coilbell"

SHARED = [one for one in vars(terms).values() if isinstance(one, type) and issubclass(one, StrEnum)]
VALUES = {str(value) for enum in (*SHARED, Explanation, Relation) for value in enum}

HOMES = {"terms.py", "explanation.py"}
"""Modules in which the enumerations stand."""


def _matched(tree: ast.AST) -> Iterator[ast.Constant]:
    """Texts that something is compared with, looked up by, or searched for."""
    for node in ast.walk(tree):
        asked: list[ast.AST] = []
        if isinstance(node, ast.Compare):
            asked = [node.left, *node.comparators]
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            if node.func.attr in ("startswith", "endswith", "find", "index", "removeprefix", "partition"):
                asked = list(node.args)
        elif isinstance(node, ast.Dict):
            asked = [key for key in node.keys if key is not None]
        elif isinstance(node, ast.MatchValue):
            asked = [node.value]
        for one in asked:
            parts = one.elts if isinstance(one, ast.Tuple | ast.List | ast.Set) else [one]
            yield from (p for p in parts if isinstance(p, ast.Constant) and isinstance(p.value, str))


ALLOWED = {
    ("winding/odds/kindfile.py", "inductance"): "a figure of a kind's file",
    ("winding/odds/kindfile.py", "capacitance"): "likewise",
    ("bench/report/technician.py", "inductance"): "a column's head",
    ("bench/facts/finding.py", "junction"): "a field's name",
}
"""Texts that only look like a shared name, or are held equal to it."""


def test_no_room_compares_text_with_a_shared_name() -> None:
    assert len(VALUES) > 30
    found = []
    for path in sorted(HOST.rglob("*.py")):
        place = path.relative_to(HOST).as_posix()
        if path.name in HOMES:
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        texts = [text for text in _matched(tree) if text.value in VALUES]
        found += [f"{place}, line {t.lineno}: {t.value!r}" for t in texts if (place, t.value) not in ALLOWED]
    assert not found


def test_the_looking_finds_what_it_looks_for() -> None:
    code = """
kind == "like shorted"
name.startswith("like shorted")
kind in ("x", "like shorted")
{"like shorted": 1}
say("like shorted")
"""
    assert [text.lineno for text in _matched(ast.parse(code)) if text.value in VALUES] == [2, 3, 4, 5]
