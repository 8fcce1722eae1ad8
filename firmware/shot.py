# The hardware: a pulse timed to one clock tick, and the samples around it. Fires once, fills one buffer.
#
# THE SEAM. Everything that touches the chip is in this file; the rest of the firmware is handed a `Hardware`
# and runs unchanged on anything that offers the same:
#
#   tick_hz, ticks_per_sample     clock of the pulse, and what one conversion takes of it
#   start_uncertainty_ps          interval that the converter's start may fall in
#   machine, unique_id, micropython                    words for hello
#   select(index, channel)        switch in board.CAPACITORS[index] alone, -1 none; sample that input
#   capture(samples, count, delay_ticks, width_ticks)  one shot into the array('H'), see below
#   lead_code()                   converter code 0..4095 of the leads, now
#   temperature_mc()              of the chip, in thousandths of a degree Celsius
#   measure()                     (tick_hz, sampling rate in Hz), counted, not believed; 0 what cannot be
#   pulse_low()                   force the pulse pin low
#   tidy(), heap_free()           collect garbage; bytes free
#   ticks_ms(), elapsed_ms(since), sleep_ms(ms)        time
#   start(), close()              make ready; leave everything as it was found
#
# capture starts the converter, raises the pulse delay_ticks after that start for width_ticks (0: not at all),
# both frame.MIN_TICKS or more, and returns when `count` samples are in, with flags: frame.OVER, frame.UNDER,
# or frame.UNFINISHED when samples did not come. Samples are codes 0..4095; bit 15 marks a failed conversion.
#
# How it works. State machine `strike` waits for the go; it then pushes one word, which the channel `starter`
# writes to the converter's control register, counts the delay, raises the pin, counts the width, lowers it.
# The channel `filler` moves each conversion into the buffer; after the last it chains to `stopper`, which
# stops the converter, so that its error flags stay true. State machine `gate` turns the go into an interrupt
# flag on the converter's clock grid. Nothing here depends on how fast Python runs.

import gc
import os
import sys
import time
from array import array

import board
import frame
import machine
import micropython
import rp2
from machine import ADC, Pin, mem32
from micropython import const
from rp2 import PIO, asm_pio

TYPE_CHECKING = False
if TYPE_CHECKING:
    from rp2.asm_pio import block, irq, isr, jmp, label, mov, osr, out, pins, pull, push, set, wait
    from rp2.asm_pio import x, x_dec, y, y_dec

micropython.alloc_emergency_exception_buf(100)

_MHZ = const(1_000_000)
_TRIES = const(100)
_LEAD_READINGS = const(4)

# Bits that are alike on both chips. An alias of a register at +_SET or +_CLEAR touches only the bits written.
_SET = const(0x2000)
_CLEAR = const(0x3000)
_EN = const(1 << 0)
_TS_EN = const(1 << 1)  # keeps the temperature sensor on
_START_MANY = const(1 << 3)
_READY = const(1 << 8)
_ERR = const(1 << 9)
_AINSEL = const(12)
_FCS_ON = const((1 << 24) | (1 << 3) | (1 << 2) | (1 << 0))  # a request for each word, its error in bit 15
_FCS_UNDER = const(1 << 10)
_FCS_OVER = const(1 << 11)
_CLOCK_ENABLE = const(1 << 11)
_PLL_USB = const(0 << 5)
_PLL_SYS = const(1 << 5)
_DMA_FIRST = const((1 << 8) | (1 << 12))
_SIO_HIGH_IN = const(0xD0000008)

# Per chip, from the headers of pico-sdk 2.2.0: converter, its DMA request, control of its clock, shift of
# that clock's divisor, bus priority, bit of the flash's chip select in _SIO_HIGH_IN, a stock image's clock
_RP2040 = (0x4004C000, 36, 0x40008060, 8, 0x40030000, 1 << 1, 125_000_000)
_RP2350 = (0x400A0000, 48, 0x4001006C, 16, 0x40068000, 1 << 27, 150_000_000)
_CHIP = _RP2350 if "RP2350" in os.uname().machine else _RP2040

_SM_GATE = const(0)
_SM_STRIKE = const(1)
_SM_TALLY = const(2)
_STRIKE_REQUEST = const(4 + _SM_STRIKE)  # DMA request of what it pushes
_FLAG_CLEAR = const(0xC044)  # irq clear 4


@asm_pio()
def gate():
    pull(block)
    irq(4)


# Rise: delay + 2 ticks after the push; width: width + 2 ticks.
@asm_pio(set_init=PIO.OUT_LOW, out_shiftdir=PIO.SHIFT_RIGHT, in_shiftdir=PIO.SHIFT_LEFT)
def strike():
    pull(block)
    mov(isr, osr)  # the word that starts the converter
    pull(block)
    out(x, 16)  # delay
    out(y, 11)  # width, and no more bits than bound it: frame.MAX_WIDTH_TICKS
    wait(1, irq, 4)  # pyright: ignore[reportArgumentType]
    push(block)
    label("delay")
    jmp(x_dec, "delay")
    set(pins, 1)
    label("width")
    jmp(y_dec, "width")
    set(pins, 0)


# Pushes n + 4 ticks after n was put.
@asm_pio()
def tally():
    pull(block)
    mov(x, osr)
    label("down")
    jmp(x_dec, "down")
    push(block)


# The chip-select line is high whenever the flash is not being read, so a chip on which it never is has no
# button that could be read there (an emulated one), and only looks as if it were held.
def bootsel_held():
    for _ in range(_TRIES):
        if mem32[_SIO_HIGH_IN] & _CHIP[5]:
            return bool(rp2.bootsel_button())
    return False


class Hardware:
    def __init__(self):
        # First of all: after a soft reset in mid-pulse the pin is still high.
        self._pulse = Pin(board.PULSE_PIN, Pin.OUT, value=0)
        self._switches = [Pin(row[1], Pin.OUT, value=0) for row in board.CAPACITORS]
        self.machine = os.uname().machine
        self.unique_id = "".join(["%02x" % byte for byte in machine.unique_id()])
        self.micropython = ".".join([str(part) for part in sys.implementation.version[:3]])
        self._found_hz = machine.freq()
        # Constructing these switches the pads' digital inputs off, which RP2350-E9 asks for.
        for channel in (board.RING_CHANNEL, board.LOOP_CHANNEL):
            ADC(Pin(26 + channel))
        self._lead = ADC(Pin(26 + board.LEAD_CHANNEL))
        self._core = ADC(ADC.CORE_TEMP)
        # Addresses are beyond the small integers: made once, so that using them allocates nothing.
        base = _CHIP[0]
        self._cs = base
        self._fcs = base + 0x08
        self._fifo = base + 0x0C
        self._div = base + 0x10
        self._stop_word = array("I", [0])
        self.select(-1, board.RING_CHANNEL)
        self._filler, self._starter, self._stopper = rp2.DMA(), rp2.DMA(), rp2.DMA()
        self._set_channels()

    def _set_channels(self):
        self._idle_control = self._filler.pack_ctrl(enable=False)
        self._filler_control = self._filler.pack_ctrl(
            size=1,
            inc_read=False,
            treq_sel=_CHIP[1],
            high_pri=True,
            chain_to=self._stopper.channel,  # pyright: ignore[reportAttributeAccessIssue]
        )
        self._starter_control = self._starter.pack_ctrl(
            size=2, inc_read=False, inc_write=False, treq_sel=_STRIKE_REQUEST, high_pri=True
        )
        self._stopper_control = self._stopper.pack_ctrl(
            size=2, inc_read=False, inc_write=False, treq_sel=63, high_pri=True
        )
        mem32[_CHIP[4]] = _DMA_FIRST

    # --- clocks ---

    # Both clocks from one source where that works, which is found by counting; else as the chip starts.
    def start(self):
        if self._common_clock():
            self.start_uncertainty_ps = 0
            return
        self._feed_converter(_PLL_USB, 1)
        machine.freq(_default_hz(self._found_hz))
        # The converter's clock has another source: its edge may lie anywhere within one period.
        self.start_uncertainty_ps = -(-1_000_000 * _MHZ // frame.ADC_HZ)
        self._set_machines(machine.freq())

    def _common_clock(self):
        try:
            machine.freq(frame.TICK_HZ)
        except ValueError:
            return False
        self._feed_converter(_PLL_SYS, frame.TICK_HZ // frame.ADC_HZ)
        self._set_machines(frame.TICK_HZ)
        tick_hz, rate_hz = self.measure()
        return _near(tick_hz, frame.TICK_HZ) and _near(rate_hz, frame.RATE_HZ)

    def _feed_converter(self, source, divisor):
        control, shift = _CHIP[2], _CHIP[3]
        # The source may only be changed while the clock stands still.
        mem32[control + _CLEAR] = _CLOCK_ENABLE
        time.sleep_us(10)
        mem32[control] = source
        mem32[control + 4] = divisor << shift
        mem32[control + _SET] = _CLOCK_ENABLE
        time.sleep_us(10)

    # The gate is set up once: its divider must go on counting in step with the converter's clock.
    def _set_machines(self, tick_hz):
        self.tick_hz = tick_hz
        self.ticks_per_sample = tick_hz // frame.RATE_HZ
        common = tick_hz == frame.TICK_HZ
        self._gate = rp2.StateMachine(_SM_GATE, gate, freq=frame.ADC_HZ if common else tick_hz)
        self._tally = rp2.StateMachine(_SM_TALLY, tally, freq=tick_hz)
        self._gate.active(1)
        self._tally.active(1)
        self._set_strike()

    def _set_strike(self):
        self._strike = rp2.StateMachine(_SM_STRIKE, strike, freq=self.tick_hz, set_base=self._pulse)
        self.pulse_low()
        self._strike.exec(_FLAG_CLEAR)
        self._strike.active(1)
        self._clean = True

    # Against the microsecond counter, which the crystal drives; good to about 1 %.
    def measure(self):
        tick_us = min([self._tally_us(_MHZ) for _ in range(3)])  # an interrupt can only lengthen it
        count = 4096
        samples = array("H", bytes(2 * count))
        self.tidy()
        finished = not self._capture(samples, count, self.ticks_per_sample, 0, 0) & frame.UNFINISHED
        rate_hz = count * _MHZ // self._took_us if finished else 0
        return _MHZ * _MHZ // tick_us, rate_hz

    def _tally_us(self, ticks):
        start = time.ticks_us()
        self._tally.put(ticks)
        while not self._tally.rx_fifo():
            if time.ticks_diff(time.ticks_us(), start) > _MHZ:
                return _MHZ * _MHZ
        took = time.ticks_diff(time.ticks_us(), start)
        self._tally.get()
        return took

    # --- shots ---

    def capture(self, samples, count, delay_ticks, width_ticks):
        # Asleep for most of the time, so that the bus is left to the samples.
        return self._capture(samples, count, delay_ticks, width_ticks, count // (frame.RATE_HZ // 1000))

    def _capture(self, samples, count, delay_ticks, width_ticks, sleep_ms):
        if not self._clean:
            self._recover()
        self._clean = False
        width = width_ticks if width_ticks else frame.MIN_TICKS
        gc.disable()
        try:
            self._arm(samples, count)
            self._strike.put(self._start_word)
            self._strike.put((delay_ticks - frame.MIN_TICKS) | ((width - frame.MIN_TICKS) << 16))
            if width_ticks:
                self._pulse.init(Pin.ALT, alt=Pin.ALT_PIO0)
            return self._flags(self._go(sleep_ms, 2 * count))
        finally:
            self.pulse_low()
            if not self._clean:
                # Broken off: whoever broke it off may let go of the buffer, so nothing may write to it now.
                self._recover()
            # With the queue on, a reading of the leads would end up in it.
            mem32[self._fcs] = 0
            gc.enable()

    # From here to the last sample nothing is allocated. Words that come too late or too soon are no samples.
    def _go(self, sleep_ms, due_us):
        start = time.ticks_us()
        self._gate.put(1)
        if sleep_ms:
            time.sleep_ms(sleep_ms)
        while self._filler.active():
            if time.ticks_diff(time.ticks_us(), start) > due_us + 50_000:
                return False
        self._took_us = time.ticks_diff(time.ticks_us(), start)
        return self._took_us >= due_us - 2

    def _arm(self, samples, count):
        # The input is chosen now, not by the word that starts it, so that it has settled by then.
        mem32[self._cs] = self._idle_word
        for _ in range(_TRIES):
            if mem32[self._cs] & _READY:
                break
        # Emptied with requests on: one that outlived its sample would be served from the empty queue.
        mem32[self._fcs] = _FCS_ON
        for _ in range(_TRIES):
            if not (mem32[self._fcs] >> 16) & 15:
                break
            _ = mem32[self._fifo]
        mem32[self._div] = 0
        mem32[self._fcs] = _FCS_ON | _FCS_UNDER | _FCS_OVER  # writing a one clears the last two
        self._stopper.config(read=self._stop_word, write=self._cs, count=1, ctrl=self._stopper_control)
        self._starter.config(
            read=self._strike,  # pyright: ignore[reportArgumentType] # stands for what it pushes
            write=self._cs,
            count=1,
            ctrl=self._starter_control,
            trigger=True,
        )
        self._filler.config(
            read=self._fifo, write=samples, count=count, ctrl=self._filler_control, trigger=True
        )

    def _flags(self, finished):
        status = mem32[self._fcs]
        self._clean = finished
        flags = 0 if finished else frame.UNFINISHED
        flags |= frame.OVER if status & _FCS_OVER else 0
        return flags | frame.UNDER if status & _FCS_UNDER else flags

    # After a shot that was broken off, wherever it stood.
    def _recover(self):
        self.pulse_low()
        mem32[self._cs + _CLEAR] = _START_MANY
        for channel in (self._filler, self._starter, self._stopper):
            # Switched off before it is aborted, or RP2350-E5 may let it trigger the next one.
            channel.config(ctrl=self._idle_control)
            channel.active(0)
        self._set_strike()

    # The pin leaves the pulse program's hands, which goes on without it.
    def pulse_low(self):
        self._pulse.init(Pin.OUT, value=0)

    def select(self, index, channel):
        for switch in self._switches:
            switch.value(0)
        if index >= 0:
            self._switches[index].value(1)
        self._idle_word = self._stop_word[0] = _EN | _TS_EN | (channel << _AINSEL)
        self._start_word = self._idle_word | _START_MANY

    # --- slow readings, and time ---

    # The first after a change of input is left out: the converter still holds some of the other's voltage.
    def lead_code(self):
        self._lead.read_u16()
        total = good = 0
        for _ in range(_TRIES):
            code = self._lead.read_u16() >> 4
            if not mem32[self._cs] & _ERR:
                total += code
                good += 1
                if good == _LEAD_READINGS:
                    return (total + _LEAD_READINGS // 2) // _LEAD_READINGS
        raise OSError("the converter does not settle on the lead voltage")

    # The chip maker's curve: 0.706 V at 27 degrees, 1.721 mV less for each more.
    def temperature_mc(self):
        microvolts = (self._core.read_u16() >> 4) * 3_300_000 // 4096
        return 27_000 - (microvolts - 706_000) * 1000 // 1721

    def tidy(self):
        gc.collect()

    def heap_free(self):
        return gc.mem_free()

    def ticks_ms(self):
        return time.ticks_ms()

    def elapsed_ms(self, since_ms):
        return time.ticks_diff(time.ticks_ms(), since_ms)

    def sleep_ms(self, ms):
        time.sleep_ms(ms)

    # Pins low, converter stopped, clocks as they were found. From its first line on no Ctrl-C is heard, so
    # that none keeps it from the last; after one that was on its way it is called again.
    def close(self):
        micropython.kbd_intr(-1)
        self.pulse_low()
        self.select(-1, board.RING_CHANNEL)
        mem32[self._cs + _CLEAR] = _START_MANY
        mem32[self._fcs] = 0
        for number in (_SM_GATE, _SM_STRIKE, _SM_TALLY):
            rp2.StateMachine(number).active(0)
        for channel in (self._filler, self._starter, self._stopper):
            channel.close()
        mem32[_CHIP[4]] = 0
        self._feed_converter(_PLL_USB, 1)
        machine.freq(_default_hz(self._found_hz))


# A clock with whole ticks to a sample. An earlier run that was cut off may have left ours; not every other
# that a boot.py may have chosen will do.
def _default_hz(found_hz):
    usable = found_hz % frame.RATE_HZ == 0 and found_hz != frame.TICK_HZ
    return found_hz if usable else _CHIP[6]


def _near(measured, expected):
    return abs(measured - expected) * 40 < expected
