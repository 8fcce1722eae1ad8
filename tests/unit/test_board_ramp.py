"""What discharges and rings tell of input and converter, and the table of converter steps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from coilbell.board import Tester, constants, frame, reader
from coilbell.board.leads import _merged, _table
from coilbell.board.ramp import Widths, crossings, discharge, widths
from coilbell.board.simulation import RP2040, Winding, catalogue
from coilbell.record import Record, WideCode
from scripted import CONSTANTS, ScriptedBoard

REST = 2048.0
RATE = 500e3


def _record(codes: np.ndarray, pulse_s: float = 1e-6, before: int = 16) -> Record:
    codes = np.clip(np.rint(codes), 0, 4095).astype(np.int64)
    return Record(codes, rate_hz=RATE, pretrigger=before, pulse_s=pulse_s, full_scale=(0.0, 4095.0))


def _falling(rate_per_s: float, start_lsb: float, rng: np.random.Generator, noise: float = 1.0) -> Record:
    times = (np.arange(16384) - 16) / RATE
    level = np.where(times >= 0, start_lsb * np.exp(-rate_per_s * times), 0)
    return _record(REST + level + noise * rng.standard_normal(times.size))


# --- discharge ---


@pytest.mark.parametrize("rate_per_s", [5.0, 22.0, 45.0, 100.0])
def test_a_discharge_is_found_within_its_uncertainty(rate_per_s: float) -> None:
    found = [discharge(_falling(rate_per_s, 150, np.random.default_rng(k)), REST) for k in range(20)]
    seen = [d for d in found if d is not None]
    assert len(seen) == 20
    values = np.array([d.rate_per_s for d in seen])
    spread = seen[0].uncertainty_per_s
    # Noise alone scatters less than what the converter's straightness is allowed.
    assert np.std(values) < 0.2 * spread
    assert abs(values.mean() - rate_per_s) < 0.2 * spread
    assert spread < 2.5


def test_a_bent_converter_stays_within_the_uncertainty() -> None:
    times = (np.arange(16384) - 16) / RATE
    level = np.where(times >= 0, 150 * np.exp(-20 * times), 0)
    bend = np.where(level > 0, 1.0 - 2.0 * (level - 105) / 40, 0.0).clip(-1, 1)
    found = discharge(
        _record(REST + level + bend + np.random.default_rng(1).standard_normal(times.size)), REST
    )
    assert found is not None
    assert abs(found.rate_per_s - 20) < 2.5 * found.uncertainty_per_s
    assert abs(found.rate_per_s - 20) > 0.3


def test_what_is_no_discharge() -> None:
    rng = np.random.default_rng(2)
    assert discharge(_record(REST + rng.standard_normal(16384)), REST) is None
    assert discharge(_falling(400, 150, rng), REST) is None, "gone before the window ends"
    assert discharge(_falling(20, 150, rng), REST + 400) is None
    short = _falling(20, 150, rng)
    assert discharge(replace(short, samples=short.samples[:1000]), REST) is None


def test_failed_conversions_do_not_end_it() -> None:
    whole = _falling(20, 150, np.random.default_rng(3))
    kept = np.delete(np.arange(16384), [5, 600, 601, 4000])
    gappy = replace(whole, samples=whole.samples[kept], rate_hz=None, times_s=kept / RATE, pretrigger=15)
    found = discharge(gappy, REST)
    assert found is not None
    assert found.rate_per_s == pytest.approx(20, abs=0.7)
    assert crossings(gappy, REST) == 0


@pytest.mark.parametrize(("kept_psi", "passed"), [(39_000, False), (1_000_000, True)])
def test_a_leak_is_what_is_far_above_the_conductance_that_is_kept(kept_psi: int, passed: bool) -> None:
    """The simulated input has a megohm, which is a leak on a board that should have 26 Mohm."""
    from coilbell.board import Outcome
    from coilbell.board.leads import leads

    with Tester.open("virtual:?part=moss-choke&state=open&hurry=1") as tester:
        tester.change("input_psi", kept_psi)
        tester.change("input_uncertainty_psi", kept_psi // 2)
        tester.change("coupling_per_ks", 9_000)
        tester.hello()
        outcome = Outcome(rest=2048.0)
        leads(tester, outcome)
    row = next(row for row in outcome.rows if row.name == "input resistance")
    assert row.value is not None
    # Nine of 45 per second are taken for the coupling's.
    assert row.value == pytest.approx(1e6 * 45.4 / 36.4, rel=0.05)
    assert row.passed is passed
    # A leak that were kept would be taken off every ring, and pass the next check as the tester's own.
    assert ("input_psi" in outcome.constants) is ("input_uncertainty_psi" in outcome.constants) is passed


# --- converter steps ---


def _swings(converter_steps: tuple[tuple[int, float], ...], part: str = "tarn-line-split") -> list[Record]:
    """Rings of many heights up to 0.4 V with the circuit's gain of 3, through the simulated converter."""
    winding = Winding(catalogue.part(part, 3))
    converter, rng = replace(RP2040, steps=converter_steps), np.random.default_rng(1)
    tallest = np.abs(winding.ring(22e-9, 190 / 144e6, RATE, 512, 16)).max()
    records = []
    for ticks in np.unique(np.linspace(114, 190, 64).astype(int)):
        volts = winding.ring(22e-9, ticks / 144e6, RATE, 2048, 16) * 0.4 / tallest * 3
        records.append(_record(converter.codes(volts, rng), ticks / 144e6))
    return records


def test_rings_show_wide_codes_on_both_sides_of_the_middle() -> None:
    found = widths(_swings(RP2040.steps), REST)
    assert found is not None
    assert found.low < 1300
    assert found.high > 2800
    by_code = sorted(found.wide, key=lambda wide: wide.code)
    # Codes 512 and 3584 lie beyond what a ring of 0.4 V reaches; the simulated bow moves the others by a few.
    assert [wide.code for wide in by_code] == [pytest.approx(1536, abs=8), pytest.approx(2560, abs=8)]
    for step in by_code:
        assert abs(step.excess - 8.9) < 3 * step.uncertainty
        assert 0.2 < step.uncertainty < 1.0


@pytest.mark.parametrize("part", ["tarn-line-split", "moss-choke", "tarn-yoke-frame", "fell-choke"])
def test_a_converter_without_steps_shows_none(part: str) -> None:
    found = widths(_swings((), part), REST)
    assert found is None or found.wide == ()


def test_a_code_met_more_often_by_chance_is_no_step() -> None:
    """Where codes are met eight times each, 24 times can be chance; 64 times cannot."""
    codes = np.repeat(np.arange(1000, 3000), 8)
    chance = widths([_record(np.r_[np.zeros(20), codes, np.full(16, 1500)], before=0)], REST)
    assert chance is not None
    assert chance.wide == ()
    one = widths([_record(np.r_[np.zeros(20), codes, np.full(56, 1500)], before=0)], REST)
    assert one is not None
    assert [(step.code, step.excess) for step in one.wide] == [(1500, pytest.approx(7.0))]


def test_too_few_samples_show_nothing() -> None:
    assert widths(_swings(RP2040.steps)[:1], REST) is None


def test_steps_of_codes_that_were_not_examined_stay_known() -> None:
    known = (WideCode(512, 7.0, 0.4), WideCode(1536, 5.0, 0.5), WideCode(3584, 8.0, 0.3))
    found = Widths(1200, 2900, (WideCode(2563, 9.0, 0.6), WideCode(1542, 8.5, 0.6)))
    assert [(s.code, s.excess) for s in _merged(known, found)] == [
        (512, 7.0),
        (1542, 8.5),
        (2563, 9.0),
        (3584, 8.0),
    ]
    crowded = Widths(1200, 2900, tuple(WideCode(1300 + 100 * k, 3.0 + k, 0.5) for k in range(4)))
    assert [s.code for s in _merged(known, crowded)] == [512, 1500, 1600, 3584]


def test_the_table_goes_to_the_board_and_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path)
    steps = [WideCode(1542, 8.5, 0.612), WideCode(2563, 9.25, 0.58)]
    board = ScriptedBoard(constants=CONSTANTS | {"step3_code": 7, "step3_mcode": 9, "step4_code": 3})
    tester = Tester(board)
    assert [step.code for step in tester.hello().wide_codes] == [3, 7]
    for name, value in _table(steps).items():
        tester.change(name, value)
    assert tester.save().wide_codes == tuple(steps)
    assert Tester(ScriptedBoard()).hello().wide_codes == ()


def test_the_firmware_keeps_what_the_host_writes() -> None:
    import runpy

    firmware = Path(__file__).resolve().parents[2] / "firmware" / "board.py"
    known = {name: (low, high) for name, _, low, high in runpy.run_path(str(firmware))["CONSTANTS"]}
    for name, value in _table([WideCode(4095, 60.0, 3.0)] * 4).items():
        low, high = known[name]
        assert low <= value <= high
        assert len(reader.encode_request("constant", 9999, name=name, value=value)) <= frame.MAX_LINE + 1
    for name in ("stray_uncertainty_ff", "latency_uncertainty_ps", "input_uncertainty_psi"):
        assert name in known
