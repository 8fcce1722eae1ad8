# The clocks of a shot: how long a tick is, and how many make a sample.
#
# At 144 MHz with the converter fed from the same PLL through 3, a sample is 288 ticks exactly and the
# converter's edges always lie alike between the ticks. If that cannot be had, the shot runs at the
# clock the board came up with: the converter keeps its own PLL, a sample is still a whole number of
# ticks (both PLLs hang on one crystal), but the first sample may be late by one converter clock.

import machine
from machine import mem32
from registers import CLOCK_ENABLE, CLOCK_FROM_PLL_SYS, CLOCK_FROM_PLL_USB

FAST_HZ = 144_000_000
CONVERTER_HZ = 48_000_000
SAMPLE_HZ = 500_000


class Clock:
    def __init__(self, chip):
        self._chip = chip
        self._before_hz = machine.freq()
        if self._before_hz == FAST_HZ:  # left so by a program that was cut off before its close()
            self._before_hz = chip.default_hz
        self._set(self._before_hz)

    def _set(self, tick_hz):
        self.tick_hz = tick_hz
        self.sample_ticks = tick_hz // SAMPLE_HZ
        self.gate_hz = tick_hz
        self.start_uncertainty_ticks = -(-tick_hz // CONVERTER_HZ)  # rounded up

    # True when the 144 MHz scheme is set.
    def fast(self):
        try:
            machine.freq(FAST_HZ)
        except ValueError:
            return False
        self._feed_converter(CLOCK_FROM_PLL_SYS, FAST_HZ // CONVERTER_HZ)
        self._set(FAST_HZ)
        self.gate_hz = CONVERTER_HZ
        self.start_uncertainty_ticks = 0
        return True

    # The clock as it was found. The converter leaves the PLL before machine.freq() stops that.
    def plain(self):
        self._feed_converter(CLOCK_FROM_PLL_USB, 1)
        machine.freq(self._before_hz)
        self._set(self._before_hz)

    def _feed_converter(self, source, divider):
        # The source may only be switched while the clock stands still, or the converter sees a glitch.
        # Stopping takes a few of its periods; the next write comes many microseconds later.
        chip = self._chip
        mem32[chip.clk_adc_clear] = CLOCK_ENABLE
        mem32[chip.clk_adc] = source
        mem32[chip.clk_adc_div] = divider << chip.divider_bit
        mem32[chip.clk_adc_set] = CLOCK_ENABLE
