"""A log of invented repairs: windings drawn from the catalogue of simulated parts, rung by the circuit alone,
fitted and judged as on a bench, with an end that its finder is as often wrong about as he states.

Nothing in it was measured: records and findings say "simulated board", items "invented". For the demo and for
tests; the same seed makes the same repairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from coilbell.bench.audit.cases import SIMULATED
from coilbell.bench.facts.outcome import NEVER_KNOWN, USUALLY_SURE
from coilbell.bench.facts.question import question_of
from coilbell.bench.log import (
    Log,
    LogKeeper,
    add_outcome,
    fitted,
    judged,
    outcome_of,
)
from coilbell.bench.log.rows import Item
from coilbell.bench.worksheet.sheet import begin, observe, opened
from coilbell.board.simulation import Winding, catalogue
from coilbell.isolate import chances, odds, plan, seen, shipped
from coilbell.record import Capacitor, Connection, Record
from coilbell.winding import Capture, Condition, Reference
from coilbell.winding import observe as observed

__all__ = ["REPAIRS", "invented_log"]

One = TypeVar("One")

REPAIRS = 60
"""Repairs of the demo's log."""

_PARTS = (("tarn-line-split", 8), ("moss-switcher", 3), ("fell-choke", 2), ("tarn-line-single", 1))
"""Parts of the catalogue, and good units on the shelf of each."""

_STATES = (
    ("healthy", "sound", 0.45),
    ("turn-dead", "shorted-turn", 0.2),
    ("turn-1-ohm", "leaky-turn", 0.1),
    ("loaded", "load", 0.1),
    ("gap-halved", "core", 0.08),
    ("capacitance-added", "capacitance", 0.05),
    ("open", "open", 0.02),
)
"""State of a simulated winding, what a finder calls it, and how often it is met; invented."""

_SURE = ((USUALLY_SURE, 0.7), (0.9, 0.2), (0.7, 0.1))
"""How sure finders are, and how often; invented."""

_UNKNOWN = 0.05
"""Part of repairs whose end nobody learns; invented."""

_TESTS = 4
"""Readings on a worksheet before a part is replaced; invented."""

_CAPACITOR = Capacitor(22e-9, 0.01, "A")
_RATE_HZ, _SAMPLES, _PRETRIGGER, _PULSE_S, _NOISE_V = 500e3, 640, 64, 2e-6, 2e-4
"""How a ring is taken: few samples, so that sixty fits take a few seconds."""

_BOARD = "virtual bench of invented repairs"


@dataclass(slots=True)
class _Bench:
    """The invented bench. references: by part."""

    log: Log
    rng: np.random.Generator
    references: dict[str, Reference]

    def repair(self, number: int, part: str) -> None:
        """One repair, from the ring to its end."""
        possible = [row for row in _STATES if row[0] in catalogue.states(part)]
        state, truth, _ = self._drawn(possible, [share for _, _, share in possible])
        kind = self.references[part].kind.name
        name = f"repair-{number:03}"
        item = self.log.add_item(name, equipment="invented set", part=f"{part} (invented)", kind=kind)
        unit = int(self.rng.integers(1_000_000))
        inside = self._inside(part, state)
        if inside and self.rng.random() < 0.3:
            self._judge(item, part, unit, inside, Connection.IN_CIRCUIT)
        self._judge(item, part, unit, state, Connection.OUT_OF_CIRCUIT)
        self._end(item, part, truth)

    def _inside(self, part: str, state: str) -> str:
        """The same winding in its set, "" where the catalogue has no such set."""
        name = "in-circuit" if state == "healthy" else f"{state}-in-circuit"
        return name if name in catalogue.states(part) else ""

    def _judge(self, item: Item, part: str, unit: int, state: str, where: Connection) -> None:
        record = self.ring(part, unit, state, where)
        facts = fitted([record], item.name)[1]
        question, reference = question_of(), self.references[part]
        found = judged(question, [(facts, record)], reference, f"{item.name} ({SIMULATED})")
        capture = self.log.add_capture(item, [record], f"{item.name} {where}")
        self.log.add_judgement(item, question, found, [self.log.add_fit(capture, facts)], reference)

    def ring(self, part: str, unit: int, state: str, where: Connection) -> Record:
        """One shot at one unit."""
        world = Winding(catalogue.part(part, unit), state)
        volts = world.ring(_CAPACITOR.farads, _PULSE_S, _RATE_HZ, _SAMPLES, _PRETRIGGER)
        return Record(
            samples=volts + self.rng.normal(0, _NOISE_V, volts.size),
            rate_hz=_RATE_HZ,
            volts_per_count=1.0,
            pretrigger=_PRETRIGGER,
            pulse_s=_PULSE_S,
            test_capacitor=_CAPACITOR,
            connection=where,
            board=_BOARD,
        )

    def _end(self, item: Item, part: str, truth: str) -> None:
        """The end as its finder tells it: wrong as often as he is not sure."""
        if self.rng.random() < _UNKNOWN:
            add_outcome(self.log, item, outcome_of(self.log, item, NEVER_KNOWN))
            return
        sure = self._drawn([one for one, _ in _SURE], [share for _, share in _SURE])
        named = [name for _, name, _ in _STATES]
        if part.startswith("tarn-line") and truth in ("sound", "shorted-turn"):
            truth = self._worksheet(item, truth)
            named = list(shipped()["CRT monitor"].keys)
        if self.rng.random() > sure:
            truth = str(self.rng.choice([name for name in named if name != truth]))
        how = "invented: replaced, set runs" if truth != "sound" else "invented: runs in another set"
        add_outcome(self.log, item, outcome_of(self.log, item, truth, how=how, sure=sure))

    def _worksheet(self, item: Item, truth: str) -> str:
        """A worksheet with a few readings as they are likely under its true cause, which is returned."""
        kind = shipped()["CRT monitor"]
        others = [one for one in kind.hypothesis if one.key not in ("shorted-turns", "rectifier", "unknown")]
        cause = "shorted-turns"
        if truth == "sound":
            cause = self._drawn([one.key for one in others], [one.prior for one in others])
        keeper = LogKeeper(self.log, item)
        sheet = begin(keeper, kind, "none")
        for _ in range(_TESTS):
            proposals = plan(kind, odds(kind, sheet.evidence), sheet.evidence, "none")
            if not proposals:
                break
            step = kind.step_named(proposals[0].step)
            row = chances(kind, step)[kind.keys.index(cause)]
            outcome = step.outcome[int(self.rng.choice(row.size, p=row / row.sum()))].key
            observe(keeper, sheet, seen(step, outcome), [outcome])
            sheet = opened(keeper)
        return cause

    def _drawn(self, ones: Sequence[One], shares: Sequence[float]) -> One:
        weights = np.array(shares)
        return ones[int(self.rng.choice(len(ones), p=weights / weights.sum()))]


def invented_log(log: Log, seed: int = 1, repairs: int = REPAIRS) -> None:
    """Add that many invented repairs to a log, the same ones for the same seed."""
    bench = _Bench(log, np.random.default_rng(seed), {})
    for part, units in _PARTS:
        bench.references[part] = _reference(bench, part, units)
    for number in range(1, repairs + 1):
        with log.together():
            bench.repair(number, _PARTS[number % len(_PARTS)][0])


def _reference(bench: _Bench, part: str, units: int) -> Reference:
    captures = []
    for number in range(1, units + 1):
        record = bench.ring(part, 10_000_000 + number, "healthy", Connection.OUT_OF_CIRCUIT)
        seen_ring = observed(fitted([record])[0], record)
        captures.append(Capture(f"unit-{number}", Condition.GOOD, seen_ring))
    return Reference.begin(f"{part}-invented", catalogue.part(part).kind, captures, "invented, simulated")
