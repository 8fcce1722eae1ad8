"""Several writers of one reference at once: nothing that was acknowledged is lost."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from coilbell.bench.shelf import Shelf
from coilbell.errors import MissingError
from coilbell.record import Capacitor

A = Capacitor(22e-9)

WRITERS, UNITS = (int(n) for n in os.environ.get("COILBELL_WRITERS", "4x6").split("x"))
"""`COILBELL_WRITERS=8x50` is the full size; it takes minutes."""


WRITER = """
import sys, time
from pathlib import Path
from coilbell.bench.shelf import Shelf
from coilbell.record import Capacitor, Connection
from coilbell.winding import Capture, Condition, Observation, Reference, kind_named

folder, writer, units = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
seen = Observation(Capacitor(22e-9), 30e3, 45.0, 1e-5, 1e-4, 0.4, Connection.OUT_OF_CIRCUIT)
shelf = Shelf(folder / "shelf")
print("ready", flush=True)
sys.stdin.readline()
for k in range(units):
    with shelf.alone("yoke"):
        captures = [Capture(f"unit-{writer}-{k}", Condition.GOOD, seen)]
        if shelf.holds("yoke"):
            shelf.put(shelf.get("yoke").having(captures))
        else:
            shelf.put(Reference("yoke", kind_named("horizontal yoke"), tuple(captures)))
"""
"""One of several that write at once: a program of its own, which begins when it is told."""


def test_no_unit_is_lost(tmp_path: Path) -> None:
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path), str(n), str(UNITS)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for n in range(WRITERS)
    ]
    for writer in writers:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
    for writer in writers:
        assert writer.stdin is not None
        writer.stdin.write("\n")
        writer.stdin.flush()
    for writer in writers:
        writer.communicate()
    assert [writer.returncode for writer in writers] == [0] * WRITERS
    shelf = Shelf(tmp_path / "shelf")
    assert len(shelf.get("yoke").units()) == WRITERS * UNITS
    assert shelf.names() == ("yoke",)


def test_commands_add_one_after_the_other(tmp_path: Path) -> None:
    """As two technicians at one store, each in a process of their own."""
    from coilbell.bench.files.records import example

    words = [sys.executable, "-m", "coilbell", "reference", "add", "line", str(example("whole")), "--anyway"]
    more = ["--kind", "line-output transformer", "--store", str(tmp_path)]
    running = [
        subprocess.Popen(
            [*words, "--unit", f"unit-{n}", *more], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
        )
        for n in range(2)
    ]
    errors = [one.communicate()[1].decode() for one in running]
    codes = sorted(one.returncode for one in running)
    assert codes == [0, 2], errors
    assert any("this very ring" in error for error in errors), "the second sees what the first added"
    assert len(Shelf(tmp_path).get("line").units()) == 1


def test_a_writer_that_never_ends_is_told(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    waiting = Shelf(tmp_path, wait_s=0.1).alone("yoke")
    with shelf.alone("yoke"), pytest.raises(MissingError, match=r"yoke.*for more than 0.1 s"), waiting:
        pass
