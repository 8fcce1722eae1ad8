"""`coilbell board`: list, flash, check."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbell.board import BoardPort, Flashed, Outcome, Tester, constants, frame, ports
from coilbell.board.deploy import Installed
from coilbell.cli import main
from coilbell.errors import BoardTimeout, MissingError
from scripted import CONSTANTS, HELLO, ScriptedBoard

BOARD = BoardPort("/dev/ttyACM7", ports.USB_ID, "e66138935f2b4a2c", "Board in FS mode")


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Copies of constants go nowhere else."""
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    return tmp_path / "boards"


@pytest.fixture
def listed(monkeypatch: pytest.MonkeyPatch) -> list[BoardPort]:
    """The ports the system lists; change it to taste."""
    found = [BOARD, BoardPort("/dev/ttyS0", None, "", "")]
    monkeypatch.setattr("coilbell.board.serial_ports", lambda: found)
    monkeypatch.setattr("coilbell.board.tester.serial_ports", lambda: found)
    return found


def _opens(monkeypatch: pytest.MonkeyPatch, port: ScriptedBoard | Exception) -> None:
    def open_port(name: str) -> ScriptedBoard:
        if isinstance(port, Exception):
            raise port
        return port

    monkeypatch.setattr("coilbell.board.open_port", open_port)
    monkeypatch.setattr("coilbell.board.tester.open_port", open_port)


# --- list ---


def test_a_board_is_listed(
    listed: list[BoardPort], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    board = ScriptedBoard()
    _opens(monkeypatch, board)
    assert main(["board", "list"]) == 0
    assert capsys.readouterr().out == "/dev/ttyACM7  id e66138935f2b4a2c  can be opened\n"
    assert board.requests == []
    assert board.closed == 1


def test_a_board_that_cannot_be_opened_is_listed_with_the_reason(
    listed: list[BoardPort], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _opens(monkeypatch, MissingError("it is busy"))
    assert main(["board", "list", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert (facts["schema"], facts["free"], facts["trouble"]) == (1, False, "it is busy")
    _opens(monkeypatch, MissingError("/dev/ttyACM7 is busy: another program holds it; end that program"))
    assert main(["board", "list"]) == 0
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 80


def test_no_board_is_said(listed: list[BoardPort], capsys: pytest.CaptureFixture[str]) -> None:
    del listed[0]
    assert main(["board", "list"]) == 0
    said = capsys.readouterr().out
    assert "no board found; 1 other port\n" in said
    assert max(map(len, said.splitlines())) <= 80


# --- flash ---


def _flashes(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    flashed: list[str] = []

    def flash(
        remote: Any,
        progress: Callable[[int, int, str], None] | None = None,
        design: str | None = None,
    ) -> Flashed:
        flashed.append(remote.port)
        installed = Installed("Raspberry Pi Pico with RP2040", (1, 28, 0), BOARD.unique_id)
        return Flashed(installed, ("shot.py", "main.py"), ("main.py",), 12345)

    monkeypatch.setattr("coilbell.board.flash", flash)
    return flashed


def test_flashing_the_only_board(
    listed: list[BoardPort], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _opens(monkeypatch, ScriptedBoard())
    flashed = _flashes(monkeypatch)
    assert main(["board", "flash"]) == 0
    assert flashed == ["/dev/ttyACM7"]
    said = capsys.readouterr().out
    assert "firmware 1.2.3 runs" in said
    assert "sent 2 files, 12345 bytes, all verified; former files kept on it: main.py.bak" in said


def test_a_board_that_comes_back_under_another_name_is_found(
    listed: list[BoardPort], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []

    def open_port(name: str) -> ScriptedBoard:
        opened.append(name)
        if opened.count("/dev/ttyACM7") > 1:
            listed[0] = BoardPort("/dev/ttyACM8", ports.USB_ID, BOARD.unique_id, "")
        if name == "/dev/ttyACM7" and len(opened) > 1:
            raise MissingError("gone")
        return ScriptedBoard()

    monkeypatch.setattr("coilbell.board.open_port", open_port)
    monkeypatch.setattr("coilbell.board.tester.open_port", open_port)
    monkeypatch.setattr("time.sleep", lambda _: None)
    _flashes(monkeypatch)
    assert main(["board", "flash"]) == 0
    assert opened[-1] == "/dev/ttyACM8"


def test_a_board_that_stays_silent_after_flashing(
    listed: list[BoardPort], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _opens(monkeypatch, ScriptedBoard(mute=True))
    _flashes(monkeypatch)
    monkeypatch.setattr("coilbell.commands.board._RESTART_S", 0.01)
    assert main(["board", "flash"]) == BoardTimeout.exit_code
    assert "does not answer after its restart" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["virtual:", "socket://host:1"])
def test_what_cannot_be_flashed(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["board", "flash", "--port", name]) == 2
    assert "cannot be flashed" in capsys.readouterr().err


def test_flashing_a_port_that_cannot_be_opened_says_why(
    listed: list[BoardPort], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _opens(monkeypatch, MissingError("/dev/ttyACM7 is busy"))
    flashed = _flashes(monkeypatch)
    assert main(["board", "flash"]) == 3
    assert flashed == []


# --- check ---


def _checked(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    code = main(["board", "check", "--json", *words])
    return code, json.loads(capsys.readouterr().out)


def test_open_leads_show_converter_and_input(capsys: pytest.CaptureFixture[str]) -> None:
    code, facts = _checked(["--port", "virtual:?part=moss-choke&state=open&hurry=1", "--save"], capsys)
    rows = {row["name"]: row for row in facts["rows"]}
    assert code == 0
    assert facts["passed"]
    assert rows["noise"]["value"] == pytest.approx(1.04, abs=0.1)
    assert rows["offset"]["value"] == pytest.approx(2048, abs=1)
    # The simulated converter's codes 2560 and 3584 are 8.9 counts too wide.
    steps = rows["converter steps"]
    assert steps["value"] == pytest.approx(8.9, abs=3 * steps["standard_uncertainty"])
    places = sorted(int(word.split()[0]) for word in steps["note"].split(";")[0][6:].split(", ")[:2])
    assert places == [pytest.approx(2560, abs=5), pytest.approx(3584, abs=5)]
    # The input has a megohm.
    ohms = rows["input resistance"]
    assert ohms["value"] == pytest.approx(1e6, abs=2 * ohms["standard_uncertainty"])
    assert ohms["standard_uncertainty"] < 0.1e6
    assert rows["interlock refuses at"]["value"] == pytest.approx(0.75, abs=0.02)
    assert (rows["reference coil"]["passed"], rows["reference coil"]["low"]) == (None, None)
    assert {"step1_code", "step2_mcode", "input_psi", "input_uncertainty_psi"} <= set(facts["saved"])
    # No ring without a coil: the stray capacitance is neither shown nor kept.
    assert rows["stray capacitance"]["value"] is None
    assert "--coil 1m" in rows["stray capacitance"]["note"]
    assert "stray_ff" not in facts["saved"]


def test_mains_too_near_is_named_and_nothing_is_measured_in_it(capsys: pytest.CaptureFixture[str]) -> None:
    """53 codes of hum."""
    code, facts = _checked(
        ["--port", "virtual:?part=moss-choke&state=open&hurry=1&hum=0.06&seed=9", "--save"], capsys
    )
    wrong = [row for row in facts["rows"] if row["passed"] is False]
    assert code == 1
    assert [row["name"] for row in wrong] == ["hum"]
    assert "twist them" in wrong[0]["note"]
    assert not {"step1_code", "input_psi"} & set(facts["saved"])


@pytest.mark.parametrize("hum", [0.004, 0.02, 0.028])
def test_mains_near_by_are_told_and_no_fault(hum: float, capsys: pytest.CaptureFixture[str]) -> None:
    """0.1 pF from a mains lead make 4 to 25 codes on open leads; this is up to 25."""
    port = f"virtual:?part=moss-choke&state=open&hurry=1&hum={hum}&seed=9"
    code, facts = _checked(["--port", port], capsys)
    rows = {row["name"]: row for row in facts["rows"]}
    assert code == 0, [row for row in facts["rows"] if row["passed"] is False]
    assert rows["noise"]["value"] == pytest.approx(1.04, abs=0.1)
    assert rows["hum"]["value"] == pytest.approx(hum / 2**0.5 / (3.3 / 4096), rel=0.15)
    assert "mains of 50 Hz" in rows["hum"]["note"]
    assert rows["offset"]["value"] == pytest.approx(2048, abs=1)


def test_a_coil_shows_the_stray_capacitance_that_was_set(capsys: pytest.CaptureFixture[str]) -> None:
    """220 uH with 3 % leakage and 10 pF of its own; 1.3 nF of stray, as in the circuit."""
    port = "virtual:?part=moss-choke&hurry=1&stray=1.3e-9"
    for known in (["--coil", "226.6u", "--tolerance", "0.003"], []):
        code, facts = _checked(["--port", port, "--save", *known], capsys)
        rows = {row["name"]: row for row in facts["rows"]}
        assert code == 0
        stray = rows["stray capacitance"]
        assert stray["value"] == pytest.approx(1.31e-9, abs=2 * stray["standard_uncertainty"])
        assert stray["standard_uncertainty"] < 60e-12
        bare = rows["stray, all open"]
        assert bare["value"] == pytest.approx(1.31e-9, abs=2 * bare["standard_uncertainty"])
        coil = rows["reference coil" if known else "coil"]
        assert coil["value"] == pytest.approx(226.6e-6, abs=2 * coil["standard_uncertainty"])
        assert ({"stray_ff", "stray_uncertainty_ff"} <= set(facts["saved"])) is bool(known)


@pytest.mark.parametrize("coil", ["100x50", "100xax60", "0x50x60", "100x50x0.1"])
def test_a_coil_that_is_none_is_refused(coil: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["board", "check", "--coil", coil, "--port", "virtual:?hurry=1"]) == 2
    assert "--coil" in capsys.readouterr().err


def test_a_coil_by_its_turns(capsys: pytest.CaptureFixture[str]) -> None:
    """100 turns, 1 inch across, 2 inches long are 102.6 uH (Lorenz), not the 227 uH on the leads."""
    _, facts = _checked(["--port", "virtual:?part=moss-choke&hurry=1", "--coil", "100x25.4x50.8"], capsys)
    row = next(row for row in facts["rows"] if row["name"] == "reference coil")
    assert (row["low"] + row["high"]) / 2 == pytest.approx(102.55e-6, rel=1e-3)
    assert row["passed"] is False


def test_a_known_capacitor_beside_the_coil(capsys: pytest.CaptureFixture[str]) -> None:
    """The state has 4.7 nF left across the winding."""
    port = "virtual:?part=moss-choke&state=capacitance-added&hurry=1"
    _, facts = _checked(
        ["--port", port, "--coil", "226.6u", "--added", "4.7n", "--tolerance", "0.002"], capsys
    )
    stray = next(row for row in facts["rows"] if row["name"] == "stray capacitance")
    assert stray["value"] == pytest.approx(35e-12, abs=2 * stray["standard_uncertainty"])
    assert stray["standard_uncertainty"] < 50e-12


class Steep(ScriptedBoard):
    """Without a test capacitor its shortest pulse strikes to 2 V."""

    def answer(self, line: bytes) -> bytes:
        word, number, keys = frame.decode_request(line)
        if word == "aim" and keys["capacitor"] == "-":
            told = {
                "outcome": "steep",
                "capacitor": "-",
                "width_ticks": 0,
                "peak_uv": 0,
                "largest_uv": 2_000_000,
            }
            told |= {"shots": 1, "lead_mv": 0}
            return self._closed(number, [(frame.AIM, frame.encode_fields(frame.AIM, told))])
        return super().answer(line)


def test_a_coil_alone_that_is_struck_too_hard_is_said(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    board = Steep()
    _opens(monkeypatch, board)
    _, facts = _checked(["--port", "/dev/scripted"], capsys)
    row = next(row for row in facts["rows"] if row["name"] == "stray, all open")
    assert row["value"] is None
    assert row["note"] == "even the shortest pulse strikes a coil alone to 2 V"
    assert not any("capture" in line and "capacitor=-" in line for line in board.requests)


def test_a_reference_coil_is_found_right_or_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    port = "virtual:?part=moss-choke&hurry=1"
    code, facts = _checked(["--port", port, "--coil", "227u"], capsys)
    (row,) = (row for row in facts["rows"] if row["name"] == "reference coil")
    assert code == 0
    assert row["value"] == pytest.approx(227e-6, rel=0.01)
    assert {r["name"] for r in facts["rows"] if r["passed"] is None} == {"input resistance"}
    code, facts = _checked(["--port", port, "--coil", "300u"], capsys)
    assert (code, facts["passed"]) == (1, False)


def test_the_table_says_what_failed_within_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["board", "check", "--port", "virtual:?part=moss-choke&noise=9&hurry=1"]) == 1
    said = capsys.readouterr().out
    assert "FAIL  noise" in said
    assert "failed: noise" in said
    assert max(map(len, said.splitlines())) <= 80


def test_live_leads_end_a_check_with_the_boards_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["board", "check", "--port", "virtual:?state=live-leads&hurry=1"]) == 1
    assert "the leads carry" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("option", "value"),
    [("--coil", v) for v in ("0", "1G", "big", "-1m")]
    + [("--added", v) for v in ("0", "1", "some")]
    + [("--tolerance", v) for v in ("0", "1", "-0.01", "nan", "inf")],
)
def test_a_coil_or_capacitor_that_cannot_be(
    option: str, value: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["board", "check", "--port", "virtual:", f"{option}={value}"]) == 2
    assert option in capsys.readouterr().err


def test_an_older_firmware_keeps_what_it_knows_and_says_what_not(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    older = ScriptedBoard()
    _opens(monkeypatch, older)
    found = {"latency_ps": 137_000, "latency_uncertainty_ps": 6_500, "step1_code": 1542}
    monkeypatch.setattr("coilbell.board.selftest", lambda *_: Outcome(constants=found))
    assert main(["board", "check", "--port", "/dev/scripted", "--save"]) == 0
    said = capsys.readouterr().out
    assert "saved on the board: latency_ps\n" in said
    assert "this firmware keeps no latency_uncertainty_ps, step1_code; put the present one" in said
    assert older.constants == CONSTANTS | {"latency_ps": 137_000}
    assert max(map(len, said.splitlines())) <= 80


def test_saving_to_a_board_that_lost_its_constants_brings_the_copy_back(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    known = ScriptedBoard(constants=CONSTANTS | {"A_ff": 21_500_000, "stray_ff": 33_000})
    Tester(known).hello()
    lost = ScriptedBoard(hello=HELLO | {"constants_from": "defaults"})
    _opens(monkeypatch, lost)
    _, facts = _checked(["--port", "/dev/scripted", "--save"], capsys)
    assert lost.constants["A_ff"] == 21_500_000
    assert lost.constants["stray_ff"] == 33_000
    assert {"A_ff", "stray_ff"} <= set(facts["saved"])
    assert any(line.startswith("save ") for line in lost.requests)


@pytest.mark.parametrize("save", [[], ["--save"]])
def test_a_check_of_a_board_that_lost_its_constants_says_how_to_get_them_back(
    save: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    Tester(ScriptedBoard()).hello()
    lost = ScriptedBoard(hello=HELLO | {"constants_from": "defaults"})
    _opens(monkeypatch, lost)
    monkeypatch.setattr("coilbell.board.selftest", lambda *_: Outcome(constants={"stray_ff": 1}))
    monkeypatch.setattr(lost, "answer", _that_saves(lost))
    assert main(["board", "check", "--port", "/dev/scripted", *save]) == 0
    assert ("lost its constants" in capsys.readouterr().err) is not bool(save)


def _that_saves(board: ScriptedBoard) -> Callable[[bytes], bytes]:
    answer = board.answer

    def answered(line: bytes) -> bytes:
        if line.startswith(b"save "):
            board.hello["constants_from"] = "file"
        return answer(line)

    return answered


def test_nothing_is_kept_of_a_line_that_failed() -> None:
    from coilbell.board.selftest import _at_rest, _clocks

    class Askew(ScriptedBoard):
        def codes(self, samples: int, delay: int) -> Any:
            return super().codes(samples, delay) // 3

    outcome = Outcome()
    _at_rest(Tester(Askew()), outcome)
    assert {row.name: row.passed for row in outcome.rows}["offset"] is False
    assert outcome.constants == {}
    _at_rest(Tester(ScriptedBoard()), outcome)
    _clocks(Tester(ScriptedBoard()), outcome)
    assert set(outcome.constants) == {"offset_code_16", "lead_offset_code_16"}


def test_a_board_without_a_common_clock_says_what_that_leaves_open() -> None:
    from coilbell.board.selftest import _clocks

    rows: dict[int, list[str]] = {}
    for uncertain in (0, 20_834):
        outcome = Outcome()
        _clocks(Tester(ScriptedBoard(hello=HELLO | {"start_uncertainty_ps": uncertain})), outcome)
        rows[uncertain] = [row.name for row in outcome.rows if row.value == pytest.approx(20.834e-9)]
    assert rows == {0: [], 20_834: ["start of a shot"]}


def test_the_interlock_test_always_puts_the_constant_back() -> None:
    from coilbell.board.selftest import Outcome, _interlock

    board = ScriptedBoard()
    outcome = Outcome()
    _interlock(Tester(board), outcome)
    assert board.constants["lead_offset_code_16"] == CONSTANTS["lead_offset_code_16"]
    # This scripted board does not look at its leads: that is a failure, and told as one.
    assert outcome.rows[0].passed is False
