"""Start-up and the way back, with `shot` and the standard streams replaced."""

import sys

import main
from benchtop import Benchtop, Host, frames, raises

import board


class FakeConsole:
    Console = staticmethod(lambda *streams: None)


class FakeMicropython:
    kbd_intr = staticmethod(lambda char: None)


class FakeShot:
    """Stands for the module shot."""

    def __init__(self, held=False, fault=None, start_fault=None):
        self.log = []
        self.held = held
        self.fault = fault
        self.start_fault = start_fault
        self.hardware = None

    def bootsel_held(self):
        return self.held

    def Hardware(self):  # noqa: N802
        outer = self

        class Started(Benchtop):
            def start(self):
                outer.log.append("start")
                if outer.start_fault:
                    raise outer.start_fault

            def close(self):
                outer.log.append("close")

        self.log.append("made")
        self.hardware = Started()
        return self.hardware


def started(shot):
    """What main did, and said, with `shot` as the module of that name."""
    said = []
    kept = {name: sys.modules.get(name) for name in ("shot", "console", "micropython")}
    kept_run = main.run

    def run(hardware, console):
        shot.log.append("run")
        if shot.fault:
            raise shot.fault

    sys.modules["shot"] = shot
    sys.modules["console"] = FakeConsole
    sys.modules["micropython"] = FakeMicropython
    main.run = run
    main.print = lambda *words: said.append(" ".join(words))
    try:
        main.main()
    finally:
        main.run = kept_run
        del main.print
        for name in kept:
            if kept[name] is None:
                del sys.modules[name]
            else:
                sys.modules[name] = kept[name]
    return said


def test_nothing_is_touched_with_bootsel_held():
    shot = FakeShot(held=True)
    assert "BOOTSEL" in started(shot)[0]
    assert shot.log == []


def test_the_end_of_the_stream_closes_the_hardware():
    shot = FakeShot()
    assert started(shot) == []
    assert shot.log == ["made", "start", "run", "close"]


def test_ctrl_c_leads_to_the_prompt_with_everything_closed():
    shot = FakeShot(fault=KeyboardInterrupt())
    assert "Ctrl-C" in started(shot)[0]
    assert shot.log == ["made", "start", "run", "close"]


def test_ctrl_c_while_starting():
    shot = FakeShot(start_fault=KeyboardInterrupt())
    started(shot)
    assert shot.log == ["made", "start", "close"]


def test_a_fault_is_not_hidden_and_everything_is_closed():
    shot = FakeShot(fault=ValueError("odd"))
    raises(ValueError, started, shot)
    assert shot.log == ["made", "start", "run", "close"]


def test_run_serves_until_the_stream_ends():
    host = Host(b"hello id=1\n")
    main.run(Benchtop(), host, "constants-of-no-board.txt")
    assert len(frames(host.got)) == 3


def test_pins_are_distinct():
    pins = [board.PULSE_PIN, 26 + board.RING_CHANNEL, 26 + board.LEAD_CHANNEL] + [
        row[1] for row in board.CAPACITORS
    ]
    assert len(set(pins)) == len(pins)
