"""Requests and answers: each word, each refusal, and what is left behind when something breaks."""

import math

import console
import frame
from benchtop import (
    MAX_WIDTH,
    Benchtop,
    Host,
    Tester,
    codes_of,
    decode_shot,
    error_of,
    fields,
    frames,
    peak_bytes,
    raises,
    request,
)

import board


def types(answer):
    return [one.type for one in answer]


def test_hello():
    answer = Tester().ask(b"hello id=5")
    assert types(answer) == [frame.HELLO, frame.CONSTANTS, frame.END]
    assert [one.id for one in answer] == [5, 5, 5]
    values = fields(answer[0])
    assert values["protocol"] == frame.VERSION and values["firmware"] == board.FIRMWARE
    assert values["unique_id"] == "00c0ffee" and values["board"] == "benchtop"
    assert values["capacitors"] == "A,B,C"
    assert (values["tick_hz"], values["ticks_per_sample"]) == (144_000_000, 288)
    assert values["rate_numerator"] / values["rate_denominator"] == 500_000
    assert (values["max_samples"], values["max_pretrigger"]) == (16384, 227)
    assert values["max_width_ticks"] == MAX_WIDTH and values["lead_limit_mv"] == 500
    constants = fields(answer[1])
    assert constants["constants_from"] == "defaults"
    assert sorted(constants) == sorted(["constants_from"] + [row[0] for row in board.CONSTANTS])
    assert (constants["A_ff"], constants["B_ff"]) == (22_000_000, 2_200_000)
    assert fields(answer[2]) == {"frames": 2, "shots": 0, "sum": 0}


def test_the_other_clock():
    values = fields(Tester(Benchtop(300)).ask(b"hello id=5")[0])
    assert (values["tick_hz"], values["ticks_per_sample"]) == (150_000_000, 300)
    assert values["start_uncertainty_ps"] == 20834
    assert values["max_pretrigger"] == 218  # the delay has 65537 ticks


def test_a_capture():
    tester = Tester()
    answer = tester.capture(shots=3, samples=64, pretrigger=8, width_ticks=720, capacitor="B")
    assert types(answer) == [frame.BEGIN, frame.DATA, frame.DATA, frame.DATA, frame.END]
    begin = fields(answer[0])
    assert (begin["samples"], begin["pretrigger"], begin["width_ticks"]) == (64, 8, 720)
    assert (begin["shots"], begin["interleave"], begin["capacitor"]) == (3, 1, "B")
    assert begin["temperature_mc"] == 24_500 and begin["tick_hz"] == 144_000_000
    for number, one in enumerate(answer[1:4]):
        shot = decode_shot(one.payload)
        assert (shot.shot, shot.phase, shot.flags, shot.errors) == (number, 0, 0, 0)
        assert shot.delay_ticks == 8 * 288
        assert codes_of(shot) == [tester.hardware.ring(k - 8, 720) for k in range(64)]
    end = fields(answer[4])
    assert (end["frames"], end["shots"]) == (4, 3)
    assert end["sum"] == frame.crc32(b"".join([one.payload for one in answer[1:4]]))
    assert ("select", 1, board.RING_CHANNEL) in tester.hardware.done


def test_the_longest_record_is_sent_whole():
    tester = Tester()
    tester.hardware.ring = lambda k, width: (k * 7) & 4095
    shot = decode_shot(tester.capture(samples=16384, pretrigger=227)[1].payload)
    assert codes_of(shot) == [((k - 227) * 7) & 4095 for k in range(16384)]


def test_interleave_steps_the_delay():
    tester = Tester()
    answer = tester.capture(interleave=4, shots=2)
    shots = [decode_shot(one.payload) for one in answer[1:-1]]
    assert [shot.phase for shot in shots] == [0, 1, 2, 3, 0, 1, 2, 3]
    assert [shot.shot for shot in shots] == list(range(8))
    assert [shot.delay_ticks for shot in shots] == [2304, 2232, 2160, 2088] * 2
    assert [entry[2] for entry in tester.hardware.captures()] == [shot.delay_ticks for shot in shots]


def test_every_divisor_gives_even_steps():
    for ticks in (288, 250, 300):
        for interleave in range(1, ticks + 1):
            tester = Tester(Benchtop(ticks))
            answer = tester.capture(samples=16, pretrigger=3, interleave=interleave)
            if ticks % interleave:
                error_of(answer, frame.BAD_VALUE)
                continue
            delays = [decode_shot(one.payload).delay_ticks for one in answer[1:-1]]
            assert delays == [3 * ticks - m * (ticks // interleave) for m in range(interleave)]


def test_delays_and_widths_stay_within_the_pulse_program():
    tester = Tester()
    assert types(tester.capture(samples=16384, pretrigger=227, width_ticks=2))[-1] == frame.END
    error_of(tester.capture(samples=16384, pretrigger=228), frame.BAD_VALUE)
    error_of(tester.capture(pretrigger=0), frame.BAD_VALUE)
    assert types(tester.capture(pretrigger=1, interleave=144))[-1] == frame.END
    error_of(tester.capture(pretrigger=1, interleave=288), frame.BAD_VALUE)
    assert types(tester.capture(pretrigger=2, interleave=288))[-1] == frame.END
    for entry in tester.hardware.captures():
        assert 2 <= entry[2] <= 65537


def test_a_pulse_ends_within_its_record():
    tester = Tester()
    assert types(tester.capture(samples=20, pretrigger=15, width_ticks=1440))[-1] == frame.END
    error_of(tester.capture(samples=20, pretrigger=15, width_ticks=1441), frame.BAD_VALUE)


def test_values_that_are_refused_fire_nothing():
    tester = Tester()
    for changes in (
        {"samples": 15},
        {"samples": 16385},
        {"samples": "many"},
        {"pretrigger": 64},
        {"width_ticks": 1},
        {"width_ticks": MAX_WIDTH + 1},
        {"width_ticks": -5},
        {"width_ticks": "9999999999"},
        {"capacitor": "D"},
        {"capacitor": "a"},
        {"shots": 0},
        {"shots": 1000},
        {"interleave": 0},
        {"interleave": 5},
        {"interleave": 289},
    ):
        answer = tester.capture(**changes)
        error_of(answer, frame.BAD_VALUE)
        assert (
            list(changes.values())[0] == 5 or str(list(changes.values())[0])[:9] in fields(answer[0])["words"]
        )
    assert tester.hardware.captures() == []


def test_a_capture_without_a_pulse():
    tester = Tester()
    assert types(tester.capture(width_ticks=0))[-1] == frame.END
    assert tester.hardware.captures()[0][3] == 0


def test_capacitors_are_switched_when_they_change_and_settle():
    tester = Tester()
    for letter in ("A", "A", "-", "C"):
        tester.capture(capacitor=letter)
    assert [entry for entry in tester.hardware.done if entry[0] == "select"] == [
        ("select", 0, board.RING_CHANNEL),
        ("select", -1, board.RING_CHANNEL),
        ("select", 2, board.RING_CHANNEL),
    ]
    quiet = Tester()
    quiet.capture()
    first = quiet.hardware.captures()[0][4]
    assert first == board.SETTLE_MS + board.LEAD_READINGS - 1


def test_the_loop_back_is_sampled_instead_of_the_winding():
    tester = Tester()
    for letter in ("loop", "loop", "A"):
        begin = fields(tester.capture(capacitor=letter, width_ticks=576)[0])
        assert begin["capacitor"] == letter
    assert [entry for entry in tester.hardware.done if entry[0] == "select"] == [
        ("select", -1, board.LOOP_CHANNEL),
        ("select", 0, board.RING_CHANNEL),
    ]
    tester.hardware.lead_mv = lambda ms: 3000  # the pulse goes to the leads as well
    error_of(tester.capture(capacitor="loop"), frame.LEADS_LIVE)


def test_flags_and_failed_conversions_are_told():
    tester = Tester()
    tester.hardware.flags = frame.OVER | frame.UNDER
    tester.hardware.ring = lambda k, width: 2048 | (frame.CONVERSION_FAILED if k in (-3, 0, 50) else 0)
    shot = decode_shot(tester.capture()[1].payload)
    assert (shot.flags, shot.errors) == (3, 3)
    assert sum([1 for code in codes_of(shot) if code & frame.CONVERSION_FAILED]) == 3


def test_a_long_record_with_a_failed_conversion_takes_no_memory_but_its_buffer():
    tester = Tester()
    tester.hardware.ring = lambda k, width: frame.CONVERSION_FAILED if k == 9 else 2048
    tester.host.write = lambda data: None
    taken = peak_bytes(lambda: tester.capture(samples=16384, pretrigger=227))
    assert len(tester.hardware.captures()) == 1 and taken < 32768, taken


def test_samples_that_do_not_come():
    tester = Tester()
    tester.hardware.flags = frame.UNFINISHED
    assert error_of(tester.capture(), frame.CAPTURE_FAILED)["value"] == 64


def test_live_leads_are_told_with_their_voltage():
    tester = Tester()
    tester.hardware.lead_mv = lambda ms: -3000
    values = error_of(tester.capture(), frame.LEADS_LIVE)
    assert abs(values["value"] + 3000) < 9
    assert tester.hardware.captures() == []


def test_leads_that_become_live_between_shots():
    tester = Tester()
    tester.hardware.lead_mv = lambda ms: 3000 if len(tester.hardware.captures()) >= 2 else 0
    answer = tester.capture(shots=5)
    assert types(answer) == [frame.BEGIN, frame.DATA, frame.DATA, frame.ERROR]
    assert fields(answer[-1])["code"] == frame.LEADS_LIVE
    tester.hardware.lead_mv = lambda ms: 0
    assert types(tester.capture())[-1] == frame.END


def test_lead_voltage_is_told_with_each_shot():
    tester = Tester()
    tester.hardware.lead_mv = lambda ms: 300 if tester.hardware.captures() else -300
    answer = tester.capture(shots=2)
    assert abs(fields(answer[0])["lead_mv"] + 300) < 9
    assert abs(decode_shot(answer[1].payload).lead_mv + 300) < 9
    assert abs(decode_shot(answer[2].payload).lead_mv - 300) < 9


def test_shots_are_spaced():
    tester = Tester()
    tester.capture(shots=20, samples=16, pretrigger=2)
    starts = [entry[4] for entry in tester.hardware.captures()]
    for early, late in zip(starts, starts[1:]):
        assert late - early >= max(board.REST_MS, 1000 // board.MAX_SHOTS_PER_S)


def test_a_word_from_the_host_ends_a_capture():
    tester = Tester()
    tester.host.waits = lambda host: len(tester.hardware.captures()) == 3
    answer = tester.capture(shots=9)
    assert types(answer) == [frame.BEGIN, frame.DATA, frame.DATA, frame.DATA, frame.ERROR]
    values = fields(answer[-1])
    assert (values["code"], values["value"]) == (frame.CANCELLED, 3)


def test_lines_that_are_no_request():
    tester = Tester()
    for line, number in (
        (b"hullo id=3", 3),
        (b"hello", frame.NO_ID),
        (b"\xff\xfe", frame.NO_ID),
        (b"capture id=4 samples=64", 4),
        (b"hello id=5 " + b"x" * 200, 5),
    ):
        answer = tester.ask(line)
        error_of(answer, frame.BAD_REQUEST)
        assert answer[0].id == number


def test_serving_a_stream():
    tester = Tester()
    tester.host.sent = (
        b"\n\r\n" + b"hello id=1\r\n" + b"x" * 5000 + b"\n" + b"\x00\x01\n" + b"check id=2\n" + b"hello id=3"
    )
    tester.service.serve()
    found = frames(tester.host.got)
    closing = [(one.id, one.type) for one in found if one.type in (frame.END, frame.ERROR)]
    assert closing == [
        (1, frame.END),
        (frame.NO_ID, frame.ERROR),
        (frame.NO_ID, frame.ERROR),
        (2, frame.END),
    ]  # the last line never ended


def test_check():
    tester = Tester()
    tester.hardware.lead_mv = lambda ms: 2000  # told, not refused
    answer = tester.ask(b"check id=1")
    values = fields(answer[0])
    assert types(answer) == [frame.CHECK, frame.END]
    assert (values["tick_hz"], values["rate_hz"], values["heap_free"]) == (144_000_000, 500_000, 123_456)
    assert abs(values["lead_mv"] - 2000) < 9 and values["temperature_mc"] == 24_500


def test_constants_are_changed_used_and_saved():
    tester = Tester()
    values = fields(tester.ask(b"constant id=1 name=lead_uv value=50000")[0])
    assert (values["lead_uv"], values["constants_from"]) == (50_000, "changed")
    tester.hardware.lead_code = lambda: values["lead_offset_code_16"] // 16 + 20
    error_of(tester.capture(), frame.LEADS_LIVE)
    assert "constants.txt" not in tester.shelf.files
    assert fields(tester.ask(b"save id=2")[0])["constants_from"] == "file"
    assert b"lead_uv=50000\n" in tester.shelf.files["constants.txt"]
    assert fields(tester.ask(b"constants id=3")[0])["constants_from"] == "file"


def test_constants_that_are_refused():
    tester = Tester()
    before = dict(tester.store.values)
    for line in (
        b"constant id=1 name=lead_uv value=0",
        b"constant id=1 name=lead_uv value=1000001",
        b"constant id=1 name=lead_uv value=1.5",
        b"constant id=1 name=nothing value=1",
    ):
        error_of(tester.ask(line), frame.BAD_VALUE)
    assert tester.store.values == before and tester.store.source == "defaults"


def test_a_file_system_that_refuses():
    tester = Tester()

    def full(path, mode):
        raise OSError(28)

    tester.store._open = full
    assert error_of(tester.ask(b"save id=2"), frame.STORE_FAILED)["value"] == 28


def test_saving_never_happens_in_a_capture():
    tester = Tester()
    tester.capture(shots=3)
    tester.ask(b"aim id=1 capacitor=A samples=64 pretrigger=8")
    assert tester.shelf.step == 0


def test_aim():
    tester = Tester()
    # 2 codes a tick: 1611 uV a tick.
    tester.hardware.ring = lambda k, width: 2048 + (2 * width if k == 3 else 0)
    answer = tester.ask(b"aim id=6 capacitor=A samples=64 pretrigger=8")
    assert types(answer) == [frame.AIM, frame.END]
    values = fields(answer[0])
    assert values["outcome"] == "found" and values["capacitor"] == "A"
    assert abs(values["peak_uv"] - 2 * values["width_ticks"] * 3.3e6 / 4096) < 60
    assert 250_000 <= values["peak_uv"] <= 400_000
    assert values["shots"] == len(tester.hardware.captures()) == fields(answer[1])["shots"]
    # It remembers nothing: the next aim begins at the smallest width again.
    before = len(tester.hardware.captures())
    tester.ask(b"aim id=7 capacitor=A samples=64 pretrigger=8")
    assert tester.hardware.captures()[before][3] == 2


def test_aim_sees_either_polarity_and_the_gain():
    tester = Tester()
    tester.hardware.ring = lambda k, width: 2048 - (2 * width if k == 3 else 0)
    tester.store.values["gain_ppm"] = 2_000_000
    values = fields(tester.ask(b"aim id=6 capacitor=A samples=64 pretrigger=8")[0])
    assert values["outcome"] == "found"
    assert abs(values["peak_uv"] - 2 * values["width_ticks"] * 3.3e6 / 4096 / 2) < 60


def test_aim_measures_from_the_resting_level():
    tester = Tester()
    tester.hardware.ring = lambda k, width: 1750 + (2 * width if k == 3 else 0)
    values = fields(tester.ask(b"aim id=6 capacitor=A samples=64 pretrigger=8")[0])
    assert values["outcome"] == "found"
    assert abs(values["peak_uv"] - 2 * values["width_ticks"] * 3.3e6 / 4096) < 60


def test_aim_leaves_failed_conversions_out():
    tester = Tester()
    tester.hardware.ring = lambda k, width: (
        frame.CONVERSION_FAILED | 4095 if k in (-2, 5) else 2048 + (2 * width if k == 3 else 0)
    )
    values = fields(tester.ask(b"aim id=6 capacitor=A samples=64 pretrigger=8")[0])
    assert values["outcome"] == "found"
    assert abs(values["peak_uv"] - 2 * values["width_ticks"] * 3.3e6 / 4096) < 60
    tester.hardware.ring = lambda k, width: 0xFFFF
    error_of(tester.ask(b"aim id=6 capacitor=A samples=64 pretrigger=8"), frame.CAPTURE_FAILED)


def test_aim_at_an_amplitude():
    tester = Tester()
    tester.hardware.ring = lambda k, width: 2048 + (2 * width if k == 3 else 0)
    for target in (60, 130, 270, 500):
        answer = tester.ask(b"aim id=6 capacitor=A samples=64 pretrigger=8 target_mv=%d" % target)
        values = fields(answer[0])
        assert values["outcome"] == "found"
        assert abs(values["peak_uv"] - target * 1000) <= target * 50
    for target in (b"19", b"521", b"-60", b"x"):
        asked = b"aim id=6 capacitor=A samples=64 pretrigger=8 target_mv=" + target
        error_of(tester.ask(asked), frame.BAD_VALUE)


def test_aim_sees_the_crest_between_the_samples_of_a_fast_ring():
    # 0.5 V at 125 kHz, four samples to a period, that fall an eighth of a period beside the crests.
    codes = 0.5 * 4096 / 3.3
    for hz, at in ((125e3, 0.25), (125e3, 0.1), (180e3, 0.3), (210e3, 0.3), (90e3, 0.7), (40e3, 0.5)):
        tester = Tester()
        tester.hardware.ring = lambda k, width: (
            2048 + round(codes * math.cos(2 * math.pi * (hz * k / 500e3 + at / 2))) if k > 0 else 2048
        )
        asked = b"aim id=6 capacitor=A samples=17 pretrigger=8 target_mv=500"
        values = fields(tester.ask(asked)[0])
        assert abs(values["largest_uv"] - 500_000) < 12_000, (hz, at, values)


def test_aim_is_held_to_the_interlock():
    tester = Tester()
    tester.hardware.lead_mv = lambda ms: 3000 if len(tester.hardware.captures()) > 4 else 0
    error_of(tester.ask(b"aim id=6 capacitor=A samples=64 pretrigger=8"), frame.LEADS_LIVE)
    assert len(tester.hardware.captures()) == 5


def test_aim_never_asks_for_more_than_the_board_or_the_record_allows():
    tester = Tester()
    tester.hardware.ring = lambda k, width: 2048
    values = fields(tester.ask(b"aim id=6 capacitor=A samples=1024 pretrigger=8")[0])
    assert values["outcome"] == "weak"
    assert max([entry[3] for entry in tester.hardware.captures()]) == MAX_WIDTH
    small = Tester()
    small.hardware.ring = lambda k, width: 2048
    small.ask(b"aim id=6 capacitor=A samples=16 pretrigger=12")
    assert max([entry[3] for entry in small.hardware.captures()]) == 4 * 288


def test_a_fault_of_the_firmware_is_told_and_the_pin_is_low():
    for fault in (ValueError("odd"), MemoryError(), OSError(5), ZeroDivisionError("x")):
        tester = Tester()
        tester.hardware.fault = fault
        values = error_of(tester.capture(), frame.BOARD_FAILED)
        assert repr(fault)[:5] in values["words"]
        assert not tester.hardware.high
        tester.hardware.fault = None
        assert types(tester.capture())[-1] == frame.END


def test_ctrl_c_in_a_shot_goes_up_with_the_pin_low():
    tester = Tester()
    tester.hardware.fault = KeyboardInterrupt()
    raises(KeyboardInterrupt, tester.capture)
    assert not tester.hardware.high
    assert frames(tester.host.got) == []


def silences(tester, *lines):
    """The longest silence within the answers [ms], and how often the board said that it is at work."""
    said = [tester.hardware.now_ms]
    longest = alive = 0
    write = tester.host.write

    def noted(data):
        said.append(tester.hardware.now_ms)
        write(data)

    tester.host.write = noted
    for line in lines:
        said[:] = [tester.hardware.now_ms]
        tester.host.got = b""
        tester.service.answer(line)
        longest = max([longest] + [late - early for early, late in zip(said, said[1:])])
        data = tester.host.got
        alive += data.count(b"shots=") - len([one for one in frames(data) if b"shots=" in one.payload])
    return longest, alive


def test_a_board_at_work_says_so():
    tester = Tester()
    tester.hardware.ring = lambda k, width: 2048  # open leads: aim goes through all widths
    longest, alive = silences(tester, b"aim id=6 capacitor=A samples=2048 pretrigger=64")
    assert alive > 3, alive
    assert longest <= frame.ALIVE_MS
    longest, _ = silences(
        tester,
        request(
            "capture", 1, samples=16384, pretrigger=9, width_ticks=0, capacitor="B", shots=4, interleave=1
        ),
        request("capture", 2, samples=16, pretrigger=9, width_ticks=0, capacitor="-", shots=9, interleave=1),
        b"check id=3",
        b"hello id=4",
    )
    assert longest <= frame.ALIVE_MS


def test_saving_on_a_slow_file_system_says_so():
    tester = Tester()
    step = tester.shelf._step

    def slow():
        tester.hardware.now_ms += 120
        step()

    tester.shelf._step = slow
    longest, alive = silences(tester, b"save id=2", b"save id=3")
    assert alive > 1 and longest < frame.SLOWEST_MS["save"][0], (alive, longest)


def test_every_answer_is_as_short_as_the_table_says():
    tester = Tester()
    tester.hardware.ring = lambda k, width: 2048
    for word, line in (
        ("hello", b"hello id=1"),
        ("check", b"check id=1"),
        ("constants", b"constants id=1"),
        ("constant", b"constant id=1 name=lead_uv value=9000"),
        ("save", b"save id=1"),
        ("aim", b"aim id=6 capacitor=A samples=2048 pretrigger=64"),
    ):
        began = tester.hardware.now_ms
        assert types(tester.ask(line))[-1] == frame.END
        assert tester.hardware.now_ms - began <= max(frame.ALIVE_MS, frame.SLOWEST_MS[word][1]), word
        assert max([len(one.payload) for one in frames(tester.host.got)]) <= frame.MAX_TEXT
    assert sorted(frame.SLOWEST_MS) == sorted(frame.REQUESTS)


def test_leads_beyond_the_scale_are_told_by_check():
    tester = Tester()
    for volts, beyond in ((400, 1), (-400, -1), (20, 0), (-5, 0)):
        tester.hardware.lead_code = lambda v=volts: max(0, min(4095, 745 + round(v / 0.008861)))
        assert fields(tester.ask(b"check id=1")[0])["lead_beyond"] == beyond


def test_a_failed_shot_is_rested_after_as_well():
    tester = Tester()
    for fault in (ValueError("odd"), None):
        tester.hardware.fault = fault
        tester.capture(samples=16384)
        tester.hardware.fault = None
        tester.capture(samples=16384)
        starts = [entry[4] for entry in tester.hardware.captures()[-2:]]
        assert starts[1] - starts[0] == 32 + board.REST_MS + board.LEAD_READINGS - 1


def test_a_host_that_does_not_read():
    for deaf_after in range(0, 12):
        tester = Tester()
        tester.host.deaf_after = deaf_after
        line = request(
            "capture", 7, samples=64, pretrigger=8, width_ticks=9, capacitor="A", shots=3, interleave=1
        )
        tester.host.got = b""
        tester.service.answer(line)
        tester.host.deaf_after = None
        assert types(tester.ask(b"constants id=8")) == [frame.CONSTANTS, frame.END]


def test_garbage_is_collected_after_each_shot_not_within():
    tester = Tester()
    tester.capture(shots=3)
    names = [entry[0] for entry in tester.hardware.done if entry[0] != "select"]
    assert names[:6] == ["capture", "tidy", "capture", "tidy", "capture", "tidy"]


class Sink:
    """Takes a few bytes at a time, or none."""

    def __init__(self, takes):
        self.takes = takes
        self.got = b""

    def write(self, data):
        count = min(self.takes, len(data)) if isinstance(self.takes, int) else self.takes.pop(0)
        self.got += bytes(data[: count or 0])
        return count


def test_short_counts_are_written_on():
    for takes in (1, 3, 64):
        sink = Sink(takes)
        console.Console(None, sink).write(b"abcdefghij" * 9)
        assert sink.got == b"abcdefghij" * 9
    sink = Sink([0, None, 0, 2, 0, 0, 0, 3])
    console.Console(None, sink).write(b"12345")
    assert sink.got == b"12345"


def test_a_dead_link_is_given_up():
    raises(console.Unheard, console.Console(None, Sink(0)).write, b"abc")
    raises(console.Unheard, console.Console(None, Sink([2, 0, 0, 0, 0])).write, b"abc")
    console.Console(None, Sink(0)).write(b"")


class Source:
    def __init__(self, data):
        self.data = data

    def readinto(self, buffer):
        if not self.data:
            return 0
        buffer[0] = self.data[0]
        self.data = self.data[1:]
        return 1


def test_bytes_are_read_one_by_one():
    one = console.Console(Source(b"\x00a"), None)
    assert (one.read(), one.read(), one.read(), one.waiting()) == (0, 97, -1, False)


def test_the_whole_board_over_a_console():
    sink = Sink(7)
    tester = Tester()
    tester.service._console = console.Console(Source(b"hello id=1\ncheck id=2\n"), sink)
    tester.service.serve()
    assert types(frames(sink.got)) == [frame.HELLO, frame.CONSTANTS, frame.END, frame.CHECK, frame.END]


def test_the_fake_host_ends_its_stream():
    assert Host(b"a").read() == 97 and Host().read() == -1
