"""The loop-back: where a step is found, what a wrong spacing looks like, and a latency set and recovered."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from coilbell.board import Identity, Outcome, Tester, constants, frame
from coilbell.board.latency import _edge, _times, loop_back, rise
from coilbell.cli import main
from coilbell.errors import MissingError
from coilbell.record import Record
from scripted import HELLO, ScriptedBoard

WIDTH_S = 4e-6


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Copies of constants go nowhere else."""
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")


def _identity(ticks: int = 288) -> Identity:
    return Tester(
        ScriptedBoard(hello=HELLO | {"tick_hz": 500_000 * ticks, "ticks_per_sample": ticks})
    ).hello()


def _step(
    latency_s: float,
    *,
    ticks: int = 288,
    before: int = 8,
    jitter_s: float = 0.0,
    spacing: float = 1.0,
    poles_s: tuple[float, ...] = (25e-9,),
    height: float = 2048.0,
    seed: int = 1,
) -> Record:
    """A record of the loop-back behind one or two poles; spacing: true length of a sample over nominal."""
    rng = np.random.default_rng(seed)
    codes = np.zeros((before + 8, ticks))
    for phase in range(ticks):
        delay_s = (before * ticks - phase) / (500_000 * ticks)
        start_s = latency_s + jitter_s * (rng.random() - 0.5)
        codes[:, phase] = _pin(np.arange(before + 8) * 2e-6 * spacing + start_s - delay_s, poles_s)
    codes = np.rint(height * codes.ravel() + rng.standard_normal(codes.size)).clip(0, 4095)
    return Record(codes.astype(np.int64), rate_hz=500e3 * ticks, pretrigger=before * ticks, pulse_s=WIDTH_S)


def _pin(t: np.ndarray, poles_s: tuple[float, ...]) -> np.ndarray:
    return _response(t, poles_s) - _response(t - WIDTH_S, poles_s)


def _response(t: np.ndarray, poles_s: tuple[float, ...]) -> np.ndarray:
    """Answer to a unit step by partial fractions (textbook), 0 before it."""
    t = np.clip(t, 0, None)
    if len(poles_s) == 1:
        return 1 - np.exp(-t / poles_s[0])
    a, b = poles_s
    return 1 - (a * np.exp(-t / a) - b * np.exp(-t / b)) / (a - b)


@pytest.mark.parametrize("ticks", [288, 250, 300])
@pytest.mark.parametrize("poles_s", [(1e-12,), (1e-9,), (2e-9,), (5e-9,), (25e-9,), (100e-9,), (25e-9, 4e-9)])
def test_a_step_is_found_to_a_fraction_of_a_sample(ticks: int, poles_s: tuple[float, ...]) -> None:
    identity = _identity(ticks)
    width = round(WIDTH_S * identity.tick_hz)
    for k, latency_s in enumerate((0.0, 3.3e-9, 137e-9, 0.96e-6, 1.9e-6)):
        edge = rise(_step(latency_s, ticks=ticks, poles_s=poles_s, seed=k), identity, 8, width)
        assert edge is not None
        found = -edge.at_ticks / identity.tick_hz
        room = np.hypot(edge.scatter_ticks, 0.25 * edge.tau_ticks) / identity.tick_hz
        assert abs(found - latency_s) < 2 * room
        assert room < 3e-9 + 0.3 * poles_s[0]
        assert edge.height_lsb == pytest.approx(2048, abs=3)


@pytest.mark.parametrize("poles_s", [(1e-12,), (1e-9,), (2e-9,), (5e-9,), (25e-9,)])
def test_rounding_of_the_last_bit_does_not_move_a_step(poles_s: tuple[float, ...]) -> None:
    """Processors round sums differently; an answer that follows them is no answer."""
    identity = _identity(250)
    rng = np.random.default_rng(99)
    for seed, latency_s in enumerate((0.0, 3.3e-9, 137e-9, 0.96e-6)):
        record = _step(latency_s, ticks=250, poles_s=poles_s, seed=seed)
        times, codes = _times(record, identity, 8), np.asarray(record.samples, dtype=np.float64)
        first = _edge(times, codes, identity, 500)
        assert first is not None
        for _ in range(3):
            noisy = [part * (1 + rng.integers(-2, 3, part.size) * 2.0**-52) for part in (times, codes)]
            again = _edge(noisy[0], noisy[1], identity, 500)
            assert again is not None
            assert again.at_ticks == pytest.approx(first.at_ticks, abs=0.01)


def test_a_start_that_jitters_is_averaged_and_told() -> None:
    identity = _identity(250)
    edge = rise(_step(137e-9, ticks=250, jitter_s=20.8e-9), identity, 8, 500)
    assert edge is not None
    assert -edge.at_ticks / identity.tick_hz == pytest.approx(137e-9, abs=12e-9)


def test_no_step_is_no_edge() -> None:
    identity = _identity()
    assert rise(_step(0.0, height=0.0), identity, 8, 576) is None
    assert rise(_step(0.0, height=150.0), identity, 8, 576) is None
    assert rise(_step(0.0, before=1), identity, 1, 576) is None


def _table_of(outcome: Outcome) -> str:
    from coilbell.commands.board import _check_facts, _table

    return _table(_check_facts(_identity(), outcome.rows, [], []))


@pytest.mark.parametrize("spacing", [1.0, 1.0005, 0.9998])
def test_a_wrong_spacing_is_seen(spacing: float, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "coilbell.board.latency._seen",
        lambda tester, before, width, many: _step(137e-9, before=before, spacing=spacing),
    )
    outcome = Outcome()
    loop_back(Tester(ScriptedBoard()), outcome)
    rows = {row.name: row for row in outcome.rows}
    row = rows["sample spacing"]
    assert row.value == pytest.approx(288 * spacing, abs=0.005)
    assert row.passed is (spacing == 1.0)
    assert "287.971 to 288.029 ticks" in _table_of(outcome)
    assert rows["pulse width"].passed
    assert outcome.constants["latency_ps"] == pytest.approx(137_000, abs=12_000)


def test_a_latency_that_cannot_be_is_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "coilbell.board.latency._seen", lambda tester, before, width, many: _step(-60e-9, before=before)
    )
    outcome = Outcome()
    loop_back(Tester(ScriptedBoard()), outcome)
    assert [row.passed for row in outcome.rows if row.name == "latency"] == [False]
    assert outcome.constants == {}


def test_a_latency_set_on_the_virtual_board_is_recovered_and_kept(capsys: pytest.CaptureFixture[str]) -> None:
    with Tester.open("virtual:?part=moss-choke&state=open&hurry=1&seed=4&latency=637e-9") as tester:
        outcome = Outcome()
        loop_back(tester, outcome)
        for name, value in outcome.constants.items():
            tester.change(name, value)
        kept = tester.save().constants
    assert all(row.passed for row in outcome.rows)
    assert abs(kept["latency_ps"] - 637_000) < 2 * kept["latency_uncertainty_ps"]
    assert kept["latency_uncertainty_ps"] < 10_000


def test_a_loop_that_is_not_there_fails_and_says_so() -> None:
    with Tester.open("virtual:?state=open&hurry=1&loop=0") as tester:
        outcome = Outcome()
        loop_back(tester, outcome)
    assert outcome.rows[0].passed is False
    assert all(row.value is None and "see to the loop-back" in row.note for row in outcome.rows[1:])
    assert outcome.constants == {}


def test_firmware_without_a_loop_back_gets_the_command() -> None:
    class Older(ScriptedBoard):
        def answer(self, line: bytes) -> bytes:
            _, number, keys = frame.decode_request(line)
            if keys.get("capacitor") == "loop":
                words = {"code": frame.BAD_VALUE, "value": 0, "words": "capacitor=loop; one of: A B -"}
                return frame.encode(frame.ERROR, number, frame.encode_fields(frame.ERROR, words))
            return super().answer(line)

    with pytest.raises(MissingError, match=r"firmware 1.2.3 .* no loop-back; run: coilbell board flash"):
        loop_back(Tester(Older()), Outcome())


def test_the_help_says_what_each_examination_needs(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["board", "--help"])
    said = capsys.readouterr().out
    assert "needs a coil" in said
    assert "from the pulse pin to GPIO28" in said
    assert max(map(len, said.splitlines())) <= 80
