"""The chip under firmware/shot.py, as far as its registers: `machine`, `rp2` and `time` for tests.

Runs under CPython and MicroPython. The PIO runs the very words of the programs; the converter, its FIFO,
the DMA channels and the clocks behave as platform documents say, and whatever a real chip would punish
quietly (a clock source switched while it runs, a reading into a FIFO in use, a DMA channel aborted while
enabled, a register that is none) raises Misuse here. No latency is modelled.

Addresses are written here a second time, from the chips' register headers, so that the firmware's own
table is tested against them.
"""

import sys
import time

import pio_model
import pio_words

# Time unit: 1/18 GHz, so that ticks of 125, 144, 150 and 48 MHz are whole.
UNIT_HZ = 18_000_000_000
US = UNIT_HZ // 1_000_000
MS = 1000 * US
BUILDS = {"rp2040": "Raspberry Pi Pico with RP2040", "rp2350": "Raspberry Pi Pico 2 with RP2350"}

# ADC base, its DMA request, CLK_ADC_CTRL, lowest bit of CLK_ADC_DIV.INT, BUS_PRIORITY, FIFO depth, clock
_TABLE = {
    "rp2040": (0x4004C000, 36, 0x40008060, 8, 0x40030000, 4, 125_000_000),
    "rp2350": (0x400A0000, 48, 0x4001006C, 16, 0x40068000, 8, 150_000_000),
}
_EN, _START_MANY, _READY, _ERR = 1, 8, 0x100, 0x200
_UNDER, _OVER = 0x400, 0x800
_CONVERSION_CLOCKS = 96
_SIO_HIGH_IN = 0xD0000008


class Misuse(Exception):
    """The firmware did what a real chip would not forgive."""


class World:
    """One chip with something on its pins.

    obeys: whether the clock is what machine.freq() says (an emulator's may not be); offers_fast:
    whether machine.freq() accepts 144 MHz; op_us: how long each access of the firmware takes; latches:
    whether the converter's request stays as it is while requests are off (an emulator's may).
    input, faulty, held, early: functions of a conversion's number: its code, whether it fails, whether
    the DMA is kept from the bus, whether the DMA reads once too often. dead_after: conversions that the
    converter does before it stands still.
    """

    def __init__(self, name, obeys=True, offers_fast=True, op_us=15, latches=False):
        (self.adc, self.dreq_adc, self.clk, self.divider_bit, self.bus, self.depth, self.default_hz) = _TABLE[
            name
        ]
        self.build = BUILDS[name]
        self.obeys = obeys
        self.offers_fast = offers_fast
        self.op_us = op_us
        self.latches = latches
        self.requested = False
        self.now = 0
        self.hz = self.default_hz
        self.log = []
        self.logging = False
        self.trap_at = None
        self.trap_after = False
        self.ops = 0
        self.storm_from = None  # from this access on Ctrl-C at every one, until nobody listens any more
        self.listening = True
        self.deaf_from = 0
        self.stopped = 0
        self.levels = {}
        self.pio_owned = set()
        self.pio_levels = {}
        self.edges = []
        self.analog = set()
        self.inputs = set()  # that a shot has sampled
        self.registers = {
            self.adc: 0,
            self.adc + 8: 0,
            self.adc + 16: 0,
            self.clk: 1 << 11,
            self.clk + 4: 1 << self.divider_bit,
            self.bus: 0,
        }
        self.conversion_end = None
        self.conversions = []
        self.fifo = []
        self.input = lambda at: 1000 + at % 2000
        self.faulty = lambda at: False
        self.held = lambda at: False
        self.early = lambda at: False
        self.dead_after = None
        self.codes = {}
        self.bootsel = 0
        self.flash_lines = 0xFFFFFFFF
        self.channels = [Channel(self, number) for number in range(12)]
        self.claimed = set()
        self.free_channels = 12
        self.block = pio_model.Block()
        self.block.on_pin = self.pio_pin
        self.block.on_push = self.pushed
        self.machines = [pio_model.Machine(self.block) for _ in range(4)]

    # ---- time

    def tick(self):
        return UNIT_HZ // (self.hz if self.obeys else self.default_hz)

    def adc_clock(self):
        """Length of the converter's clock in units; None while it is stopped."""
        control = self.registers[self.clk]
        if not control & 1 << 11:
            return None
        source = UNIT_HZ // 48_000_000 if not control >> 5 & 7 else self.tick()
        if not self.obeys:
            return UNIT_HZ // 48_000_000
        return source * (self.registers[self.clk + 4] >> self.divider_bit)

    def advance(self, units):
        end = self.now + units
        while True:
            due = [time for time in (self.block.next_time(), self.conversion_end) if time is not None]
            if not due or min(due) > end:
                break
            self.now = max(self.now, min(due))
            if self.conversion_end is not None and self.conversion_end <= self.now:
                self.convert()
            self.block.run(self.now)
        self.now = end

    def access(self, what, act):
        """One thing the firmware does; may be interrupted right before or right after."""
        self.advance(self.op_us * US)
        self.ops += 1
        due = self.ops == self.trap_at or (
            self.storm_from is not None and self.ops >= self.storm_from and self.listening
        )
        self.stopped += due
        if due and not self.trap_after:
            raise KeyboardInterrupt
        if self.logging:
            self.log.append(what)
        result = act()
        if due:
            raise KeyboardInterrupt
        return result

    # ---- pins

    def level(self, pin):
        return self.pio_levels.get(pin, 0) if pin in self.pio_owned else self.levels.get(pin, 0)

    def note(self, time, pin, before):
        if self.level(pin) != before:
            self.edges.append((time, pin, self.level(pin)))

    def pio_pin(self, time, pin, level):
        before = self.level(pin)
        self.pio_levels[pin] = level
        self.note(time, pin, before)

    def drive(self, pin, level):
        before = self.level(pin)
        self.pio_owned.discard(pin)
        self.levels[pin] = level
        self.note(self.now, pin, before)

    def hand_over(self, pin):
        before = self.level(pin)
        self.pio_owned.add(pin)
        self.note(self.now, pin, before)

    # ---- registers

    def read32(self, address):
        if address == _SIO_HIGH_IN:
            return self.flash_lines
        if address == self.adc + 12:
            if self.fifo:
                code = self.fifo.pop(0)
                self.request()
                return code
            self.registers[self.adc + 8] |= _UNDER
            return 0
        value = self.registers.get(address)
        if value is None:
            raise Misuse("no register at " + hex(address))
        if address == self.adc:
            return value | (0 if self.conversion_end else _READY)
        if address == self.adc + 8:
            return value | len(self.fifo) << 16
        return value

    def write32(self, address, value):
        base, alias = address & ~0x3000, address & 0x3000
        old = self.registers.get(base)
        if old is None:
            raise Misuse("no register at " + hex(address))
        if alias:
            value = {0x1000: old ^ value, 0x2000: old | value, 0x3000: old & ~value}[alias]
        if base == self.adc + 8:
            kept = old & (_UNDER | _OVER) & ~value
            value = value & ~(_UNDER | _OVER) | kept
        if base == self.clk and old & 1 << 11 and (old ^ value) & 0xE0:
            raise Misuse("source of the converter's clock switched while it runs")
        self.registers[base] = value
        if base == self.adc:
            self.start()

    # ---- converter

    def start(self):
        cs = self.registers[self.adc]
        if self.conversion_end is None and cs & _EN and cs & _START_MANY and self.adc_clock():
            if self.dead_after is not None and len(self.conversions) >= self.dead_after:
                return
            self.conversions.append(self.now)
            self.inputs.add(cs >> 12 & 15)
            self.conversion_end = self.now + _CONVERSION_CLOCKS * self.adc_clock()

    def convert(self):
        at = len(self.conversions) - 1
        self.conversion_end = None
        self.start()  # the next one begins before anything can stop it
        fcs = self.registers[self.adc + 8]
        self.registers[self.adc] &= ~_ERR
        code = self.input(at)
        if self.faulty(at):
            self.registers[self.adc] |= _ERR
            code |= 0x8000 if fcs & 4 else 0
        if fcs & 1:
            if len(self.fifo) == self.depth:
                self.registers[self.adc + 8] |= _OVER
            else:
                self.fifo.append(code)
            self.request()
            self.serve(at)

    def request(self):
        fcs = self.registers[self.adc + 8]
        if fcs & 8:
            self.requested = len(self.fifo) >= max(1, fcs >> 24)

    def serve(self, at):
        """Samples to the DMA channel that waits for them."""
        fcs = self.registers[self.adc + 8]
        if self.held(at) or not fcs & 8:
            return
        for channel in self.channels:
            if channel.busy and channel.request == self.dreq_adc:
                while channel.busy and len(self.fifo) >= max(1, fcs >> 24):
                    channel.transfer()
                if self.early(at) and channel.busy:
                    channel.transfer()

    def reading(self, source):
        if self.registers[self.adc + 8] & 1:
            raise Misuse("a single reading while the FIFO is on")
        self.advance(2 * US)
        self.registers[self.adc] &= ~_ERR
        code, failed = self.codes[source].pop(0) if source in self.codes else (2048, False)
        if failed:
            self.registers[self.adc] |= _ERR
        if source == 4 and not self.registers[self.adc] & 2:
            raise Misuse("temperature read while its sensor is off")
        return code << 4 | code >> 8

    # ---- PIO to DMA

    def pushed(self, time, machine):
        number = 4 + self.machines.index(machine)
        for channel in self.channels:
            if channel.busy and channel.request == number:
                self.now = max(self.now, time)
                channel.transfer()


class Channel:
    """One DMA channel."""

    def __init__(self, world, number):
        self.world = world
        self.number = number
        self.read = self.write = None
        self.count = self.reload = self.ctrl = self.done = 0
        self.busy = False

    request = property(lambda self: self.ctrl >> 15 & 63)

    def trigger(self):
        if not self.ctrl & 1:
            return
        self.count = self.reload
        self.done = 0
        self.busy = self.count > 0
        while self.busy and self.request == 63:
            self.transfer()
        left_over = self.world.latches and self.request == self.world.dreq_adc
        while self.busy and left_over and self.world.requested:
            self.transfer()
        if self.busy and self.request < 8 and self.world.machines[self.request - 4].rx:
            self.transfer()

    def transfer(self):
        world = self.world
        if isinstance(self.read, StateMachine):
            value = self.read.model.rx.pop(0)
        elif isinstance(self.read, int):
            value = world.read32(self.read)
        else:
            value = self.read[0]
        if isinstance(self.write, int):
            world.write32(self.write, value)
        else:
            self.write[self.done if self.ctrl & 1 << 5 else 0] = value
        self.done += 1
        self.count -= 1
        if not self.count:
            self.busy = False
            chained = self.ctrl >> 11 & 15
            if chained != self.number:
                world.channels[chained].trigger()


# ---- what the firmware imports; `world` is the chip it runs on

world = None


class Mem32:
    def __getitem__(self, address):
        return world.access(("read", address), lambda: world.read32(address))

    def __setitem__(self, address, value):
        world.access(("write", address, value), lambda: world.write32(address, value))


class Pin:
    IN = 0
    OUT = 1
    ALT = 3
    ALT_PIO0 = 6

    def __init__(self, number, mode=None, value=None):
        self.number = number
        if mode is not None:
            self.init(mode, value=value)

    def init(self, mode, value=None, alt=None):
        if mode == Pin.ALT:
            world.access(("pin to pio", self.number), lambda: world.hand_over(self.number))
        else:
            world.access(("pin", self.number, value), lambda: world.drive(self.number, value))

    def value(self, level):
        world.access(("pin", self.number, level), lambda: world.drive(self.number, level))


class ADC:
    CORE_TEMP = 4

    def __init__(self, source):
        self.source = source if isinstance(source, int) else source.number - 26
        world.registers[world.adc] |= _EN
        world.analog.add(self.source)

    def read_u16(self):
        return world.access(("reading", self.source), lambda: world.reading(self.source))


class DMA:
    def __init__(self):
        if len(world.claimed) >= world.free_channels:
            raise OSError(16)
        self.channel = min(set(range(12)) - world.claimed)
        world.claimed.add(self.channel)
        self.model = world.channels[self.channel]

    def pack_ctrl(self, enable=True, high_pri=False, size=2, inc_read=True, inc_write=True, **rest):
        chain_to = rest.get("chain_to", self.channel)
        request = rest.get("treq_sel", 63)
        flags = enable | high_pri << 1 | size << 2 | inc_read << 4 | inc_write << 5
        return flags | chain_to << 11 | request << 15

    def config(self, read=None, write=None, count=None, ctrl=None, trigger=False):
        def act():
            model = self.model
            if model.busy and not (ctrl is not None and read is None and not ctrl & 1):
                raise Misuse("DMA channel configured while busy")
            for name, value in (("read", read), ("write", write), ("reload", count), ("ctrl", ctrl)):
                if value is not None:
                    setattr(model, name, value)
            if trigger:
                model.trigger()

        world.access(("dma", self.channel, trigger), act)

    @property
    def count(self):
        return world.access(("left", self.channel), lambda: self.model.count)

    def active(self, value=None):
        def act():
            if value is None:
                return self.model.busy
            if value or self.model.ctrl & 1:
                raise Misuse("DMA channel started, or aborted while enabled")
            self.model.busy = False
            return False

        return world.access(("dma active", self.channel, value), act)

    def close(self):
        # MicroPython disables and aborts a channel that is still busy
        self.model.busy = False
        world.claimed.discard(self.channel)


class StateMachine:
    def __init__(self, number, program=None, **settings):
        self.number = number
        self.model = world.machines[number]
        if program is not None:
            self.init(program, **settings)

    def init(self, program, freq=-1, set_base=None):
        def act():
            model = self.model
            model.enabled = False
            model.program = program
            divider = 1 if freq < 0 else world.hz // freq
            model.cycle = divider * world.tick()
            model.pin = None
            model.clear(world.now)
            if set_base is not None:
                model.pin = set_base.number
                before = world.level(model.pin)
                world.pio_levels[model.pin] = program.set_init & 1
                world.pio_owned.add(model.pin)
                world.note(world.now, model.pin, before)

        world.access(("machine init", self.number), act)

    def active(self, value):
        def act():
            if value:
                self.model.enable(world.now)
            else:
                self.model.enabled = False

        world.access(("machine active", self.number, value), act)

    def put(self, value):
        def act():
            for word in [value] if isinstance(value, int) else value:
                self.model.tx.append(word)
                world.block.wake(world.now)
                world.advance(world.tick() * 4)
                if len(self.model.tx) > 4:
                    raise Misuse("put would wait for ever: the machine takes nothing")

        world.access(("put", self.number), act)

    def get(self):
        return world.access(("get", self.number), lambda: self.model.rx.pop(0))

    def rx_fifo(self):
        return world.access(("rx_fifo", self.number), lambda: len(self.model.rx))

    def exec(self, word):
        world.access(("exec", self.number, word), lambda: self.model.execute(word, world.now))


class _Machine:
    Pin = Pin
    ADC = ADC
    mem32 = Mem32()

    @staticmethod
    def freq(hz=None):
        if hz is None:
            return world.hz

        def act():
            if hz == 144_000_000 and not world.offers_fast:
                raise ValueError("cannot change frequency")
            if world.registers[world.clk] & 1 << 11 and world.registers[world.clk] >> 5 & 7 == 1:
                raise Misuse("PLL changed while the converter runs from it")
            world.hz = hz

        return world.access(("freq", hz), act)

    @staticmethod
    def unique_id():
        return bytes(range(8))


class _Rp2:
    PIO = pio_words
    DMA = DMA
    StateMachine = StateMachine

    @staticmethod
    def asm_pio(**settings):
        return pio_words.asm_pio(**settings)

    @staticmethod
    def bootsel_button():
        return world.access(("bootsel",), lambda: world.bootsel)


class _Time:
    @staticmethod
    def ticks_us():
        return world.access(("ticks_us",), lambda: world.now // US)

    @staticmethod
    def ticks_ms():
        return world.access(("ticks_ms",), lambda: world.now // MS)

    @staticmethod
    def ticks_diff(later, earlier):
        return later - earlier

    @staticmethod
    def sleep_us(us):
        world.access(("sleep_us", us), lambda: world.advance(us * US))

    @staticmethod
    def sleep_ms(ms):
        world.access(("sleep_ms", ms), lambda: world.advance(ms * MS))

    def __getattr__(self, name):
        return getattr(time, name)  # another thread may tell the time while this stands for it


class _Os:
    @staticmethod
    def uname():
        return _Uname()


class _Uname:
    machine = property(lambda self: world.build)


class _Gc:
    collect = enable = disable = staticmethod(lambda: None)
    mem_free = staticmethod(lambda: 100_000)


class _Micropython:
    const = staticmethod(lambda value: value)

    @staticmethod
    def kbd_intr(char):
        world.now += US
        world.listening = char >= 0
        world.deaf_from = world.ops

    alloc_emergency_exception_buf = staticmethod(lambda size: None)


_OWN = ("main", "store", "shot", "service", "interlock", "console", "aim", "board", "frame")


def load(folders, new):
    """The module shot from `folders`, made for the chip of `new`; nothing else sees these fakes."""
    return _within(folders, new, {}, lambda: __import__("shot"))


def start(folders, new, reads):
    """Run main.main() on the chip of `new` to its end; reads: called for each byte wanted from the host."""

    class Console:
        read = staticmethod(lambda: world.access(("read",), reads))
        write = waiting = staticmethod(lambda *data: world.access(("link",), lambda: False))

    class Module:
        Unheard = OSError

    Module.Console = staticmethod(lambda *streams: Console)

    def run():
        program = __import__("main")
        program.print = lambda *words: None
        program.main()

    _within(folders, new, {"console": Module}, run)


def _within(folders, new, modules, do):
    enter(new)
    fakes = {
        "machine": _Machine(),
        "rp2": _Rp2(),
        "time": _Time(),
        "os": _Os(),
        "gc": _Gc(),
        "micropython": _Micropython(),
    }
    fakes.update(modules)
    kept = {}
    for name in list(fakes) + list(_OWN):
        if name in sys.modules:
            kept[name] = sys.modules[name]
            del sys.modules[name]
    sys.modules.update(fakes)
    path = list(sys.path)
    sys.path[:] = list(folders) + path
    try:
        return do()
    finally:
        sys.path[:] = path
        for name in list(fakes) + list(_OWN):
            sys.modules.pop(name, None)
        sys.modules.update(kept)


def enter(new):
    """From now on the firmware runs on `new`."""
    global world
    world = new
    return new
