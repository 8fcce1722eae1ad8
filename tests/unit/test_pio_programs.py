"""The PIO programs of firmware/shot.py, word by word and tick by tick.

Outside this project: `rp2040-pio-emulator` (PyPI) runs the words, `adafruit-circuitpython-pioasm` (PyPI)
assembles the same programs from the datasheet's own notation.
"""

import random
import sys
from collections import deque
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from coilbell.board import frame
from outside import require

ROOT = Path(__file__).resolve().parents[2]
sys.path.append(str(ROOT / "tests" / "board"))

import fake_rp2  # noqa: E402
import pio_model  # noqa: E402

FOLDERS = [str(ROOT / "firmware"), str(ROOT / "host" / "coilbell" / "board")]
PIN = 15
FLAG = 4
GO = 40
"""Tick at which the flag is raised, where it matters."""
NOTATION = {
    "gate": """
        pull block
        irq 4
        """,
    "strike": """
        pull block
        mov isr, osr
        pull block
        out x, 16
        out y, 11
        wait 1 irq 4
        push block
    delay:
        jmp x-- delay
        set pins, 1
    width:
        jmp y-- width
        set pins, 0
        """,
    "tally": """
        pull block
        mov x, osr
    down:
        jmp x-- down
        push block
        """,
}


@pytest.fixture(scope="module")
def shot() -> Any:
    return fake_rp2.load(FOLDERS, fake_rp2.World("rp2040"))


def run_outside(words: list[int], delay_ticks: int, width_ticks: int, go: int = 0) -> tuple[int, int]:
    """(delay, width) in ticks from push to rise and from rise to fall, by rp2040-pio-emulator."""
    require("pioemu")
    from pioemu import State, emulate

    # The emulator takes any `wait` for one on a pin of that number, so the flag comes to it as pin 4:
    # from the beginning, which is quicker, or at tick `go`.
    # No annotations from __future__ in this file: the emulator looks at this one.
    def flag(clock: int) -> int:
        return 1 << FLAG if clock >= go else 0

    words_in = deque([0xCAFE, delay_ticks - 2 | width_ticks - 2 << 16])
    steps = emulate(
        words,
        stop_when=lambda _, state: state.clock > go + delay_ticks + width_ticks + 20,
        initial_state=State(
            transmit_fifo=words_in, pin_directions=1 << PIN, pin_values=0 if go else 1 << FLAG
        ),
        input_source=flag if go else None,
        set_base=PIN,
        set_count=1,
    )
    pushed = None
    edges = []
    for before, after in steps:
        if after.receive_fifo and not before.receive_fifo:
            pushed = after.clock
            assert pushed > go
            assert list(after.receive_fifo) == [0xCAFE]
        if (before.pin_values ^ after.pin_values) >> PIN & 1:
            edges.append((after.clock, after.pin_values >> PIN & 1))
    assert [level for _, level in edges] == [1, 0]
    assert pushed is not None
    return edges[0][0] - pushed, edges[1][0] - edges[0][0]


class Struck:
    """The same by the tests' own model, which needs a dozen steps for a shot of any length."""

    def __init__(self, program: Any) -> None:
        self.edges: list[tuple[int, int]] = []
        self.pushed: list[int] = []
        self.block = pio_model.Block()
        self.block.on_pin = lambda time, pin, level: self.edges.append((time, level))
        self.block.on_push = lambda time, machine: self.pushed.append(time)
        self.machine = pio_model.Machine(self.block)
        self.machine.program = program
        self.machine.pin = PIN
        self.machine.enable(0)

    def run(self, delay_ticks: int, width_ticks: int) -> tuple[int, int]:
        self.edges.clear()
        self.pushed.clear()
        machine = self.machine
        machine.rx.clear()
        machine.tx += [0xCAFE, delay_ticks - 2 | width_ticks - 2 << 16]
        self.block.flags = 1 << FLAG
        self.block.wake(0)
        while machine.next is not None:
            machine.step()
        (rise, high), (fall, low) = self.edges
        assert (high, low, len(self.pushed)) == (1, 0, 1)
        return rise - self.pushed[0], fall - rise


@pytest.mark.parametrize("name", NOTATION)
def test_words_are_those_of_another_assembler(shot: Any, name: str) -> None:
    require("adafruit_pioasm")
    import adafruit_pioasm

    program = getattr(shot, name)
    assert program.words == list(adafruit_pioasm.Program(NOTATION[name]).assembled)
    assert (program.wrap_target, program.wrap_top) == (0, len(program.words) - 1)


def test_all_programs_fit_into_one_block(shot: Any) -> None:
    assert sum(len(getattr(shot, name).words) for name in NOTATION) <= 32


def test_programs_begin_low_and_shift_right(shot: Any) -> None:
    assert shot.strike.set_init == fake_rp2.pio_words.OUT_LOW
    assert shot.strike.out_shiftdir == fake_rp2.pio_words.SHIFT_RIGHT


LONGEST = 2049
ENDS = [(2, 2), (65537, LONGEST)]
STEPS = [round(2 * 1.9**at) for at in range(15)]
SWEEP = [(STEPS[at], min(LONGEST, STEPS[(4 * at + 3) % 15])) for at in range(15)]


@pytest.mark.parametrize(("delay_ticks", "width_ticks"), ENDS + SWEEP)
def test_delay_and_width_exact_in_an_emulator(shot: Any, delay_ticks: int, width_ticks: int) -> None:
    assert run_outside(shot.strike.words, delay_ticks, width_ticks) == (delay_ticks, width_ticks)


@pytest.mark.parametrize("width_ticks", [LONGEST + 1, 4096, 14_400, 65_536, 65_537])
def test_no_width_is_longer_than_the_bound_whatever_is_asked_for(shot: Any, width_ticks: int) -> None:
    assert run_outside(shot.strike.words, 30, width_ticks)[1] <= LONGEST == frame.MAX_WIDTH_TICKS


def test_start_waits_for_the_flag_in_an_emulator(shot: Any) -> None:
    assert run_outside(shot.strike.words, 30, 40, GO) == (30, 40)


def test_every_delay_and_every_width_exact_in_the_model(shot: Any) -> None:
    struck = Struck(shot.strike)
    rest = list(range(2, 65538))
    random.Random(3).shuffle(rest)
    for delay_ticks, number in zip(range(2, 65538), rest, strict=True):
        width_ticks = 2 + number % (LONGEST - 1)
        assert struck.run(delay_ticks, width_ticks) == (delay_ticks, width_ticks)


def test_model_and_emulator_agree_on_random_shots(shot: Any) -> None:
    draw = random.Random(5)
    struck = Struck(shot.strike)
    for _ in range(20):
        ticks = draw.randrange(2, 700), draw.randrange(2, 700)
        assert struck.run(*ticks) == run_outside(shot.strike.words, *ticks)


def test_one_pulse_for_one_go(shot: Any) -> None:
    """Without a new go nothing follows: the program waits at its start, pin low."""
    struck = Struck(shot.strike)
    struck.run(10, 10)
    struck.machine.tx.append(0xCAFE)
    struck.machine.tx.append(0)
    struck.block.wake(1000)
    while struck.machine.next is not None:
        struck.machine.step()
    assert len(struck.edges) == 2
    assert struck.block.flags == 0


def test_tally_counts_what_it_is_told(shot: Any) -> None:
    struck = Struck(shot.tally)
    took = []
    for ticks in (0, 1, 999, 1_000_000):
        struck.machine.tx.append(ticks)
        struck.pushed.clear()
        struck.block.wake(0)
        begin = struck.machine.next
        while struck.machine.next is not None:
            struck.machine.step()
        took.append(struck.pushed[0] - begin)
        struck.machine.rx.clear()
    assert [later - earlier for earlier, later in pairwise(took)] == [1, 998, 999_001]
