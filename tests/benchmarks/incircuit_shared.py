"""The examinations of an independent circuit simulation in ../shared/in-circuit, every ladder fitted here.

Those whose rings do not fold are judged; there is no 100 nF among these captures.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.examinations import STRAY, Exam, Truth
from coilbell.decay import fit
from coilbell.errors import CoilbellError
from coilbell.record import Capacitor, Connection, Loading, Record, WideCode
from coilbell.terms import Step
from coilbell.winding import Capture, Condition, Observation, Reference, observe

__all__ = ["FOLDER", "captures_of_session", "done_at", "record_of", "reference_of_session", "shared"]

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "in-circuit"
HIGHEST_HZ = 240e3
"""Frequency above which a ring folds at these captures' rate [Hz]."""

_KIND = {"lopt": "diode-split transformer", "smps": "switch-mode transformer"}
_STEPS: dict[int, tuple[Step, ...]] = {
    0: (),
    1: (Step.YOKE_OFF,),
    2: (Step.YOKE_OFF, Step.TUBE_BASE_OFF),
    # These sets have no coil on a winding (SCHEMA.md), which is what lifting them would leave.
    3: (Step.YOKE_OFF, Step.TUBE_BASE_OFF, Step.RETURN_LIFTED, Step.COILS_OFF),
}

Row = dict[str, Any]


def rows_of(folder: Path) -> list[Row]:
    """The manifest's captures, truth included."""
    return list(json.loads((folder / "manifest.json").read_text())["captures"])


def shared(folder: Path) -> Iterator[Exam]:
    """The examinations whose rings do not fold."""
    rows = rows_of(folder)
    for family in sorted({row["family"] for row in rows}):
        mine = [row for row in rows if row["family"] == family]
        reference = _reference(family, [r for r in mine if r["role"] != "test"], folder)
        for session in sorted({r["session"] for r in mine if r["role"] == "test"}):
            exam = _exam(family, reference, [r for r in mine if r["session"] == session], folder)
            if exam is not None:
                yield exam


def _session(folder: Path) -> list[Row]:
    """The first test in a set with four stages."""
    rows = [r for r in rows_of(folder) if r["role"] == "test"]
    first = next(r["session"] for r in rows if r["step_index"] == 3)
    return [r for r in rows if r["session"] == first]


def captures_of_session(folder: Path) -> list[list[list[Record]]]:
    """Its ladders, each a list of records, by stage."""
    mine = sorted(_session(folder), key=lambda r: (-r["C_t"], r["rung_v"]))
    capacitors = sorted({r["C_t"] for r in mine}, reverse=True)
    return [
        [[record_of(r, folder) for r in mine if (r["C_t"], r["step_index"]) == (c, k)] for c in capacitors]
        for k in range(len(_STEPS))
    ]


def reference_of_session(folder: Path) -> Reference:
    """What it is judged by."""
    family = _session(folder)[0]["family"]
    rows = [r for r in rows_of(folder) if r["family"] == family and r["role"] != "test"]
    return _reference(family, rows, folder)


def done_at(number: int) -> tuple[Step, ...]:
    """What had been done at the stage of that number."""
    return _STEPS[number]


def record_of(row: Row, folder: Path) -> Record:
    """One capture as a tester that knows its wide codes would hand it over."""
    codes = np.load(folder / row["file"])["adc"]
    return Record(
        samples=codes.astype(int),
        rate_hz=row["fs"],
        volts_per_count=row["lsb_v"],
        full_scale=(0, 4095),
        # As a check of the board finds them.
        wide_codes=tuple(WideCode(code, 3.0, 0.5) for code in (512, 1536, 2560, 3584)),
        resolution=1.0,
        pretrigger=row["pretrigger"],
        pulse_s=row["pulse_s"],
        test_capacitor=Capacitor(row["C_t"], 0.01),
        loading=Loading(4e-8, STRAY),
    )


def _ladder(rows: Sequence[Row], folder: Path, done: tuple[Step, ...]) -> Observation:
    rows = sorted(rows, key=lambda r: r["rung_v"])
    records = [record_of(row, folder) for row in rows]
    where = Connection.IN_CIRCUIT if rows[0]["in_circuit"] else Connection.OUT_OF_CIRCUIT
    return replace(observe(fit(records), records[0], connection=where), done=done)


def _reference(family: str, rows: Sequence[Row], folder: Path) -> Reference:
    captures = []
    for unit, farads, how in sorted({(r["unit"], r["C_t"], r.get("deliberate_short") or "") for r in rows}):
        asked = (unit, farads, how)
        mine = [r for r in rows if (r["unit"], r["C_t"], r.get("deliberate_short") or "") == asked]
        own = [r for r in mine if r["rung_v"] < 0.3] or mine
        try:
            seen = _ladder(own, folder, ())
        except CoilbellError:
            continue
        if seen.rings and not (how and (seen.q or 0) < 0.8):
            captures.append(Capture(unit, Condition.SHORTED if how else Condition.GOOD, seen, how))
    return Reference.begin(family, _KIND[rows[0]["family_kind"]], captures)


def _exam(family: str, reference: Reference, rows: Sequence[Row], folder: Path) -> Exam | None:
    truth = rows[0]["truth"]
    label = truth["label"]
    if any((r["truth"]["f_hz"] or 0) > HIGHEST_HZ for r in rows):
        return None
    leaky = any(name in label for name in ("t1_0.1", "t1_1", "eht_1t"))
    rectifier = "rect_short" in label
    told = Truth(family, label, label, not truth["winding_short"], leaky, rectifier)
    # Of these only a turn through 10 ohm hides.
    exam = Exam(told, reference, shows=not told.sound and "t1_10" not in label)
    last = max(r["step_index"] for r in rows)
    for index in sorted({r["step_index"] for r in rows}):
        done = _STEPS[index]
        if index == last and not rectifier:
            done, exam.proven = (*done, Step.RECTIFIERS_TESTED), True
        here = [r for r in rows if r["step_index"] == index]
        exam.stages.append(
            [
                _ladder([r for r in here if r["C_t"] == c], folder, done)
                for c in sorted({r["C_t"] for r in here}, reverse=True)
            ]
        )
    return exam
