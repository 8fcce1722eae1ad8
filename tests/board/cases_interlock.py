"""The interlock: every way a shot is held back."""

import frame
from benchtop import Benchtop, Shelf, raises
from interlock import Interlock, Refused
from store import Store

import board


def locked(hardware=None, **constants):
    hardware = hardware or Benchtop()
    shelf = Shelf()
    store = Store("c", board.CONSTANTS, shelf, shelf.open)
    store.values.update(constants)
    return hardware, Interlock(hardware, store)


def refused(lead_mv, start_ms=0):
    """The refusal at that lead voltage [mV], a function of time [ms]."""
    hardware, lock = locked()
    hardware.now_ms = start_ms
    hardware.lead_mv = lead_mv
    refusal = raises(Refused, lock.admit, 100)
    assert refusal.code == frame.LEADS_LIVE
    return refusal


def admitted(lead_mv, start_ms=0):
    hardware, lock = locked()
    hardware.now_ms = start_ms
    hardware.lead_mv = lead_mv
    return lock.admit(100)


def near(value, expected, by):
    assert abs(value - expected) <= by, (value, expected)


def test_widths():
    hardware, lock = locked()
    assert lock.max_width_ticks == board.MAX_WIDTH_NS * 144 // 1000
    for width in (0, frame.MIN_TICKS, lock.max_width_ticks):
        lock.admit(width)
    for width in (1, lock.max_width_ticks + 1, -1, 65537):
        refusal = raises(Refused, lock.admit, width)
        assert (refusal.code, refusal.value) == (frame.BAD_VALUE, width)
        assert str(lock.max_width_ticks) in refusal.words


def test_the_widest_pulse_lasts_as_long_at_any_clock():
    assert locked(Benchtop(250))[1].max_width_ticks == board.MAX_WIDTH_NS * 125 // 1000


def test_the_first_shot_does_not_wait():
    hardware, lock = locked()
    lock.admit(100)
    assert hardware.now_ms == board.LEAD_READINGS - 1


def test_rest_after_a_long_shot():
    hardware, lock = locked()
    lock.admit(100)
    hardware.now_ms += 1000
    lock.fired()
    ended = hardware.now_ms
    lock.admit(100)
    assert hardware.now_ms - ended == board.REST_MS + board.LEAD_READINGS - 1


def test_shots_per_second():
    hardware, lock = locked()
    starts = []
    for _ in range(101):
        lock.admit(100)
        starts.append(hardware.now_ms)
        hardware.now_ms += 1
        lock.fired()
    spans = [late - early for early, late in zip(starts, starts[board.MAX_SHOTS_PER_S :])]
    assert min(spans) >= 1000, min(spans)


def test_a_short_shot_is_held_to_the_rate():
    # Without readings and rest the rate alone must hold.
    hardware, lock = locked()
    lock.admit(100)
    began = hardware.now_ms
    lock.fired()
    lock._ended_ms = None
    lock._rest()
    assert hardware.now_ms - began == 1000 // board.MAX_SHOTS_PER_S


def test_a_refused_shot_needs_no_rest_but_a_failed_one_does():
    hardware, lock = locked()
    hardware.lead_mv = lambda ms: 2000
    raises(Refused, lock.admit, 100)
    assert lock._began_ms is None
    hardware.lead_mv = lambda ms: 0
    lock.admit(100)
    lock.fired()
    ended = hardware.now_ms
    lock.admit(0)
    assert hardware.now_ms - ended >= board.REST_MS


def test_a_counter_that_came_round_costs_one_rest_at_most():
    hardware, lock = locked()
    lock.admit(100)
    lock.fired()
    hardware.elapsed_ms = lambda since: -(1 << 28)
    before = hardware.now_ms
    lock.admit(100)
    most = board.REST_MS + 1000 // board.MAX_SHOTS_PER_S + board.LEAD_READINGS
    assert hardware.now_ms - before <= most


def test_quiet_leads():
    near(admitted(lambda ms: 0), 0, 5)
    near(admitted(lambda ms: 450), 450, 9)
    near(admitted(lambda ms: -450), -450, 9)


def test_either_polarity():
    near(refused(lambda ms: 12_000).value, 12_000, 9)
    near(refused(lambda ms: -12_000).value, -12_000, 9)
    near(refused(lambda ms: 520).value, 520, 9)
    near(refused(lambda ms: -520).value, -520, 9)
    assert "mV" in refused(lambda ms: 520).words and "500" in refused(lambda ms: 520).words


def test_a_voltage_beyond_the_scale_is_a_bound_with_a_caution():
    for volts, words in ((400, "at least 29 V,"), (31, "at least 29 V,"), (-400, "at least 6 V, negative,")):
        hardware, lock = locked()
        hardware.lead_code = lambda v=volts: max(0, min(4095, 745 + round(v * 1_000_000 / 8_861)))
        refusal = raises(Refused, lock.admit, 100)
        assert refusal.code == frame.LEADS_LIVE
        assert words in refusal.words and "beyond the tester's scale" in refusal.words, refusal.words
        assert "may kill" in refusal.words and "trained for it" in refusal.words
        assert "mV" not in refusal.words
        assert refusal.value * (1 if volts > 0 else -1) > 6000


def test_a_reading_at_the_converters_end_is_refused_whatever_the_constants_say():
    # 1 uV a code: by the constants 4095 would be 4 mV.
    for code in (0, 4095, 4095 - board.LEAD_END_CODES, board.LEAD_END_CODES):
        hardware, lock = locked(lead_uv=1, lead_offset_code_16=2048 * 16)
        hardware.lead_code = lambda c=code: c
        assert raises(Refused, lock.admit, 100).code == frame.LEADS_LIVE
    hardware.lead_code = lambda: 4095 - board.LEAD_END_CODES - 1
    lock.admit(100)


def test_one_reading_at_the_end_is_enough():
    hardware, lock = locked()
    hardware.lead_mv = lambda ms: 400_000 if ms == 4 else 0
    code = hardware.lead_code
    hardware.lead_code = lambda: min(4095, code())
    assert "beyond the tester's scale" in raises(Refused, lock.admit, 100).words
    # Nor is it remembered.
    hardware.lead_mv = lambda ms: 0
    lock.admit(100)


def test_a_width_beyond_the_pulse_program_is_no_board():
    kept = board.MAX_WIDTH_NS
    try:
        for wrong in (20_000, 0):
            board.MAX_WIDTH_NS = wrong
            assert "MAX_WIDTH_NS" in str(raises(ValueError, locked))
    finally:
        board.MAX_WIDTH_NS = kept


def test_the_limit_itself_is_allowed():
    # 8 codes of 62.5 mV are 500 mV exactly.
    hardware, lock = locked(lead_uv=62_500, lead_offset_code_16=2048 * 16)
    hardware.lead_code = lambda: 2056
    assert lock.admit(100) == 500
    hardware.lead_code = lambda: 2040
    assert lock.admit(100) == -500
    hardware.lead_code = lambda: 2057
    assert raises(Refused, lock.admit, 100).value == 563
    hardware.lead_code = lambda: 2039
    assert raises(Refused, lock.admit, 100).value == -562


def test_a_rising_voltage_is_refused_before_it_is_high():
    # 20 V/s: from 80 mV to 280 mV within the readings, 630 mV at the horizon.
    slope = lambda ms: 80 + 20 * ms  # noqa: E731
    refusal = refused(slope)
    near(refusal.value, 80 + 20 * 8 + 20 * board.LEAD_HORIZON_MS, 80)
    assert "changing" in refusal.words
    refusal = refused(lambda ms: -slope(ms))
    near(refusal.value, -(80 + 20 * 8 + 20 * board.LEAD_HORIZON_MS), 80)


def test_a_slow_drift_is_allowed():
    admitted(lambda ms: 100 + 2 * ms)
    admitted(lambda ms: -100 - 2 * ms)


def test_a_voltage_that_falls_from_above_is_refused():
    refused(lambda ms: 900 - 60 * ms)


def test_mains_at_any_phase():
    # Peaks of 600 mV; a single reading may well find it near zero. sin by its series would be a float
    # too many for the board, but this is only the mains.
    from math import pi, sin

    for hertz in (50, 60):
        for phase in range(0, 24):
            refused(lambda ms, p=phase, f=hertz: 600 * sin(2 * pi * f * ms / 1000 + p * pi / 12))


def test_a_short_spike_among_the_readings_is_seen():
    refused(lambda ms: 800 if ms == 4 else 0)


def test_the_constants_in_use_are_used():
    hardware, lock = locked(lead_offset_code_16=(2048 + 100) * 16, lead_uv=9_000)
    hardware.lead_code = lambda: 2148
    assert lock.admit(100) == 0
    hardware.lead_code = lambda: 2048
    assert raises(Refused, lock.admit, 100).value == -900


def test_reading_alone_refuses_nothing():
    hardware, lock = locked()
    hardware.lead_mv = lambda ms: 5000 + 100 * ms
    worst, now, slope, beyond = lock.read_leads()
    near(slope, 100_000, 2000)
    near(now, 5800, 30)
    assert worst > now and beyond == 0
