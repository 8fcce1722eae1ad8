"""Several writers of one reference at once: nothing that was acknowledged is lost."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
from pathlib import Path

import pytest

from coilbell.bench.shelf import Shelf
from coilbell.errors import MissingError
from coilbell.record import Capacitor, Connection
from coilbell.winding import Capture, Condition, Observation, Reference, kind_named

A = Capacitor(22e-9)

WRITERS, UNITS = (int(n) for n in os.environ.get("COILBELL_WRITERS", "4x6").split("x"))
"""`COILBELL_WRITERS=8x50` is the full size; it takes minutes."""


def _capture(unit: str) -> Capture:
    return Capture(
        unit, Condition.GOOD, Observation(A, 30e3, 45.0, 1e-5, 1e-4, 0.4, Connection.OUT_OF_CIRCUIT)
    )


def _write(folder: str, writer: int, units: int, began: multiprocessing.synchronize.Barrier) -> None:
    shelf = Shelf(folder)
    began.wait()
    for k in range(units):
        with shelf.alone("yoke"):
            captures = [_capture(f"unit-{writer}-{k}")]
            if shelf.holds("yoke"):
                shelf.put(shelf.get("yoke").having(captures))
            else:
                shelf.put(Reference("yoke", kind_named("horizontal yoke"), tuple(captures)))


def test_no_unit_is_lost(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    began = context.Barrier(WRITERS)
    writers = [context.Process(target=_write, args=(str(tmp_path), n, UNITS, began)) for n in range(WRITERS)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [writer.exitcode for writer in writers] == [0] * WRITERS
    assert len(Shelf(tmp_path).get("yoke").units()) == WRITERS * UNITS
    assert Shelf(tmp_path).names() == ("yoke",)


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
