"""The desk of an examination: keeps every act and ring the moment it happens, fits and judges, and goes on.

A ring is in the log before it is fitted, so that whatever breaks off loses nothing: `resume` finds it there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from coilbell.bench.examination.core import Asked, Prompt, State, next_prompt, state_of, taken_back
from coilbell.bench.examination.handover import entered, left
from coilbell.bench.facts.base import kept_text
from coilbell.bench.facts.examination import Act, Begin, Rang, parsed_act
from coilbell.bench.facts.finding import finding_facts
from coilbell.bench.facts.question import question_of
from coilbell.bench.learned.lent import reference_named
from coilbell.bench.log import FittedCapture, ItemLog, finding_of, fitted, take_back
from coilbell.bench.log.admission import utc_now
from coilbell.bench.log.rows import Item
from coilbell.errors import InputError
from coilbell.record import Connection, Record
from coilbell.terms import Step
from coilbell.winding import KINDS, Finding, Reference, kind_named

__all__ = ["Desk", "Striker", "Struck"]

Struck = Sequence[tuple[str, tuple[Record, ...]]]
"""Captures: what was struck, such as "capacitor A", and its records."""


class Striker(Protocol):
    """What strikes the winding."""

    def strike(
        self, connection: Connection, done: tuple[Step, ...], reference: Reference | None, *, small: bool
    ) -> Struck:
        """One ring with each test capacitor of the stage. Raises MeasurementError, MissingError."""


@dataclass
class Desk:
    """An item's examination, as its log has it. store: folder of references; prior: of a shorted turn."""

    drawer: ItemLog
    store: str | None = None
    prior: float | None = None
    finding: Finding | None = None
    """By all rings that count; None before the first."""
    _acts: list[tuple[int, Act]] = field(default_factory=list)

    def resume(self) -> Prompt:
        """Read what is kept; fit and judge what was not yet; returns what is asked next."""
        self._acts = self._kept()
        if self._judge():
            self._hand_over()
        return self.prompt

    @property
    def settled(self) -> bool:
        """False while a ring that counts is not fitted and judged yet, as when another face is at work."""
        state, log = state_of([act for _, act in self._kept()], self._standing()), self.drawer.log
        if not state.captures:
            return True
        item = self._item()
        heads = {head.id: head for head in log.capture_heads(item, None, every=True)}
        if any(number not in heads for number in state.captures):
            return False
        fits = {
            log.fits(one.id)[-1].id
            for one in heads.values()
            if one.test is not None and _counts(one.id, one.connection, state)
        }
        return any(set(old.fits) == fits for old in log.judgements(item))

    @property
    def stamp(self) -> tuple[object, ...]:
        """Another one when anything that the examination rests on has changed in the log."""
        item, log = self.drawer.item, self.drawer.log
        if item is None:
            return (self.drawer.name,)
        tables = ("examination_now", "capture_now", "judgement_now", "worksheet")
        rows = (f"SELECT count(*) AS n, max(id) AS last FROM {table} WHERE item_id = ?" for table in tables)
        return (self.drawer.name, *(tuple(log.base.rows(row, item.id)[0]) for row in rows))

    @property
    def state(self) -> State:
        """Where the examination stands."""
        return state_of([act for _, act in self._acts], self._standing())

    @property
    def prompt(self) -> Prompt:
        """What is asked next."""
        return next_prompt(self.state, self.finding.verdict if self.finding else None)

    def begin(self, what: str, *, in_circuit: bool) -> Prompt:
        """Begin, or begin afresh. what: name of a reference or of a kind. Raises InputError, MissingError."""
        kind = kind_named(what).name if what in KINDS else ""
        reference = "" if kind else what
        if reference:
            kind = reference_named(reference, self.store).kind.name
        with self.drawer.log.together():
            item = self.drawer.item or self.drawer.log.add_item(self.drawer.name, kind=kind)
            since = max((0, *self.drawer.log.numbers("capture", item)))
            self._keep(Begin(kind=kind, reference=reference, in_circuit=in_circuit, since=since))
        return self.resume()

    def act(self, act: Act) -> Prompt:
        """Keep one act; returns what is asked next."""
        self._keep(act)
        self.resume()
        self._hand_over()
        return self.prompt

    def strike(self, striker: Striker) -> Prompt:
        """Ring the winding as the stage asks; kept before it is fitted."""
        state = self.state
        struck = striker.strike(state.connection, state.done, self.reference(), small=state.smaller)
        log, item = self.drawer.log, self._item()
        with log.together():
            numbers = tuple(log.add_capture(item, records, words).id for words, records in struck)
            self._keep(Rang(captures=numbers))
        return self.resume()

    def back(self) -> str:
        """Take the last act back, with its rings; returns what it was, "" where there is none."""
        place = taken_back([act for _, act in self._acts], self._standing())
        if place is None:
            return ""
        number, act = self._acts[place]
        log, item = self.drawer.log, self._item()
        with log.together():
            for capture in act.captures if isinstance(act, Rang) else ():
                if capture in self._standing():
                    take_back(log, item, "capture", capture, "taken back in the examination")
            take_back(log, item, "examination", number)
            if isinstance(act, Rang):
                left(log, item)
        self.resume()
        return _words(act)

    def reference(self) -> Reference | None:
        """What the examination judges by, None for a kind alone."""
        begun = self.state.begun
        return (
            reference_named(begun.reference, self.store, self.drawer.log.path)
            if begun and begun.reference
            else None
        )

    def _keep(self, act: Act) -> None:
        log, item = self.drawer.log, self._item()
        with log.together():
            log.base.insert("examination", item_id=item.id, added_utc=utc_now(), entry=kept_text(act))

    def _kept(self) -> list[tuple[int, Act]]:
        item, log = self.drawer.item, self.drawer.log
        if item is None:
            return []
        rows = log.base.rows("SELECT id, entry FROM examination_now WHERE item_id = ? ORDER BY id", item.id)
        acts = [(row["id"], parsed_act(row["entry"], f"examination {row['id']} of the log")) for row in rows]
        begins = [place for place, (_, act) in enumerate(acts) if isinstance(act, Begin)]
        return acts[begins[-1] :] if begins else []

    def _standing(self) -> frozenset[int]:
        item = self.drawer.item
        return frozenset(self.drawer.log.numbers("capture", item) if item else ())

    def _item(self) -> Item:
        item = self.drawer.item
        if item is None:
            raise InputError(f"{self.drawer.name} is not in the log yet; say first what it is")
        return item

    def _rungs(self) -> list[FittedCapture]:
        """The rings that count, each with its fit; one that was never fitted is fitted and kept now."""
        state, log = self.state, self.drawer.log
        found = []
        for capture in log.captures(self._item()):
            if not _counts(capture.id, capture.connection, state):
                continue
            if capture.records[0].test_capacitor is None:
                continue
            kept = log.fits(capture)
            fit = kept[-1] if kept else log.add_fit(capture, fitted(capture.records, capture.label)[1])
            found.append(FittedCapture(capture.records, capture.label, fit.facts, capture.id, fit.id))
        return found

    def _hand_over(self) -> None:
        """At the end the ring goes into the item's worksheet, where one is open."""
        item = self.drawer.item
        if self.prompt.asked is Asked.END and self.finding is not None and item is not None:
            entered(self.drawer.log, item, finding_facts(self.finding, item.name))

    def _judge(self) -> bool:
        """Judge by all rings that count; True where the finding is new, and now kept."""
        state, self.finding = self.state, None
        if state.begun is None or not state.captures:
            return False
        reference = self.reference()
        question = question_of(prior=self.prior, kind=None if reference else state.begun.kind)
        rungs = self._rungs()
        self.finding = finding_of(question, [(one.facts, one.records[0]) for one in rungs], reference)
        fits = tuple(one.fit for one in rungs if one.fit is not None)
        log, item = self.drawer.log, self._item()
        if any(set(old.fits) == set(fits) for old in log.judgements(item)):
            return False
        log.add_judgement(item, question, finding_facts(self.finding, item.name), fits, reference)
        return True


def _counts(number: int, connection: str, state: State) -> bool:
    """True for a ring of the examination, and for one kept besides since it began whose stage is known."""
    others = state.begun is not None and number > state.begun.since
    return number in state.captures or (others and Connection(connection) is not Connection.UNKNOWN)


def _words(act: Act) -> str:
    step = getattr(act, "step", None)
    if step is not None:
        return f"{'done' if type(act).__name__ == 'Did' else 'skipped'}: {step}"
    return "the last ring" if isinstance(act, Rang) else "the last answer"
