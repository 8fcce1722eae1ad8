"""Rungs of a ladder land on their amplitudes: the ring's own, by the eigenvalues of the simulated circuit."""

from __future__ import annotations

from pathlib import Path

import pytest

import scripted  # noqa: F401 - tells pytest that Tester is no test
from coilbell.board import Aim, Tester, constants
from coilbell.board.simulation import Winding, catalogue
from coilbell.commands.ladder import ring_volts

SEED = 2
RUNGS_V = (0.06, 0.13, 0.27, 0.5)
PULSE_AMPS = 5e-3
"""Of the simulated driver, `Fixture.pulse_amps`."""
CASES = [("tarn-line-split", "A"), ("tarn-line-split", "B"), ("moss-choke", "B"), ("fell-choke", "A")]
"""Among them a ring with faster modes beside it (53 kHz) and one of 2.2 samples to a period (222 kHz)."""


def true_volts(winding: Winding, farads: float, pulse_s: float) -> float:
    """Envelope of the ring at the end of the pulse: charge times the mode's residue [V]."""
    mode = winding.ring_mode(farads, pulse_s) if pulse_s > 0 else None
    return PULSE_AMPS * pulse_s * abs(mode.residue) if mode else 0.0


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")


@pytest.mark.parametrize(("part", "letter"), CASES)
def test_each_rung_is_within_a_tick_or_5_percent_or_said_to_be_out_of_reach(part: str, letter: str) -> None:
    winding = Winding(catalogue.part(part, SEED))
    with Tester.open(f"virtual:?part={part}&seed={SEED}&hurry=1") as tester:
        aims = [tester.aim(letter, target_v=volts, measure=ring_volts) for volts in RUNGS_V]
        capacitor = tester.identity.capacitor(letter)
        tick_s = 1 / tester.identity.tick_hz
    assert capacitor is not None
    for aim in aims:
        assert aim.target_v is not None
        true = true_volts(winding, capacitor.farads, aim.pulse_s)
        assert aim.peak_v == pytest.approx(true, rel=0.02)
        near = [true_volts(winding, capacitor.farads, aim.pulse_s + step) for step in (-tick_s, tick_s)]
        allowed = max(0.05 * aim.target_v, *(abs(one - true) for one in near))
        assert (aim.outcome == "found") == (abs(true - aim.target_v) <= allowed), aim
        if aim.outcome != "found":
            assert _out_of_reach(aim, winding, capacitor.farads), aim


def _out_of_reach(aim: Aim, winding: Winding, farads: float) -> bool:
    """No pulse rings that high; or other modes fill the converter's 0.55 V."""
    most = max(true_volts(winding, farads, ticks / 144e6) for ticks in range(2, 1728, 4))
    assert aim.target_v is not None
    full = aim.outcome == "full" and aim.largest_v > 0.45 and "converter's range" in aim.note
    return full or (aim.outcome == "weak" and most < aim.target_v and aim.peak_v > 0.95 * most)
