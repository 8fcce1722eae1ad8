"""The commands reference, judge and compare, from files to exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from coilbell.bench.files.records import write
from coilbell.bench.shelf import Shelf
from coilbell.board.simulation import catalogue
from coilbell.cli import main
from coilbell.commands.judge import VERDICTS
from coilbell.record import Connection, Record
from coilbell.terms import Headline
from simulated import simulated_record

LINE, YOKE = "tarn-line-split", "tarn-yoke-line"


def record(part: str, seed: int, state: str, farads: float = 22e-9, in_circuit: bool = False) -> Record:
    """A ring whose connection is stated."""
    where = Connection.IN_CIRCUIT if in_circuit else Connection.OUT_OF_CIRCUIT
    return simulated_record(part, seed, state, farads, where, 4096)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a store of its own and a reference `line` of two good units."""
    monkeypatch.setenv("COILBELL_REFERENCES", str(tmp_path / "store"))
    monkeypatch.chdir(tmp_path)
    for seed in (1, 2):
        write([record(LINE, seed, "healthy")], tmp_path / f"good{seed}.json")
        kind = ["--kind", "line-output transformer"] if seed == 1 else []
        assert main(["reference", "add", "line", f"good{seed}.json", "--unit", f"u{seed}", *kind]) == 0
    return tmp_path


def put(bench: Path, name: str, *records: Record) -> str:
    write(records, bench / name)
    return name


def test_a_dead_turn_is_judged_in_text_json_picture_and_code(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    part = put(bench, "dead.json", record(LINE, 9, "turn-dead"))
    capsys.readouterr()
    assert main(["judge", part, "--reference", "line", "--picture", "plane.png"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("dead.json: A TURN IS SHORTED\n")
    assert max(map(len, out.splitlines())) <= 80
    assert len(out.splitlines()) <= 10
    assert (bench / "plane.png").read_bytes().startswith(b"\x89PNG")
    assert main(["judge", part, "--reference", "line", "--json", "--exit-code", "--prior", "0.1"]) == 10
    facts = json.loads(capsys.readouterr().out)
    assert facts["schema"] == 2
    assert facts["explanation"] == "like shorted"
    assert facts["shorted_turn"]["prior"] == 0.1


def test_each_headline_has_its_exit_code() -> None:
    assert set(VERDICTS) == set(Headline)
    assert not {1, 2, 3, 130} & set(VERDICTS.values())


def test_judging_in_circuit_never_convicts(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = put(bench, "set.json", record(LINE, 9, "in-circuit-yoke-heater-cold", in_circuit=True))
    assert main(["judge", part, "--reference", "line", "--exit-code"]) != 10
    out = capsys.readouterr().out
    assert "caution: dead circuits only" in out
    assert "A TURN IS SHORTED" not in out


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["--reference", "nowhere"], 3, "no reference 'nowhere'"),
        ([], 2, "nothing to judge by"),
        (["--reference", "line", "--prior", "1"], 2, "--prior 1 leaves nothing to find out"),
        (["--reference", "line", "--kind", "horizontal yoke"], 2, "the part is a horizontal yoke"),
        (["--reference", "line", "--capacitor", "100n"], 2, "taken with 22 nF, this ring with 100 nF"),
        (["--reference", "line", "--capacitor", "1n", "--capacitor", "2n"], 2, "2 values of --capacitor"),
        (["--reference", "../line"], 2, "use letters, digits"),
        (["--kind", "horizontal yoke", "--picture", "a.png"], 2, "--picture needs --reference"),
        (["--reference", "line", "--picture", "a.txt"], 2, "pictures are not written as .txt"),
    ],
)
def test_wrong_use_is_one_clear_line(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int, says: str
) -> None:
    part = put(bench, "part.json", record(LINE, 9, "healthy"))
    capsys.readouterr()
    assert main(["judge", part, *words]) == code
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1


def test_without_a_reference_no_odds_are_given(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = put(bench, "yoke.json", record(YOKE, 3, "healthy"))
    assert main(["judge", part, "--kind", "horizontal yoke", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert facts["probabilities"] is None
    assert facts["shorted_turn"] is None
    assert facts["inductance_h"]["value"] == pytest.approx(catalogue.part(YOKE, 3).henries, rel=0.05)


def test_a_contradictory_unit_is_refused_and_nothing_is_overwritten(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = Shelf().path("line").read_bytes()
    part = put(bench, "dead.json", record(LINE, 9, "turn-dead"))
    assert main(["reference", "add", "line", part, "--unit", "stranger"]) == 2
    assert "where a healthy line-output transformer has 80 to 180" in capsys.readouterr().err
    assert main(["reference", "add", "line", "good1.json", "--unit", "u1", "--kind", "horizontal yoke"]) == 2
    assert Shelf().path("line").read_bytes() == before


def test_a_damaged_file_is_reported_and_never_replaced(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = Shelf().path("line")
    damaged = path.read_bytes().replace(b'"u2"', b'"u3"')
    path.write_bytes(damaged)
    for words in (
        ["judge", "good1.json", "--reference", "line"],
        ["reference", "add", "line", "good1.json", "--unit", "u9"],
        ["reference", "check"],
        ["reference", "show", "line"],
        ["reference", "list"],
    ):
        capsys.readouterr()
        assert main(words) == 2
        assert "does not match its own hash" in capsys.readouterr().err
    path.write_bytes(damaged[:100])
    assert main(["reference", "check", "line"]) == 2
    path.write_bytes(b"\xff\xfe\x00")
    assert main(["reference", "check", "line"]) == 2
    assert path.read_bytes() == b"\xff\xfe\x00"
    assert main(["reference", "check", "gone"]) == 3


def test_export_and_import_keep_what_is_there(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["reference", "export", "line", "out.json"]) == 0
    exported = (bench / "out.json").read_bytes()
    assert main(["reference", "export", "line", "out.json"]) == 2
    assert main(["reference", "import", "out.json"]) == 2
    assert "left as it is" in capsys.readouterr().err
    assert main(["reference", "import", "out.json", "--name", "other"]) == 0
    assert main(["reference", "import", "out.json", "--merge"]) == 0
    assert (bench / "out.json").read_bytes() == exported
    assert Shelf().names() == ("line", "other")
    assert len(Shelf().get("line").captures) == 2
    assert main(["judge", "good1.json", "--reference", "out.json"]) == 0


def test_show_and_list_fit_the_screen(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    loop = put(bench, "loop.json", record(LINE, 1, "external-loop"))
    assert main(["reference", "add", "line", loop, "--unit", "u1", "--shorted", "one-turn loop"]) == 0
    capsys.readouterr()
    for words in (["reference", "show", "line"], ["reference", "list"], ["reference", "check"]):
        assert main(words) == 0
        out = capsys.readouterr().out
        assert out
        assert max(map(len, out.splitlines())) <= 80
    assert main(["reference", "show", "line", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert [c["condition"] for c in facts["captures"]] == ["good", "good", "shorted"]
    assert facts["healthy"][0]["units"] == 2


def test_two_files_with_their_capacitors_are_judged_together(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for seed in (1, 2):
        small = put(bench, f"small{seed}.json", record(LINE, seed, "healthy", 4.7e-9))
        assert main(["reference", "add", "line", small, "--unit", f"u{seed}"]) == 0
    pair = [put(bench, f"p{c}.json", record(LINE, 5, "healthy", c)) for c in (22e-9, 4.7e-9)]
    capsys.readouterr()
    assert main(["judge", *pair, "--reference", "line", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert len(facts["rings"]) == 2
    assert facts["loss_slope"] is not None
    assert facts["explanation"] == "like healthy"


def test_compare_names_the_yoke(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = put(bench, "free.json", record(LINE, 9, "healthy"))
    inside = put(bench, "set.json", record(LINE, 9, "in-circuit-yoke", in_circuit=True))
    words = ["compare", part, inside, "--kind", "line-output transformer"]
    capsys.readouterr()
    assert main(words) == 0
    out = capsys.readouterr().out
    assert "deflection yoke" in out
    assert max(map(len, out.splitlines())) <= 80
    assert main([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["connection"]["name"].endswith("deflection yoke")
    assert main(["compare", inside, part]) == 2
    assert main(["compare", part, "missing.json"]) == 2
    assert main(["compare", part, inside, "--kind", "gramophone"]) == 2


def _refused(capsys: pytest.CaptureFixture[str], words: list[str], code: int = 2) -> str:
    capsys.readouterr()
    assert main(words) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    return err


@pytest.mark.parametrize("prior", ["nan", "text", "150%", "%", "", "inf", "0", "-0.5", "1.5"])
def test_a_prior_that_is_no_number_is_told_as_a_probability(
    bench: Path, capsys: pytest.CaptureFixture[str], prior: str
) -> None:
    err = _refused(capsys, ["judge", "good1.json", "--reference", "line", f"--prior={prior}"])
    assert f"--prior {prior!r} is no probability; write one between 0 and 1, such as 0.3 or 30%" in err


def test_a_prior_may_be_given_in_percent(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["judge", "good1.json", "--reference", "line", "--json", "--prior"]
    told = []
    for prior in ("30%", "0.3", " 30 %"):
        capsys.readouterr()
        assert main([*words, prior]) == 0
        told.append(json.loads(capsys.readouterr().out)["shorted_turn"]["prior"])
    assert told == [0.3] * 3
    assert "leaves nothing to find out" in _refused(capsys, [*words, "100%"])


def test_a_unit_the_reference_lacks_is_not_judged_by_others(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["judge", "good1.json", "--reference", "line", "--unit"]
    assert "(good units: u1, u2)" in _refused(capsys, [*words, "nobody"])
    assert main([*words, "u1"]) == 0


@pytest.mark.parametrize("words", [["--unit", "u1"], ["--prior", "0.2"], ["--store", "store"]])
def test_options_that_need_a_reference_are_not_passed_over(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    judge = ["judge", "good1.json", "--kind", "line-output transformer"]
    assert f"{words[0]} needs --reference" in _refused(capsys, [*judge, *words])


def test_a_picture_without_a_ring_is_no_failure_and_leaves_what_is_there(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    part = put(bench, "open.json", record(LINE, 9, "open"))
    Path("plane.png").write_bytes(b"earlier")
    capsys.readouterr()
    assert main(["judge", part, "--reference", "line", "--picture", "plane.png"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("open.json: NO RING")
    assert err == "nothing rang, so there is no place in the shift plane: plane.png is not written\n"
    assert Path("plane.png").read_bytes() == b"earlier"


def test_a_picture_that_cannot_be_written_is_told_before_judging(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["judge", "good1.json", "--reference", "line", "--picture", "nowhere/plane.png"]
    assert "no folder nowhere; make it" in _refused(capsys, words)


def test_the_title_says_that_several_files_were_judged(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    again = put(bench, "again.json", record(LINE, 1, "healthy"))
    capsys.readouterr()
    assert main(["judge", "good1.json", again, "--reference", "line", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["title"] == "good1.json and 1 more"


@pytest.mark.parametrize("words", [["--unit", "u7"], ["--unit", "u1", "--shorted", "one-turn loop"]])
def test_one_ring_is_not_two_specimens(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    before = Shelf().path("line").read_bytes()
    err = _refused(capsys, ["reference", "add", "line", "good1.json", *words])
    assert "is in line already, as good unit u1; check the file and --unit" in err
    assert Shelf().path("line").read_bytes() == before


def test_a_ring_is_not_held_against_itself(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "stands on both sides" in _refused(capsys, ["compare", "good1.json", "good1.json"])


def test_rings_are_counted_to_a_fraction_of_ones_own(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Asked for, else that of the fit, so that one ring never has two counts."""
    part = put(bench, "whole.json", record(LINE, 9, "healthy"))
    capsys.readouterr()
    counts = {}
    for words in ([], ["--count-to", "1/10"], ["--count-to", "25%"]):
        assert main(["judge", part, "--reference", "line", "--json", *words]) == 0
        counts[tuple(words)] = json.loads(capsys.readouterr().out)["count"]
    plain, tenth, quarter = counts.values()
    assert plain == tenth
    assert quarter["fraction"] == 0.25
    # ln 4/ln 10, by hand
    assert quarter["rings"] == pytest.approx(plain["rings"] * 0.60206, rel=1e-5)
    assert main(["fit", part, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["modes"][0]["ring_count"]["value"] == pytest.approx(
        plain["rings"], rel=1e-9
    )
    _refused(capsys, ["judge", part, "--reference", "line", "--count-to", "2"])


def test_an_items_count_is_made_again_as_it_was_asked(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    part = put(bench, "whole.json", record(LINE, 9, "healthy"))
    keep = ["--item", "lot-3", "--log", "log.sqlite"]
    assert main(["judge", part, "--reference", "line", "--count-to", "1/4", *keep]) == 0
    assert main(["log", "export", "lot.zip", "lot-3", "--log", "log.sqlite"]) == 0
    assert main(["log", "import", "lot.zip", "--log", "theirs.sqlite"]) == 0
    capsys.readouterr()
    assert main(["log", "show", "lot-3", "--log", "theirs.sqlite", "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["judgements"]
    assert told["question"]["count_to"] == 0.25
    assert told["facts"]["count"]["fraction"] == 0.25


def test_stage_pins_and_temperature_are_typed_beside_a_file(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is typed goes into the judgement: a yoke has no tube base, and a bench can be too warm."""
    part = put(bench, "free.json", record(LINE, 9, "healthy"))
    kind = ["--kind", "horizontal yoke"]
    assert "a horizontal yoke has no step tube-base-off" in _refused(
        capsys, ["judge", part, *kind, "--done", "tube-base-off"]
    )
    assert "give -60 to 200" in _refused(capsys, ["judge", part, *kind, "--temperature", "900"])
    assert main(["judge", part, *kind, "--across", "3-5", "--temperature", "21"]) == 0
