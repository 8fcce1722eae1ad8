"""aim: the width found, and that no pulse goes where it must not."""

import aim

import board


def recorded(law):
    """(result, [(width, peak), ...]) for peaks [uV] that follow `law`."""
    fired = []

    def fire(width):
        peak = int(law(width))
        fired.append((width, peak))
        return peak

    return aim.find_width(fire, 2, 14400), fired


def test_found_for_any_slope_and_any_opening_time():
    # uV a tick: 5 mA into 22 nF give 1600, 1 mA into 100 nF give 70, 5 mA into 2.2 nF give 16000.
    for slope in (25, 70, 350, 1600, 5000, 16_000, 34_000):
        for opening in (0, 1, 5, 13, 20, 40):
            (outcome, width, peak, largest, shots), fired = recorded(lambda w: slope * max(0, w - opening))
            assert outcome == "found", (slope, opening, outcome, fired)
            assert board.AIM_LOW_UV <= peak <= board.AIM_HIGH_UV
            assert fired[-1] == (width, peak) and len(fired) == shots
            assert largest == peak == max([p for _, p in fired])
            assert shots < 70, (slope, opening, shots)


def test_found_where_single_ticks_count():
    for slope, opening in ((140_000, 2), (140_000, 9), (130_000, 14)):
        assert recorded(lambda w: slope * max(0, w - opening))[0][0] == "found", (slope, opening)


def test_widths_only_go_up_from_the_smallest():
    fired = recorded(lambda w: 1600 * w)[1]
    widths = [width for width, _ in fired]
    assert widths[0] == 2
    assert all([early < late for early, late in zip(widths, widths[1:])])


def test_no_pulse_after_the_band_is_reached():
    for slope in (100, 1600, 30_000):
        fired = recorded(lambda w: slope * w)[1]
        assert all([peak < board.AIM_LOW_UV for _, peak in fired[:-1]])


def test_noise_seen_as_a_peak():
    (outcome, width, peak, _, _), _ = recorded(lambda w: 12_000 + 1600 * w)
    assert outcome == "found" and peak <= board.AIM_HIGH_UV


def test_a_winding_that_no_width_brings_into_the_band():
    # It rings with a half period of 2000 ticks: wider pulses give less again.
    (outcome, width, peak, largest, shots), fired = recorded(
        lambda w: 75 * (w if w < 2000 else 16_000 // w * 250)
    )
    assert outcome == "weak"
    assert peak == largest == max([p for _, p in fired])
    assert (width, peak) in fired and 1500 < width < 2500
    assert fired[-1][0] == 14400


def test_nothing_at_all():
    (outcome, width, peak, largest, _), _ = recorded(lambda w: 0)
    assert (outcome, width, peak, largest) == ("weak", 2, 0, 0)


def test_a_step_over_the_band_stops_at_once():
    (outcome, width, peak, largest, shots), fired = recorded(lambda w: 900_000 if w > 50 else 1000 * w)
    assert outcome == "steep"
    assert fired[-1][1] == largest == 900_000
    assert (width, peak) == fired[-2] and width <= 50
    assert shots == len(fired)


def test_the_very_first_pulse_too_strong():
    (outcome, width, peak, largest, shots), fired = recorded(lambda w: 500_000)
    assert (outcome, width, peak, largest, shots) == ("steep", 0, 0, 500_000, 1)


def test_the_edges_of_the_band():
    assert recorded(lambda w: board.AIM_HIGH_UV)[0][0] == "found"
    assert recorded(lambda w: board.AIM_LOW_UV)[0][0] == "found"
    assert recorded(lambda w: board.AIM_HIGH_UV + 1)[0][0] == "steep"
