"""References from bench to bench: one file, provenance, doubles, the same unit on two testers, distrust."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

from coilbell.bench.learned.handover import hand_on, handed, take_over
from coilbell.bench.shelf import Shelf
from coilbell.cli import main
from coilbell.errors import FileError, InputError, ReferenceMismatch
from coilbell.record import Capacitor, Connection, Loading
from coilbell.winding import Capture, Condition, Observation, Reference, find, origin

KIND = "horizontal yoke"
OURS, THEIRS = Capacitor(22e-9, 0.005, "A"), Capacitor(22.6e-9, 0.01, "A")
LOAD = Loading(1e-6, 25e-12, 1e-8, 2e-12)
HEAVY = Loading(4e-6, 400e-12, 4e-7, 20e-12)


def rung(unit: str, henries: float, q: float, *, ours: bool, kind: str = KIND) -> Capture:
    """A tank of Q `q` by itself, with one of two testers across it."""
    capacitor, load, board = (OURS, LOAD, "board one") if ours else (THEIRS, HEAVY, "board two")
    total = capacitor.farads + load.farads + 0.15e-9
    angular = 1 / math.sqrt(henries * total)
    loss = 1 / q + load.siemens / (angular * total)
    seen = Observation(
        capacitor,
        angular / (2 * math.pi) * math.sqrt(1 - loss**2 / 4),
        1 / loss,
        loading=load,
        board=board,
        connection=Connection.OUT_OF_CIRCUIT,
    )
    return Capture(unit, Condition.GOOD, seen)


def made(name: str, *captures: Capture) -> Reference:
    return Reference.begin(name, KIND, captures)


@pytest.fixture
def benches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Shelf, Shelf]:
    monkeypatch.setenv("COILBELL_REFERENCES", str(tmp_path / "ours"))
    monkeypatch.setenv("COILBELL_LOG", str(tmp_path / "log.sqlite"))
    ours, theirs = Shelf(tmp_path / "ours"), Shelf(tmp_path / "theirs")
    ours.put(made("yoke", rung("unit-1", 1.20e-3, 45, ours=True), rung("unit-2", 1.22e-3, 47, ours=True)))
    theirs.put(made("yoke", rung("unit-1", 1.16e-3, 44, ours=False), rung("unit-9", 1.2e-3, 45, ours=False)))
    theirs.put(made("second", rung("u", 1.3e-3, 40, ours=False)))
    return ours, theirs


def test_a_set_arrives_with_who_when_board_and_hash(benches: tuple[Shelf, Shelf], tmp_path: Path) -> None:
    ours, theirs = benches
    hand_on(theirs, tmp_path / "set.json", "Heron Bench")
    told = handed(tmp_path / "set.json")
    assert told is not None
    done = {one.reference.name: one for one in take_over(ours, told, merge=True)}
    yoke = ours.get("yoke")
    assert yoke.units() == ("unit-1", "unit-2", "unit-1 of Heron Bench", "unit-9")
    assert (done["yoke"].new, done["second"].new) == (2, 1)
    source = yoke.provenance[0]
    assert (source.who, source.origin) == ("Heron Bench", origin(theirs.get("yoke")))
    assert {c.observation.board for c in yoke.captures if c.origin} == {"board two"}
    assert {c.origin for c in ours.get("second").captures} == {origin(theirs.get("second"))}


def test_what_is_here_already_is_known_by_its_content(benches: tuple[Shelf, Shelf], tmp_path: Path) -> None:
    ours, theirs = benches
    hand_on(theirs, tmp_path / "set.json", "Heron Bench")
    told = handed(tmp_path / "set.json")
    assert told is not None
    take_over(ours, told, merge=True)
    before = ours.path("yoke").read_bytes()
    again = take_over(ours, told, merge=True)
    assert [one.new for one in again] == [0, 0]
    assert ours.path("yoke").read_bytes() == before
    hand_on(ours, tmp_path / "back.json", "Mill Lane")
    back = handed(tmp_path / "back.json")
    assert back is not None
    take_over(theirs, back, merge=True)
    assert theirs.get("yoke").units() == ("unit-1", "unit-9", "unit-1 of Mill Lane", "unit-2")


def test_without_merge_nothing_is_touched(benches: tuple[Shelf, Shelf], tmp_path: Path) -> None:
    ours, theirs = benches
    hand_on(theirs, tmp_path / "set.json", "Heron Bench")
    told = handed(tmp_path / "set.json")
    assert told is not None
    with pytest.raises(FileError, match="yoke is there already"):
        take_over(ours, told)
    assert ours.names() == ("yoke",)


def test_a_contradiction_anywhere_takes_nothing_over(benches: tuple[Shelf, Shelf], tmp_path: Path) -> None:
    ours, theirs = benches
    theirs.put(made("aaa", rung("u", 1.2e-3, 45, ours=False)))
    theirs.put(made("yoke", rung("unit-5", 6e-3, 44, ours=False)))
    hand_on(theirs, tmp_path / "set.json", "Heron Bench")
    told = handed(tmp_path / "set.json")
    assert told is not None
    with pytest.raises(
        ReferenceMismatch, match=r"yoke of Heron Bench: .*too far apart.*nothing was taken over"
    ):
        take_over(ours, told, merge=True)
    assert ours.names() == ("yoke",)


def test_a_ring_of_another_tester_is_judged_by_what_both_take() -> None:
    """The same winding on both: 3 % of capacitance and 8 % of loss apart, and like healthy all the same."""
    units = [rung(f"u{k}", 1.2e-3, 45, ours=False) for k in range(3)]
    seen = rung("suspect", 1.2e-3, 45, ours=True).observation
    by = find([seen], made("yoke", *units)).healthy
    assert by is not None
    assert math.exp(by.location[0]) == pytest.approx(seen.natural_hz, rel=3e-4)
    assert math.exp(-by.location[1]) == pytest.approx(seen.q, rel=3e-3)


def test_a_unit_that_both_rang_measures_the_difference_of_the_testers() -> None:
    """Their capacitor is 2 % off what they state: unknown it widens, by the common units it is taken off."""
    off = 1.02

    def theirs(unit: str, henries: float) -> Capture:
        one = rung(unit, henries * off, 45, ours=False)
        return one if unit.startswith("c") else replace(one, origin="theirs@0")

    alone = made("yoke", *(theirs(f"t{k}", 1.2e-3) for k in range(8)))
    seen = rung("suspect", 1.2e-3, 45, ours=True).observation
    apart = find([seen], alone).healthy
    both = [f(f"c{k}", 1.2e-3) for k in range(4) for f in (theirs, lambda u, h: rung(u, h, 45, ours=True))]
    joined = find([seen], made("yoke", *alone.captures, *both)).healthy
    assert apart is not None
    assert joined is not None
    assert abs(apart.location[0] - math.log(seen.natural_hz)) == pytest.approx(0.0099, abs=5e-4)
    assert abs(joined.location[0] - math.log(seen.natural_hz)) < 0.001


def test_a_tester_of_unknown_loading_widens() -> None:
    units = [rung(f"u{k}", 1.2e-3, 45 + k, ours=False) for k in range(3)]
    seen = rung("suspect", 1.2e-3, 45, ours=True).observation
    known = find([seen], made("yoke", *units)).healthy
    unknown = find([replace(seen, loading=None)], made("yoke", *units)).healthy
    assert known is not None
    assert unknown is not None
    assert unknown.spreads[1] > known.spreads[1]


def test_the_same_unit_is_told_by_name(benches: tuple[Shelf, Shelf], tmp_path: Path) -> None:
    ours, theirs = benches
    hand_on(theirs, tmp_path / "set.json", "Heron Bench")
    told = handed(tmp_path / "set.json")
    assert told is not None
    with pytest.raises(InputError, match="no unit unit-7"):
        take_over(ours, told, ["unit-7"], merge=True)
    take_over(ours, told, ["unit-1"], merge=True)
    assert ours.get("yoke").units() == ("unit-1", "unit-2", "unit-9")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda b: b | {"who": "another"}, "does not match its own hash"),
        (lambda b: b | {"schema": 7}, "has schema 7"),
        (lambda b: b | {"references": [{"what": "no"}]}, "does not match its own hash"),
    ],
)
def test_a_changed_set_is_refused(benches: tuple[Shelf, Shelf], tmp_path: Path, change, words: str) -> None:
    _, theirs = benches
    hand_on(theirs, tmp_path / "set.json", "Heron Bench")
    body = json.loads((tmp_path / "set.json").read_text())
    (tmp_path / "bad.json").write_text(json.dumps(change(body)))
    with pytest.raises(FileError, match=words):
        handed(tmp_path / "bad.json")


@pytest.mark.parametrize(
    "change",
    [
        {"who": 3},
        {"who": ""},
        {"exported": "yesterday"},
        {"exported": "2026-12-01T10:00:00"},
        {"references": 5},
        {"references": [5]},
        {"references": [{}]},
        {"references": [{"what": "coilbell reference", "schema": 1}]},
    ],
)
def test_a_set_with_a_right_hash_and_wrong_content_is_one_line(
    benches: tuple[Shelf, Shelf], tmp_path: Path, capsys: pytest.CaptureFixture[str], change
) -> None:
    from coilbell.bench.learned.handover import _hash

    _, theirs = benches
    hand_on(theirs, tmp_path / "set.json", "Heron Bench")
    body = json.loads((tmp_path / "set.json").read_text()) | change
    del body["sha256"]
    (tmp_path / "bad.json").write_text(json.dumps(body | {"sha256": _hash(body)}))
    assert main(["reference", "import", str(tmp_path / "bad.json"), "--merge"]) == 2
    told = capsys.readouterr().err
    assert "bad.json" in told
    assert "Traceback" not in told
    assert len(told.strip().splitlines()) <= 3


def test_every_cut_and_flip_of_a_set_is_refused_and_changes_nothing(
    benches: tuple[Shelf, Shelf], tmp_path: Path
) -> None:
    ours, theirs = benches
    hand_on(theirs, tmp_path / "set.json", "Heron Bench")
    whole, before = (tmp_path / "set.json").read_bytes(), ours.path("yoke").read_bytes()
    bad = tmp_path / "bad.json"
    for k in range(0, len(whole) - 1, len(whole) // 60):
        for damaged in (whole[:k], whole[:k] + bytes([whole[k] ^ 0x04]) + whole[k + 1 :]):
            bad.write_bytes(damaged)
            assert main(["reference", "import", str(bad), "--merge"]) == 2
    assert ours.path("yoke").read_bytes() == before
    assert ours.names() == ("yoke",)


def test_the_command_hands_on_distrusts_and_trusts_again(
    benches: tuple[Shelf, Shelf], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, theirs = benches
    place = str(tmp_path / "set.json")
    assert main(["reference", "export", "--all", place, "--store", str(theirs.folder)]) == 2
    assert "say who hands them on" in capsys.readouterr().err
    assert main(["reference", "export", "--all", place, "--store", str(theirs.folder), "--who", "Heron"]) == 0
    assert main(["reference", "import", place, "--merge"]) == 0
    assert "yoke: 2 captures new, 0 here already, from Heron" in capsys.readouterr().err
    assert main(["reference", "show", "yoke"]) == 0
    shown = capsys.readouterr().out
    assert "handed on by Heron on 20" in " ".join(shown.split())
    assert "rung by board two" in shown
    assert main(["reference", "distrust", "nobody", "--why", "x"]) == 3
    assert main(["reference", "distrust", "Heron"]) == 2
    assert main(["reference", "distrust", "Heron", "--why", "its capacitors are off"]) == 0
    capsys.readouterr()
    assert main(["reference", "distrust"]) == 0
    assert "its capacitors are off" in capsys.readouterr().out
    from coilbell.bench.learned.lent import reference_named

    judged = reference_named("yoke")
    assert judged.units() == ("unit-1", "unit-2")
    told = " ".join(find([rung("x", 1.2e-3, 45, ours=True).observation], judged).odds.basis)
    assert "left out: distrusted here" in told
    assert main(["reference", "distrust", "Heron", "--again"]) == 0
    assert len(reference_named("yoke").units()) == 4


def test_a_finding_kept_before_says_that_its_source_is_distrusted(
    benches: tuple[Shelf, Shelf], tmp_path: Path
) -> None:
    from coilbell.bench.facts.finding import finding_facts
    from coilbell.bench.learned.trust import distrust, fallen

    ours, theirs = benches
    hand_on(theirs, tmp_path / "set.json", "Heron Bench")
    told = handed(tmp_path / "set.json")
    assert told is not None
    take_over(ours, told, merge=True)
    facts = finding_facts(find([rung("x", 1.2e-3, 45, ours=True).observation], ours.get("yoke")))
    assert [one.who for one in facts.sources or ()] == ["Heron Bench"]
    assert fallen(ours.folder, facts.sources or ()) == ()
    distrust(ours.folder, "Heron Bench", "its capacitors are off")
    assert "distrusted since" in fallen(ours.folder, facts.sources or ())[0]
