"""`coilbell isolate`: worksheets in a log and in a file, what is typed, what is refused."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs

from coilbell.bench.facts.base import json_line, plain
from coilbell.bench.facts.finding import CauseFacts
from coilbell.bench.facts.ring import OddsFacts
from coilbell.bench.log import Log
from coilbell.bench.log.keeper import kept_facts
from coilbell.bench.worksheet.typed import evidence_of, meter_of
from coilbell.cli import main
from coilbell.errors import InputError
from coilbell.isolate import UNKNOWN, Meter, odds, shipped
from handmade import handmade_finding
from lamp import LAMP

CRT = shipped()["CRT monitor"]
Shell = Any


@pytest.fixture(params=["log", "sheet"])
def shell(request: pytest.FixtureRequest, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    """Run an action on one item, kept in a log or in a file."""
    place = (
        ["--log", str(tmp_path / "bench.db")]
        if request.param == "log"
        else ["--sheet", str(tmp_path / "s.jsonl")]
    )

    def run(action: str, *words: str) -> tuple[int, str, str]:
        code = main(["isolate", action, "--item", "heron-14", *place, *words])
        out, err = capsys.readouterr()
        return code, out, err

    return run


def test_from_new_to_a_ranking(shell: Shell) -> None:
    code, out, _ = shell("new", "--kind", "CRT monitor")
    assert code == 0
    assert "priors of the trade" in out
    assert shell("observe", "rails-loaded", "142=79", "33=18.4", "9=5")[0] == 0
    assert shell("observe", "rails-unloaded", "142=141", "33=32.8", "9=8.9")[0] == 0
    assert shell("observe", "ring-out", "log10=-2")[0] == 0
    code, out, err = shell("observe", "rails-secondaries-off", "142=136", "33=31.5", "9=8.6")
    assert code == 0
    assert "reading 5" in err
    rows = [line for line in out.splitlines() if " %  " in line]
    assert "a load on one of the transformer's low-voltage" in rows[0]
    assert "output transistor" in rows[1]
    assert "nothing here is certain" in out
    assert "less likely with the supply itself" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80
    assert out.isascii()


def test_json_is_the_same_worksheet(shell: Shell) -> None:
    shell("new")
    shell("observe", "collector-emitter", "shorted")
    _, out, _ = shell("show", "--json")
    facts = json.loads(out)
    assert facts["schema"] == 1
    assert facts["what"] == "worksheet"
    assert facts["hypotheses"][0]["key"] == "output-transistor"
    assert sum(h["probability"] for h in facts["hypotheses"]) == pytest.approx(1.0)
    assert {h["key"] for h in facts["hypotheses"]} >= {UNKNOWN}
    (move,) = facts["moves"]
    assert move["log10_factors"]["output-transistor"] > 0.5
    assert move["reason"]
    assert facts["next"][0]["cautions"]


def test_next_says_how_only_to_the_qualified(shell: Shell) -> None:
    shell("new")
    _, plain, _ = shell("next", "--count", "30")
    assert "not instructed" in plain
    assert "Isolating transformer. Clips on" not in " ".join(plain.split())
    shell("new", "--again", "--qualified", "mains")
    _, told, _ = shell("next", "--count", "30")
    assert "Isolating transformer. Clips on" in " ".join(told.split())
    assert "stated qualification: live work up to mains" in " ".join(told.split())


def test_next_settles_between_two(shell: Shell) -> None:
    shell("new")
    shell("observe", "ring-out", "whole")
    code, out, _ = shell("next", "--between", "secondary", "shorted-turns")
    assert code == 0
    assert "low-voltage windings or shorted turns in the transformer" in " ".join(out.split())
    code, _, err = shell("next", "--between", "secondary", "cat")
    assert code == 2
    assert "no hypothesis 'cat'; choose one of: supply" in err


def test_a_withdrawn_reading_no_longer_counts(shell: Shell) -> None:
    shell("new")
    _, before, _ = shell("show")
    shell("observe", "collector-emitter", "shorted")
    code, after, _ = shell("withdraw", "2", "wrong", "pin")
    assert code == 0
    assert after == before
    code, _, err = shell("withdraw", "2", "again")
    assert code == 2
    assert "no reading 2 to withdraw" in err


def test_a_second_worksheet_begins_only_on_purpose(shell: Shell) -> None:
    shell("new")
    shell("observe", "collector-emitter", "shorted")
    code, _, err = shell("new")
    assert code == 2
    assert "--again" in err
    assert shell("new", "--again", "--kind", "switch-mode supply")[0] == 0
    _, out, _ = shell("show")
    assert "0 readings" in out


def test_contradicting_readings_are_named(shell: Shell) -> None:
    shell("new")
    shell("observe", "collector-emitter", "shorted")
    _, out, _ = shell("observe", "collector-emitter", "normal")
    assert "does not fit" in out
    assert "two readings of one thing disagree" in " ".join(out.split())


def test_a_sight_against_everything_else_is_named(shell: Shell) -> None:
    shell("new")
    for words in (("collector-emitter", "shorted"), ("transistor-lifted", "faulty"), ("ring-in", "silent")):
        shell("observe", *words)
    _, out, _ = shell("observe", "line-heard", "locked")
    assert "line-heard" in out.split("does not fit")[1]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("moon", "x"), "no step 'moon' for a CRT monitor; choose one of: signs"),
        (("signs", "blue"), "takes one of its outcomes: transformer"),
        (("signs", "nothing", "--sure", "3%"), "give 0.2 (a guess) to 1"),
        (("signs", "nothing", "--sure", "150%"), "--sure"),
        (("base-emitter", "19"), "none of network, below, above"),
        (("base-emitter", "read=19"), "needs parts"),
        (("base-emitter", "read=19", "parts=150,0"), "above 0"),
        (("base-emitter", "read=19", "parts=150,22", "colour=red"), "has no use for colour"),
        (("rails-loaded", "142=many"), "reading of 142"),
        (("rails-loaded", "0=5"), "a rail of 0 V"),
        (("rails-loaded", "142=79", "142=80"), "of its own"),
        (("ring-out",), "one of its outcomes: whole, shorted, capacitance, loaded, core, silent"),
        (("signs",), "takes one of its outcomes: transformer, tube"),
        (("rails-loaded", "142=79", "--meter", "poor"), "give such as 1%+2"),
        (("rails-loaded", "142=79", "--sure", "50%"), "--sure goes with an outcome"),
        (("feed-power", "ohms=1", "rating=5"), "exactly one of volts and amps"),
        (("tuning-value", "expected=0", "read=7n"), "above 0"),
        (("ring-out", "log10=x"), "log10"),
        (("ring-out", "finding=nowhere.json"), "cannot be read"),
        (("line-heard", "wav=nowhere.wav"), "no such file"),
    ],
)
def test_what_cannot_be_used_is_one_line(shell: Shell, words: tuple[str, ...], says: str) -> None:
    shell("new")
    code, out, err = shell("observe", *words)
    assert code == 2
    assert out == ""
    assert says in err
    assert err.count("\n") == 1
    assert "0 readings" in shell("show")[1]


def test_a_rail_below_ground_needs_no_mark_before_it(shell: Shell) -> None:
    shell("new")
    told = [
        shell("observe", *words)
        for words in (
            ("rails-loaded", "-12=-6.7", "142=79", "--meter", "1%"),
            ("--meter", "1%", "--", "rails-loaded", "-12=-6.7", "142=79"),
        )
    ]
    assert [code for code, _, _ in told] == [0, 0]
    assert all("-12 V reads -6.7, 142 V reads 79" in err for _, _, err in told)
    assert shell("withdraw", "2", "-12 was", "-1.2")[0] == 0


def test_what_is_to_be_typed_can_be_typed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = ["--log", str(tmp_path / "bench.db")]
    assert main(["isolate", "new", "--item", "heron 14 \u00fc", *place]) == 0
    assert main(["isolate", "next", "--item", "heron 14 \u00fc", *place]) == 0
    line = " ".join(capsys.readouterr().out.split())
    assert 'observe --item "heron 14 \u00fc" ring-in finding=FILE.json; finding=log for what' in line


@pytest.mark.parametrize("words", [("--kind", "lawn mower"), ("--qualified", "somewhat")])
def test_a_refused_worksheet_leaves_no_item_behind(tmp_path: Path, words: tuple[str, ...]) -> None:
    place = str(tmp_path / "bench.db")
    assert main(["isolate", "new", "--item", "heron-14", "--log", place, *words]) == 2
    with Log(Path(place), writable=True) as log:
        assert not log.holds("heron-14")


def test_without_a_worksheet(shell: Shell, tmp_path: Path) -> None:
    code, _, err = shell("show")
    assert code == 3
    assert "coilbell" in err
    code, _, err = shell("new", "--kind", "toaster")
    assert code == 2
    assert "choose one of: CRT monitor" in err
    code, _, err = shell("new", "--qualified", "everything")
    assert code == 2
    assert "none, low voltage, mains, high voltage" in err


def test_a_kind_of_ones_own_travels_with_its_worksheet(shell: Shell, tmp_path: Path) -> None:
    path = tmp_path / "lamp.toml"
    path.write_text(LAMP.replace("SLIP", "0.02"), encoding="utf-8")
    assert main(["isolate", "kinds", str(path)]) == 0
    assert shell("new", "--kind", str(path))[0] == 0
    path.unlink()
    code, out, _ = shell("observe", "filament", "broken")
    assert code == 0
    assert "bench lamp, 1 reading" in out


def test_the_log_keeps_and_guards_the_worksheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from coilbell.errors import CoilbellError

    place = tmp_path / "bench.db"
    for words in (["new"], ["observe", "signs", "nothing"]):
        assert main(["isolate", words[0], "--item", "heron-14", "--log", str(place), *words[1:]]) == 0
    capsys.readouterr()
    with Log(place) as log:
        (item,) = log.items()
        facts = kept_facts(log, item)
        assert facts is not None
        assert [r.step for r in facts.readings] == ["signs"]
        assert kept_facts(log, log.add_item("heron-15")) is None
        rows = log.base.rows("SELECT * FROM worksheet WHERE item_id = ?", item.id)
        assert [json.loads(r["entry"])["what"] for r in rows] == ["begin", "observe"]
        with pytest.raises(CoilbellError, match="never"):
            log.base.execute("UPDATE worksheet SET entry = ''")
        with pytest.raises(CoilbellError, match="never"):
            log.base.execute("DELETE FROM worksheet")
        log.remove(item, tmp_path / "before.db")
        assert not log.base.rows("SELECT 1 FROM worksheet")


@pytest.mark.parametrize(
    "line",
    ["", "{", "[]", '{"what": "begin"}', '{"schema": 1, "what": "dance"}', '{"schema": 1, "what": "begin"}'],
)
def test_a_damaged_sheet_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str], line: str) -> None:
    path = tmp_path / "s.jsonl"
    path.write_text(line + "\n", encoding="utf-8")
    assert main(["isolate", "show", "--item", "x", "--sheet", str(path)]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "worksheet" in err


def test_findings_enter_as_likelihoods() -> None:
    step = CRT.step_named("ring-out")

    odds = OddsFacts(
        probability=0.97, prior=0.5, log10_likelihood_ratio=1.5, healthy_unit_at_least_this_far=None
    )
    causes = (
        CauseFacts(name="nothing", shorted=False, prior=0.4, probability=0.1),
        CauseFacts(name="capacitance", shorted=False, prior=0.1, probability=0.1),
        CauseFacts(name="shorted turn", shorted=True, prior=0.5, probability=0.8),
    )
    judged = handmade_finding(shorted_turn=odds, probabilities={}, causes=causes)
    by_cause = evidence_of(step, ["finding=log"], finding=judged)
    logs = dict(zip((o.key for o in step.outcome), by_cause.log_likelihoods, strict=True))
    # 0.8/0.5 : 0.1/0.1 : 0.1/0.4 = 1.6 : 1 : 0.25, by hand
    import math

    assert math.exp(logs["shorted"] - logs["capacitance"]) == pytest.approx(1.6)
    assert math.exp(logs["capacitance"] - logs["whole"]) == pytest.approx(4.0)
    bare = evidence_of(step, ["finding=log"], finding=structs.replace(judged, causes=()))
    assert bare.log_likelihoods[1] - bare.log_likelihoods[0] == pytest.approx(1.5 * math.log(10))


@pytest.mark.parametrize(
    "facts",
    [
        {},
        {"what": "fit"},
        {"shorted_turn": None, "probabilities": None},
        {"shorted_turn": {"log10_likelihood_ratio": "big"}},
        {"shorted_turn": {"log10_likelihood_ratio": float("nan")}},
    ],
)
def test_no_finding_no_evidence(tmp_path: Path, facts: dict[str, Any]) -> None:
    path = tmp_path / "odd.json"
    path.write_text(json.dumps((plain(handmade_finding()) if facts else {}) | facts), encoding="utf-8")
    with pytest.raises(InputError):
        evidence_of(CRT.step_named("ring-out"), [f"finding={path}"])


def test_a_judged_ring_from_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from coilbell.bench.facts.finding import finding_facts
    from coilbell.record import Capacitor, Connection
    from coilbell.winding import Capture, Condition, Observation, Reference, find

    test = Capacitor(22e-9, 0.01, "A")
    good = [
        Capture(f"unit-{k}", Condition.GOOD, Observation(test, 21.6e3 * f, 128 * q))
        for k, (f, q) in enumerate(((1.0, 1.0), (1.03, 0.9), (0.97, 1.1)))
    ]
    reference = Reference.begin("invented-line", "line-output transformer", good)
    step = CRT.step_named("ring-out")
    found = {}
    for name, hz, q in (("whole", 21.7e3, 125), ("shorted", 37.6e3, 3.0)):
        finding = find([Observation(test, hz, q)], reference, connection=Connection.OUT_OF_CIRCUIT)
        path = tmp_path / f"{name}.json"
        path.write_text(json_line(finding_facts(finding)), encoding="utf-8")
        found[name] = evidence_of(step, [f"finding={path}"])
        assert step.outcome[found[name].best].key == name
        assert max(found[name].log_likelihoods) - min(found[name].log_likelihoods) < 6.91, "1000 : 1 at most"


@pytest.mark.parametrize(
    ("text", "meter"),
    [("1%+2", Meter(1, 2)), ("0.5%", Meter(0.5, 0)), ("+3", Meter(0, 3)), ("0,8 %+1", Meter(0.8, 1))],
)
def test_meters(text: str, meter: Meter) -> None:
    assert meter_of(text) == meter


@pytest.mark.parametrize(
    ("typed", "digit"),
    [("79", 1.0), ("8.9", 0.1), ("3.10k", 10.0), ("4n7", 1e-10), ("1.2e3", 100.0), ("0.0", 0.1)],
)
def test_the_last_digit_typed_is_the_meters(typed: str, digit: float) -> None:
    from coilbell.bench.worksheet.typed import _last_digit
    from coilbell.quantities import parse

    assert parse(_last_digit(typed)) == pytest.approx(digit)


@pytest.mark.parametrize(
    ("step", "words", "told"),
    [
        ("rails-loaded", ["120=1210"], "10.1 times"),
        ("rails-loaded", ["120=-62"], "wrong sign"),
        ("rails-loaded", ["120=1e300"], "no meter reads that"),
        ("base-emitter", ["read=2.2M", "parts=150,22"], "times what is expected"),
        ("tuning-value", ["expected=8.2n", "read=8.1u"], "times what is expected"),
        ("hv-drop", ["expected=36.2", "read=362"], "times what is expected"),
    ],
)
def test_a_reading_that_cannot_be_is_asked_again(step: str, words: list[str], told: str) -> None:
    with pytest.raises(InputError, match=told):
        evidence_of(shipped()["CRT monitor"].step_named(step), words)


def test_a_third_less_forward_drop_points_to_the_stack() -> None:
    kind = shipped()["CRT monitor"]
    step = kind.step_named("hv-drop")
    less = evidence_of(step, ["expected=36.2", "read=24.3"])
    same = evidence_of(step, ["expected=36.2", "read=35.5"])
    before, after = odds(kind, []).probabilities, odds(kind, [less]).probabilities
    assert after["rectifier"] > 3 * before["rectifier"]
    assert odds(kind, [same]).probabilities["rectifier"] < before["rectifier"]


def test_an_undecided_ring_enters_its_odds_and_names_no_outcome() -> None:
    kind = shipped()["CRT monitor"]
    step = next(s for s in kind.step if s.measure == "ring")
    weak, sure = (evidence_of(step, [f"log10={x}"]) for x in ("0.4", "2.8"))
    assert weak.words.startswith("open question")
    assert "shorted" in sure.words
    assert max(weak.log_likelihoods) == pytest.approx(0.4 * 2.302585, rel=1e-6)


def test_general_cautions_once_a_sheet_and_a_steps_own_beside_its_how(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No wall of cautions before the how: what holds before any step stands once, above all steps."""
    from coilbell.isolate import apart, cautions

    more = ["--item", "heron-14", "--log", str(tmp_path / "log.sqlite")]
    assert main(["isolate", "new", *more]) == 0
    capsys.readouterr()
    assert main(["isolate", "next", *more, "--count", "3"]) == 0
    out = capsys.readouterr().out
    flat = " ".join(out.split())
    for words in cautions(("mains", "stored charge")):
        assert flat.count(words) == 1
    lines = out.splitlines()
    first = next(k for k, line in enumerate(lines) if line.startswith("  CAUTION before any step"))
    hows = [k for k, line in enumerate(lines) if line.startswith("    how: ")]
    assert len(hows) >= 3
    assert first < hows[0]
    (_, own) = apart(cautions(("mains", "tube")))
    assert len(own) == 1
    assert flat.index("how: Plug out") < flat.index(own[0])
