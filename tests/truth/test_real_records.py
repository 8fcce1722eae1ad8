"""Measured decays kept beside the project: the fit against independent fits and the authors' own figures.

Records and expected values lie in ../shared/real (expected.json names the window of each, tolerances are
meant for a different but correct estimator). They carry no licence, so they are read there and never
copied; without them these tests are skipped. The parsing below is its own: these checks do not lean on
the project's file reader.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from coilbell.decay import Fit, fit
from coilbell.record import Record
from outside import REAL, real_records


def expected() -> list[dict[str, Any]]:
    path = REAL / "expected.json"
    return json.loads(path.read_text(encoding="utf-8"))["records"] if path.is_file() else []


def record_of(folder: Path, entry: dict[str, Any]) -> Record:
    """Micro-second stamps and 10-bit codes in one set; seconds, amperes and volts in the other."""
    path = folder / entry["set"] / entry["file"]
    if path.suffix == ".csv":
        names = path.read_text(encoding="utf-8").splitlines()[0].lstrip("# ").split(",")
        table = np.loadtxt(path, delimiter=",", comments="#")
        times, values = table[:, 0], table[:, names.index(entry["chan"])]
        return Record(samples=values, times_s=times, volts_per_count=1.0, resolution=0.005)
    table = np.loadtxt(path, comments="#")
    codes = table[:, 1].astype(int)
    return Record(samples=codes, times_s=table[:, 0] * 1e-6, resolution=1.0, full_scale=(0, 1023))


def fitted(entry: dict[str, Any]) -> Fit:
    record = record_of(real_records(), entry)
    return fit(record, start_s=entry.get("t0"), stop_s=entry.get("t1"))


def name_of(entry: dict[str, Any]) -> str:
    return Path(entry["file"]).stem


RINGING = [e for e in expected() if "fd_Hz" in e]
SILENT = [e for e in expected() if "expect" in e]


def test_the_records_are_there():
    """One visible skip where they are missing; the parametrised tests below have then nothing to run."""
    folder = real_records()
    assert len(RINGING) >= 9
    assert len(SILENT) >= 2
    assert all((folder / e["set"] / e["file"]).is_file() for e in RINGING + SILENT)


@pytest.mark.parametrize("entry", RINGING, ids=name_of)
def test_frequency_and_q(entry):
    mode = fitted(entry).main
    assert mode.frequency_hz.value == pytest.approx(entry["fd_Hz"], rel=entry["tol_f"])
    assert mode.q.value == pytest.approx(entry["Q"], rel=entry["tol_Q"])
    assert mode.decay_per_s.value == pytest.approx(entry["alpha"], rel=entry["tol_Q"] + entry["tol_f"])
    if "f0_Hz" in entry:
        assert mode.natural_frequency_hz == pytest.approx(entry["f0_Hz"], rel=entry["tol_f"])


@pytest.mark.parametrize("entry", RINGING, ids=name_of)
def test_the_authors_own_figures(entry):
    """Read off an envelope or a first fit by hand: within 1 % in frequency, 8 % in the decay."""
    authors = entry.get("authors")
    if not authors:
        pytest.skip("the authors print no figure for this record")
    mode = fitted(entry).main
    if "f" in authors:
        assert mode.frequency_hz.value == pytest.approx(authors["f"], rel=1e-2)
    if "tau" in authors:
        assert mode.tau_s.value == pytest.approx(authors["tau"], rel=8e-2)
    if "alpha_env" in authors:
        assert mode.decay_per_s.value == pytest.approx(authors["alpha_env"], rel=8e-2)


@pytest.mark.parametrize("entry", SILENT, ids=name_of)
def test_critical_and_overdamped_records_do_not_ring(entry):
    assert not fitted(entry).rings


def test_a_conducting_block_in_the_coil_raises_f_and_halves_q():
    """Same coil, same 0.1 uF, air core against an aluminium block: f +20 %, Q 24..26 down to 12.8..13.0."""
    by_name = {name_of(e): e for e in RINGING}
    if not by_name:
        real_records()
    air, block = fitted(by_name["harm0.1uF_b5_new"]).main, fitted(by_name["harm0.1uF_b5_all"]).main
    assert block.frequency_hz.value / air.frequency_hz.value == pytest.approx(1.197, abs=0.004)
    assert 23 < air.q.value < 26.5
    assert 12.2 < block.q.value < 13.6
    assert block.q.value / air.q.value == pytest.approx(0.53, abs=0.04)


def test_resistance_series_gives_the_coil():
    """Decay against added R of eight clean discharges: 2.267(13) mH, rest 1.26 ohm, f0 1562.6(27) Hz."""
    folder = real_records()
    runs = {"1Ohm_1": 1.1, "1Ohm_2": 1.1, "5Ohm_1": 5.2, "5Ohm_2": 5.2}
    runs |= {"10Ohm_2": 10.1, "10Ohm_3": 10.1, "15Ohm_1": 15.3, "15Ohm_3": 15.3}
    decays, naturals = [], []
    for name in runs:
        entry = {"set": "lc_discharge_2018", "file": f"csv/{name}.csv", "chan": "U_V"}
        mode = fit(record_of(folder, entry), start_s=3e-5, stop_s=0.01).main
        decays.append(mode.decay_per_s.value)
        naturals.append(mode.natural_frequency_hz)
    slope, cut = np.polyfit([*runs.values()], decays, 1)
    assert 1 / (2 * slope) == pytest.approx(2.267e-3, rel=1.5e-2)
    assert cut / slope == pytest.approx(1.26, abs=0.1)
    assert np.mean(naturals) == pytest.approx(1562.6, rel=5e-3)
