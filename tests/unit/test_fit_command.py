"""`coilbell fit`: tables, JSON, pictures, several files, and one clear line for whatever is wrong."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from coilbell.bench import files
from coilbell.cli import main
from coilbell.record import Record

FREQUENCY, TAU = 20e3, 200e-6


def ring(times: Any, amplitude: float = 0.4) -> Any:
    """A ring of 20 kHz, pi f tau = 12.566, with 0.5 mV of noise from a fixed seed."""
    noise = np.random.default_rng(11).normal(0, 5e-4, len(times))
    return amplitude * np.exp(-times / TAU) * np.cos(2 * math.pi * FREQUENCY * times) + noise


@pytest.fixture
def scope(tmp_path: Path) -> Path:
    """A table of two channels that starts 100 us before its trigger; only "ring" rings."""
    times = np.arange(-50, 500) / 500e3
    values = np.where(times < 0, 0.0, ring(times))
    path = tmp_path / "scope.csv"
    rows = [f"{t * 1e6:.1f},{v:.5f},{w:.5f}" for t, v, w in zip(times, values, ring(times, 0.0), strict=True)]
    path.write_text("time (us),ring (V),flat (V)\n" + "\n".join(rows) + "\n")
    return path


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    code = main(["fit", *map(str, words)])
    out, err = capsys.readouterr()
    return code, out, err


def test_table(capsys: pytest.CaptureFixture[str], scope: Path) -> None:
    code, out, err = run(capsys, scope, "--channel", "ring (V)")
    assert code == 0
    assert err == ""
    assert "channel ring (V): rings" in " ".join(out.split())
    (row,) = [line for line in out.splitlines() if line.startswith("  1 ")]
    assert re.match(
        r"  1 +(20\.00|19\.99)\d*\(\d+\) kHz +12\.[56]\d*\(\d+\) +(200\.|199\.)\d*\(\d+\) us", row
    )
    assert max(map(len, out.splitlines())) <= 80


def test_json_holds_the_answer(capsys: pytest.CaptureFixture[str], scope: Path) -> None:
    code, out, _ = run(capsys, scope, "--channel", 1, "--json", "--from", "10u", "--to=0.8ms")
    facts = json.loads(out)
    mode = facts["modes"][0]
    assert code == 0
    assert facts["schema"] == 1
    for name, truth in (
        ("frequency_hz", FREQUENCY),
        ("tau_s", TAU),
        ("q_damped", math.pi * FREQUENCY * TAU),
        ("log_decrement", 1 / (FREQUENCY * TAU)),
        ("ring_count", FREQUENCY * TAU * math.log(10)),
    ):
        assert abs(mode[name]["value"] - truth) < 4 * mode[name]["standard_uncertainty"], name
        assert mode[name]["standard_uncertainty"] < 0.01 * truth, name
    assert facts["window"]["start_s"] == pytest.approx(10e-6, abs=2.1e-6)
    assert facts["window"]["stop_s"] == pytest.approx(800e-6, abs=2.1e-6)


def test_table_and_json_hold_the_same_figures(capsys: pytest.CaptureFixture[str], scope: Path) -> None:
    from coilbell.bench.facts.base import facts_of
    from coilbell.bench.facts.fit import FitFacts
    from coilbell.bench.words.fit import facts_table

    _, text, _ = run(capsys, scope, "--channel", 1)
    _, out, _ = run(capsys, scope, "--channel", 1, "--json")
    assert facts_table(facts_of(out, FitFacts, "it")) + "\n" == text


def test_every_channel_on_its_own(capsys: pytest.CaptureFixture[str], scope: Path) -> None:
    code, out, _ = run(capsys, scope, "--channel", "all", "--json")
    told = [json.loads(line) for line in out.splitlines()]
    assert code == 0
    assert [facts["channel"] for facts in told] == ["ring (V)", "flat (V)"]
    assert [facts["rings"] for facts in told] == [True, False]


def test_count_to_and_capacitor(capsys: pytest.CaptureFixture[str], scope: Path) -> None:
    for text in ("0.5", "1/2", "50%"):
        _, out, _ = run(capsys, scope, "--channel", 1, "--json", "--count-to", text, "--capacitor", "4n7")
        facts = json.loads(out)
        assert facts["count_to"] == 0.5
        assert facts["test_capacitor_f"] == 4.7e-9
        inductance = 1 / ((2 * math.pi * FREQUENCY) ** 2 + TAU**-2) / 4.7e-9
        assert facts["tank"]["inductance_h"]["value"] == pytest.approx(inductance, rel=1e-3)
        assert facts["modes"][0]["ring_count"]["value"] == pytest.approx(
            FREQUENCY * TAU * math.log(2), rel=0.01
        )
    _, out, _ = run(capsys, scope, "--channel", 1, "--count-to", "1/2")
    assert "to 1/2" in out


def test_shots_of_one_capture_are_fitted_together(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    shots = [
        Record(
            samples=ring(np.arange(400) / 500e3, 0.3 + 0.1 * i), rate_hz=500e3, shot=i, volts_per_count=1.0
        )
        for i in (0, 1, 2)
    ]
    slower = replace(shots[1], samples=ring(np.arange(400) / 250e3, 0.4), rate_hz=250e3)
    files.write([*shots, shots[0], slower], tmp_path / "kept.json")
    _, out, _ = run(capsys, tmp_path / "kept.json", "--json")
    told = [json.loads(line) for line in out.splitlines()]
    assert [facts["window"]["records"] for facts in told] == [3, 1, 1]
    assert [facts["title"][-9:] for facts in told] == ["capture 1", "capture 2", "capture 3"]


def test_example_is_labelled_as_invented(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--example")
    assert code == 0
    assert out.startswith("invented example whole: rings")


def test_example_gives_back_what_it_was_made_of(capsys: pytest.CaptureFixture[str]) -> None:
    from golden.make_examples import TRUTH

    _, out, _ = run(capsys, "--json", files.example("whole"), files.example("shorted"))
    for line, (frequency, q_damped, _) in zip(out.splitlines(), TRUTH.values(), strict=True):
        mode = json.loads(line)["modes"][0]
        for name, truth in (("frequency_hz", frequency), ("q_damped", q_damped)):
            assert abs(mode[name]["value"] - truth) < 4 * mode[name]["standard_uncertainty"]


def test_pictures_are_numbered(capsys: pytest.CaptureFixture[str], scope: Path, tmp_path: Path) -> None:
    picture = tmp_path / "ring.png"
    assert run(capsys, scope, "--channel", "all", "--picture", picture)[0] == 0
    for name in ("ring.png", "ring-2.png"):
        assert (tmp_path / name).read_bytes().startswith(b"\x89PNG")


def test_an_assumed_time_unit_is_said_beside_piped_results(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    times = np.cumsum(np.random.default_rng(1).choice([6, 7, 8], 400))
    counts = np.rint(500 + 400 * ring(times * 1e-6, 1.0)).astype(int)
    path = tmp_path / "bare.txt"
    path.write_text("".join(f"{t} {c}\n" for t, c in zip(times, counts, strict=True)))
    code, out, err = run(capsys, path, "--json")
    assert code == 0
    assert "taken as microseconds" in json.loads(out)["notes"][0]
    assert err.startswith(f"coilbell: note: {path}: time column names no unit")
    assert json.loads(out)["modes"][0]["frequency_hz"]["value"] == pytest.approx(FREQUENCY, rel=1e-2)
    assert json.loads(out)["unit"] == "counts"


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def faulty(folder: Path) -> dict[str, Path]:
    """One file for each fault a user may hand over."""
    rows = [f"{i * 2e-6:.6f},{math.exp(-i / 100) * math.cos(i / 4):.4f}" for i in range(300)]
    with (folder / "huge.csv").open("wb") as stream:
        stream.truncate(2_000_000_000)
    (folder / "card.wav").write_bytes(b"RIFF____WAVE")
    return {
        "missing": folder / "none.csv",
        "empty": write(folder / "empty.csv", ""),
        "text": write(folder / "text.csv", "\n".join([*rows[:50], "0.0001,oops", *rows[51:]])),
        "nan": write(folder / "nan.csv", "\n".join([*rows[:50], "0.0001,nan", *rows[51:]])),
        "one sample": write(folder / "one.csv", "t_s,U_V\n" + rows[0]),
        "too few": write(folder / "few.csv", "t_s,U_V\n" + "\n".join(rows[:9])),
        "huge": folder / "huge.csv",
        "damaged sound": folder / "card.wav",
        "damaged json": write(folder / "bad.json", '{"format": '),
        "prose": write(folder / "prose.csv", "dear diary\nnothing rang today\n"),
        "folder": folder,
    }


@pytest.mark.parametrize("fault", list(faulty.__annotations__) and [
    "missing", "empty", "text", "nan", "one sample", "too few", "huge", "damaged sound", "damaged json",
    "prose", "folder",
])  # fmt: skip
def test_each_faulty_file_is_one_line_and_code_2(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, fault: str
) -> None:
    path = faulty(tmp_path)[fault]
    code, out, err = run(capsys, path)
    assert code == 2
    assert out == ""
    assert err.startswith(f"coilbell: {path}: ")
    assert err.count("\n") == 1
    assert len(err) < 300 + len(str(path))


def test_good_files_are_fitted_beside_faulty_ones(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, scope: Path
) -> None:
    bad = faulty(tmp_path)
    code, out, err = run(capsys, bad["missing"], scope, bad["text"], scope, "--channel", 1, "--json")
    assert code == 2
    assert [json.loads(line)["rings"] for line in out.splitlines()] == [True, True]
    assert len(err.splitlines()) == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "no file to fit"),
        (("--from", "abc"), "--from 'abc' is not a number"),
        (("--from", "2m", "--to", "1m"), "--from 2m is not before --to 1m"),
        (("--from", "1"), "the window holds 0 of"),
        (("--capacitor", "22"), "is no test capacitor"),
        (("--capacitor", "22nH"), "--capacitor '22nH' is not a number"),
        (("--count-to", "1"), "does not lie between 0 and 1"),
        (("--count-to", "1/0"), "does not lie between 0 and 1"),
        (("--count-to", "-3"), "does not lie between 0 and 1"),
        (("--picture", "ring.gif"), "use one of: .png, .pdf, .svg"),
        (("--channel", "nine"), "no channel 'nine'; choose one of: ring (V), flat (V)"),
        (("--time-unit", "fortnight"), "choose one of: s, ms, us, ns"),
        (("--picture", "no/such/folder/ring.png"), "cannot be written"),
    ],
)
def test_each_wrong_option_is_one_line_and_code_2(
    capsys: pytest.CaptureFixture[str], scope: Path, words: tuple[str, ...], told: str
) -> None:
    file = [scope] if words else []
    channel = () if "--channel" in words or not words else ("--channel", "1")
    words = tuple(f"{words[i]}={words[i + 1]}" for i in range(0, len(words), 2))
    code, _, err = run(capsys, *file, *channel, *words)
    assert code == 2
    assert told in err
    assert err.count("\n") == 1


def test_a_record_without_a_ring_is_no_failure(capsys: pytest.CaptureFixture[str], scope: Path) -> None:
    code, out, err = run(capsys, scope, "--channel", "flat (V)")
    assert code == 0
    assert err == ""
    assert ": no ring" in out
    assert "why:" in out


def test_sound_card(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    samples = np.rint(ring(np.arange(2000) / 192e3) * 2**14).astype(np.int16)
    soundfile.write(tmp_path / "card.wav", samples, 192_000)
    code, out, _ = run(capsys, tmp_path / "card.wav", "--json")
    assert code == 0
    assert json.loads(out)["modes"][0]["frequency_hz"]["value"] == pytest.approx(FREQUENCY, rel=1e-4)
