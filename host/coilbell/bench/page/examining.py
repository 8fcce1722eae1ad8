"""The guided examination of the item on the bench: the terminal's own, with a page for its face.

Everything is read from the log and kept there, so that one begun in a terminal goes on here, and the other
way round. Orders come from the server's threads, the winding is struck in the striking thread.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from coilbell.bench.examination.core import Asked
from coilbell.bench.examination.desk import Desk, Striker
from coilbell.bench.examination.guide import Choice, answered, beginnings, question, verdict_of
from coilbell.bench.log import ItemLog, Log
from coilbell.bench.page.messages import Choices, Examination, Message
from coilbell.bench.page.order import Choose, Examine
from coilbell.bench.page.source import Wish
from coilbell.bench.page.verdict import hand_of
from coilbell.bench.shelf import Shelf
from coilbell.errors import CoilbellError, MissingError
from coilbell.winding import KINDS

__all__ = ["Examining"]

_NO_ITEM = "no item is on the bench: to begin, name one, and the examination is kept under it"
_ELSEWHERE = "a ring of this examination is not judged yet; if nothing else is at work on it, ring again"
_UNBEGUN = "not begun yet: say what it is and whether it is connected in its set"
_WAITS = "judgement"
_BUSY = "the winding is struck"


_LABELS = {
    Choice.SKIP: "Skip this step",
    Choice.RING: "Ring again",
    Choice.BACK: "Take the last thing back",
    Choice.ONWARD: "Go on all the same",
}
_GO = {
    Asked.CAUTION: (str(Choice.GO), "So it is"),
    Asked.STRIKE: (str(Choice.GO), "Strike it"),
    Asked.STEP: (str(Choice.GO), "It is done: strike it"),
    Asked.END: ("report", "Report, to print"),
}
"""What is proposed: the page opens a report by itself, everything else is an answer."""


def _labelled(choice: Choice, asked: Asked) -> tuple[str, str]:
    return _GO[asked] if choice is Choice.GO else (str(choice), _LABELS[choice])


class Examining:
    """log, store: of the bench log and the references, None for the usual places; post: to the pages."""

    def __init__(self, log: Path | None, store: Path | None, post: Callable[[Message], None]) -> None:
        self._log, self._store, self._post = log, store, post
        self._lock = threading.RLock()
        self._item, self._wish = "", Wish()
        self._told: Examination | None = None
        self._seen: tuple[object, ...] = ()

    def obey(self, order: Examine | Choose, wish: Wish) -> tuple[str, bool]:
        """Carry out an order; words for the page, and whether the winding is to be struck. Raises
        CoilbellError."""
        with self._lock:
            self._item, self._wish = order.item, wish
            with self._desk() as desk:
                if isinstance(order, Examine):
                    desk.begin(order.what, in_circuit=order.in_circuit)
                    words, strike = f"examination of {order.item} begun", False
                else:
                    desk.resume()
                    done = answered(desk, order.choice)
                    words, strike = done.words, done.strike
                self._tell(desk, busy=strike)
            return words, strike

    def strike(self, striker: Striker) -> str:
        """Ring the winding as the stage asks; what is found, in a line. Raises CoilbellError."""
        with self._lock, self._desk() as desk:
            desk.resume()
            try:
                desk.strike(striker)
            finally:
                self._tell(desk)
            told = verdict_of(desk, self._item)
            return told[0] if told else ""

    def look(self, item: str, wish: Wish) -> None:
        """Tell the pages where the item's examination stands, when that has changed."""
        if not self._lock.acquire(blocking=False):
            return  # it is being struck or answered, and told of then
        try:
            other = (item, wish.reference) != (self._item, self._wish.reference)
            self._item, self._wish = item, wish
            try:
                with self._desk(writable=False) as desk:
                    if other or desk.stamp != self._seen:
                        self._look_at(desk)
            except MissingError:  # no log yet
                self._put(self._first(""))
            except CoilbellError as error:
                self._put(Examination(item=item, asked="damaged", words=str(error)))
        finally:
            self._lock.release()

    def _look_at(self, desk: Desk) -> None:
        if self._item and not desk.settled:
            again = [_labelled(Choice.RING, Asked.STRIKE)]
            self._put(Examination(item=self._item, asked=_WAITS, words=_ELSEWHERE, choices=again))
            return
        desk.resume()
        self._tell(desk)

    @contextmanager
    def _desk(self, *, writable: bool = True) -> Iterator[Desk]:
        with Log(self._log, writable=writable) as log:
            store = str(self._store) if self._store else None
            yield Desk(ItemLog(log, self._item), store, self._wish.prior)

    def _tell(self, desk: Desk, *, busy: bool = False) -> None:
        self._seen = desk.stamp
        asked = question(desk)
        if asked.asked is Asked.WHAT:
            self._put(self._first(beginnings(desk)[1]))
            return
        self._put(
            Examination(
                item=self._item,
                asked=str(asked.asked),
                words=_BUSY if busy else asked.words,
                verdict=verdict_of(desk, self._item),
                told=asked.told,
                cautions=asked.cautions,
                choices=[] if busy else [_labelled(one, asked.asked) for one in asked.choices],
                busy=busy,
                whats=self._whats(),
                usual=self._usual(beginnings(desk)[1]),
                hand=hand_of(desk.finding.verdict) if desk.finding else None,
            )
        )

    def _first(self, usual: str) -> Examination:
        """Nothing was begun yet."""
        return Examination(
            item=self._item,
            asked=str(Asked.WHAT),
            words=_UNBEGUN if self._item else _NO_ITEM,
            choices=[("begin", "Begin an examination")],
            whats=self._whats(),
            usual=self._usual(usual),
        )

    def _whats(self) -> Choices:
        names = [(name, f"reference {name}") for name in Shelf(self._store).names()]
        return [*names, *((name, f"{name}, by the kind alone") for name in KINDS)]

    def _usual(self, usual: str) -> str:
        """What is judged by already, else what the item was."""
        return self._wish.reference or usual or self._wish.kind

    def _put(self, message: Examination) -> None:
        if message != self._told:
            self._told = message
            self._post(message)
