"""firmware/shot.py on a chip in software, under CPython and under MicroPython: one file of cases."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from outside import require

ROOT = Path(__file__).resolve().parents[2]
BOARD = ROOT / "tests" / "board"
sys.path.append(str(BOARD))

import fake_rp2  # noqa: E402
import fake_rp2_cases  # noqa: E402

FOLDERS = [str(ROOT / "firmware"), str(ROOT / "host" / "coilbell" / "board")]


CASES = dict(fake_rp2_cases.CASES)


@pytest.mark.parametrize("name", CASES)
def test_shot(name):
    CASES[name](FOLDERS)


def test_shot_under_micropython():
    beside = shutil.which("micropython", path=Path(sys.executable).parent)
    micropython = beside or require("micropython")
    run = subprocess.run(
        [micropython, "-X", "heapsize=64m", str(BOARD / "fake_rp2_cases.py"), *FOLDERS],
        capture_output=True,
        text=True,
        cwd=BOARD,
        env={**os.environ, "MICROPYPATH": f"{BOARD}:.frozen"},
        # generous: the machine may be busy
        timeout=300,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    assert run.stdout.split() == list(CASES)


class TestFake:
    """The chip in software must notice what it is there to notice."""

    def world(self):
        return fake_rp2.enter(fake_rp2.World("rp2040"))

    def test_no_register(self):
        world = self.world()
        with pytest.raises(fake_rp2.Misuse):
            world.read32(world.adc + 0x40)
        with pytest.raises(fake_rp2.Misuse):
            world.write32(0x400A0000, 1)

    def test_clock_source_switched_while_it_runs(self):
        world = self.world()
        with pytest.raises(fake_rp2.Misuse):
            world.write32(world.clk, 1 << 11 | 1 << 5)

    def test_pll_changed_under_the_converter(self):
        world = self.world()
        world.write32(world.clk + 0x3000, 1 << 11)
        world.write32(world.clk, 1 << 5)
        world.write32(world.clk + 0x2000, 1 << 11)
        with pytest.raises(fake_rp2.Misuse):
            fake_rp2._Machine.freq(125_000_000)

    def test_abort_of_an_enabled_channel(self):
        self.world()
        dma = fake_rp2.DMA()
        dma.config(read=0, write=0, count=1, ctrl=dma.pack_ctrl(treq_sel=36), trigger=True)
        with pytest.raises(fake_rp2.Misuse):
            dma.active(0)

    def test_reading_into_a_fifo_in_use(self):
        world = self.world()
        world.write32(world.adc + 8, 1)
        with pytest.raises(fake_rp2.Misuse):
            fake_rp2.ADC(1).read_u16()
