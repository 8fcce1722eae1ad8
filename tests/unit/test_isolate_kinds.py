"""Kinds of equipment as files: what is refused, and what holds for those that ship."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import coilbell.isolate
from coilbell.errors import FileError, InputError
from coilbell.isolate import (
    LEVELS,
    UNKNOWN,
    Equipment,
    cautions,
    decode,
    may,
    odds,
    plan,
    ring_step,
    seen,
    shipped,
)
from coilbell.winding import KINDS as WINDINGS

FOLDER = Path(coilbell.isolate.__file__).parent / "kinds"
TEXT = (FOLDER / "switch-mode-supply.toml").read_text(encoding="utf-8")
KINDS = list(shipped().values())


def test_both_kinds_ship() -> None:
    assert {"CRT monitor", "switch-mode supply"} <= set(shipped())


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("schema = 1", "schema = 7", "schema 7, this version knows 1"),
        ("slip = 0.02", "slip = 0.5", "slip 0.5 must lie"),
        ("prior = 0.13", "prior = 0.23", "priors sum to 1.1"),
        ("prior = 0.13", 'prior = "much"', "Expected `float`"),
        ("prior = 0.13", "prior = 0.13\nodds = 2", "unknown field `odds`"),
        ('key = "unknown"', 'key = "other"', "one with the key 'unknown'"),
        ('key = "load"', 'key = "Load!"', "hypothesis key 'Load!'"),
        ('key = "load"', 'key = "switch"', "is there 2 times"),
        ("silent = 0.93", "silent = 0.99", "chances sum to 1.06"),
        ("silent = 0.93", "mute = 0.93", "'mute' is no outcome"),
        ('of = ["input", "switch"]', 'of = ["input"]', "hypothesis switch stands in 0 rows"),
        ('of = ["input", "switch"]', 'of = ["input", "switch", "cat"]', "cat are no hypotheses"),
        ("silent = 0.50, ticking = 0.30, whine = 0.20", "silent = 0.70, ticking = 0.30", "a chance of 0.01"),
        ('source = "physics"', 'source = "rumour"', "Invalid enum value 'rumour'"),
        ('reason = "nothing switches"', 'reason = " "', "has no reason"),
        ("minutes = 2\n", "minutes = 0\n", "minutes 0.0 must be above 0"),
        ('["mains", "stored charge", "low voltage"]\nminutes = 5', "[]\nminutes = 5", "names no hazard"),
        ('live = "mains"\nhazards = ["mains",', 'live = "mains"\nhazards = ["hot",', "name the hazard mains"),
        ("minutes = 8\nrisk = 3", "minutes = 8\nrisk = 1", "has risk 1; give 2 or 3"),
        ("range = [0.94, 1.07]", "range = [1.07, 0.94]", "must rise"),
        ('outputs-loaded = ["sag"', 'outputs-loaded = ["blue"', "are no outcomes of it"),
        ("after = { outputs-loaded", "after = { moonlight", "no other step"),
        ('connection = "in circuit"', 'connection = "upside down"', "Invalid enum value"),
        ('measure = "rails"', 'measure = "rails"\nwinding = ["relay coil"]', "go with the measure ring"),
        ('measure = "rails"', 'measure = "rails"\nunless_done = { yoke-off = "yoke off" }', "go together"),
        ('how = "Plug out', 'unless_done = { moon = "x" }\nhow = "Plug out', "Invalid enum value"),
        ('how = "Plug out', 'unless_done = { continuity = "" }\nhow = "{unless done}', "unless_done cont"),
        ('key = "silent"\n  name = "does', 'key = "quiet"\n  name = "does', "a ring's outcomes"),
    ],
)  # fmt: skip
def test_a_kind_that_does_not_hold_together_is_refused(old: str, new: str, says: str) -> None:
    assert old in TEXT
    with pytest.raises(FileError, match=re.escape(says)):
        decode(TEXT.replace(old, new, 1))


@pytest.mark.parametrize("text", ["", "[[", "\x00", "schema = 1", "schema = 1\nname = 3"])
def test_no_kind_at_all(text: str) -> None:
    with pytest.raises(FileError, match="is no kind of equipment"):
        decode(text)


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 9000,
        "a = " + "{ a = " * 9000,
        "a = 1" + "0" * 5000,
        ".".join("a" * 60_000) + " = 1",
        "a = { " + ".".join(['"a"'] * 40_000) + " = 1 }",
        "#" * 1_000_000,
    ],
    ids=["lists", "tables", "integer", "key", "key inside", "endless"],
)
def test_what_would_hang_or_burst_is_one_line(text: str) -> None:
    with pytest.raises(FileError) as error:
        decode(text)
    assert len(str(error.value)) < 400
    assert "\n" not in str(error.value)


def test_the_digest_follows_the_content_not_the_layout() -> None:
    plain = decode(TEXT)
    assert decode(TEXT + "\n\n# a remark\n").digest == plain.digest
    assert (
        decode(TEXT.replace("silent = 0.93, ticking = 0.04", "silent = 0.92, ticking = 0.05")).digest
        != plain.digest
    )


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.name)
def test_no_step_near_danger_is_without_caution(kind: Equipment) -> None:
    for step in kind.step:
        words = " ".join(cautions(step.hazards))
        on_bench = "on the bench" in step.how and "ring" in (step.how + step.key).lower()
        assert words or on_bench, step.key
        if step.live != "none":
            assert "Local codes and licensed practice" in words
            assert "qualified" not in step.how
        if re.search(r"\btube\b|anode", step.how) and step.live != "none":
            assert "implodes" in words, step.key
        if "Plug out" in step.how:
            assert "Mains voltage kills" in words or "Reservoir capacitors" in words, step.key


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.name)
@pytest.mark.parametrize("level", LEVELS)
def test_nothing_live_is_instructed_beyond_what_was_stated(kind: Equipment, level: str) -> None:
    evidence = [seen(s, s.outcome[1].key) for s in kind.step if s.key in ("rails-loaded", "outputs-loaded")]
    for proposal in plan(kind, odds(kind, evidence), evidence, level):  # type: ignore[arg-type]
        allowed = LEVELS.index(proposal.live) <= LEVELS.index(level)
        assert proposal.instructed is allowed
        assert bool(proposal.how) is allowed


def test_levels_include_those_before() -> None:
    assert may("none", "none")
    assert may("mains", "high voltage")
    assert not may("high voltage", "mains")
    assert not may("low voltage", "none")


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.name)
def test_every_step_can_tell_something_and_unknown_never_leaves(kind: Equipment) -> None:
    for step in kind.step:
        for outcome in step.outcome:
            found = odds(kind, [seen(step, outcome.key)])
            assert 0.002 < found.probabilities[UNKNOWN] < 0.9
            assert all(0 < p < 1 for p in found.probabilities.values())


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.name)
def test_every_example_of_what_to_type_is_understood(kind: Equipment) -> None:
    from coilbell.bench.worksheet.typed import evidence_of

    for step in kind.step:
        key, *words = step.enter.split()
        assert key == step.key
        if "FILE" in step.enter:
            with pytest.raises(InputError, match="FILE"):
                evidence_of(step, words)
        else:
            assert evidence_of(step, words).step == key


def test_the_windings_that_ring_steps_name_are_kinds() -> None:
    named = {name for kind in KINDS for step in kind.step for name in step.winding}
    assert named
    assert named <= set(WINDINGS)


@pytest.mark.parametrize(
    ("kind", "winding", "connection", "step"),
    [
        ("CRT monitor", "line-output transformer", "in circuit", "ring-in"),
        ("CRT monitor", "diode-split transformer", "out of circuit", "ring-out"),
        ("CRT monitor", "horizontal yoke", "in circuit", "ring-yoke"),
        ("CRT monitor", "horizontal yoke", "unknown", "ring-yoke"),
        ("CRT monitor", "vertical yoke", "out of circuit", None),
        ("CRT monitor", "line-output transformer", "", "ring-in"),
        ("switch-mode supply", "switch-mode transformer", "out of circuit", "ring-out"),
        ("switch-mode supply", "relay coil", "out of circuit", None),
    ],
)
def test_a_ring_belongs_to_the_step_that_asks_for_it(
    kind: str, winding: str, connection: str, step: str | None
) -> None:
    found = ring_step(shipped()[kind], winding, connection)
    assert (found.key if found else None) == step


def test_a_kind_that_names_no_winding_takes_any_ring() -> None:
    text = re.sub(r"\n(winding|connection) = [^\n]*", "", TEXT)
    assert ring_step(decode(text), "relay coil", "out of circuit") is not None
