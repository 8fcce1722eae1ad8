# Pulse widths: the one that brings a winding's first peak into the board's band, or nearest to an amplitude.
#
# Widths go up from the smallest. A peak grows no faster than the time by which its pulse is longer than the
# driver takes to open. While no peak is seen that time may lie anywhere ahead, so steps are small; once one
# is seen, each step is a quarter of what lies behind the last width without: it reaches about 1.25 times as
# high. Nothing is remembered from one search to the next.

import board

_SEEN_UV = 10_000  # twice the peaks of the converter's noise
_TICK_BY_TICK = 16
# An amplitude is reached within 1 part in 32, so that with what noise does to a peak, 1 mV, 5 % are kept at
# 60 mV (simulated: tests/board/cases_aim.py).
_NEAR = 32


# fire(width_ticks) gives the first peak [uV]. Returns (outcome, width_ticks, peak_uv, largest_uv, shots),
# outcome being "found", "weak" or "steep", see frame.py. The band is 1.6 times as wide as it is high, so that
# no step goes from below over it; none is taken from within it or above.
def find_width(fire, lowest, highest):
    best_width = best_uv = unseen = shots = 0
    width = lowest
    while True:
        peak_uv = fire(width)
        shots += 1
        if peak_uv > board.AIM_HIGH_UV:
            return "steep", best_width, best_uv, peak_uv, shots
        if peak_uv >= board.AIM_LOW_UV:
            return "found", width, peak_uv, peak_uv, shots
        if peak_uv > best_uv or not best_width:
            best_width, best_uv = width, peak_uv
        if width >= highest:
            return "weak", best_width, best_uv, best_uv, shots
        if peak_uv < _SEEN_UV:
            unseen = width
        width = min(highest, width + _step(width, unseen))


# The same for the amplitude target_uv: "found" within 1 part in _NEAR, or where the widths one tick below and
# above lie on both sides of it, the nearer one; "weak": no width reaches it, this is the strongest; "strong":
# the smallest width gives more, this is it. Steps end where the last two peaks say that the target is, so
# that a peak above it is met one or a few ticks beyond, if at all.
def find_amplitude(fire, lowest, highest, target_uv):
    before = below = (0, 0)  # the last two widths whose peaks were under the target, with their peaks
    above = None
    best_width = best_uv = largest_uv = unseen = shots = 0
    width = lowest
    while True:
        peak_uv = fire(width)
        shots += 1
        largest_uv = max(largest_uv, peak_uv)
        if not best_width or abs(peak_uv - target_uv) < abs(best_uv - target_uv):
            best_width, best_uv = width, peak_uv
        outcome = ""
        if abs(peak_uv - target_uv) * _NEAR <= target_uv:
            outcome = "found"
        elif peak_uv < target_uv:
            before, below = below, (width, peak_uv)
            outcome = "weak" if width >= highest else ""
        elif width == lowest:
            outcome = "strong"
        else:
            above = (width, peak_uv)
        if above is not None and above[0] - below[0] <= 1:
            outcome = "found"
        if outcome:
            return outcome, best_width, best_uv, largest_uv, shots
        if peak_uv < _SEEN_UV:
            unseen = width
        if above is None:
            width = min(highest, below[0] + _reach(before, below, unseen, target_uv))
        else:
            width = _between(below, above, target_uv)


def _step(width, unseen):
    if width < _TICK_BY_TICK:
        return 1
    return max(4, width // 8) if width == unseen else max(1, (width - unseen) // 4)


# A step that ends, by the slope of the last one, at the target at the most.
def _reach(before, below, unseen, target_uv):
    step = _step(below[0], unseen)
    rise_uv = below[1] - before[1]
    if rise_uv <= 0 or below[0] == unseen:
        return step
    return max(1, min(step, (target_uv - below[1]) * (below[0] - before[0]) // rise_uv))


def _between(below, above, target_uv):
    width = below[0] + (above[0] - below[0]) * (target_uv - below[1]) // (above[1] - below[1])
    return min(max(width, below[0] + 1), above[0] - 1)
