"""What a page may have kept: rings in a reference, rings and notes in the bench log, a printed report."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from coilbell.bench.facts.question import question_of
from coilbell.bench.learned.lent import reference_named
from coilbell.bench.log import Log, fitted
from coilbell.bench.page.judgedshot import JudgedShot
from coilbell.bench.page.order import Keep, Mark, Note
from coilbell.bench.page.source import Wish
from coilbell.bench.shelf import Shelf
from coilbell.errors import InputError
from coilbell.quantities import counted
from coilbell.winding import Capture, Condition, Reference, guarded, kind_named, remarks

__all__ = ["Keeping"]


@dataclass(frozen=True, slots=True)
class Keeping:
    """The shelf of references and the bench log. folder, log: None for the usual places."""

    folder: Path | None = None
    log: Path | None = None

    @property
    def shelf(self) -> Shelf:
        """The references."""
        return Shelf(self.folder)

    def judged_by(self, name: str) -> Reference:
        """The reference of that name, as it is judged by. Raises MissingError, FileError,
        ReferenceMismatch."""
        return reference_named(name, self.folder, self.log)

    def mark(self, order: Mark, wish: Wish, shots: Sequence[JudgedShot]) -> str:
        """Add the last rings to a reference, made when it is new; returns what was done.

        Raises InputError without a ring, DoubtedUnit, ReferenceMismatch, FileError.
        """
        condition = Condition.SHORTED if order.how.strip() else Condition.GOOD
        captures = [
            Capture(order.unit, condition, shot.observation, order.how)
            for shot in shots
            if shot.observation is not None
        ]
        if not captures:
            raise InputError(_unstruck(wish, "mark"))
        shelf = self.shelf
        with shelf.alone(order.reference):
            if shelf.holds(order.reference):
                before = shelf.get(order.reference)
                after = before.having(guarded(before.kind, before, captures, anyway=order.anyway))
            else:
                kind = kind_named(wish.kind)
                held = guarded(kind, None, captures, anyway=order.anyway)
                after = Reference.begin(order.reference, kind.name, held)
            shelf.put(after)
        weak = remarks(after)
        told = f"; {weak[0]}" if weak else ""
        state = "good" if condition is Condition.GOOD else "shorted on purpose"
        return f"unit {order.unit} marked {state} in reference {order.reference} ({after.kind.name}){told}"

    def keep(self, order: Keep, wish: Wish, shots: Sequence[JudgedShot]) -> str:
        """Keep the last shot of each capacitor with its fit and finding; returns what was done."""
        from coilbell.bench.log import FittedCapture, keep

        if not shots:
            raise InputError(_unstruck(wish, "keep"))
        rungs = []
        for shot in shots:
            label = f"live page, shot {shot.number}, capacitor {shot.letter}"
            rungs.append(FittedCapture((shot.record,), label, fitted([shot.record], label)[1]))
        with Log(self.log) as log, log.together():
            item = log.item(order.item) if log.holds(order.item) else log.add_item(order.item)
            judgement = keep(log, item, rungs, shots[-1].reference, question_of(prior=wish.prior))
            if order.words.strip():
                log.add_note(item, order.words)
        ending = f", finding {judgement.explanation}" if judgement else ", no finding without a reference"
        return f"{counted(len(rungs), 'ring')} kept under {order.item}{ending}"

    def note(self, order: Note) -> str:
        """Add a note to an item, made when it is new; returns what was done."""
        with Log(self.log) as log, log.together():
            item = log.item(order.item) if log.holds(order.item) else log.add_item(order.item)
            log.add_note(item, order.words)
        return f"note added to {order.item}"

    def report(self, name: str, *, full: bool = False) -> str:
        """The item's printable page as HTML; full: the technician's.

        Raises InputError, FileError, MissingError.
        """
        from coilbell.bench.report import write_report

        with tempfile.TemporaryDirectory(prefix="coilbell-") as folder, Log(self.log, writable=False) as log:
            place = Path(folder, "report.html")
            write_report(log, log.item(name), place, full=full)
            return place.read_text(encoding="utf-8")


def _unstruck(wish: Wish, what: str) -> str:
    """A page may still show a ring that was struck before capacitor or connection were changed."""
    return f"nothing has been struck with {wish.words}; strike the winding, then {what} it"
