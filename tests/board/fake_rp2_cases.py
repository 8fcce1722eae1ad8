"""What firmware/shot.py must do, shown on the chip in fake_rp2.py; the same under CPython and MicroPython.

As a program: `micropython fake_rp2_cases.py FOLDER...` with the folders of the firmware and of frame.py runs
every case and prints its name; it ends with an error at the first that fails.
"""

import sys
from array import array

import fake_rp2
from fake_rp2 import MS, World

CHIPS = ("rp2040", "rp2350")
PULSE = 15
OVER, UNDER, UNFINISHED = 1, 2, 4
UNDER_BIT, OVER_BIT = 1 << 10, 1 << 11


class Bench:
    """A started tester on a fake chip."""

    # quick: once it is started its accesses take a microsecond
    def __init__(self, folders, name, quick=False, **settings):
        self.world = World(name, **settings)
        self.shot = fake_rp2.load(folders, self.world)
        self.hardware = self.shot.Hardware()
        self.hardware.start()
        if quick:
            self.world.op_us = QUICK

    def fire(self, samples, count, delay, width):
        self.world.edges = []
        self.world.conversions = []
        return self.hardware.capture(samples, count, delay, width)

    def pulse(self):
        """(delay, width) of the one pulse since the last fire, in ticks."""
        world = self.world
        edges = [edge for edge in world.edges if edge[1] == PULSE]
        same([level for _, _, level in edges], [1, 0])
        (rise, _, _), (fall, _, _) = edges
        tick = world.tick()
        same(((rise - world.conversions[0]) % tick, (fall - rise) % tick), (0, 0))
        return (rise - world.conversions[0]) // tick, (fall - rise) // tick


def same(found, expected):
    if found != expected:
        raise AssertionError(f"found {found}, expected {expected}")


def true(condition, words):
    if not condition:
        raise AssertionError(words)


def benches(folders):
    """Both chips, each with its three clocks: 144 MHz, 144 MHz refused, 144 MHz accepted and not kept."""
    for name in CHIPS:
        for settings in ({}, {"offers_fast": False}, {"obeys": False}):
            yield Bench(folders, name, **settings)


# ---- clocks and registers


def case_clocks(folders):
    for name, default_hz, ticks in (("rp2040", 125_000_000, 250), ("rp2350", 150_000_000, 300)):
        bench = Bench(folders, name)
        hardware, world = bench.hardware, bench.world
        same(
            (hardware.tick_hz, hardware.ticks_per_sample, hardware.start_uncertainty_ps),
            (144_000_000, 288, 0),
        )
        same(world.registers[world.clk] >> 5 & 7, 1)
        same(world.registers[world.clk + 4], 3 << world.divider_bit)
        same(world.registers[world.bus], 0x1100)
        for settings in ({"offers_fast": False}, {"obeys": False}):
            hardware = Bench(folders, name, **settings).hardware
            same((hardware.tick_hz, hardware.ticks_per_sample), (default_hz, ticks))
            same(hardware.start_uncertainty_ps, 20_834)


def case_measured_rates(folders):
    for bench in benches(folders):
        tick_hz, rate_hz = bench.hardware.measure()
        true(abs(tick_hz / bench.hardware.tick_hz - 1) < 0.01, f"ticks counted as {tick_hz} Hz")
        true(abs(rate_hz / 500_000 - 1) < 0.01, f"samples counted as {rate_hz} Hz")


def case_all_given_back(folders):
    for bench in benches(folders):
        bench.hardware.close()
        world = bench.world
        same(world.hz, world.default_hz)
        same(world.registers[world.clk], 1 << 11)
        same(world.registers[world.clk + 4], 1 << world.divider_bit)
        same((world.registers[world.bus], world.claimed, world.level(PULSE)), (0, set(), 0))
        true(not any(machine.enabled for machine in world.machines), "a state machine still runs")


def case_clock_left_by_an_earlier_run(folders):
    world = World("rp2040")
    world.hz = 144_000_000
    hardware = fake_rp2.load(folders, world).Hardware()
    hardware.start()
    hardware.close()
    same(world.hz, 125_000_000)


def case_flag_left_by_an_earlier_run(folders):
    """The PIO's flags outlive a soft reset; one that is up would start a shot before its go."""
    samples = array("H", bytes(2 * 64))
    world = World("rp2040")
    world.block.flags = 1 << 4
    hardware = fake_rp2.load(folders, world).Hardware()
    hardware.start()
    same(hardware.capture(samples, 64, 288, 144), 0)
    same(world.block.flags, 0)


def case_pin_high_before(folders):
    """A soft reset in mid-pulse leaves the pin high: lowering it comes first."""
    world = World("rp2040")
    world.levels[PULSE] = 1
    world.logging = True
    fake_rp2.load(folders, world).Hardware()
    same(world.log[0], ("pin", PULSE, 0))
    same(world.level(PULSE), 0)


# ---- a shot


def case_pulse_exact(folders):
    samples = array("H", bytes(2 * 512))
    ticks = [2, 3, 4, 5, 17, 288, 289, 1000, 4097, 14_400, 32_768, 65_535, 65_536, 65_537]
    widths = [2, 3, 4, 5, 17, 127, 128, 288, 289, 1000, 1728, 2047, 2048, 2049]
    for bench in benches(folders):
        for at in range(len(ticks)):
            delay, width = ticks[at], widths[-1 - at * 5 % len(ticks)]
            same(bench.fire(samples, 512, delay, width), 0)
            same(bench.pulse(), (delay, width))


def case_no_pulse_longer_than_the_program_counts(folders):
    """Whatever is asked for, also by a program that asks past service.py and interlock.py."""
    samples = array("H", bytes(2 * 512))
    for bench in benches(folders):
        longest = frame_of(folders).MAX_WIDTH_TICKS
        for width in (longest, longest + 1, 14_400, 65_535, 65_536, 65_537, 1 << 20):
            same(bench.fire(samples, 512, 288, width), 0)
            true(bench.pulse()[1] <= longest, f"{width} ticks asked for, {bench.pulse()[1]} given")
        hardware = bench.hardware
        true(sys_board(folders).MAX_WIDTH_NS * hardware.tick_hz <= longest * 1_000_000_000, "bound too low")
        true(longest * 1_000_000 <= 17 * hardware.tick_hz, "more than 17 us at the slowest clock")


def case_samples_whole(folders):
    samples = array("H", bytes(2 * 16_385))
    for name in CHIPS:
        bench = Bench(folders, name)
        for count in (1, 2, 3, 16, 255, 4096, 16_384):
            for at in range(len(samples)):
                samples[at] = 0xFFFF
            same(bench.fire(samples, count, 288, 500), 0)
            expected = array("H", [bench.world.input(at) for at in range(count)])
            true(samples[:count] == expected, f"{count} samples are not those converted")
            same((samples[count], bench.pulse()), (0xFFFF, (288, 500)))
            begun = bench.world.conversions
            true(count <= len(begun) <= count + 1, f"{len(begun)} conversions for {count} samples")
            steps = {begun[at + 1] - begun[at] for at in range(len(begun) - 1)}
            true(steps <= {288 * bench.world.tick()}, "samples are not 288 ticks apart")


def case_failed_conversions_marked(folders):
    samples = array("H", bytes(2 * 64))
    for bench in benches(folders):
        bench.world.faulty = lambda at: at in (0, 7, 63)
        same(bench.fire(samples, 64, 288, 144), 0)
        same([at for at in range(64) if samples[at] >> 15], [0, 7, 63])
        same([code & 0xFFF for code in samples], [bench.world.input(at) for at in range(64)])


def case_no_pulse(folders):
    samples = array("H", bytes(2 * 64))
    for bench in benches(folders):
        same(bench.fire(samples, 64, 288, 0), 0)
        same((bench.world.edges, samples[63]), ([], bench.world.input(63)))


def case_start_in_step(folders):
    """Whenever the go comes, the converter starts at the same place between its clock's edges."""
    samples = array("H", bytes(2 * 16))
    for name in CHIPS:
        bench = Bench(folders, name)
        world = bench.world
        places = set()
        goes = set()
        for at in range(30):
            world.advance(at * at * 1009 + at)
            same(bench.fire(samples, 16, 288, 144), 0)
            places.add(world.conversions[0] % (3 * world.tick()))
            goes.add(world.now // world.tick() % 3)
        same((len(places), len(goes)), (1, 3))


def case_order(folders):
    """Everything is ready before the go, and nothing but the wait lies between it and the way back."""
    bench = Bench(folders, "rp2040")
    world = bench.world
    world.log, world.logging = [], True
    bench.fire(array("H", bytes(2 * 512)), 512, 288, 144)
    log = [entry[:2] for entry in world.log]
    at = {entry: log.index(entry) for entry in log}
    go = at[("put", 0)]
    triggered = [entry[1] for entry in world.log[:go] if entry[0] == "dma" and entry[2]]
    same(len(triggered), 2)
    chosen = at[("write", world.adc)]
    flags = [entry for entry in world.log[:go] if entry[:2] == ("write", world.adc + 8)]
    true(flags[-1][2] & (UNDER_BIT | OVER_BIT) == UNDER_BIT | OVER_BIT, "flags are not cleared")
    true(chosen < log.index(("dma", triggered[0])), "the input is chosen too late")
    true(at[("pin to pio", PULSE)] < go, "the pin is not the PIO's at the go")
    same(log[go + 1], ("sleep_ms", 1))
    true(log.index(("pin", PULSE), go) > go, "the pin is not taken back")


def case_request_left_over(folders):
    """The conversion under way at the stop leaves its request: no later record may begin with it."""
    samples = array("H", bytes(2 * 256))
    for name in CHIPS:
        bench = Bench(folders, name, latches=True)
        for _ in range(3):
            clean_afterwards(bench, samples)


# ---- what goes wrong


def clean_afterwards(bench, samples):
    world = bench.world
    world.held = world.early = world.faulty = lambda at: False
    world.dead_after = None
    world.advance(5 * MS)
    same(bench.fire(samples, len(samples), 600, 300), 0)
    same(bench.pulse(), (600, 300))
    same(list(samples), [world.input(at) for at in range(len(samples))])
    same(world.level(PULSE), 0)


def case_over(folders):
    samples = array("H", bytes(2 * 256))
    for bench in benches(folders):
        bench.world.held = lambda at: 100 <= at < 112
        same(bench.fire(samples, 256, 288, 144), OVER)
        clean_afterwards(bench, samples)


def case_held_for_a_while_is_no_loss(folders):
    samples = array("H", bytes(2 * 256))
    for bench in benches(folders):
        bench.world.held = lambda at: 100 <= at < 103
        same(bench.fire(samples, 256, 288, 144), 0)
        same(list(samples), [bench.world.input(at) for at in range(256)])


def case_under(folders):
    samples = array("H", bytes(2 * 256))
    for bench in benches(folders):
        bench.world.early = lambda at: at == 40
        same(bench.fire(samples, 256, 288, 144), UNDER)
        clean_afterwards(bench, samples)


def case_short(folders):
    samples = array("H", bytes(2 * 256))
    for bench in benches(folders):
        for done in (0, 1, 200):
            bench.world.dead_after = done
            same(bench.fire(samples, 256, 288, 144), UNFINISHED)
            same(bench.world.level(PULSE), 0)
            clean_afterwards(bench, samples)


def case_words_before_their_time(folders):
    """What fills the buffer faster than the converter can convert is no record."""
    samples = array("H", bytes(2 * 4096))
    bench = Bench(folders, "rp2040", latches=True)
    bench.world.fifo, bench.world.requested = [], True
    same(bench.fire(samples, 4096, 288, 144) & UNFINISHED, UNFINISHED)
    clean_afterwards(bench, samples)


LONG = (2, 2049)  # a pulse that is still under way for some accesses after the go, where they are quick
QUICK = 1  # [us]
WAY_BACK = 2  # accesses after a shot that went well


def accesses(bench, samples):
    """How many there are in one shot."""
    before = bench.world.ops
    same(bench.fire(samples, len(samples), *LONG), 0)
    return bench.world.ops - before


def case_interrupted_anywhere(folders):
    """Ctrl-C before or after each single access: pin low, nothing written late, the next shot right."""
    samples = array("H", bytes(2 * 512))
    for name in CHIPS:
        bench = Bench(folders, name, quick=True)
        count = accesses(bench, samples)
        for after in (False, True):
            for at in range(1, count + 1):
                interrupted(bench, samples, at, after)
                if at <= count - WAY_BACK:
                    nothing_follows(bench, samples)
                bench.world.advance(LONG[1] * bench.world.tick())
                clean_afterwards(bench, samples)


def interrupted(bench, samples, at, after):
    world = bench.world
    world.trap_after, world.trap_at = after, world.ops + at
    world.log, world.logging = [], True
    try:
        bench.fire(samples, 512, *LONG)
        raise AssertionError(f"access {at} was not interrupted")
    except KeyboardInterrupt:
        # Only if it comes in the instant before the pin is taken back does the PIO have to end the pulse.
        taken = [entry for entry in world.log if entry[0][:3] == "pin"][-1:] != [("pin to pio", PULSE)]
        true(not taken or not world.level(PULSE), f"pin high after access {at}")
    world.trap_at, world.logging = None, False


def nothing_follows(bench, samples):
    for at in range(len(samples)):
        samples[at] = 0xFFFF
    bench.world.edges = []
    bench.hardware.lead_code()
    bench.world.advance(5 * MS)
    same((set(samples), bench.world.edges, bench.world.level(PULSE)), ({0xFFFF}, [], 0))


def case_closed_after_an_interrupt(folders):
    samples = array("H", bytes(2 * 512))
    for at in range(1, accesses(Bench(folders, "rp2040", quick=True), samples) + 1):
        bench = Bench(folders, "rp2040", quick=True)
        world = bench.world
        interrupted(bench, samples, at, False)
        bench.hardware.close()
        world.advance(5 * MS)
        same((world.level(PULSE), world.claimed, world.hz), (0, set(), 125_000_000))


def case_ctrl_c_as_often_as_one_likes(folders):
    """Ctrl-C at every access from any one on, start-up, shot or end: no traceback, all as it was found."""
    line = b"capture id=1 samples=16 pretrigger=2 width_ticks=2049 capacitor=- shots=1 interleave=1\n"

    def run(storm_from, after):
        world = World("rp2040")
        world.codes[1] = [(745, False)] * 100  # no voltage on the leads
        world.storm_from, world.trap_after = storm_from, after
        left = list(line)
        fake_rp2.start(folders, world, lambda: left.pop(0) if left else -1)
        return world

    count = run(None, False).deaf_from  # the rest is the way back, which hears none
    # Start-up counts clocks for thousands of accesses that are all alike.
    every = list(range(1, 40)) + list(range(40, count - 130, 211)) + list(range(count - 130, count + 1, 3))
    for after in (False, True):
        for at in every:
            world = run(at, after)
            true(world.stopped, f"access {at} was not interrupted")
            world.advance(5 * MS)
            left_as_found(world, at)


def left_as_found(world, at):
    same((at, world.level(PULSE), world.hz), (at, 0, world.default_hz))
    same(world.registers[world.clk], 1 << 11)
    true(not any(machine.enabled for machine in world.machines), "a state machine still runs")


def case_nothing_fires_by_itself(folders):
    """After a start, whatever an earlier run left, the pulse pin stays low until a shot is asked for."""
    for name in CHIPS:
        world = World(name)
        world.levels[PULSE] = 1
        world.block.flags = 0xFF
        bytes_read = [0]

        def reads(world=world, bytes_read=bytes_read):
            bytes_read[0] += 1
            world.advance(200 * MS)
            return 10 if bytes_read[0] < 20 else -1

        fake_rp2.start(folders, world, reads)
        edges = [edge for edge in world.edges if edge[1] == PULSE]
        same((bytes_read, [level for _, _, level in edges]), ([20], [0]))


# ---- slow readings and switches


def case_lead_code(folders):
    for bench in benches(folders):
        bench.world.codes[1] = [(4000, False)] + [(2000 + at, False) for at in range(20)]
        code = bench.hardware.lead_code()
        true(2000 <= code <= 2010, f"the reading of the other input counts: {code}")
        bench.world.codes[1] = [(4000, False), (4095, True), (0, True)] + [(2000, False)] * 20
        same(bench.hardware.lead_code(), 2000)
        bench.world.codes[1] = [(0, True)] * 200
        try:
            bench.hardware.lead_code()
        except OSError:
            continue
        raise AssertionError("a converter that never settles gave a lead voltage")


def case_single_readings_after_a_shot(folders):
    """They must not end in the FIFO, and a shot must not leave the temperature sensor off."""
    samples = array("H", bytes(2 * 64))
    for bench in benches(folders):
        bench.fire(samples, 64, 288, 144)
        bench.world.codes[4] = [(876, False)] * 20
        temperature = bench.hardware.temperature_mc()
        true(26_000 < temperature < 28_000, f"{temperature} thousandths of a degree")
        bench.hardware.lead_code()
        clean_afterwards(bench, samples)


def case_select(folders):
    bench = Bench(folders, "rp2040")
    pins = [row[1] for row in sys_board(folders).CAPACITORS]
    for index in range(len(pins)):
        bench.hardware.select(index, 0)
        same([bench.world.level(pin) for pin in pins], [int(at == index) for at in range(len(pins))])
    bench.hardware.select(-1, 0)
    same([bench.world.level(pin) for pin in pins], [0] * len(pins))


def case_select_an_input(folders):
    samples = array("H", bytes(2 * 64))
    for bench in benches(folders):
        for channel in (2, 0):
            bench.hardware.select(-1, channel)
            bench.world.inputs = set()
            same(bench.fire(samples, 64, 288, 144), 0)
            same(bench.world.inputs, {channel})
            true(channel in bench.world.analog, "the pad's digital input is on")
            same(bench.pulse(), (288, 144))
            same(bench.world.registers[bench.world.adc] >> 12 & 15, channel)  # the stopper's word


def frame_of(folders):
    path = list(sys.path)
    sys.path[:] = list(folders) + path
    try:
        return __import__("frame")
    finally:
        sys.path[:] = path
        sys.modules.pop("frame", None)


def sys_board(folders):
    path = list(sys.path)
    sys.path[:] = list(folders) + path
    try:
        return __import__("board")
    finally:
        sys.path[:] = path
        sys.modules.pop("board", None)


def case_bootsel(folders):
    bench = Bench(folders, "rp2040")
    same(bench.shot.bootsel_held(), False)
    bench.world.bootsel = 1
    same(bench.shot.bootsel_held(), True)
    bench.world.flash_lines = 0  # an emulator without flash: the line never rises
    same(bench.shot.bootsel_held(), False)


CASES = [(name[5:], case) for name, case in sorted(globals().items()) if name.startswith("case_")]


def main(folders):
    for name, case in CASES:
        case(folders)
        print(name)


if __name__ == "__main__":
    main(sys.argv[1:])
