"""Kinds of winding as files: what is refused, what ships, and a kind of one's own in a reference."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest

import coilbell.winding
from coilbell.cli import main
from coilbell.errors import FileError, ReferenceMismatch
from coilbell.record import Capacitor, Connection
from coilbell.winding import (
    KINDS,
    SPREAD,
    TYPICAL,
    Capture,
    Condition,
    HealthyTank,
    Observation,
    Reference,
    decode,
    decode_kind,
    encode,
    encode_kind,
    find,
    kind_named,
)
from coilbell.winding.odds import faultfile

FOLDER = Path(coilbell.winding.__file__).parent / "kinds"
TEXT = (FOLDER / "vertical-yoke.toml").read_text(encoding="utf-8")
OWN = TEXT.replace('"vertical yoke"', '"fell yoke"').replace("range = [0.5, 30]", "range = [4, 30]")
SOURCES = re.compile(r"(published|simulated): \S+|common practice|assumed")


def test_every_shipped_file_is_a_kind_and_every_figure_has_a_source() -> None:
    assert len(KINDS) == len(list(FOLDER.glob("*.toml"))) == 12
    for name, kind in KINDS.items():
        assert kind.name == name == kind_named(f" {name.upper()} ").name
        places = [place for place, _ in kind.sources]
        bare = {} if kind.bare_q else {"bare_q"}
        wanted = [f"typical.{key}" for key in TYPICAL if key not in bare]
        assert places == [*wanted, *(f"spread.{key}" for key in SPREAD)]
        assert all(SOURCES.match(source) for _, source in kind.sources)


def test_a_simulated_figure_names_a_file_that_is_there() -> None:
    root = Path(__file__).parents[2]
    named = {s.partition(": ")[2] for k in KINDS.values() for _, s in k.sources if s.startswith("simulated")}
    assert named
    assert all((root / place).exists() for place in named)


def test_what_nothing_is_known_of_comes_last() -> None:
    assert list(KINDS)[-1] == "other winding"
    assert list(KINDS)[:-1] == sorted(list(KINDS)[:-1])
    assert "../kinds/vertical yoke" not in KINDS


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda k: k.name)
def test_written_and_read_again_it_is_the_same(kind: coilbell.winding.Kind) -> None:
    assert decode_kind(encode_kind(kind)) == kind


def test_the_figures_arrive_where_they_are_used() -> None:
    yoke = decode_kind(OWN)
    assert yoke.healthy_q == (4.0, 30.0)
    assert yoke.bare_q == 10.0
    assert yoke.spread.core_loss == 0.25
    assert yoke.sources[0] == ("typical.turns", "common practice")
    assert not yoke.iron


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("schema = 1", "schema = 7", "schema 7, this version knows 1"),
        ("schema = 1\n", "", "schema None"),
        ('name = "vertical yoke"', 'name = "Yoke!"', "name 'Yoke!'"),
        ('name = "vertical yoke"', "name = 3", "name 3"),
        ("schema = 1", "schema = 1\ncolour = 2", "colour is not known"),
        ("schema = 1", 'schema = 1\niron = "yes"', "iron is 'yes'; give true or false"),
        ("schema = 1", "schema = 1\nrectifiers_inside = true", "goes with high_voltage"),
        ("[spread]", "[sprawl]", "sprawl is not known"),
        ("[typical]", "[typical]\nweight = 3", "typical.weight is not known"),
        ("turns = ", "twists = ", "typical.twists is not known"),
        ("leakage = { range = [0.02, 0.08]", "leakage = { range = [0.02, 0.4]", "0.4 does not lie between"),
        ("range = [200, 500]", "range = [500, 200]", "must rise"),
        ("range = [200, 500]", "range = [200, 200]", "must rise"),
        ("range = [200, 500]", "range = [200]", "lowest and highest"),
        ("range = [200, 500]", "range = 200", "lowest and highest"),
        ("range = [200, 500]", "value = 200", "write { range = [1, 2]"),
        ("range = [200, 500]", "range = [200, inf]", "inf does not lie between 1 and 1e+06"),
        ("range = [200, 500]", "range = [nan, 500]", "nan does not lie"),
        ("range = [200, 500]", "range = [true, 500]", "True does not lie"),
        ("range = [200, 500]", f"range = [200, 1{'0' * 400}]", "1000000000000000000 does not lie"[:12]),
        ("value = 0.25", "value = 0", "0 does not lie between 1e-06 and 3"),
        ("value = 0.25", 'value = "much"', "much does not lie"),
        ("value = 0.25, source", "value = 0.25, why = 1, source", "write { value = 1"),
        ('value = 0.25, source = "assumed"', 'value = 0.25, source = "rumour"', "source 'rumour'"),
        ('value = 0.25, source = "assumed"', 'value = 0.25, source = "published"', "'published'"),
        ('core_loss = { value = 0.25, source = "assumed" }', "core_loss = 0.25", "write { value = 1"),
        ('core_loss = { value = 0.25, source = "assumed" }', "", "[spread] lacks core_loss"),
    ],
)
def test_a_file_that_does_not_hold_together_is_refused(old: str, new: str, says: str) -> None:
    assert old in TEXT
    with pytest.raises(FileError, match=re.escape(says)):
        decode_kind(TEXT.replace(old, new, 1))


@pytest.mark.parametrize(
    "text", ["[[", "\x00", "a=" + "[" * 9000, "=" * 30_000, "a = 1" + "0" * 5000, ".".join("a" * 9000) + "=1"]
)
def test_what_is_no_kind_at_all_is_refused(text: str) -> None:
    with pytest.raises(FileError):
        decode_kind(text)


def _reference(name: str = "fell") -> Reference:
    out = Connection.OUT_OF_CIRCUIT
    good = [
        Capture(f"u{k}", Condition.GOOD, Observation(Capacitor(100e-9, 0.01), 4e3 * f, 9, connection=out))
        for k, f in enumerate((0.98, 1.0, 1.02))
    ]
    return Reference.begin(name, decode_kind(OWN), good)


def test_a_reference_carries_a_kind_of_ones_own_and_no_shipped_one() -> None:
    text = encode(_reference())
    assert decode(text) == _reference().__class__(**{f: getattr(decode(text), f) for f in _fields()})
    assert decode(text).kind == decode_kind(OWN)
    assert json.loads(text)["kind_table"]["name"] == "fell yoke"
    shipped = Reference.begin("plain", "vertical yoke", _reference().captures)
    assert "kind_table" not in json.loads(encode(shipped))
    edited = json.loads(text)
    edited["kind_table"]["typical"]["turns"]["range"] = [100, 500]
    with pytest.raises(FileError, match="its own hash"):
        decode(json.dumps(edited))


def _fields() -> tuple[str, ...]:
    return ("name", "kind", "captures", "note", "created", "origins")


def test_it_is_judged_by_its_own_figures() -> None:
    wide = decode_kind(OWN.replace("inductance = { value = 0.1,", "inductance = { value = 0.9,"))
    capacitor, out = Capacitor(100e-9, 0.01), Connection.OUT_OF_CIRCUIT
    one = Observation(capacitor, 4e3, 9.0, connection=out)
    far = Observation(capacitor, 5.2e3, 9.0, connection=out)
    odds = []
    for kind in (decode_kind(OWN), wide):
        reference = Reference.begin("r", kind, [Capture("u1", Condition.GOOD, one)])
        finding = find([far], reference)
        assert finding.kind == "fell yoke"
        assert finding.healthy is not None
        odds.append(float(finding.healthy.spreads[0]))
    assert odds[1] > 4 * odds[0]
    assert math.isfinite(odds[1])


def test_two_figures_of_one_name_are_kept_apart() -> None:
    other = decode_kind(OWN.replace("range = [4, 30]", "range = [5, 30]"))
    theirs = Reference.begin("theirs", other, _reference().captures)
    with pytest.raises(ReferenceMismatch, match="differ in the figures of a fell yoke"):
        _reference().merged(theirs, "theirs@0")


def test_the_command_lists_shows_copies_and_checks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["reference", "kinds"]) == 0
    out = capsys.readouterr().out
    assert all(f"{name}: usual Q" in out for name in KINDS)
    assert max(map(len, out.splitlines())) <= 80
    assert main(["reference", "kinds", "--json"]) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [one["name"] for one in told] == list(KINDS)
    assert all(f["source"] and f["unit"] for one in told for f in (one["typical"] | one["spread"]).values())
    assert main(["reference", "kinds", "vertical yoke", "--toml"]) == 0
    mine = tmp_path / "mine.toml"
    mine.write_text(capsys.readouterr().out.replace("vertical yoke", "fell yoke"), encoding="utf-8")
    assert main(["reference", "kinds", str(mine)]) == 0
    out, err = capsys.readouterr()
    assert "sound" in err
    assert "core_loss 0.25: of the core's loss, unit to unit (assumed)" in " ".join(out.split())


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (TEXT.replace("range = [200, 500]", "range = [100, 500]"), "ships with other figures"),
        (TEXT.replace("schema = 1", "schema = 2"), "schema 2"),
        ("[[", "no TOML text"),
        (None, "cannot be read"),
    ],
)
def test_an_unusable_file_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str | None, says: str
) -> None:
    place = tmp_path / "kind.toml"
    if text is not None:
        place.write_text(text, encoding="utf-8")
    for words in (["kinds", str(place)], ["add", "r", "x.json", "--unit", "u", "--kind", str(place)]):
        code = main(["reference", *words, "--store", str(tmp_path / "store")])
        out, err = capsys.readouterr()
        assert (code, out, err.count("\n")) == (2, "", 1)
        assert says in err or "x.json" in err
    assert main(["reference", "kinds", "lawn mower"]) == 2
    assert "choose one of: common-mode choke" in capsys.readouterr().err


def test_from_ones_own_file_to_a_finding(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reference carries the kind: the file may go, and an export can be judged by elsewhere."""
    from coilbell.bench.files import write
    from simulated import simulated_record

    monkeypatch.chdir(tmp_path)
    Path("mine.toml").write_text(
        (FOLDER / "horizontal-yoke.toml").read_text(encoding="utf-8").replace("horizontal yoke", "fell yoke"),
        encoding="utf-8",
    )
    for seed in (1, 2, 9):
        ring = simulated_record("tarn-yoke-line", seed, "healthy", 22e-9, Connection.OUT_OF_CIRCUIT, 4096)
        write([ring], tmp_path / f"{seed}.json")
    add = ["reference", "add", "fell", "--store", "store"]
    assert main([*add, "1.json", "--unit", "u1", "--kind", "mine.toml"]) == 0
    Path("mine.toml").unlink()
    assert main([*add, "2.json", "--unit", "u2"]) == 0
    assert main(["reference", "export", "fell", "fell.json", "--store", "store"]) == 0
    capsys.readouterr()
    assert main(["judge", "9.json", "--reference", "fell.json", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["kind"] == "fell yoke"
    assert told["shorted_turn"]["probability"] < 0.5


def test_how_severe_faults_may_be_is_told_with_its_sources(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["reference", "kinds", "--faults"]) == 0
    out = capsys.readouterr().out
    assert "own_turns.contact_ohms 30 mohm to 300 ohm: contact of the others" in out
    assert max(map(len, out.splitlines())) <= 80
    assert main(["reference", "kinds", "--faults", "--json"]) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert len(told) == len({one["name"] for one in told}) > 25
    assert all(SOURCES.fullmatch(one["figure"]["source"]) for one in told)
    assert main(["reference", "kinds", "horizontal yoke", "--faults"]) == 2


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("schema = 1", "schema = 2"),
        ("value = 0.75", 'value = "much"'),
        ("value = 0.75", "value = 0"),
        ("value = 0.75", "value = nan"),
        ("range = [0.03, 300]", "range = [300, 0.03]"),
        ("range = [0.03, 300]", "range = [0.03]"),
        ('source = "assumed"', 'source = "hearsay"'),
        ('unit = "1", ', ""),
    ],
)
def test_a_damaged_list_of_faults_is_refused(old: str, new: str) -> None:
    text = (FOLDER.parent / "faults.toml").read_text(encoding="utf-8")
    assert old in text
    with pytest.raises(FileError, match=r"faults\.toml"):
        list(faultfile._read(text.replace(old, new, 1)))


def test_the_cases_of_a_fault_follow_its_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """A contact of 0.03 to 300 ohm spreads L2/R2; one that always closes dead does not."""
    from coilbell.winding.odds import severity

    tank, kind = HealthyTank(2.2e-3, 2e-9, 1.3, 1e-6), kind_named("power inductor")
    wide = severity._own_turns(kind, tank).loop_s
    monkeypatch.setattr(
        severity, "value", lambda name: 0.999 if name == "own_turns.dead" else faultfile.value(name)
    )
    dead = severity._own_turns(kind, tank).loop_s
    assert float(wide.max() / wide.min()) > 2 * float(dead.max() / dead.min())
    assert float(dead.min()) > 10 * float(wide.min())


def test_a_shorted_winding_leaks_less_than_it_couples() -> None:
    """The bound on a kind's leakage and what faults.toml makes of it go together."""
    assert TYPICAL["leakage"].highest * faultfile.span("whole_winding.leakage")[1] < 1
