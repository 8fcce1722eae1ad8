"""One item's place in the log: rings are put into it, and questions are asked of those that are there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from itertools import islice

from coilbell.bench.facts.finding import FindingFacts
from coilbell.bench.facts.item import KeptFacts
from coilbell.bench.facts.judgement import Judgement
from coilbell.bench.facts.question import Question, question_of
from coilbell.bench.log.book import Log
from coilbell.bench.log.derivation import lent
from coilbell.bench.log.entry import FittedCapture, Reading, fitted_captures, keep_captures
from coilbell.bench.log.rows import CaptureHead, Item
from coilbell.bench.log.samples import identity
from coilbell.errors import InputError
from coilbell.record import Capacitor, Connection
from coilbell.terms import Step
from coilbell.winding import Observation, Reference, Relation, grouped

__all__ = ["ItemLog"]

_SITTING_S = 3600.0
"""Captures of several test capacitors kept within this time are taken for rings of one state [s]."""


_LOOKED = 200
"""The item's last captures, among which those of other stages and test capacitors are looked for; assumed."""


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
        numbers = [] if self.item is None else self.log.numbers("capture", self.item)
        if number in numbers:
            return self._rung(number)
        have = ", ".join(map(str, numbers)) or "none"
        raise InputError(f"{self.name} has no capture {number}; it has: {have}")

    def has(self, connection: Connection) -> bool:
        """True where a ring of this connection is kept under the item."""
        return any(self._heads(connection))

    def newest(self, connection: Connection | None = None) -> list[FittedCapture]:
        """The last rings of each test capacitor at each stage, from one sitting for each stage.

        connection: only rings under it; left out, all stages are weighed together, among the item's last
        captures. Raises InputError when there are none.
        """
        if self.item is None:
            raise InputError(f"{self.log.unheard_of(self.name)}; {_remedy(connection)}")
        heads = list(islice(self._heads(connection, every=connection is None), _LOOKED))
        if not heads:
            raise InputError(f"{self.name} holds no ring{_words(connection)}; {_remedy(connection)}")
        stages = dict.fromkeys(head.stage for head in heads)
        chosen = [one for stage in stages for one in _first_of_each(h for h in heads if h.stage == stage)]
        return [self._rung(number) for number in sorted(head.id for head in chosen)]

    def sides(
        self, relation: Relation | None = None
    ) -> tuple[Relation, list[FittedCapture], list[FittedCapture]]:
        """What is to be compared: out of circuit against in circuit, else the first rings against the last.

        Raises InputError when a side is missing.
        """
        if relation is Relation.UNITS:
            raise InputError("--units compares two units; give the record files of both")
        both = self.has(Connection.IN_CIRCUIT) and self.has(Connection.OUT_OF_CIRCUIT)
        if relation is Relation.CIRCUIT or (relation is None and both):
            first = self.newest(Connection.OUT_OF_CIRCUIT)
            return Relation.CIRCUIT, first, self.newest(Connection.IN_CIRCUIT)
        second = self.newest()
        last = {rung.capture for rung in second}
        tests = [rung.records[0].test_capacitor for rung in second]
        earlier = _first_of_each(
            head
            for head in self._heads(None, oldest_first=True)
            if head.id not in last and any(_same_capacitor(head.test, test) for test in tests)
        )
        if not earlier:
            raise InputError(
                f"{self.name} holds no earlier ring like {second[-1].label!r} to compare it with; "
                "capture it again after the change"
            )
        return Relation.TIME, [self._rung(head.id) for head in earlier], second

    def reference(self) -> Reference | None:
        """What the item's last finding was judged by, as it was then; None without one."""
        number = None if self.item is None else self.log.last_judged(self.item)
        if number is None:
            return None
        last = self.log.judgement(number)
        return None if last.reference is None else lent(last.question, self.log.reference(last.reference[1]))

    def said_of(self, rungs: Sequence[FittedCapture]) -> str:
        """What the last finding with odds on any of these rings says, "" when there is none."""
        fits = [rung.fit for rung in rungs if rung.fit is not None]
        for number in self.log.judgements_on(fits):
            found = self.log.judgement(number)
            if isinstance(found.facts, FindingFacts) and found.facts.shorted_turn:
                return found.explanation
        return ""

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

    def _heads(
        self, connection: Connection | None, *, every: bool = False, oldest_first: bool = False
    ) -> Iterator[CaptureHead]:
        """Fitted captures under that connection, under that of the last one, or every; the newest first.

        Those with a loop of wire round the core only with every: they check a ring and are none of the
        winding.
        """
        if self.item is None:
            return
        for head in self.log.capture_heads(self.item, connection, every=every, oldest_first=oldest_first):
            if every or Step.LOOP not in head.done:
                yield head

    def _recognised(self, rung: FittedCapture) -> FittedCapture:
        number = None if self.item is None else self.log.capture_like(self.item, identity(rung.records))
        return rung if number is None or not self.log.fits(number) else self._rung(number)

    def _rung(self, number: int) -> FittedCapture:
        fits = self.log.fits(number)
        if not fits:
            raise InputError(f"capture {number} of {self.name} was never fitted; capture it again")
        capture = self.log.capture(number)
        return FittedCapture(capture.records, capture.label, fits[-1].facts, capture.id, fits[-1].id)


def _kind(facts: Judgement | None) -> str:
    """Kind of a new item, as its first judgement states it."""
    return "" if facts is None or facts.kind == "other winding" else facts.kind


def _first_of_each(heads: Iterable[CaptureHead]) -> list[CaptureHead]:
    """The first capture, and those of other test capacitors from the same sitting; by their numbers.

    What lies beyond the sitting, or beyond `_LOOKED` captures, is not looked at.
    """
    chosen: list[CaptureHead] = []
    for head in islice(heads, _LOOKED):
        if chosen and abs(_seconds(chosen[0]) - _seconds(head)) > _SITTING_S:
            break
        if not any(_same_capacitor(head.test, other.test) for other in chosen):
            chosen.append(head)
    return sorted(chosen, key=lambda head: head.id)


@lru_cache(maxsize=64)
def _same_capacitor(a: Capacitor | None, b: Capacitor | None) -> bool:
    """True when the judgement would take both for one test capacitor."""
    if a is None or b is None:
        return a == b
    return len(grouped([Observation(a, None, None), Observation(b, None, None)])) == 1


def _seconds(head: CaptureHead) -> float:
    return datetime.fromisoformat(head.added_utc).timestamp()


def _words(connection: Connection | None) -> str:
    return f" {connection}" if connection else ""


def _remedy(connection: Connection | None) -> str:
    option = f" --{str(connection).replace(' ', '-')}" if connection else ""
    return f"capture one with --item NAME{option}, or give record files"
