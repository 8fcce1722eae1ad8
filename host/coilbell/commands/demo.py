"""`coilbell demo`: one afternoon in an invented workshop, from suspicion to finding, without any hardware.

Everything is computed as at a real bench: a virtual board runs the tester's firmware against simulated
windings, its records are fitted and judged, and all of it goes into a bench log of its own.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilbell.commands.options import show
from coilbell.errors import InputError, MissingError

if TYPE_CHECKING:
    from coilbell.bench.facts.finding import FindingFacts
    from coilbell.bench.facts.fit import FitFacts
    from coilbell.bench.log import FittedCapture, Log
    from coilbell.record import Record
    from coilbell.winding import Capture, Reference

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  coilbell demo
  coilbell demo --folder /tmp/look --json

Writes a bench log, records, a reference, pictures and a report into
./coilbell-demo (or --folder), which must not exist yet. Workshop, sets and
parts are invented; the computing is real. Takes less than half a minute.
"""

_PART = "tarn-line-split"
_NAME = "tarn-21-line"
_KIND = "diode-split transformer"
_GOOD = (11, 12, 13)
"""Seeds of the good units on the shelf."""
_SUSPECT = 27
_REPAIRS = "sixty-repairs.sqlite"
_SAMPLES = 1536
_SHOTS = 2


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coilbell demo`."""
    parser.add_argument("--folder", metavar="DIR", default="coilbell-demo", help="new folder to write to")
    parser.add_argument("--json", action="store_true", help="the finding as one JSON object instead of text")
    parser.epilog = _EXAMPLES


def run(options: argparse.Namespace) -> int:
    """Play the afternoon; returns 0."""
    from coilbell.bench.facts.base import json_line
    from coilbell.bench.log import Log
    from coilbell.bench.words.finding import finding_text

    folder = Path(options.folder)
    if folder.exists():
        raise InputError(f"{folder} exists and is left as it is; remove it, or give --folder another name")
    try:
        (folder / "records").mkdir(parents=True)
    except OSError as error:
        raise MissingError(
            f"{folder}: cannot be made: {error.strerror or error}; give --folder DIR"
        ) from error
    try:
        with Log(folder / "bench-log.sqlite") as log:
            facts = _Afternoon(folder, log).play()
    except BaseException:
        # Half an afternoon helps nobody, and would stand in the way of the next one.
        shutil.rmtree(folder, ignore_errors=True)
        raise
    show(json_line(facts) if options.json else f"\n{finding_text(facts)}\n\n{_ending(folder)}")
    return 0


def _ending(folder: Path) -> str:
    from coilbell.bench.words.fit import quoted

    def place(*parts: str) -> str:
        return quoted(str(folder.joinpath(*parts)))

    return "\n".join(
        [
            f"Open next:  {folder / 'report.html'}   the page a customer would get",
            "Then try:",
            f"  coilbell log show suspect --log {place('bench-log.sqlite')}",
            f"  coilbell log audit --log {place(_REPAIRS)}",
            f"  coilbell judge {place('records', 'suspect-out-A.json')} \\",
            f"      --reference {_NAME} --store {place('references')}",
            f"  coilbell fit {place('records', 'suspect-in-circuit-A.json')} \\",
            "      --picture ring.png",
        ]
    )


@dataclass(slots=True)
class _Afternoon:
    """The scenario; pulses: width found for each capacitor by the first aim [s]."""

    folder: Path
    log: Log
    pulses: dict[str, float] = field(default_factory=dict)

    def play(self) -> FindingFacts:
        """From suspicion to finding; returns the finding's facts."""
        _say("An invented workshop, Tarn Lane. A Tarn 21 set trips after a second; its scarce")
        _say("line-output transformer is under suspicion. All boards and windings are virtual.")
        reference = self._reference()
        item = self.log.add_item(
            "suspect",
            equipment="Tarn 21 set (invented)",
            part=f"{_KIND} {_NAME} (invented)",
            kind=_KIND,
            serial="TL-0427",
        )
        self.log.add_note(item, "set trips after a second; picture narrows first")
        self._in_circuit(item, reference)
        facts = self._out_of_circuit(item, reference)
        self._show(item, reference)
        self._repairs()
        return facts

    def _reference(self) -> Reference:
        from coilbell.bench.shelf import Shelf
        from coilbell.winding import Condition, Reference

        _say("\n1. A reference: three good units from the shelf, two test capacitors each")
        captures: list[Capture] = []
        for number, seed in enumerate(_GOOD, start=1):
            unit = f"unit-{number}"
            captures += self._captures(unit, seed, "healthy", Condition.GOOD)
        _say("   and one of them with a loop of wire closed round its core")
        captures += self._captures("unit-1", _GOOD[0], "external-loop", Condition.SHORTED)
        made = Reference.begin(_NAME, _KIND, captures, "invented workshop, virtual windings")
        Shelf(self.folder / "references").put(made)
        return made

    def _captures(self, unit: str, seed: int, state: str, condition: Any) -> list[Capture]:
        from coilbell.winding import Capture, Condition, observe

        how = "one-turn loop of 1 mm wire" if condition is Condition.SHORTED else ""
        name = f"{unit}-shorted" if how else unit
        item = self.log.add_item(name, part=f"{_KIND} {_NAME} (invented)", kind=_KIND)
        found = []
        for rung in self._rung(name, seed, state, "AB"):
            seen = observe(rung.facts, rung.records[0])
            found.append(Capture(unit, condition, seen, how))
            self._keep(item, [rung])
        return found

    def _in_circuit(self, item: Any, reference: Reference) -> None:
        _say("\n2. The suspect in its set, plug pulled, capacitors drained, yoke still plugged")
        state = "turn-dead-in-circuit-yoke-heater-cold"
        self._judged(item, self._rung("suspect-in-circuit", _SUSPECT, state, "A"), reference)
        _say("   In circuit a bad ring convicts nothing. Unplug what unplugs and ring again:")
        self._judged(item, self._rung("suspect-unplugged", _SUSPECT, "turn-dead-in-circuit", "A"), reference)

    def _out_of_circuit(self, item: Any, reference: Reference) -> FindingFacts:
        _say("\n3. It still rings badly, so it comes out: on the bench, two test capacitors")
        rungs = self._rung("suspect-out", _SUSPECT, "turn-dead", "AB")
        return self._judged(item, rungs, reference)

    def _judged(self, item: Any, rungs: Sequence[FittedCapture], reference: Reference) -> FindingFacts:
        judgement = self._keep(item, rungs, reference)
        _say(f"   -> {judgement.explanation}")
        facts: FindingFacts = judgement.facts
        return facts

    def _keep(self, item: Any, rungs: Sequence[FittedCapture], reference: Reference | None = None) -> Any:
        from coilbell.bench.log import keep

        return keep(self.log, item, rungs, reference)

    def _rung(self, name: str, seed: int, state: str, letters: str) -> list[FittedCapture]:
        """Rings with the test capacitors of those letters, written as record files and fitted."""
        from coilbell.bench.files.records import write
        from coilbell.bench.log import FittedCapture, fitted

        found = []
        for letter, records in self._rings(seed, state, letters):
            label = f"{name}-{letter}"
            write(records, self.folder / "records" / f"{label}.json")
            facts = fitted(records, label)[1]
            _say(f"   {label:<21} {_figures(facts)}")
            found.append(FittedCapture(records, label, facts))
        return found

    def _rings(self, seed: int, state: str, letters: str) -> list[tuple[str, tuple[Record, ...]]]:
        """What the virtual board captures from one unit, all with the pulse width first aimed at."""
        from coilbell.board import Settings, Tester
        from coilbell.record import Connection

        where = Connection.IN_CIRCUIT if "in-circuit" in state else Connection.OUT_OF_CIRCUIT
        found = []
        with Tester.open(f"virtual:?part={_PART}&state={state}&seed={seed}&pace=0") as tester:
            for letter in letters:
                settings = Settings(
                    capacitor=letter,
                    shots=_SHOTS,
                    samples=_SAMPLES,
                    pretrigger=64,
                    pulse_s=self.pulses.get(letter),
                    connection=where,
                    note="virtual board, invented winding",
                )
                records = tuple(tester.capture(settings))
                width = records[0].pulse_s
                if width is not None:
                    self.pulses.setdefault(letter, width)
                found.append((letter, records))
        return found

    def _show(self, item: Any, reference: Reference) -> None:
        from coilbell.bench.report import write_report

        _say("\n4. Pictures and a report")
        write_report(self.log, item, self.folder / "report.html", self.folder / "report.pdf")
        self._draw(item, reference)

    def _repairs(self) -> None:
        """What the odds of many findings were worth, once it was known what the parts were in the end."""
        from coilbell.bench.audit import audit, invented_log
        from coilbell.bench.log import Log
        from coilbell.bench.pictures.decay import save
        from coilbell.bench.pictures.reliability import reliability_picture

        _say("\n5. Sixty more invented repairs, simulated: what the odds were worth in the end")
        with Log(self.folder / _REPAIRS) as log:
            invented_log(log)
            facts = audit(log)
        for said in facts.said:
            share = said.right
            _say(
                f"   said {said.headline!r} of {said.items}: right in {100 * (share.share or 0):.0f} % "
                f"({100 * share.low:.0f} to {100 * share.high:.0f})"
            )
        save(reliability_picture(facts), self.folder / "odds.png")

    def _draw(self, item: Any, reference: Reference) -> None:
        from coilbell.bench.log import finding_of, fitted
        from coilbell.bench.pictures.decay import decay_picture, save
        from coilbell.bench.pictures.plane import plane_picture

        capture = next(c for c in self.log.captures(item) if c.label == "suspect-out-A")
        found, _ = fitted(capture.records, capture.label)
        save(decay_picture(found, capture.records[0], title=capture.label), self.folder / "decay.png")
        told = self.log.judgements(item)[-1]
        rings = []
        for number in told.fits:
            fit = self.log.fit(number)
            rings.append((fit.facts, self.log.capture(fit.capture_id).records[0]))
        finding = finding_of(told.question, rings, reference)
        save(plane_picture(finding, reference, title=f"reference {_NAME}"), self.folder / "plane.png")


def _figures(facts: FitFacts) -> str:
    from coilbell.bench.words.fit import shown

    if not facts.rings:
        return "no ring"
    mode = facts.main
    return f"{shown(mode.frequency_hz, 'Hz'):<17} Q {shown(mode.q)}"


def _say(line: str) -> None:
    """The story goes to stderr, so that stdout holds the finding alone."""
    print(line, file=sys.stderr, flush=True)
