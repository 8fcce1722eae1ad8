# One shot: strike the winding once and fill one buffer. The only file, with clock.py and program.py,
# that touches the hardware; whoever wants the firmware without a board replaces the class Board.
#
# The PIO is master. Python prepares five things and gives one word; after that no Python is involved
# until the buffer is full:
#
#   gate    state machine 0, starts everything in step with the converter's clock
#   strike  state machine 1, starts the converter, waits, times the pulse
#   start   DMA, hands the word of strike to the converter's CS register: it runs
#   fill    DMA, each sample from the converter to the buffer; after the last it triggers
#   stop    DMA, writes to CS again: the converter stands, so its flags OVER and UNDER stay true
#
# Whatever happens, the pulse pin is low afterwards: safe() takes it away from the PIO first and stops
# the state machine second. The other way round a pulse under way would stay high for good.
#
# What the converter cannot do is left to the host: steps in its scale (RP2040-E11: at codes 512, 1536,
# 2560 and 3584) are not mended here, samples it could not settle keep their flag in bit 15.

import sys
import time
from array import array

import machine
import rp2
from clock import Clock
from machine import ADC, Pin, mem32
from micropython import const
from program import FLAG_CLEAR, LEAST_TICKS, MOST_TICKS, OVERHEAD_TICKS, gate, strike, tally
from registers import (
    BUS_DMA_FIRST,
    CS_EN,
    CS_ERR,
    CS_INPUT,
    CS_READY,
    CS_START_MANY,
    CS_TEMPERATURE,
    DREQ_NONE,
    DREQ_PIO0_RX,
    FCS_DREQ_EN,
    FCS_EACH_SAMPLE,
    FCS_EN,
    FCS_ERR,
    FCS_LEVEL,
    FCS_OVER,
    FCS_UNDER,
    chip_of,
)

OVER = const(1)  # the converter was faster than the DMA: samples are missing
UNDER = const(2)  # the DMA was faster than the converter: samples are void
SHORT = const(4)  # the buffer was not filled in time

_GATE = const(0)
_STRIKE = const(1)
_TALLY = const(2)
_FIRST_ADC_PIN = const(26)
_PATIENCE_MS = const(20)
_READINGS = const(8)
_TRIES = const(64)
_TALLY_US = const(8000)
_TALLY_TOLERANCE_US = const(160)
_BEGIN_MS = const(1)
_SPAN_MS = const(12)


class Board:
    # pulse_pin, adc_pin, lead_pin: GPIO numbers; switch_pins: those of the capacitor switches;
    # build: what MicroPython says of the board, for tests.
    def __init__(self, pulse_pin, adc_pin, lead_pin, switch_pins, build=None):
        # First of all: after a soft reset in mid-pulse the pin is still high.
        self._pulse = Pin(pulse_pin, Pin.OUT, value=0)
        self._chip = chip_of(build or sys.implementation._machine)
        self.name = self._chip.name
        self._switches = [(1 << pin, Pin(pin, Pin.OUT, value=0)) for pin in switch_pins]
        self._open_inputs(adc_pin, lead_pin)
        self._dmas = []
        self._idle = []
        self._priority = mem32[self._chip.bus_priority]
        self._clock = Clock(self._chip)
        self._gate = rp2.StateMachine(_GATE)
        self._strike = rp2.StateMachine(_STRIKE)
        self._tally = rp2.StateMachine(_TALLY)
        ready = False
        try:
            self._settle_clock()
            self._claim()
            self.safe()
            ready = True
        finally:
            if not ready:
                self.close()

    # ---- making ready

    def _open_inputs(self, adc_pin, lead_pin):
        # ADC() switches the pad's input buffer off, without which RP2350-E9 lets a pin between the
        # levels leak 120 uA into the winding's divider.
        self._ring = ADC(Pin(adc_pin))
        self._lead = ADC(Pin(lead_pin))
        self._temperature = ADC(ADC.CORE_TEMP)
        self._input = (adc_pin - _FIRST_ADC_PIN) << CS_INPUT
        # Made once: nothing is allocated for a shot. The words of strike are 16 bits each, so none of
        # them is beyond the small integers.
        self._words = array("H", [CS_EN | CS_START_MANY | self._input, 0, 0])
        self._stop_word = array("I", [CS_EN | self._input])
        self._go = array("H", [0])

    def _settle_clock(self):
        clock = self._clock
        if not (clock.fast() and self._clock_agrees()):
            clock.plain()
            if not self._clock_agrees():
                raise OSError("ticks and timer disagree: the clock is not what MicroPython believes")
        self.tick_hz = clock.tick_hz
        self.sample_ticks = clock.sample_ticks
        self.start_uncertainty_ticks = clock.start_uncertainty_ticks
        self._gate.init(gate, freq=clock.gate_hz)
        self._gate.active(1)

    # Does a tick last as long as it should? The timer counts the crystal itself, ticks come from the
    # PLL: a board that was not switched as told would give every frequency wrong by the same factor.
    def _clock_agrees(self):
        count = array("I", [self._clock.tick_hz // (1_000_000 // _TALLY_US)])
        best_us = min([self._tally_us(count) for _ in range(3)])  # an interrupt can only lengthen it
        return abs(best_us - _TALLY_US) <= _TALLY_TOLERANCE_US

    def _tally_us(self, count):
        counter = self._tally
        counter.init(tally)
        counter.active(1)
        begin = time.ticks_us()
        counter.put(count)
        while not counter.rx_fifo() and time.ticks_diff(time.ticks_us(), begin) < 2 * _TALLY_US:
            pass
        end = time.ticks_us()
        counter.active(0)
        return time.ticks_diff(end, begin)

    def _claim(self):
        for _ in range(3):  # kept one by one: what was claimed is given back if the next is not to be had
            dma = rp2.DMA()
            self._dmas.append(dma)
            self._idle.append(dma.pack_ctrl(enable=False))
        self._start, self._fill, self._stop = self._dmas
        self._start_ctrl = self._start.pack_ctrl(
            size=2, inc_read=False, inc_write=False, treq_sel=DREQ_PIO0_RX + _STRIKE, high_pri=True
        )
        self._fill_ctrl = self._fill.pack_ctrl(
            size=1,
            inc_read=False,
            inc_write=True,
            treq_sel=self._chip.dreq_adc,
            chain_to=self._stop.channel,  # pyright: ignore[reportAttributeAccessIssue] # not in the stubs
            high_pri=True,
        )
        self._stop_ctrl = self._stop.pack_ctrl(
            size=2, inc_read=False, inc_write=False, treq_sel=DREQ_NONE, high_pri=True
        )
        mem32[self._chip.bus_priority] = BUS_DMA_FIRST

    # ---- what a shot needs besides

    def unique_id(self):
        return machine.unique_id()

    def ticks_ms(self):
        return time.ticks_ms()

    def ticks_diff(self, later, earlier):
        return time.ticks_diff(later, earlier)

    def sleep_ms(self, ms):
        time.sleep_ms(ms)

    # Bit n of pin_mask is the level of GPIO n; the other switches go low.
    def select(self, pin_mask):
        rest = pin_mask
        for bit, _ in self._switches:
            rest &= ~bit
        if rest:
            raise ValueError("pin mask " + hex(pin_mask) + " names pins that switch no capacitor")
        for bit, pin in self._switches:
            pin.value(1 if pin_mask & bit else 0)

    def lead_code(self):
        return self._code(self._lead)

    def temperature_code(self):
        # A shot's words to CS switch the sensor off.
        mem32[self._chip.cs_set] = CS_TEMPERATURE
        return self._code(self._temperature)

    # Mean of some readings, those left out which the converter could not settle. The first after a
    # change of input is left out too: the hold capacitor still carries the other input's voltage.
    def _code(self, adc):
        adc.read_u16()
        total = 0
        good = 0
        for _ in range(_TRIES):
            code = adc.read_u16() >> 4
            if not mem32[self._chip.cs] & CS_ERR:
                total += code
                good += 1
                if good == _READINGS:
                    return (total + _READINGS // 2) // _READINGS
        raise OSError("converter settled only {} of {} readings".format(good, _TRIES))

    # ---- the shot

    # delay_ticks: from the start of the converter to the rise of the pulse, but for the constant
    # latency of the start DMA; width_ticks: how long it is high. Both are the ticks themselves, from
    # LEAST_TICKS to MOST_TICKS; with a width of 0 the pin stays low and the rest is the same. count samples
    # go to buffer, an array("H"). Returns OVER, UNDER, SHORT.
    def fire(self, delay_ticks, width_ticks, count, buffer):
        _check("delay ticks", delay_ticks, LEAST_TICKS, MOST_TICKS)
        if width_ticks:
            _check("width ticks", width_ticks, LEAST_TICKS, MOST_TICKS)
        _check("samples", count, 1, len(buffer))
        ticks = max(count * self.sample_ticks, delay_ticks + width_ticks)
        shot_ms = ticks // (self.tick_hz // 1000) + 1
        try:
            self._ready(delay_ticks, width_ticks, count, buffer)
            return self._run(shot_ms)
        finally:
            self.safe()

    def _ready(self, delay_ticks, width_ticks, count, buffer):
        self._ready_converter()
        self._ready_dma(count, buffer)
        self._ready_strike(delay_ticks, width_ticks)

    def _ready_converter(self):
        chip = self._chip
        # The input is chosen now, not by the word that starts it, so it is settled at the first sample.
        mem32[chip.cs] = CS_EN | self._input
        tries = _TRIES
        while not mem32[chip.cs] & CS_READY:
            tries -= 1
            if not tries:
                raise OSError("converter does not come to rest")
        mem32[chip.fcs] = FCS_EN
        while mem32[chip.fcs] & FCS_LEVEL:  # what was converted after the last sample of the shot before
            _ = mem32[chip.fifo]
            tries -= 1
            if not tries:
                raise OSError("converter's FIFO does not run empty")
        mem32[chip.fcs] = FCS_EACH_SAMPLE | FCS_OVER | FCS_UNDER | FCS_DREQ_EN | FCS_ERR | FCS_EN
        mem32[chip.div] = 0  # back to back conversions, 96 of its clocks each; also restarts its divider

    def _ready_dma(self, count, buffer):
        chip = self._chip
        self._stop.config(read=self._stop_word, write=chip.cs, count=1, ctrl=self._stop_ctrl)
        self._fill.config(read=chip.fifo, write=buffer, count=count, ctrl=self._fill_ctrl, trigger=True)

    def _ready_strike(self, delay_ticks, width_ticks):
        # Initialised anew for each shot: FIFOs empty, program at its start, pin low and given to the
        # PIO. Not so the gate, whose divider must go on counting in step with the converter's clock.
        strike_machine = self._strike
        if width_ticks:
            strike_machine.init(strike, set_base=self._pulse)
        else:
            strike_machine.init(strike)  # it runs as ever, but no pin is its own
            width_ticks = LEAST_TICKS
        strike_machine.exec(FLAG_CLEAR)
        self._start.config(
            read=strike_machine,  # pyright: ignore[reportArgumentType] # its RX FIFO, not in the stubs
            write=self._chip.cs,
            count=1,
            ctrl=self._start_ctrl,
            trigger=True,
        )
        self._words[1] = delay_ticks - OVERHEAD_TICKS
        self._words[2] = width_ticks - OVERHEAD_TICKS
        strike_machine.active(1)
        strike_machine.put(self._words)

    def _run(self, shot_ms):
        fill = self._fill
        self._gate.put(self._go)
        # Asleep, the processor leaves the bus to the DMA.
        time.sleep_ms(shot_ms)
        begin = time.ticks_ms()
        while fill.active() and time.ticks_diff(time.ticks_ms(), begin) < _PATIENCE_MS:
            time.sleep_ms(1)
        flags = SHORT if fill.active() or self._left() else 0
        state = mem32[self._chip.fcs]
        if state & FCS_OVER:
            flags |= OVER
        if state & FCS_UNDER:
            flags |= UNDER
        return flags

    # ---- clocks as counted against the timer, to a few parts in a thousand

    def tick_rate_hz(self):
        us = self._tally_us(array("I", [self.tick_hz // (1_000_000 // _TALLY_US)]))
        return self.tick_hz * _TALLY_US // us

    # buffer: an array("H") of at least 8192
    def sample_rate_hz(self, buffer):
        _check("samples", len(buffer), 8192, 1 << 20)
        try:
            self._ready(LEAST_TICKS, 0, 8192, buffer)
            self._gate.put(self._go)
            time.sleep_ms(_BEGIN_MS)
            begin, first = time.ticks_us(), self._left()
            time.sleep_ms(_SPAN_MS)
            return (first - self._left()) * 1_000_000 // time.ticks_diff(time.ticks_us(), begin)
        finally:
            self.safe()

    def _left(self):
        return self._fill.count  # pyright: ignore[reportAttributeAccessIssue] # not in the stubs

    # ---- the way back

    # Pulse pin low, converter at rest, DMA off the caller's buffer. May be called at any time.
    def safe(self):
        self._pulse.init(Pin.OUT, value=0)  # the pin is no longer the PIO's: keep this first
        self._strike.active(0)
        mem32[self._chip.cs_clear] = CS_START_MANY
        for at in range(len(self._dmas)):
            dma = self._dmas[at]
            if dma.active():
                # Disabled before it is aborted, or RP2350-E5 may let it trigger the next channel.
                dma.config(ctrl=self._idle[at])
                dma.active(0)
        mem32[self._chip.fcs] = 0  # single readings must not end up in the FIFO

    # safe(), then everything given back and the clocks as they were found. Not to be used any more.
    def close(self):
        try:
            self.safe()
        finally:
            self._gate.active(0)
            self._tally.active(0)
            while self._dmas:
                self._dmas.pop().close()
            mem32[self._chip.bus_priority] = self._priority
            self._clock.plain()


def _check(what, value, least, most):
    if not least <= value <= most:
        raise ValueError("{} {}, not {} to {}".format(value, what, least, most))
