"""The board in software: the real firmware against simulated windings, over TCP, in processes of its own."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import scripted  # noqa: F401 - tells pytest that Tester is no test
from coilbell.board import PortLost, Refusal, Settings, Tester, constants, open_port
from coilbell.board.simulation import Winding, catalogue
from coilbell.board.virtual import start
from coilbell.decay import fit
from coilbell.errors import BoardError, BoardTimeout, InputError, MissingError
from outside import require

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and /proc are things of POSIX")
linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
QUICK = Settings(shots=2, samples=1024)
ONE = Settings(shots=1, samples=1024, pulse_s=1e-6)


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Copies of constants go nowhere else."""
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    return tmp_path / "boards"


@pytest.fixture(params=["python", "micropython"])
def interpreter(request: pytest.FixtureRequest) -> str:
    """Both interpreters run the firmware."""
    if request.param == "micropython":
        require("micropython")
    return str(request.param)


def _family(root: int) -> set[int]:
    """A process and all below it."""
    found, todo = set(), [root]
    while todo:
        number = todo.pop()
        found.add(number)
        with contextlib.suppress(OSError):
            for task in Path(f"/proc/{number}/task").iterdir():
                todo += map(int, (task / "children").read_text().split())
    return found


def _all_gone(processes: set[int], patience_s: float = 10.0) -> bool:
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        if not any(_alive(number) for number in processes):
            return True
        time.sleep(0.02)
    return False


def _alive(number: int) -> bool:
    try:
        return Path(f"/proc/{number}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


# --- captures ---


def test_capture_and_fit_agree_with_the_circuit(interpreter: str) -> None:
    name = f"virtual:?part=moss-choke&state=turn-1-ohm&seed=5&hurry=1&interpreter={interpreter}"
    with Tester.open(name) as tester:
        told = tester.identity
        assert told.virtual
        assert ("CPython" in told.micropython) == (interpreter == "python")
        records = tester.capture(Settings(shots=4, samples=2048))
        assert tester.tally.damaged == tester.tally.retried == 0
    found = fit(records).main
    capacitor = told.capacitor("A")
    assert capacitor is not None
    truth = Winding(catalogue.part("moss-choke", 5), "turn-1-ohm").ring_mode(
        capacitor.farads, records[0].pulse_s or 0
    )
    assert truth is not None
    for seen, true in ((found.frequency_hz, truth.frequency_hz), (found.q, truth.q)):
        assert abs(seen.value - true) < 4 * seen.standard_uncertainty
        assert seen.standard_uncertainty < 0.01 * true


def test_aim_brings_the_first_peak_into_the_band() -> None:
    with Tester.open("virtual:?part=fell-choke&seed=2&hurry=1") as tester:
        for letter in "AB":
            aim = tester.aim(letter)
            assert aim.outcome == "found"
            assert 0.25 <= aim.peak_v <= 0.4
            assert aim.largest_v <= 0.4
        # 47 uH and 100 nF have 22 ohm: 5 mA cannot do more.
        aim = tester.aim("C")
        assert aim.outcome == "weak"
        assert 0.05 < aim.peak_v < 0.25


def test_an_amplitude_is_aimed_at_and_what_cannot_be_is_told() -> None:
    with Tester.open("virtual:?part=fell-choke&seed=2&hurry=1") as tester:
        winding = Winding(catalogue.part("fell-choke", 2))
        capacitor = tester.identity.capacitor("A")
        assert capacitor is not None
        for target_v in (0.06, 0.13, 0.27):
            aim = tester.aim("A", target_v=target_v)
            rung = winding.ring(capacitor.farads, aim.pulse_s, 20e6, 400)
            assert aim.outcome == "found"
            assert np.abs(rung).max() == pytest.approx(target_v, rel=0.05)
            assert aim.largest_v < 1.2 * target_v
        # 47 uH and 22 nF have 46 ohm: 5 mA come to 0.45 V.
        records = tester.capture(Settings(shots=1, samples=2048, aim_v=0.5))
        assert "the most that a pulse gives" in records[0].extra["aim"]
        with pytest.raises(InputError, match="aims at 20 to 520 mV"):
            tester.aim("A", target_v=0.8)
        told = tester.identity
        tester._identity = replace(told, aim_volts=None, firmware="1.1.1")
        with pytest.raises(MissingError, match=r"firmware 1\.1\.1 cannot aim at an amplitude.*flash"):
            tester.aim("A", target_v=0.13)


def test_the_same_seed_gives_the_same_unit_and_another_seed_another() -> None:
    def rung(seed: int) -> tuple[str, float]:
        with Tester.open(f"virtual:?part=moss-choke&seed={seed}&hurry=1") as tester:
            return tester.identity.unique_id, fit(tester.capture(ONE)).main.frequency_hz.value

    first, again, other = rung(1), rung(1), rung(2)
    assert first == pytest.approx(again)
    assert first[0] != other[0]
    assert abs(first[1] / other[1] - 1) > 1e-3


def test_noise_and_failed_conversions_come_as_wished() -> None:
    with Tester.open("virtual:?noise=4&errors=0.01&hurry=1") as tester:
        (record,) = tester.capture(Settings(shots=1, samples=8192, pulse_s=0.0))
    assert np.std(record.samples) == pytest.approx(4, rel=0.1)
    assert 8192 - len(record) == pytest.approx(82, abs=40)
    assert record.times_s is not None


def test_live_leads_are_refused_with_their_voltage() -> None:
    with (
        Tester.open("virtual:?state=live-leads&hurry=1") as tester,
        pytest.raises(Refusal, match="mV") as caught,
    ):
        tester.capture(QUICK)
    assert caught.value.value > 5000


def test_a_width_over_the_limit_is_refused_by_the_board_as_well() -> None:
    with Tester.open("virtual:?hurry=1") as tester:
        ask = {
            "samples": 64,
            "pretrigger": 8,
            "width_ticks": 14401,
            "capacitor": "A",
            "shots": 1,
            "interleave": 1,
        }
        with pytest.raises(Refusal, match="width_ticks=14401"):
            list(tester._exchange.ask("capture", **ask))
        assert len(tester.capture(QUICK)) == 2


def test_rests_are_kept_when_not_in_a_hurry() -> None:
    with Tester.open("virtual:?part=moss-choke") as tester:
        begin = time.monotonic()
        tester.capture(Settings(shots=6, samples=256, pretrigger=16, pulse_s=1e-6))
        # Six shots have five rests between them; the board fires 40 a second at the most.
        assert time.monotonic() - begin > 5 / 40


def test_constants_are_kept_while_the_board_runs(place: Path) -> None:
    with Tester.open("virtual:?hurry=1") as tester:
        assert tester.identity.constants_from == "defaults"
        tester.change("stray_ff", 31_000)
        assert tester.save().constants["stray_ff"] == 31_000
        assert tester.identity.constants_from == "file"
        with pytest.raises(Refusal, match="from 0 to 10000000"):
            tester.change("stray_ff", -1)
    assert not place.exists()


def test_ctrl_c_stops_the_program_and_a_greeting_starts_it_again(interpreter: str) -> None:
    port = open_port(f"virtual:?hurry=1&interpreter={interpreter}")
    with Tester(port) as tester:
        tester.hello()
        port.write(b"\x03")
        time.sleep(0.2)
        assert b">>>" in port.read(5.0)
        assert tester.hello().virtual
        assert len(tester.capture(QUICK)) == 2


def test_ctrl_c_in_mid_capture_is_heard() -> None:
    port = open_port("virtual:?hurry=1&pace=20000")
    with Tester(port, patience_s=5) as tester:
        tester.hello()

        def interrupt(done: int, total: int) -> None:
            if done == 1:
                port.write(b"\x03")

        with pytest.raises(BoardError, match="stands at its prompt"):
            tester.capture(Settings(shots=20, samples=1024, pulse_s=1e-6), interrupt)
        assert tester.hello().virtual


# --- misbehaviour ---


@pytest.mark.parametrize("wish", ["drop=0.03", "corrupt=0.03", "split=3"])
def test_a_bad_link_costs_retries_but_no_samples(wish: str) -> None:
    with Tester.open(f"virtual:?part=moss-choke&seed=1&hurry=1&pace=0&{wish}", retries=40) as tester:
        # Each loss at an answer's end costs this; a busy computer must still be waited for.
        tester._exchange.patience_s = 30.0 if wish.startswith("split") else 3.0
        records = tester.capture(Settings(shots=8, samples=1024, pulse_s=1e-6))
        tally = tester.tally
    assert len(records) == 8
    if wish.startswith("split"):
        assert tally.damaged == tally.retried == 0
    else:
        assert tally.retried > 0
    clean = Winding(catalogue.part("moss-choke", 1)).ring(22e-9, 1e-6, 500e3, 1024, delay_s=128 * 2e-6)
    for record in records:
        # Codes without the converter's steps; noise has 1 LSB and its curvature a few.
        assert np.abs(record.samples - (2048 + clean / (3.3 / 4096))).max() < 16


def test_a_stalled_link_is_told_as_stopped_midway() -> None:
    with Tester.open("virtual:?hurry=1&pace=0&stall=6000") as tester:
        tester._exchange.patience_s = 2.0
        with pytest.raises(BoardTimeout, match="stopped midway"):
            tester.capture(Settings(shots=8, samples=1024, pulse_s=1e-6))


def test_a_board_that_vanishes_is_told_at_once() -> None:
    with Tester.open("virtual:?hurry=1&pace=0&vanish=9000") as tester:
        begin = time.monotonic()
        with pytest.raises(PortLost, match="vanished"):
            tester.capture(Settings(shots=8, samples=1024, pulse_s=1e-6))
        assert time.monotonic() - begin < 5


def test_a_host_that_does_not_read_loses_that_answer_only() -> None:
    with Tester.open("virtual:?hurry=1&pace=0") as tester:
        # Two megabytes are asked for and left lying: more than the sockets hold.
        asked = "samples=16384 pretrigger=16 width_ticks=144 capacitor=A shots=60 interleave=1"
        tester._port.write(b"capture id=9999 " + asked.encode() + b"\n")
        time.sleep(3.0)
        tester._exchange.resynchronise()
        assert len(tester.capture(QUICK)) == 2


@pytest.mark.parametrize(
    ("name", "error"),
    [
        ("virtual:?part=nothing", InputError),
        ("virtual:?part=moss-choke&state=rectifier-all-shorted", InputError),
        ("virtual:?state=", InputError),
    ],
)
def test_a_part_or_state_that_is_not_in_the_catalogue(name: str, error: type[Exception]) -> None:
    with pytest.raises(error, match="choose one of"):
        open_port(name)


def test_two_programs_on_one_virtual_board() -> None:
    board = start("virtual:?hurry=1")
    try:
        first = Tester(open_port(board.url))
        first.hello()
        with pytest.raises(MissingError, match=r"nothing answers .* or it is taken"):
            open_port(board.url)
        assert len(first.capture(QUICK)) == 2
        first.close()
    finally:
        board.close()


# --- processes ---


@linux
def test_closing_ends_every_process(interpreter: str) -> None:
    board = start(f"virtual:?hurry=1&interpreter={interpreter}")
    port = open_port(board.url)
    with Tester(port) as tester:
        tester.hello()
        family = _family(board.process.pid)
        assert len(family) >= 2
    assert _all_gone(family)
    board.close()


@linux
def test_a_board_nobody_comes_to_ends_when_given_back() -> None:
    board = start("virtual:?hurry=1")
    family = _family(board.process.pid)
    board.close()
    assert _all_gone(family)


@linux
@pytest.mark.parametrize("victim", ["board", "firmware"])
def test_whichever_process_is_killed_the_other_ends(
    interpreter: str, victim: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    board = start(f"virtual:?hurry=1&interpreter={interpreter}")
    tester = Tester(open_port(board.url))
    tester.hello()
    family = _family(board.process.pid)
    os.kill(board.process.pid if victim == "board" else max(family - {board.process.pid}), signal.SIGKILL)
    with pytest.raises(PortLost):
        tester.capture(QUICK)
    assert _all_gone(family)
    tester.close()
    board.close()
    assert not list(tmp_path.glob("coilbell-*"))


HOST = """
import sys, time
from coilbell.board import Tester, Settings
tester = Tester.open("virtual:?hurry=1&pace=20000")
print("ready", flush=True)
{then}
"""


@linux
@pytest.mark.parametrize(
    ("then", "number"),
    [
        ("time.sleep(60)", signal.SIGKILL),
        ("tester.capture(Settings(shots=900))", signal.SIGKILL),
        ("tester.capture(Settings(shots=900))", signal.SIGINT),
        ("raise RuntimeError('crash')", None),
        ("pass", None),
    ],
    ids=["killed idle", "killed busy", "interrupted", "crashed", "forgot to close"],
)
def test_processes_end_with_the_host(then: str, number: signal.Signals | None) -> None:
    host = subprocess.Popen(
        [sys.executable, "-c", HOST.format(then=then)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert host.stdout is not None
    assert host.stdout.readline() == b"ready\n"
    family = _family(host.pid)
    if number is not None:
        time.sleep(0.3)
        family |= _family(host.pid)
        assert len(family) >= 3
        host.send_signal(number)
    host.wait(20)
    host.stdout.close()
    assert _all_gone(family - {host.pid})


@linux
def test_no_folder_is_left_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    with Tester.open("virtual:?hurry=1") as tester:
        assert list(tmp_path.glob("coilbell-*"))
        tester.hello()
    assert not list(tmp_path.glob("coilbell-*"))
