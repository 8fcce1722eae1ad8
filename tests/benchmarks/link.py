"""What the wire between board and host carries, and whether memory stays flat.

    python tests/benchmarks/link.py --captures 10000

The board is the virtual one: real firmware, TCP, converter and winding simulated, rests between shots left
out ("hurry"), so that nothing but the wire and both programs are measured.
"""

from __future__ import annotations

import argparse
import platform
import time
from pathlib import Path

from coilbell.board import Settings, Tester
from coilbell.board.selftest import decode_rate

USB_BYTES_PER_S = 0.5e6
PART = "virtual:?part=moss-choke&seed=1&hurry=1"
ONE = Settings(shots=1, samples=4096, pulse_s=1e-6)


def captures_per_second(name: str, seconds: float, shots: int = 8) -> float:
    """Shots of 4096 samples a second, asked for by eights."""
    asked = Settings(shots=shots, samples=4096, pulse_s=1e-6)
    with Tester.open(name) as tester:
        tester.capture(asked)
        begin, count = time.perf_counter(), 0
        while time.perf_counter() - begin < seconds:
            count += len(tester.capture(asked))
        return count / (time.perf_counter() - begin)


def resident_kb(process: int | str) -> int | None:
    """Memory of a process [KiB], where the system tells it."""
    try:
        status = Path(f"/proc/{process}/status").read_text(encoding="ascii")
    except OSError:
        return None
    return next((int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS")), None)


def children(process: int | str) -> list[int]:
    """Processes below, where the system tells them."""
    try:
        return [
            int(number)
            for task in Path(f"/proc/{process}/task").iterdir()
            for number in (task / "children").read_text(encoding="ascii").split()
        ]
    except OSError:
        return []


def memory(captures: int) -> None:
    """Memory of host, board process and firmware on the way through that many captures."""
    print(f"\nmemory over {captures} captures of 4096 samples [MiB]")
    print(f"{'captures':>10}{'host':>10}{'board':>10}{'firmware':>10}{'per s':>10}")
    with Tester.open(PART + "&pace=0") as tester:
        (board,) = children("self") or (0,)
        (firmware,) = children(board) or (0,)
        begin = time.perf_counter()
        for number in range(captures + 1):
            if number % max(1, captures // 10) == 0:
                sizes = [resident_kb(process) for process in ("self", board, firmware)]
                shown = "".join(f"{'-' if kb is None else f'{kb / 1024:.1f}':>10}" for kb in sizes)
                rate = number / (time.perf_counter() - begin) if number else 0
                print(f"{number:>10}{shown}{rate:>10.0f}", flush=True)
            tester.capture(ONE)
        tally = tester.tally
    print(f"{tally.frames} frames, {tally.damaged} damaged, {tally.retried} requests made again")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--captures", type=int, default=10_000)
    parser.add_argument("--seconds", type=float, default=5.0)
    options = parser.parse_args()
    print(f"{platform.python_implementation()} {platform.python_version()}, {platform.system()}")
    print("\nshots of 4096 samples over the virtual board's wire [per s]")
    for words, wish in (
        ("as fast as it goes, MicroPython", "&pace=0"),
        ("as fast as it goes, CPython", "&pace=0&interpreter=python"),
        ("paced like USB, 500 kB/s", "&pace=500000"),
        ("paced like the worst USB, 100 kB/s", "&pace=100000"),
    ):
        print(f"  {words:<40}{captures_per_second(PART + wish, options.seconds):>8.1f}", flush=True)
    rate = decode_rate()
    print(f"\nframes found and checked: {rate / 1e6:.0f} MB/s, {rate / USB_BYTES_PER_S:.0f} times 0.5 MB/s")
    memory(options.captures)


if __name__ == "__main__":
    main()
