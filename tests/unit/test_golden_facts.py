"""The JSON of what is shown, kept and exchanged stays as it was promised: names, their order, and digits."""

from __future__ import annotations

import json
import math
import re
from itertools import pairwise

import pytest

from golden.make_facts import CASES, FOLDER

NUMBER = re.compile(r"(?<=[\[ ])-?\d+(?:\.\d+)?(?:e[+-]?\d+)?(?=[,\]}])")


def _apart(text: str) -> tuple[str, list[str]]:
    """The text with its bare numbers taken out, and these."""
    return NUMBER.sub("#", text), NUMBER.findall(text)


@pytest.mark.parametrize("name", CASES)
def test_json_is_what_it_was(name: str) -> None:
    """Computed figures may differ in their last digits from processor to processor, nothing else."""
    golden = (FOLDER / f"{name}.json").read_text(encoding="utf-8").rstrip("\n")
    made = CASES[name]()
    (layout, numbers), (layout_now, numbers_now) = _apart(golden), _apart(made)
    assert layout_now == layout
    for was, now in zip(numbers, numbers_now, strict=True):
        assert ("." in was or "e" in was) == ("." in now or "e" in now), (was, now)
        assert math.isclose(float(was), float(now), rel_tol=1e-7, abs_tol=1e-12), (was, now)


@pytest.mark.parametrize("name", ["fit", "fit-no-ring"])
def test_what_is_only_passed_on_keeps_every_digit(name: str) -> None:
    """The fits are made by hand: nothing of them is computed but the winding's figures."""
    golden = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    made = json.loads(CASES[name]())
    assert {k: v for k, v in made.items() if k != "tank"} == {k: v for k, v in golden.items() if k != "tank"}


def test_every_golden_file_is_looked_at() -> None:
    assert sorted(path.stem for path in FOLDER.glob("*.json")) == sorted(CASES)
    assert all(a != b for a, b in pairwise(sorted(CASES)))
