"""The JSON of what is shown, kept and exchanged stays as it was promised: names, their order, and digits."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from typing import Any

import pytest

from coilbell.bench.facts.audit import AuditFacts
from coilbell.bench.facts.base import Facts, facts_of, json_line, kept_text
from coilbell.bench.facts.fit import FitFacts
from coilbell.bench.facts.judgement import judgement_facts
from coilbell.bench.facts.reference import ReferenceFacts
from coilbell.bench.facts.worksheet import WorksheetFacts
from coilbell.errors import FileError
from golden.make_facts import CASES, FOLDER

NUMBER = re.compile(r"(?<=[\[ ])-?\d+(?:\.\d+)?(?:e[+-]?\d+)?(?=[,\]}])")

PASSED_ON = ("fit", "fit-no-ring", "reference", "worksheet", "audit")
"""Those in which nothing is judged, so that every word is known beforehand."""

SHAPES: dict[str, type[Facts]] = {
    "fit": FitFacts,
    "reference": ReferenceFacts,
    "worksheet": WorksheetFacts,
    "audit": AuditFacts,
}


def golden(name: str) -> str:
    return (FOLDER / f"{name}.json").read_text(encoding="utf-8").rstrip("\n")


def read(name: str, text: str) -> Facts:
    shape = SHAPES.get(name.partition("-")[0])
    return judgement_facts(text, "it") if shape is None else facts_of(text, shape, "it")


def paths(value: Any, at: str = "") -> Iterator[str]:
    """The names in an object, in their order, with those that hold them; names of explanations apart."""
    if isinstance(value, dict):
        for name, inner in value.items():
            if not at.endswith((".probabilities", ".log10_factors", ".versions")):
                yield f"{at}.{name}"
            yield from paths(inner, f"{at}.{name}")
    elif isinstance(value, list):
        for inner in value:
            yield from paths(inner, f"{at}[]")


@pytest.mark.parametrize("name", PASSED_ON)
def test_json_is_what_it_was(name: str) -> None:
    """Computed figures may differ in their last digits from processor to processor, nothing else."""
    was, now = golden(name), CASES[name]()
    assert NUMBER.sub("#", now) == NUMBER.sub("#", was)
    for one, other in zip(NUMBER.findall(was), NUMBER.findall(now), strict=True):
        assert ("." in one or "e" in one) == ("." in other or "e" in other), (one, other)
        assert math.isclose(float(one), float(other), rel_tol=1e-7, abs_tol=1e-12), (one, other)


@pytest.mark.parametrize("name", CASES)
def test_names_and_their_order_are_what_they_were(name: str) -> None:
    was, now = (dict.fromkeys(paths(json.loads(text))) for text in (golden(name), CASES[name]()))
    assert list(now) == list(was)


@pytest.mark.parametrize("name", [name for name in CASES if name != "item"])
def test_what_is_read_is_written_again_to_the_byte(name: str) -> None:
    assert json_line(read(name, golden(name))) == golden(name)
    assert json.loads(kept_text(read(name, golden(name)))) == json.loads(golden(name))


def test_a_finding_of_the_first_schema_is_still_read() -> None:
    """It had what a counter of rings would have got wrong; all else of it is today's."""
    text = golden("finding-schema-1")
    told = json.loads(text)
    assert told["schema"] == 1
    assert {"misleads", "why"} <= set(told["count"])
    kept = json.loads(json_line(read("finding-schema-1", text)))
    del told["count"]["misleads"], told["count"]["why"]
    assert kept == told
    with pytest.raises(FileError, match="schema 1 or 2"):
        read("finding", text.replace('"schema": 1', '"schema": 3'))


@pytest.mark.parametrize("name", ["fit", "fit-no-ring"])
def test_what_is_only_passed_on_keeps_every_digit(name: str) -> None:
    """The fits are made by hand: nothing of them is computed but the winding's figures."""
    made = json.loads(CASES[name]()) | {"tank": None}
    assert made == json.loads(golden(name)) | {"tank": None}


@pytest.mark.parametrize(
    ("name", "place", "value"),
    [
        ("fit", ("modes", 0, "q", "standard_uncertainty"), -1.0),
        ("fit", ("modes", 0, "q", "value"), 1e200),
        ("fit", ("count_to",), 1.0),
        ("fit", ("window", "samples_used"), -1),
        ("fit", ("rings",), False),
        ("fit", ("doubts", 0, "kind"), "tired"),
        ("fit", ("test_capacitor_f",), 0.0),
        ("finding", ("shorted_turn", "probability"), 1.01),
        ("finding", ("probabilities", "loaded"), -0.01),
        ("finding", ("explanation",), "guilty"),
        ("finding", ("rings", 0, "q"), 0.0),
        ("finding", ("rings", 0, "rings"), False),
        ("finding", ("causes", 0, "prior"), "much"),
        ("finding", ("rings",), []),
        ("comparison", ("relation",), "cousins"),
        ("comparison", ("first_judged",), "fine"),
        ("worksheet", ("hypotheses", 0, "probability"), 2.0),
        ("reference", ("captures", 0, "q"), -3.0),
    ],
)
def test_what_cannot_be_is_refused_when_it_is_read(
    name: str, place: tuple[str | int, ...], value: object
) -> None:
    told = json.loads(golden(name))
    inner = told
    for step in place[:-1]:
        inner = inner[step]
    inner[place[-1]] = value
    with pytest.raises(FileError, match=r"^it: "):
        read(name, json.dumps(told))


def test_every_golden_file_is_looked_at() -> None:
    assert sorted(path.stem for path in FOLDER.glob("*.json")) == sorted([*CASES, "finding-schema-1"])
