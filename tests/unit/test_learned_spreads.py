"""Spreads learned from good units elsewhere: what counts, what counts once, and what a finding tells of
it."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from coilbell.bench.facts.base import json_line
from coilbell.bench.facts.finding import finding_facts
from coilbell.bench.facts.question import question_of
from coilbell.bench.learned import store
from coilbell.bench.learned.lent import reference_named
from coilbell.bench.learned.trust import distrust, trust_again
from coilbell.bench.log.derivation import lent
from coilbell.bench.shelf import Shelf
from coilbell.bench.words.finding import finding_text
from coilbell.errors import FileError, InputError, ReferenceMismatch
from coilbell.record import Capacitor, Connection
from coilbell.winding import Capture, Condition, Observation, Reference, Spreads, find, kind_named
from coilbell.winding.odds.healthy import healthy_of
from coilbell.winding.odds.spreads import curve_of, learned, neutral

KIND = "horizontal yoke"
A = Capacitor(22e-9, 0.01, "A")
STATED = np.array([0.05, 0.25, 0.02])


def units(name: str, n: int, times: float = 1.0, seed: int = 1, origin: str = "") -> Reference:
    """A part with n good units that stray `times` the 5 % in f and some 20 % in loss that are stated."""
    rng = np.random.default_rng((seed, n))
    captures = [
        Capture(
            f"{name}-{k}",
            Condition.GOOD,
            Observation(
                A,
                30e3 * math.exp(0.05 * times * f),
                45 * math.exp(0.2 * times * d),
                connection=Connection.OUT_OF_CIRCUIT,
            ),
            origin=origin,
        )
        for k, (f, d) in enumerate(np.clip(rng.standard_normal((n, 2)), -1.8, 1.8))
    ]
    return Reference.begin(name, KIND, captures)


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    monkeypatch.setenv("COILBELL_REFERENCES", str(tmp_path / "shelf"))
    monkeypatch.setenv("COILBELL_LOG", str(tmp_path / "log.sqlite"))
    return Shelf()


def drawn(times: float, parts: int, per: int = 8, seed: int = 2) -> list:
    rng = np.random.default_rng((seed, round(100 * times)))
    return [curve_of(f"p{k}", times * STATED * rng.standard_normal((per, 3)), STATED) for k in range(parts)]


@pytest.mark.parametrize("times", [0.5, 1.0, 2.0])
def test_two_hundred_units_of_a_kind_tell_how_its_parts_stray(times: float) -> None:
    told = learned(kind_named(KIND), [], drawn(times, 25))
    assert told.frequency == pytest.approx(times, rel=0.2)
    assert told.loss == pytest.approx(times, rel=0.2)
    assert told.weight > kind_named(KIND).spread.weight
    assert (told.kind_units, told.kind_parts, told.part_units) == (200, 25, 0)


def test_nothing_elsewhere_leaves_the_statement() -> None:
    kind = kind_named(KIND)
    assert learned(kind, [], []) == neutral(kind)
    plain = units("mine", 3)
    one, other = healthy_of(plain, [A]), healthy_of(replace(plain, spreads=neutral(kind)), [A])
    assert np.array_equal(one.scale, other.scale)


def test_units_of_the_part_itself_count_more_than_those_of_its_kind() -> None:
    wide = drawn(2.0, 1, per=20)
    kind = kind_named(KIND)
    assert learned(kind, wide, []).frequency > learned(kind, [], wide).frequency > 1


def test_one_mislabelled_unit_in_ten_hardly_moves_a_spread() -> None:
    rng = np.random.default_rng(5)
    points = STATED * rng.standard_normal((200, 3))
    points[::10] += STATED * rng.uniform(4, 12, (20, 3))
    curves = [curve_of(f"p{k}", points[8 * k : 8 * k + 8], STATED) for k in range(25)]
    told = learned(kind_named(KIND), [], curves)
    assert told.loss == pytest.approx(1.0, abs=0.25)
    plain = math.sqrt(np.mean([np.var(points[8 * k : 8 * k + 8, 1], ddof=1) for k in range(25)])) / STATED[1]
    assert plain > 2, "by the plain variance they would"


def test_nonsense_makes_nothing_surer_than_it_strays() -> None:
    """Random figures widen; one unit written down two hundred times narrows to a third and no farther."""
    rng = np.random.default_rng(6)
    noise = [curve_of(f"p{k}", rng.uniform(-5, 5, (8, 3)), STATED) for k in range(25)]
    assert learned(kind_named(KIND), [], noise).loss > 3
    same = [curve_of(f"p{k}", 1e-3 * STATED * rng.standard_normal((8, 3)), STATED) for k in range(25)]
    assert learned(kind_named(KIND), [], same).loss >= 1 / 3


def test_a_unit_unlike_the_others_counts_little_and_is_named() -> None:
    far = Capture("odd", Condition.GOOD, Observation(A, 33e3, 8.0))
    whole = units("mine", 5)
    odd = replace(whole, captures=(*whole.captures, far))
    before, by = healthy_of(whole, [A]), healthy_of(odd, [A])
    assert by.location == pytest.approx(before.location, abs=0.03)
    assert by.spreads[1] < 1.3 * before.spreads[1]
    assert [unit for unit, _ in by.unlike] == ["odd"]
    told = " ".join(find([Observation(A, 30e3, 45.0)], odd).odds.basis)
    assert "odd hardly rings like the other good units" in told


def test_a_judgement_counts_the_shelf_once_and_itself_not_at_all(shelf: Shelf) -> None:
    mine = units("mine", 3)
    shelf.put(mine)
    assert reference_named("mine").spreads is None, "its own units are in its density already"
    shelf.put(replace(mine, name="a-copy"))
    assert reference_named("mine").spreads is None, "nor those of a copy under another name"
    shelf.put(units("other", 8, seed=3))
    shelf.put(replace(units("other", 8, seed=3), name="once-more"))
    told = reference_named("mine").spreads
    assert told is not None
    assert (told.kind_units, told.kind_parts) == (8, 1)


def test_what_is_learned_is_kept_and_made_anew_by_content(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    shelf.put(units("mine", 3))
    shelf.put(units("other", 8, seed=3))
    first = reference_named("mine").spreads
    read: list[str] = []
    import coilbell.bench.learned.shelved as shelved

    real = shelved.unit_points
    monkeypatch.setattr(shelved, "unit_points", lambda r: read.append(r.name) or real(r))
    assert reference_named("mine").spreads == first
    assert read == []
    shelf.put(units("other", 9, seed=3))
    assert reference_named("mine").spreads != first
    assert read == ["other"]
    (shelf.folder / ".learned.msgpack").write_bytes(b"\x00 damaged")
    assert reference_named("mine").spreads is not None
    assert sorted(read[1:]) == ["mine", "other"]
    assert store.read(shelf.folder, frozenset()).references


def test_a_damaged_reference_beside_it_stops_no_judgement(shelf: Shelf) -> None:
    shelf.put(units("mine", 3))
    shelf.path("broken").write_text("{")
    assert reference_named("mine").spreads is None


def test_the_finding_tells_what_is_assumed_and_what_learned(shelf: Shelf) -> None:
    shelf.put(units("mine", 3))
    shelf.put(units("other", 20, seed=3))
    found = find([Observation(A, 30e3, 45.0)], reference_named("mine"))
    facts = finding_facts(found)
    text = " ".join(finding_text(facts, full=True).split())
    assert "3 units of this part in reference mine, 20 of its kind (1 other part)" in text
    assert "weighs 12 units" in text
    told = json.loads(json_line(facts))["spreads"]
    assert told["units"] == 3
    assert told["units_of_kind"] == 20
    assert told["assumed_units"] == 12


def test_asked_again_the_question_brings_what_was_learned_then() -> None:
    told = Spreads(0.5, 0.6, 1.0, 20.0, 0, 100, 12, 12.0)
    question = replace_spreads(told)
    assert lent(question, units("mine", 3)).spreads == told
    assert lent(question_of(), units("mine", 3)).spreads is None
    with pytest.raises(ValueError, match="worth"):
        Spreads(1.0, 1.0, 1.0, 1.0, 0, 0, 0, 12.0)


def replace_spreads(told: Spreads):
    import msgspec

    kept = msgspec.json.encode(msgspec.structs.replace(question_of(), spreads=told))
    return msgspec.json.decode(kept, type=type(question_of()))


def test_a_distrusted_source_counts_nowhere(shelf: Shelf) -> None:
    theirs = units("theirs", 4, seed=9, origin="theirs@0123456789ab")
    shelf.put(replace(units("mine", 3), captures=(*units("mine", 3).captures, *theirs.captures)))
    assert len(healthy_of(reference_named("mine"), [A]).units) == 7
    distrust(shelf.folder, "theirs@0123456789ab", "their capacitor is not what they say")
    assert len(healthy_of(reference_named("mine"), [A]).units) == 3
    with pytest.raises(InputError, match="distrusted already"):
        distrust(shelf.folder, "theirs@0123456789ab", "again")
    trust_again(shelf.folder, "theirs@0123456789ab")
    assert len(healthy_of(reference_named("mine"), [A]).units) == 7
    shelf.put(theirs)
    distrust(shelf.folder, "theirs@0123456789ab", "once more")
    with pytest.raises(ReferenceMismatch, match="all good units of theirs come from distrusted sources"):
        reference_named("theirs")


def test_a_damaged_list_of_sources_trusts_nothing_by_accident(shelf: Shelf) -> None:
    shelf.put(units("mine", 3))
    (shelf.folder / "distrusted.json").write_text("[1, 2")
    with pytest.raises(FileError, match=r"distrusted\.json"):
        reference_named("mine")
