"""A tester over a wire that is whole, lossy, or not a tester's at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from coilbell.board import Refusal, Settings, Tester, constants, frame, reader
from coilbell.board.transport import PortLost
from coilbell.decay import fit
from coilbell.errors import BoardError, BoardTimeout, InputError, MissingError, WireError
from scripted import CONSTANTS, HELLO, ScriptedBoard, frames_of

SMALL = Settings(shots=3, samples=256, pretrigger=16, pulse_s=2e-6)


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Copies of constants go nowhere else."""
    monkeypatch.setattr(constants, "folder", lambda: tmp_path / "boards")
    return tmp_path / "boards"


def _once(change: Callable[[bytes], bytes], word_frames: int = 3) -> Callable[[bytes], bytes]:
    """Mangle only the next answer with at least that many frames."""
    left = [1]

    def mangle(answer: bytes) -> bytes:
        if left[0] and len(frames_of(answer)) > word_frames:
            left[0] -= 1
            return change(answer)
        return answer

    return mangle


def _without(place: int) -> Callable[[bytes], bytes]:
    def change(answer: bytes) -> bytes:
        frames = frames_of(answer)
        del frames[place]
        return b"".join(frames)

    return change


def _flipped(place: int) -> Callable[[bytes], bytes]:
    def change(answer: bytes) -> bytes:
        frames = frames_of(answer)
        frames[place] = frames[place][:-1] + bytes([frames[place][-1] ^ 4])
        return b"".join(frames)

    return change


def _sent(board: ScriptedBoard, samples: np.ndarray) -> bool:
    return any(np.array_equal(samples, codes) for codes in board.shots)


# --- whole ---


def test_who_the_board_is() -> None:
    tester = Tester(ScriptedBoard())
    told = tester.hello()
    assert (told.firmware, told.unique_id, told.capacitors) == ("1.2.3", "e66138935f2b4a2c", ("A", "B"))
    assert told.rate_hz == 500_000
    assert told.gain == 0.5
    part = told.capacitor("B")
    assert part is not None
    assert (part.farads, part.tolerance, part.name) == (pytest.approx(2.2e-9), 0.02, "B")
    assert told.capacitor("-") is None


@pytest.mark.parametrize("chunk", [1 << 20, 64, 1])
def test_records_hold_what_was_sent(chunk: int) -> None:
    board = ScriptedBoard(chunk=chunk)
    records = Tester(board).capture(SMALL)
    assert [record.shot for record in records] == [0, 1, 2]
    for record, codes in zip(records, board.shots, strict=True):
        assert np.array_equal(record.samples, codes)
        assert (record.rate_hz, record.pretrigger, record.pulse_s) == (500e3, 16, 2e-6)
        assert record.volts_per_unit == pytest.approx(805_664e-9 / 0.5)
        assert record.full_scale == (0, 4095)
        assert record.test_capacitor is not None
        assert record.test_capacitor.name == "A"
        assert record.utc is not None
        assert "temperature" in record.extra
    assert "width_ticks=288" in board.requests[-1]


def test_the_loop_back_is_asked_for_and_is_no_winding() -> None:
    board = ScriptedBoard()
    (record,) = Tester(board).capture(
        Settings(shots=1, samples=64, pretrigger=16, pulse_s=2e-6, capacitor="-", loop_back=True)
    )
    assert "capacitor=loop" in board.requests[-1]
    assert (record.gain, record.test_capacitor) == (1.0, None)


def test_without_a_width_the_board_aims() -> None:
    board = ScriptedBoard()
    (record,) = Tester(board).capture(Settings(shots=1, samples=256, pretrigger=16))
    assert [line.split()[0] for line in board.requests] == ["hello", "aim", "capture"]
    assert record.pulse_s == pytest.approx(180 / 144e6)


def test_interleaved_shots_become_one_record_of_higher_rate() -> None:
    board = ScriptedBoard()
    (record,) = Tester(board).capture(
        Settings(shots=1, interleave=4, samples=2048, pretrigger=16, pulse_s=2e-6)
    )
    assert (record.rate_hz, len(record), record.pretrigger) == (2e6, 8192, 64)
    # The delay falls from phase to phase, so each lies a quarter of a sample later after the pulse.
    for phase in range(4):
        assert np.array_equal(record.samples[phase::4], board.shots[phase])


def test_a_ring_of_400_khz_is_right_interleaved_and_folds_plain() -> None:
    board = ScriptedBoard()
    tester = Tester(board)
    plain = fit(tester.capture(Settings(shots=4, samples=2048, pulse_s=2e-6)))
    assert plain.main.frequency_hz.value == pytest.approx(100e3, abs=50)
    quick = fit(tester.capture(Settings(shots=4, interleave=4, samples=2048, pulse_s=2e-6)))
    truth = quick.main.frequency_hz
    assert truth.value == pytest.approx(400e3, abs=5)
    assert abs(truth.value - 400e3) < 4 * truth.standard_uncertainty


def test_the_pulse_of_a_late_first_sample_is_never_placed_before_its_rise() -> None:
    board = ScriptedBoard(constants=CONSTANTS | {"latency_ps": 300_000})
    (record,) = Tester(board).capture(Settings(shots=1, samples=256, pretrigger=16, pulse_s=2e-6))
    assert record.pretrigger == 16
    early = ScriptedBoard(constants=CONSTANTS | {"latency_ps": 300_000})
    (record,) = Tester(early).capture(
        Settings(shots=1, interleave=4, samples=256, pretrigger=16, pulse_s=2e-6)
    )
    # 64 quarter samples less 0.3 us of 0.5 us each.
    assert record.pretrigger == 64


def test_failed_conversions_are_left_out_and_told() -> None:
    board = ScriptedBoard(errors=3)
    (record,) = Tester(board).capture(Settings(shots=1, samples=256, pretrigger=16, pulse_s=2e-6))
    assert len(record) == 253
    assert record.times_s is not None
    assert record.pretrigger == 13
    assert np.array_equal(record.samples, np.delete(board.shots[0], [7, 8, 9]))
    assert record.times_s[7] - record.times_s[6] == pytest.approx(4 * 2e-6)
    assert record.extra["failed conversions"] == "3 samples left out"


def test_a_capture_longer_than_the_board_takes_at_once_is_asked_for_in_parts() -> None:
    board = ScriptedBoard(hello=HELLO | {"max_shots": 8})
    records = Tester(board).capture(Settings(shots=5, interleave=4, samples=64, pretrigger=16, pulse_s=2e-6))
    assert len(records) == 5
    assert [line.split()[0] for line in board.requests].count("capture") == 3


def test_progress_is_told() -> None:
    seen: list[tuple[int, int]] = []
    Tester(ScriptedBoard()).capture(SMALL, lambda done, total: seen.append((done, total)))
    assert seen == [(1, 3), (2, 3), (3, 3)]


# --- lossy ---


@pytest.mark.parametrize("place", range(5), ids=["begin", "first", "second", "third", "end"])
@pytest.mark.parametrize("damage", [_without, _flipped], ids=["lost", "damaged"])
def test_one_frame_lost_or_damaged_costs_one_more_request(
    place: int, damage: Callable[[int], Callable[[bytes], bytes]]
) -> None:
    board = ScriptedBoard()
    tester = Tester(board)
    tester.hello()
    board.mangle = _once(damage(place))
    records = tester.capture(SMALL)
    assert len(records) == 3
    assert all(_sent(board, record.samples) for record in records)
    assert tester.tally.retried == (1 if place != 4 or len(board.requests) > 2 else 0)
    assert tester.tally.damaged == (damage is _flipped)


def test_what_arrived_whole_is_not_asked_for_again() -> None:
    board = ScriptedBoard()
    tester = Tester(board)
    board.mangle = _once(_without(2))
    tester.capture(SMALL)
    assert [line.split("shots=")[1].split()[0] for line in board.requests if "shots=" in line] == ["3", "1"]


def test_a_sweep_that_lacks_a_shot_is_never_completed_from_another() -> None:
    board = ScriptedBoard()
    tester = Tester(board)

    def change(answer: bytes) -> bytes:
        frames = frames_of(answer)
        # BEGIN, then sweeps of four: the first loses its end, the second its beginning.
        return b"".join(frames[:3] + frames[7:])

    board.mangle = _once(change)
    records = tester.capture(Settings(shots=2, interleave=4, samples=64, pretrigger=16, pulse_s=2e-6))
    for record in records:
        parts = [record.samples[phase::4] for phase in range(4)]
        first = next(i for i, codes in enumerate(board.shots) if np.array_equal(codes, parts[0]))
        assert all(np.array_equal(board.shots[first + i], part) for i, part in enumerate(parts))


def test_losses_without_end_raise_and_give_no_record() -> None:
    board = ScriptedBoard()
    tester = Tester(board, retries=2)
    tester.hello()
    board.mangle = _without(1)
    with pytest.raises(WireError, match="1 of 2 frames from /dev/scripted were lost"):
        tester.capture(Settings(shots=3, samples=256, pretrigger=16, pulse_s=2e-6))
    assert tester.tally.retried == 2


def test_a_later_capture_is_not_harmed_by_an_earlier_loss() -> None:
    board = ScriptedBoard()
    tester = Tester(board, retries=0)
    tester.hello()
    board.mangle = _once(_without(3))
    with pytest.raises(WireError):
        tester.capture(SMALL)
    assert len(tester.capture(SMALL)) == 3


def test_a_late_answer_is_not_taken_for_a_new_one() -> None:
    board = ScriptedBoard()
    tester = Tester(board)
    tester.hello()
    board.pending = board.answer(
        b"capture id=77 samples=256 pretrigger=16 width_ticks=288 capacitor=A shots=3 interleave=1"
    )
    stale = len(board.shots)
    records = tester.capture(SMALL)
    assert [np.array_equal(r.samples, c) for r, c in zip(records, board.shots[stale:], strict=True)] == [
        True
    ] * 3
    assert tester.tally.late == 5


def test_noise_before_and_between_frames_is_passed_over() -> None:
    board = ScriptedBoard()
    tester = Tester(board)
    tester.hello()
    board.mangle = lambda answer: b"\xff\x00\xf5C" + b"\x80noise\xfe".join(frames_of(answer)) + b"\xf5"
    assert len(tester.capture(SMALL)) == 3
    assert tester.tally.lost_bytes > 0


def test_an_interrupted_capture_leaves_the_tester_usable() -> None:
    board = ScriptedBoard()
    tester = Tester(board)
    tester.hello()

    def interrupt(done: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        tester.capture(SMALL, interrupt)
    assert len(tester.capture(SMALL)) == 3


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"samples": 255}, "samples 255"),
        ({"width_ticks": 999}, "width_ticks 999"),
        ({"tick_hz": 125_000_000}, "tick_hz 125000000"),
        ({"capacitor": "B"}, "capacitor B"),
        ({"rate_denominator": 97}, "rate 48000000/97"),
    ],
)
def test_a_begin_that_is_not_what_was_asked_makes_no_record(change: dict[str, int | str], words: str) -> None:
    board = ScriptedBoard()
    tester = Tester(board, retries=0)
    tester.hello()

    def mangle(answer: bytes) -> bytes:
        first, *others = frames_of(answer)
        (begin,) = reader.Reader().feed(first)
        told = reader.decode_fields(frame.BEGIN, begin.payload) | change
        return frame.encode(frame.BEGIN, begin.id, frame.encode_fields(frame.BEGIN, told)) + b"".join(others)

    board.mangle = mangle
    with pytest.raises(WireError, match=words):
        tester.capture(SMALL)


def test_a_converter_that_lost_samples_makes_no_record() -> None:
    board = ScriptedBoard(flags=frame.OVER)
    with pytest.raises(WireError, match="lost or repeated samples"):
        Tester(board, retries=1).capture(SMALL)
    assert sum("capture" in line for line in board.requests) == 2


# --- silent, gone, or something else ---


def test_no_data_and_stopped_midway_are_different_messages() -> None:
    board = ScriptedBoard(mute=True)
    with pytest.raises(BoardTimeout, match="no data from /dev/scripted"):
        Tester(board, retries=0).hello()
    board = ScriptedBoard()
    tester = Tester(board, retries=0)
    tester.hello()
    board.mangle = lambda answer: frames_of(answer)[0]
    with pytest.raises(BoardTimeout, match="stopped midway"):
        tester.capture(SMALL)


def test_a_board_that_falls_silent_is_not_waited_for_again_and_again() -> None:
    board = ScriptedBoard()
    tester = Tester(board)
    tester.hello()

    def stall(answer: bytes) -> bytes:
        board.mute = True
        return frames_of(answer)[0]

    board.mangle = stall
    with pytest.raises(BoardTimeout, match="stopped midway"):
        tester.capture(SMALL)
    assert tester.tally.retried == 1


def test_unplugged_in_mid_capture_is_told_at_once() -> None:
    board = ScriptedBoard(chunk=300)
    tester = Tester(board)
    tester.hello()

    def vanish(done: int, total: int) -> None:
        board.lost = True

    with pytest.raises(PortLost, match="vanished"):
        tester.capture(SMALL, vanish)
    assert tester.tally.retried == 0


def test_live_leads_are_refused_in_the_boards_words_and_not_tried_again() -> None:
    board = ScriptedBoard(live_mv=8900)
    with pytest.raises(Refusal, match="leads carry 8900 mV") as caught:
        Tester(board).capture(SMALL)
    assert (caught.value.code, caught.value.value) == (frame.LEADS_LIVE, 8900)
    assert sum("capture" in line for line in board.requests) == 1


TRACEBACK = (
    b"Traceback (most recent call last):\r\n"
    b'  File "main.py", line 33, in main\r\n'
    b'  File "service.py", line 89, in answer\r\n'
    b"MemoryError: memory allocation failed, allocating 32768 bytes\r\n"
    b"MicroPython v1.28.0 on 2026-01-01; Raspberry Pi Pico with RP2040\r\n>>> "
)


@pytest.mark.parametrize("chunk", [1 << 20, 7])
def test_a_traceback_in_the_stream_is_shown_as_the_boards_words(chunk: int) -> None:
    board = ScriptedBoard(chunk=chunk)
    tester = Tester(board)
    tester.hello()
    board.mangle = lambda answer: frames_of(answer)[0] + TRACEBACK
    with pytest.raises(BoardError, match='in its words: "MemoryError: memory allocation failed') as caught:
        tester.capture(SMALL)
    assert 'File "service.py", line 89' in str(caught.value)
    assert "main.py" in caught.value.__notes__[0]


@pytest.mark.parametrize(
    ("version", "remedy"), [(2, "pip install --upgrade coilbell"), (0, "coilbell board flash")]
)
def test_another_protocol_gives_both_numbers_and_the_command(version: int, remedy: str) -> None:
    board = ScriptedBoard()

    def mangle(answer: bytes) -> bytes:
        payload = f"protocol={version}\nfirmware=9.8\nunheard_of=1\n".encode()
        length = len(payload).to_bytes(4, "little")
        head = frame.MAGIC + bytes([version, frame.HELLO]) + answer[6:8] + length
        whole = head + crc(head) + payload
        return whole + crc(whole)

    board.mangle = mangle
    with pytest.raises(
        MissingError, match=rf"protocol {version} \(firmware 9.8\), this program speaks 1; .*{remedy}"
    ):
        Tester(board).hello()


def crc(data: bytes) -> bytes:
    """CRC-32 as the wire has it."""
    from zlib import crc32

    return crc32(data).to_bytes(4, "little")


def test_another_program_on_the_port_is_told_from_a_tester() -> None:
    board = ScriptedBoard(mangle=lambda _: b"OK unknown command\r\n")
    with pytest.raises(
        MissingError, match=r"not as a tester does .*OK unknown command.*coilbell board flash"
    ):
        Tester(board, retries=0).hello()


def test_a_board_at_its_prompt_is_started() -> None:
    class Stopped(ScriptedBoard):
        running = False

        def write(self, data: bytes) -> None:
            if self.running:
                super().write(data)
            elif b"\x04" in data:
                self.running = True
                self.pending += b"\r\nMPY: soft reboot\r\n"
            else:
                self.pending += (
                    b">>> " + data + b'Traceback (most recent call last):\r\n  File "<stdin>", line 1\r\n'
                )
                self.pending += b"SyntaxError: invalid syntax\r\n>>> "

    board = Stopped()
    assert Tester(board).hello().firmware == "1.2.3"


def test_only_garbage_ends_in_an_error() -> None:
    lines: list[bytes] = []

    class Babbling(ScriptedBoard):
        def write(self, data: bytes) -> None:
            lines.append(data)

        def read(self, timeout_s: float) -> bytes:
            return bytes(range(128, 256)) * 50

    with pytest.raises(MissingError, match="bytes without end, none of them readable"):
        Tester(Babbling(), patience_s=0.02, retries=1).hello()
    assert [line[:5] for line in lines] == [b"\n", b"hello"], "asking again does not end it"


def test_a_tester_that_turns_to_garbage_is_an_error_of_the_wire() -> None:
    board = ScriptedBoard()
    tester = Tester(board, patience_s=0.02, retries=1)
    tester.hello()
    board.read = lambda timeout_s: bytes(range(128, 256)) * 50  # type: ignore[method-assign]
    with pytest.raises(WireError, match=r"only unreadable bytes|does not stop sending"):
        tester.capture(SMALL)
    assert tester.arrived == ()


@pytest.mark.parametrize(
    "change",
    [
        {"ticks_per_sample": 0},
        {"rate_denominator": 0},
        {"tick_hz": -5},
        {"capacitors": "A,Z"},
        {"max_samples": 0},
    ],
)
def test_a_hello_that_cannot_be_is_an_error_of_the_wire(change: dict[str, int | str]) -> None:
    with pytest.raises(WireError, match="cannot be"):
        Tester(ScriptedBoard(hello=HELLO | change), retries=0).hello()


@pytest.mark.parametrize("name", ["converter_nv", "gain_ppm", "A_ff"])
def test_constants_that_cannot_be_are_an_error_of_the_wire(name: str) -> None:
    with pytest.raises(WireError, match="cannot be"):
        Tester(ScriptedBoard(constants=CONSTANTS | {name: 0}), retries=0).hello()
    lacking = {key: value for key, value in CONSTANTS.items() if key != name}
    with pytest.raises(WireError, match="cannot be"):
        Tester(ScriptedBoard(constants=lacking), retries=0).hello()


# --- what cannot be asked ---


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (Settings(capacitor="Q"), "no test capacitor 'Q'; choose one of: A, B"),
        (Settings(samples=20000), "at most 16384"),
        (Settings(pretrigger=228), "takes 1 to 227"),
        (Settings(interleave=5), "does not divide a sample; choose one of: 2, 3, 4, 6, 8"),
        (Settings(pulse_s=1e-3), "pulse of 1000 us; this board fires 0.0139 to 100 us"),
        (Settings(samples=130, pulse_s=12e-6), "130 samples, 128 of them before the pulse, end before"),
        (Settings(samples=177), "end before a pulse of up to 100 us does; take 178 or more"),
        (Settings(pretrigger=1, interleave=288), "interleave 288 needs 2 samples before the pulse, not 1"),
    ],
)
def test_settings_beyond_the_board_are_refused_before_it_is_troubled(settings: Settings, words: str) -> None:
    board = ScriptedBoard()
    with pytest.raises(InputError, match=words):
        Tester(board).capture(settings)
    assert [line.split()[0] for line in board.requests] == ["hello"]


@pytest.mark.parametrize(
    "wrong",
    [
        {"shots": 0},
        {"interleave": 0},
        {"samples": 4},
        {"pretrigger": 5000},
        {"pulse_s": float("nan")},
        {"pulse_s": -1.0},
    ],
)
def test_settings_that_make_no_sense(wrong: dict[str, float]) -> None:
    with pytest.raises(InputError):
        Settings(**wrong)  # type: ignore[arg-type]


# --- constants ---


def test_a_copy_of_the_constants_is_kept_by_unique_id(place: Path) -> None:
    Tester(ScriptedBoard()).hello()
    assert constants.kept("e66138935f2b4a2c") == CONSTANTS
    tester = Tester(ScriptedBoard())
    tester.change("stray_ff", 31_000)
    tester.save()
    copy = constants.kept("e66138935f2b4a2c")
    assert copy is not None
    assert copy["stray_ff"] == 31_000
    assert [path.name for path in place.iterdir()] == ["e66138935f2b4a2c.json"]


@pytest.mark.parametrize(
    "change", [{"constants_from": "defaults"}, {"board": "virtual board"}], ids=["defaults", "virtual"]
)
def test_defaults_and_virtual_boards_leave_no_copy(place: Path, change: dict[str, int | str]) -> None:
    Tester(ScriptedBoard(hello=HELLO | change)).hello()
    assert not place.exists()


def test_a_board_that_lost_its_constants_is_told_of_its_copy(place: Path) -> None:
    lost = HELLO | {"constants_from": "defaults"}
    fresh = Tester(ScriptedBoard(hello=lost))
    fresh.hello()
    assert fresh.warnings == []
    Tester(ScriptedBoard()).hello()
    tester = Tester(ScriptedBoard(hello=lost))
    tester.hello()
    tester.hello()
    (warning,) = tester.warnings
    assert "coilbell board check --save" in warning


def test_a_changed_constant_counts_in_the_records_that_follow() -> None:
    tester = Tester(ScriptedBoard())
    before = tester.capture(SMALL)[0].test_capacitor
    tester.change("A_ff", 21_000_000)
    after = tester.capture(SMALL)[0].test_capacitor
    assert before is not None
    assert after is not None
    assert (before.farads, after.farads) == (pytest.approx(22e-9), pytest.approx(21e-9))


@pytest.mark.parametrize("word", ["constant", "save"])
def test_a_constant_and_its_saving_are_asked_for_again_after_a_loss(word: str) -> None:
    tester = Tester(board := ScriptedBoard())
    tester.hello()
    lost: list[bytes] = []

    def mangle(answer: bytes) -> bytes:
        if lost or not board.requests[-1].startswith(word + " "):
            return answer
        lost.append(answer)
        return b""

    board.mangle = mangle
    tester.change("A_ff", 21_000_000)
    assert tester.save().constants["A_ff"] == 21_000_000
    assert sum(line.startswith(word + " ") for line in board.requests) == 2


def test_a_copy_that_cannot_be_kept_is_a_warning_not_the_end(tmp_path: Path, place: Path) -> None:
    place.write_text("a file where the folder should be")
    tester = Tester(ScriptedBoard())
    assert len(tester.capture(SMALL)) == 3
    assert "cannot be written" in tester.warnings[0]


def test_an_odd_id_stays_within_the_folder(place: Path) -> None:
    Tester(ScriptedBoard(hello=HELLO | {"unique_id": "../../etc/passwd"})).hello()
    assert [path.name for path in place.iterdir()] == ["etcpasswd.json"]


@pytest.mark.parametrize("content", ["", "[]", '{"format": "coilbell board constants", "schema": 9}', "{"])
def test_a_spoilt_copy_is_no_copy(place: Path, content: str) -> None:
    place.mkdir()
    (place / "e6.json").write_text(content)
    assert constants.kept("e6") is None


def test_close_gives_the_port_back() -> None:
    board = ScriptedBoard()
    with Tester(board) as tester:
        tester.hello()
    assert board.closed == 1
