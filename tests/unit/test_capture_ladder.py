"""`coilbell capture --ladder`: what is struck, what travels, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from coilbell.bench.files.records import read
from coilbell.board import Settings, Tester, constants, frame
from coilbell.board.exchange import Refusal
from coilbell.board.simulation import Fixture, Winding, catalogue
from coilbell.cli import main
from coilbell.commands.ladder import climb, plan, rung_shots
from coilbell.decay import fit
from coilbell.decay.laddered import rungs_of
from coilbell.record import Capacitor, Connection, Record

SET = "virtual:?part=tarn-line-split&state=in-circuit-yoke&done=yoke-off&seed=3&hurry=1"
QUICK = ["--samples", "2048"]


@pytest.fixture(autouse=True)
def _place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")


def test_noise_asks_for_the_shots() -> None:
    assert [rung_shots(v, 0.35e-3) for v in (0.06, 0.13, 0.27)] == [16, 4, 1]
    assert [rung_shots(v, 0.1e-3) for v in (0.06, 0.13, 0.27)] == [2, 1, 1]


def test_a_ladder_in_a_set_with_its_stage_and_rungs(tmp_path: Path, capsys) -> None:
    out = tmp_path / "set.json"
    asked = ["--ladder", "--in-circuit", "--done", "yoke-off,tube-base-off", "--out", str(out), "--json"]
    assert main(["capture", "--port", SET, *QUICK, *asked]) == 0
    shown = capsys.readouterr()
    assert "caution" in shown.err
    assert "never on a live one" in shown.err
    lines = [json.loads(line) for line in shown.out.splitlines()]
    assert [line["test_capacitor_f"] for line in lines] == [pytest.approx(22e-9), pytest.approx(2.2e-9)]
    records = read(out)
    assert {str(step) for record in records for step in record.done} == {"yoke-off", "tube-base-off"}
    for line in lines:
        own = [r for r in records if r.test_capacitor and r.test_capacitor.farads == line["test_capacitor_f"]]
        rungs = rungs_of(own)
        assert [rung[0].extra["rung"] for rung in rungs] == ["60 mV", "130 mV", "270 mV", "60 mV"]
        assert len(rungs[0]) >= len(rungs[1]) >= len(rungs[2])
        assert 1 <= len(rungs[3]) <= min(4, len(rungs[0]))
        world = Winding(
            catalogue.part("tarn-line-split", 3), "in-circuit-yoke", Fixture(), ("yoke-off",)
        ).ring_mode(line["test_capacitor_f"])
        assert world is not None
        assert line["modes"][0]["q"]["value"] == pytest.approx(world.q, rel=0.01)
        assert line["modes"][0]["amplitude"]["value"] == pytest.approx(0.13, rel=0.15)
        assert line["ladder"]["bend"] == "none"
        assert len(line["ladder"]["rungs"]) == 4


@pytest.mark.parametrize("part", ["tarn-line-split", "moss-choke", "fell-choke"])
def test_each_rung_is_its_own_rings_amplitude_or_says_why_not(part: str, tmp_path: Path) -> None:
    """Truth: charge of the pulse times the residue of the simulated circuit's mode; a tick or 5 %."""
    out = tmp_path / "rungs.json"
    assert (
        main(["capture", "--port", f"virtual:?part={part}&seed=2&hurry=1", "--ladder", "--out", str(out)])
        == 0
    )
    winding = Winding(catalogue.part(part, 2))

    def volts(farads: float, pulse_s: float) -> float:
        mode = winding.ring_mode(farads, pulse_s) if pulse_s > 0 else None
        return 5e-3 * pulse_s * abs(mode.residue) if mode else 0.0

    told = 0
    for record in read(out):
        assert record.test_capacitor
        assert record.pulse_s
        wanted = float(record.extra["rung"].removesuffix(" mV")) * 1e-3
        farads = record.test_capacitor.farads
        true = volts(farads, record.pulse_s)
        tick = max(abs(volts(farads, record.pulse_s + step) - true) for step in (-1 / 144e6, 1 / 144e6))
        near = abs(true - wanted) <= max(0.05 * wanted, tick)
        reason = any(word in record.extra["aim"] for word in ("the most", "the least", "converter's range"))
        assert near is not reason, (record.extra, true)
        told += reason
    assert (told > 0) is (part == "fell-choke")


def test_a_small_inductance_is_rung_with_the_larger_pair_and_interleaved(tmp_path: Path) -> None:
    out = tmp_path / "choke.json"
    port = "virtual:?part=fell-choke&seed=1&hurry=1"
    assert main(["capture", "--port", port, *QUICK, "--ladder", "--out", str(out)]) == 0
    records = read(out)
    farads = [r.test_capacitor.farads for r in records if r.test_capacitor]
    assert sorted({round(f * 1e9) for f in farads}) == [22, 100]
    rates = {r.test_capacitor.farads: r.rate_hz for r in records if r.test_capacitor}
    assert all(rate is not None and rate >= 500e3 for rate in rates.values())


def test_every_ring_out_of_circuit_has_a_rung_at_130_mv(tmp_path: Path) -> None:
    out = tmp_path / "free.json"
    port = "virtual:?part=tarn-yoke-line&seed=1&hurry=1"
    assert (
        main(["capture", "--port", port, *QUICK, "--shots", "2", "--out-of-circuit", "--out", str(out)]) == 0
    )
    rungs = rungs_of(read(out))
    assert [len(rung) for rung in rungs] == [4, 2]
    peaks = [fit(rung).main.amplitude.value for rung in rungs]
    assert peaks[0] == pytest.approx(0.13, rel=0.15)
    assert peaks[1] > 0.2


def test_a_ladder_kept_in_a_file_is_one_capture_a_capacitor(tmp_path: Path, capsys) -> None:
    from coilbell.bench.files.captures import captures_of

    out, picture = tmp_path / "set.json", tmp_path / "law.png"
    assert main(["capture", "--port", SET, *QUICK, "--ladder", "--in-circuit", "--out", str(out)]) == 0
    assert [len(rungs_of(c)) for c in captures_of(read(out))] == [4, 4]
    assert main(["fit", str(out), "--picture", str(picture)]) == 0
    assert picture.read_bytes()[:4] == b"\x89PNG"
    assert picture.with_stem("law-2").exists()


def test_in_circuit_the_board_aims_at_130_mv(tmp_path: Path) -> None:
    out = tmp_path / "in.json"
    assert main(["capture", "--port", SET, *QUICK, "--shots", "2", "--in-circuit", "--out", str(out)]) == 0
    assert fit(read(out)).main.amplitude.value == pytest.approx(0.13, rel=0.15)


def test_charged_leads_are_refused_at_the_first_rung(capsys) -> None:
    port = "virtual:?part=tarn-line-split&state=live-leads&seed=1&hurry=1"
    assert main(["capture", "--port", port, *QUICK, "--ladder", "--in-circuit"]) == 1
    assert "leads" in capsys.readouterr().err


@pytest.mark.parametrize("number", range(1, 7))
def test_leads_that_become_charged_end_a_ladder_at_any_shot(number: int) -> None:
    """Whichever request finds them charged, nothing more is fired and what came whole is there."""
    with Tester.open(SET) as tester:
        settings = Settings(samples=2048, aim_v=0.13, connection=Connection.IN_CIRCUIT)
        chosen = plan(tester, settings)
        true, fired = tester.capture, []

        def charged(asked: Settings, *more: object) -> tuple[Record, ...]:
            if len(fired) == number - 1:
                tester.arrived = ()
                raise Refusal(frame.LEADS_LIVE, 2100, "the leads carry 2100 mV")
            fired.append(asked)
            return true(asked, *more)  # type: ignore[arg-type]

        tester.capture = charged  # type: ignore[method-assign, assignment]
        with pytest.raises(Refusal, match="leads carry"):
            climb(tester, chosen.settings[0], chosen.noise_v, None)
        assert len(fired) == number - 1
        rungs = [one for one in fired if one.samples == 2048 and one.shots > 2]
        assert len(tester.arrived) == sum(one.shots for one in rungs)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--ladder", "--pulse", "2u"], "--ladder chooses pulses"),
        (["--ladder", "--capacitor", "B"], "--ladder chooses pulses"),
        (["--done", "yoke-of"], "no such step"),
    ],
)
def test_what_cannot_be_asked_is_one_line(words, told, capsys) -> None:
    assert main(["capture", "--port", SET, *words]) == 2
    assert told in capsys.readouterr().err


def test_records_struck_alike_are_no_ladder() -> None:
    wave = np.exp(-np.arange(400) / 100) * np.cos(np.arange(400) / 5)

    def shot(pulse: float | None) -> Record:
        return Record(samples=wave, rate_hz=500e3, pulse_s=pulse, test_capacitor=Capacitor(22e-9))

    assert len(rungs_of([shot(2e-6), shot(2.05e-6), shot(None)])) == 1
    assert [len(r) for r in rungs_of([shot(1e-6), shot(1e-6), shot(2e-6), shot(1e-6)])] == [2, 1, 1]
