"""`coilbell listen`: whistles, folded tones, mains combs, dull microphones, and files that are none."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from coilbell.bench.worksheet.typed import evidence_of
from coilbell.cli import main
from coilbell.isolate import listen, shipped

RATE = 48000


def recording(
    *parts: tuple[float, float], seconds: float = 2.0, rate: int = RATE, noise: float = 3e-3
) -> Any:
    """Tones (frequency, amplitude) in white noise from a fixed seed, full scale 1; folded where they fold."""
    t = np.arange(int(seconds * rate)) / rate
    made = np.random.default_rng(21).normal(0, noise, t.size)
    for k, (frequency, amplitude) in enumerate(parts):
        made += amplitude * np.cos(2 * np.pi * frequency * t + k)
    return made


def heard(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], samples: Any, *words: str, rate: int = RATE
) -> Any:
    path = tmp_path / "whistle.wav"
    soundfile.write(path, samples, rate, subtype="PCM_16")
    assert main(["listen", str(path), "--json", *words]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_whistle_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "whistle.wav"
    soundfile.write(path, recording((15625.4, 0.01)), RATE, subtype="PCM_16")
    assert main(["listen", str(path)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("whistle.wav: 15.6254")
    assert "agrees with 625 lines, 50 fields (15625.0 Hz)" in " ".join(out.split())
    assert "ITU-R BT.470" in out
    assert "not that the high voltage is there" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80


def test_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    facts = heard(tmp_path, capsys, recording((4.5e6 / 286, 0.01)))
    assert facts["schema"] == 1
    line = facts["line"]
    assert line["rates"][0]["name"] == "525 lines, 59.94 fields"
    assert line["frequency_hz"] == pytest.approx(15734.27, abs=0.05)
    assert line["standard_uncertainty_hz"] == pytest.approx(0.787, abs=0.02)
    assert line["level"] == pytest.approx(0.01 * 32768, rel=0.05), "PCM codes"


def test_a_better_clock_narrows_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    facts = heard(tmp_path, capsys, recording((15625, 0.01)), "--clock", "1")
    assert facts["line"]["standard_uncertainty_hz"] < 0.05


def test_a_free_running_oscillator(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = heard(tmp_path, capsys, recording((15380, 0.01)))["line"]
    assert line["rates"] == []
    assert line["near"]["name"] == "625 lines, 50 fields"


def test_one_that_wanders_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    t = np.arange(4 * RATE) / RATE
    phase = 2 * np.pi * (15600 * t + 0.4 * np.sin(2 * np.pi * 0.4 * t))
    facts = heard(tmp_path, capsys, 0.02 * np.cos(phase) + recording(seconds=4.0))
    line = facts["line"]
    assert line["wander_hz"] > 0.3
    assert line["without_clock_hz"] > 0.1
    assert any("wanders" in w for w in line["warnings"])


def test_a_folded_display_rate_is_warned_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 31 468.75 Hz at 48 kHz folds onto 16 531.25 Hz; twice 15 625 at 44.1 kHz onto 12 850 Hz.
    facts = heard(tmp_path, capsys, recording((31468.75, 0.01)))
    (tone,) = facts["tones"]
    assert tone["frequency_hz"] == pytest.approx(16531.25, abs=0.1)
    assert any("640 x 480" in w and "folds" in w for w in tone["warnings"])
    facts = heard(tmp_path, capsys, recording((31250, 0.01), rate=44100), rate=44100)
    assert any("twice 625 lines" in w for w in facts["tones"][0]["warnings"])


def test_mains_harmonics_are_warned_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 15 750 Hz is 315 x 50 Hz exactly, so is the old 525-line rate.
    line = heard(tmp_path, capsys, recording((15750, 0.01)), "--mains", "50")["line"]
    assert any("harmonic 315 of 50 Hz" in w for w in line["warnings"])
    comb = recording(*((15750 + 50 * k, 0.01) for k in range(-3, 4)))
    line = heard(tmp_path, capsys, comb, "--mains", "50")["line"]
    assert any("row of harmonics" in w for w in line["warnings"])
    line = heard(tmp_path, capsys, recording((15625, 0.01)), "--mains", "50")["line"]
    assert line["warnings"] == [], "15 625 lies midway between two harmonics of 50 Hz"


def test_silence_counts_only_where_it_could_have_been_heard(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    facts = heard(tmp_path, capsys, recording())
    assert facts["line"] is None
    assert facts["silence_counts"]
    from scipy.signal import firwin, lfilter

    dull = lfilter(firwin(201, 13000, fs=RATE), 1, recording(noise=0.1))
    facts = heard(tmp_path, capsys, dull)
    assert not facts["silence_counts"]
    assert any("proves nothing" in w for w in facts["warnings"])
    facts = heard(tmp_path, capsys, recording(rate=22050), rate=22050)
    assert not facts["silence_counts"]
    assert any("nothing above 11025 Hz" in w for w in facts["warnings"])


def test_a_recording_as_evidence(tmp_path: Path) -> None:
    step = shipped()["CRT monitor"].step_named("line-heard")
    best = {}
    for name, samples in (
        ("locked", recording((15625.5, 0.01))),
        ("free", recording((15250, 0.01))),
        ("off", recording((12100, 0.01))),
        ("silent", recording()),
    ):
        path = tmp_path / f"{name}.wav"
        soundfile.write(path, samples, RATE, subtype="PCM_16")
        evidence = evidence_of(step, [f"wav={path}", "hz=15625"])
        best[name] = step.outcome[evidence.best].key
    assert best == {name: name for name in best}
    logs = evidence.log_likelihoods
    assert max(logs) - min(logs) == pytest.approx(np.log(5.0)), "silence is weak evidence"


def test_refusals(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    short = tmp_path / "short.wav"
    soundfile.write(short, recording(seconds=0.02), RATE)
    stereo = tmp_path / "stereo.wav"
    soundfile.write(stereo, np.stack([recording(), recording()], axis=1), RATE)
    slow = tmp_path / "slow.wav"
    soundfile.write(slow, recording(rate=8000), 8000)
    for words, says in (
        ([str(short)], "lasts 20 ms"),
        ([str(stereo)], "channel"),
        ([str(slow)], "record at 44.1 kHz"),
        ([str(tmp_path / "none.wav")], "no such file"),
        ([str(stereo), "--channel", "left", "--clock", "-3"], "clock uncertainty"),
    ):
        assert main(["listen", *words]) == 2
        err = capsys.readouterr().err
        assert says in err
        assert err.count("\n") == 1


def test_silence_of_zeros_is_no_fault() -> None:
    found = listen(np.zeros(RATE), RATE)
    assert found.heard == ()
    assert not found.silence_counts
