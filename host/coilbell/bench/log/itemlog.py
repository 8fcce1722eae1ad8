"""One item's place in the log: rings are put into it, and questions are asked of those that are there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.item import KeptFacts
from coilbell.bench.facts.judgement import Judgement
from coilbell.bench.facts.question import Question, question_of
from coilbell.bench.log.book import Log
from coilbell.bench.log.entry import FittedCapture, Reading, fitted_captures, keep_captures
from coilbell.bench.log.rows import Item, KeptCapture
from coilbell.bench.log.samples import identity
from coilbell.errors import InputError
from coilbell.record import Capacitor, Connection
from coilbell.winding import Observation, Reference, Relation, grouped

__all__ = ["ItemLog"]

_SITTING_S = 3600.0
"""Captures of several test capacitors kept within this time are taken for rings of one state [s]."""


@dataclass(frozen=True, slots=True)
class ItemLog:
    """The place of the item of that name, whether it is there yet or not."""

    log: Log
    name: str

    @property
    def item(self) -> Item | None:
        """The item, None when it is not in the log yet."""
        return self.log.item(self.name) if self.log.holds(self.name) else None

    def rungs(self, words: Sequence[str], reading: Reading) -> list[FittedCapture]:
        """Captures by the numbers they have in the log, or by record files.

        Rings of a file that are in the item already are the kept ones. Raises InputError, FileError.
        """
        if words and all(word.isdecimal() for word in words):
            if reading.restates:
                raise InputError(
                    f"capture {words[0]} keeps the test capacitor and connection it was kept with; "
                    "leave those options out, or give its record file"
                )
            return [self.kept(int(word)) for word in words]
        return [self._recognised(rung) for rung in fitted_captures(words, reading)]

    def kept(self, number: int) -> FittedCapture:
        """The item's capture of that number with its newest fit. Raises InputError."""
        captures = [] if self.item is None else self.log.captures(self.item)
        for capture in captures:
            if capture.id == number:
                return self._rung(capture)
        have = ", ".join(str(capture.id) for capture in captures) or "none"
        raise InputError(f"{self.name} has no capture {number}; it has: {have}")

    def has(self, connection: Connection) -> bool:
        """True where a ring of this connection is kept under the item."""
        return bool(self._captures(connection))

    def newest(self, connection: Connection | None = None) -> list[FittedCapture]:
        """The last rings of each test capacitor at each stage, from one sitting for each stage.

        connection: only rings under it; left out, all stages are weighed together. Raises InputError when
        there
        are none.
        """
        captures = self._captures(connection) if connection is not None else self._all()
        if self.item is None:
            raise InputError(f"{self.log.unheard_of(self.name)}; {_remedy(connection)}")
        if not captures:
            raise InputError(f"{self.name} holds no ring{_words(connection)}; {_remedy(connection)}")
        stages = dict.fromkeys(_stage(capture) for capture in captures)
        of_stage = [_last_of_each([c for c in captures if _stage(c) == stage]) for stage in stages]
        chosen = sorted((c for found in of_stage for c in found), key=lambda c: c.id)
        return [self._rung(capture) for capture in chosen]

    def stages(self) -> list[FittedCapture]:
        """The last rings of each test capacitor at each stage, out of circuit and in it.

        What is known of an item by rings is weighed together. Raises InputError when there are none.
        """
        last: dict[tuple[object, ...], FittedCapture] = {}
        for where in (Connection.OUT_OF_CIRCUIT, Connection.IN_CIRCUIT):
            for rung in map(self._rung, self._captures(where)):
                record = rung.records[0]
                last[where, record.done, record.test_capacitor] = rung
        return list(last.values()) or self.newest()

    def sides(
        self, relation: Relation | None = None
    ) -> tuple[Relation, list[FittedCapture], list[FittedCapture]]:
        """What is to be compared: out of circuit against in circuit, else the first rings against the last.

        Raises InputError when a side is missing.
        """
        if relation is Relation.UNITS:
            raise InputError("--units compares two units; give the record files of both")
        both = self._captures(Connection.IN_CIRCUIT) and self._captures(Connection.OUT_OF_CIRCUIT)
        if relation is Relation.CIRCUIT or (relation is None and both):
            first = self.newest(Connection.OUT_OF_CIRCUIT)
            return Relation.CIRCUIT, first, self.newest(Connection.IN_CIRCUIT)
        second = self.newest()
        last = {rung.capture for rung in second}
        earlier = [
            c for c in self._captures(None) if c.id not in last and any(_alike(c, rung) for rung in second)
        ]
        if not earlier:
            raise InputError(
                f"{self.name} holds no earlier ring like {second[-1].label!r} to compare it with; "
                "capture it again after the change"
            )
        first = [self._rung(capture) for capture in _last_of_each(earlier[::-1])]
        return Relation.TIME, first, second

    def reference(self) -> Reference | None:
        """What the item's last finding was judged by, as it was then; None without one."""
        judgements = [] if self.item is None else self.log.judgements(self.item)
        named = [one.reference for one in judgements if one.reference is not None]
        return self.log.reference(named[-1][1]) if named else None

    def said_of(self, rungs: Sequence[FittedCapture]) -> str:
        """What the last finding with odds on any of these rings says, "" when there is none."""
        fits = {rung.fit for rung in rungs if rung.fit is not None}
        findings = [] if self.item is None else self.log.judgements(self.item)
        said = [
            f.explanation
            for f in findings
            if isinstance(f.facts, FindingFacts) and f.facts.shorted_turn and fits & set(f.fits)
        ]
        return said[-1] if said else ""

    def keep(
        self,
        rungs: Sequence[FittedCapture],
        question: Question | None = None,
        facts: Judgement | None = None,
        reference: Reference | None = None,
    ) -> KeptFacts:
        """Keep rungs, and the judgement `facts` made of them; returns where they are.

        A new item gets the judgement's kind. Raises InputError, MissingError; then nothing is kept.
        """
        with self.log.together():
            new = self.item is None
            item = self.item or self.log.add_item(self.name, kind=_kind(facts))
            held = keep_captures(self.log, item, rungs)
            judgement = None
            if facts is not None:
                fits = [rung.fit for rung in held if rung.fit is not None]
                asked = question or question_of()
                judgement = self.log.add_judgement(item, asked, facts, fits, reference).id
        return KeptFacts(
            log=str(self.log.path),
            item=item.name,
            new=new,
            captures=tuple(rung.capture for rung in held),
            judgement=judgement,
        )

    def _all(self) -> list[KeptCapture]:
        """Fitted captures, oldest first."""
        return [] if self.item is None else [c for c in self.log.captures(self.item) if self.log.fits(c)]

    def _captures(self, connection: Connection | None) -> list[KeptCapture]:
        """Fitted captures under that connection, or under that of the last one; oldest first."""
        found = self._all()
        where = connection or (found[-1].connection if found else "")
        return [capture for capture in found if capture.connection == where]

    def _recognised(self, rung: FittedCapture) -> FittedCapture:
        item = self.item
        if item is None:
            return rung
        sha256 = identity(rung.records)
        same = [capture for capture in self.log.captures(item) if capture.sha256 == sha256]
        return self._rung(same[0]) if same and self.log.fits(same[0]) else rung

    def _rung(self, capture: KeptCapture) -> FittedCapture:
        fits = self.log.fits(capture)
        if not fits:
            raise InputError(f"capture {capture.id} of {self.name} was never fitted; capture it again")
        return FittedCapture(capture.records, capture.label, fits[-1].facts, capture.id, fits[-1].id)


def _kind(facts: Judgement | None) -> str:
    """Kind of a new item, as its first judgement states it."""
    return "" if facts is None or facts.kind == "other winding" else facts.kind


def _last_of_each(captures: Sequence[KeptCapture]) -> list[KeptCapture]:
    """The last capture, and those of other test capacitors from the same sitting; in their order."""
    chosen: list[KeptCapture] = []
    for capture in reversed(captures):
        same_time = not chosen or abs(_seconds(chosen[0]) - _seconds(capture)) <= _SITTING_S
        if same_time and not any(_alike(capture, other) for other in chosen):
            chosen.append(capture)
    return sorted(chosen, key=lambda capture: capture.id)


def _stage(capture: KeptCapture) -> tuple[str, tuple[str, ...]]:
    """Connection and what had been done."""
    return capture.connection, tuple(map(str, capture.records[0].done))


def _alike(a: KeptCapture, b: KeptCapture | FittedCapture) -> bool:
    return _same_capacitor(a.records[0].test_capacitor, b.records[0].test_capacitor)


def _same_capacitor(a: Capacitor | None, b: Capacitor | None) -> bool:
    """True when the judgement would take both for one test capacitor."""
    if a is None or b is None:
        return a == b
    return len(grouped([Observation(a, None, None), Observation(b, None, None)])) == 1


def _seconds(capture: KeptCapture) -> float:
    return datetime.fromisoformat(capture.added_utc).timestamp()


def _words(connection: Connection | None) -> str:
    return f" {connection}" if connection else ""


def _remedy(connection: Connection | None) -> str:
    option = f" --{str(connection).replace(' ', '-')}" if connection else ""
    return f"capture one with --item NAME{option}, or give record files"
