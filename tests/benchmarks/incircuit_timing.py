"""How long deciding in circuit takes: ladders and posterior beside plain fits of the same captures, and the
capture of a whole ladder at a real board's rates, counted on the virtual one, with the fits it aims by."""

from __future__ import annotations

import importlib.util
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType
from typing import Any

from benchmarks.incircuit_shared import FOLDER, captures_of_session, done_at, reference_of_session
from coilbell.board import Settings, Tester
from coilbell.commands.ladder import IN_CIRCUIT_VOLTS, climb, plan
from coilbell.decay import fit
from coilbell.record import Connection, Record
from coilbell.winding import find, observe

__all__ = ["print_timing"]

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
USB_BYTES_PER_S = 0.5e6
"""What full-speed USB carries at least (tests/benchmarks/link.py)."""
RATE_HZ = 500e3
PORTS = {
    "line-output, usual pair": "virtual:?part=line-set-3&seed=5&hurry=1&state=in-set",
    "switch-mode, rings high": "virtual:?part=switch-set-2&seed=5&hurry=1&state=in-set",
    "leaky damper, 500 mV too": "virtual:?part=line-set-3&seed=5&hurry=1&done=yoke-off,tube-base-off"
    "&state=in-set,damper-leaky",
}


def print_timing() -> None:
    """Both tables."""
    print("\n## time")
    if FOLDER.is_dir():
        print_ratio()
    else:
        print("  SKIPPED: no ../shared/in-circuit beside the project")
    for words, port in PORTS.items():
        told = ladder_time(port)
        print(
            f"  {words}: whole ladder with two capacitors, {told.shots} shots in {told.requests} requests: "
            f"board {told.board_s:.1f} s, host {told.host_s:.1f} s of one processor   [goal: 5 s together]"
        )


def print_ratio() -> None:
    """Ladders and posterior of four stages over plain fits of the same 32 captures."""
    stages, reference = captures_of_session(FOLDER), reference_of_session(FOLDER)
    records = [[r for ladder in stage for r in ladder] for stage in stages]

    def plain() -> None:
        for one in [r for stage in records for r in stage]:
            fit(one)

    def whole() -> None:
        seen = []
        for number, stage in enumerate(stages):
            for ladder in stage:
                told = observe(fit(ladder), ladder[0], connection=Connection.IN_CIRCUIT)
                seen.append(replace(told, done=done_at(number)))
        find(seen, reference)

    whole()  # what is computed once and kept
    alone, together = _seconds(plain), _seconds(whole)
    print(
        f"  ladders and posterior of 4 stages, 8 ladders of 4 rungs: {together:.2f} s; plain fits of the "
        f"same captures {alone:.2f} s; ratio {together / alone:.2f}   [goal 5]"
    )


def _seconds(work: Callable[[], None], times: int = 3) -> float:
    """Middle of some runs, in processor seconds, so that other work on the machine counts little."""
    taken = []
    for _ in range(times):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return statistics.median(taken)


@dataclass(slots=True)
class Counted:
    """Shots and requests of a ladder, and what they take."""

    shots: int = 0
    requests: int = 0
    board_s: float = 0.0
    host_s: float = 0.0


class _Counting:
    """A tester that adds up what a real board would take: rests, lead readings, samples, the wire."""

    def __init__(self, tester: Tester) -> None:
        self.tester, self.told, self.letter = tester, Counted(), ""
        self._board = _firmware("board")
        self._values = tester._values
        tester._values = self._counted_values  # type: ignore[method-assign, assignment]
        self._capture = tester.capture
        tester.capture = self._counted_capture  # type: ignore[method-assign, assignment]

    def _shot(self, samples: int, bytes_sent: float) -> float:
        """Seconds from one shot to the next."""
        board = self._board
        # The board sends a shot while it rests, which counts from the shot's end (firmware/interlock.py).
        rest = max(board.REST_MS / 1e3, bytes_sent / USB_BYTES_PER_S)
        return max(rest + board.LEAD_READINGS / 1e3 + samples / RATE_HZ, 1 / board.MAX_SHOTS_PER_S)

    def _counted_capture(self, settings: Settings, *rest: Any) -> tuple[Record, ...]:
        began = time.process_time()
        found = self._capture(settings, *rest)
        self.host_away(began)
        samples = settings.samples or 4096
        shots = settings.shots * settings.interleave
        self._add(shots, shots * self._shot(samples, 2.0 * samples), settings.capacitor)
        return found

    def _counted_values(self, kind: int, name: str, **asked: Any) -> Any:
        told = self._values(kind, name, **asked)
        if name == "aim":
            shots = int(told.number("shots"))
            self._add(shots, shots * self._shot(int(asked["samples"]), 0.0), str(asked["capacitor"]))
        return told

    def _add(self, shots: int, seconds: float, letter: str) -> None:
        self.told.shots += shots
        self.told.requests += 1
        self.told.board_s += seconds + (self._board.SETTLE_MS / 1e3 if letter != self.letter else 0.0)
        self.letter = letter

    def host_away(self, began: float) -> None:
        """Time spent reading frames is the wire's, counted there."""
        self.told.host_s -= time.process_time() - began


def ladder_time(port: str) -> Counted:
    """What `capture --ladder` takes on this virtual port, had its board a real one's rates."""
    with Tester.open(port) as tester:
        counting = _Counting(tester)
        settings = Settings(aim_v=IN_CIRCUIT_VOLTS, connection=Connection.IN_CIRCUIT)
        began = time.process_time()
        chosen = plan(tester, settings)
        for one in chosen.settings:
            climb(tester, one, chosen.noise_v, None)
        counting.told.host_s += time.process_time() - began
    return counting.told


def _firmware(name: str) -> ModuleType:
    """A module of the firmware that is nothing but figures."""
    spec = importlib.util.spec_from_file_location(f"firmware_{name}", FIRMWARE / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
