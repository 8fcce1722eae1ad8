"""aim: the width found, and that no pulse goes where it must not."""

import math

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


def aimed(law, target, lowest=2, highest=1728):
    """(result, [(width, peak), ...]) of the search for an amplitude [uV]."""
    fired = []

    def fire(width):
        peak = int(law(width))
        fired.append((width, peak))
        return peak

    return aim.find_amplitude(fire, lowest, highest, target), fired


RUNGS = (60_000, 130_000, 270_000, 500_000)


def near(peak, target, per_tick):
    return abs(peak - target) <= max(target // 20, per_tick)


def test_an_amplitude_is_reached_for_any_slope_and_opening_time():
    for target in RUNGS:
        for slope in (350, 1600, 5000, 16_000, 34_000):
            for opening in (0, 1, 5, 13, 20, 40):
                if slope * max(0, 2 - opening) > target:
                    continue  # the shortest pulse gives more
                found, fired = aimed(lambda w: slope * max(0, w - opening), target)
                outcome, width, peak, largest, shots = found
                assert outcome == "found", (target, slope, opening, found)
                assert near(peak, target, slope), (target, slope, opening, found)
                assert (width, peak) in fired and len(fired) == shots < 70
                assert largest == max([p for _, p in fired])


def test_an_amplitude_is_hardly_passed_on_the_way():
    # A junction that conducts above it may charge what it feeds: a fifth, or a tick, and not more.
    for target in RUNGS:
        for slope in (350, 1600, 16_000):
            for opening in (0, 5, 20):
                _, fired = aimed(lambda w: slope * max(0, w - opening), target)
                assert max([p for _, p in fired]) <= target + max(target // 5, slope)


def test_an_amplitude_is_reached_where_a_peak_bends_with_its_width():
    # Half a period of 1000 ticks: A sin(pi w / 1000), and a driver that opens softly.
    for target in RUNGS:
        for top in (520_000, 700_000, 3_000_000):
            for soft in (0, 400):
                law = lambda w: top * math.sin(math.pi * min(w, 1000) / 1000) * w / (w + soft)  # noqa: E731
                if law(500 if not soft else 600) < target:
                    continue
                (outcome, width, peak, _, _), _ = aimed(law, target)
                per_tick = max([abs(law(width + k) - law(width)) for k in (-1, 1)])
                assert outcome == "found" and near(peak, target, per_tick), (target, top, soft, width, peak)


def test_of_two_ticks_about_an_amplitude_the_nearer_is_taken():
    for slope in (20_000, 27_000, 33_000, 45_000):
        (outcome, width, peak, _, _), fired = aimed(lambda w: slope * w, 130_000)
        nearest = min([(abs(slope * w - 130_000), w) for w in range(2, 20)])[1]
        assert (outcome, width, peak) == ("found", nearest, slope * nearest)


def test_an_amplitude_that_no_width_reaches():
    (outcome, width, peak, largest, _), fired = aimed(
        lambda w: 350_000 * abs(math.sin(math.pi * w / 380)), 500_000
    )
    assert outcome == "weak"
    assert 340_000 < peak == largest <= 350_000
    assert (width, peak) in fired and fired[-1][0] == 1728
    assert aimed(lambda w: 0, 60_000)[0][:3] == ("weak", 2, 0)


def test_an_amplitude_that_the_shortest_pulse_passes():
    found, fired = aimed(lambda w: 45_000 * w, 60_000)
    assert found == ("strong", 2, 90_000, 90_000, 1)
    assert aimed(lambda w: 30_500 * w, 60_000)[0][:3] == ("found", 2, 61_000)


def test_noise_does_not_lead_an_aim_astray():
    # Peaks of noise beside the ring's: some 1 mV, another at each shot.
    chance = [(k * 7919) % 2000 - 1000 for k in range(200)]
    for target in RUNGS:
        for slope in (300, 1600, 5000):
            turns = iter(chance)
            (outcome, width, peak, _, _), _ = aimed(lambda w: slope * w + next(turns), target)
            assert outcome == "found"
            assert abs(slope * width - target) <= max(target // 20, slope) + 1000
