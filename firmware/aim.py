# The pulse width that brings the first peak of a winding into the board's band.
#
# Widths go up from the smallest. A peak grows no faster than the time by which its pulse is longer than the
# driver takes to open. While no peak is seen that time may lie anywhere ahead, so steps are small; once one
# is seen, each step is a quarter of what lies behind the last width without: from below the band it reaches
# about 1.25 times as high, and the band is 1.6 times as wide. No step is taken from within the band or above
# it, and nothing is remembered.

import board

_SEEN_UV = 10_000  # twice the peaks of the converter's noise
_TICK_BY_TICK = 16


# fire(width_ticks) gives the first peak [uV]. Returns (outcome, width_ticks, peak_uv, largest_uv, shots),
# outcome being "found", "weak" or "steep", see frame.py.
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


def _step(width, unseen):
    if width < _TICK_BY_TICK:
        return 1
    return max(4, width // 8) if width == unseen else max(1, (width - unseen) // 4)
