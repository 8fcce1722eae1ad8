"""The item on the bench and its isolation worksheet: what the commanding page may do to them.

Odds are computed anew from the kept entries each time something lands, whether from a page or from
`coilbell isolate` in a terminal beside it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from msgspec.structs import replace

from coilbell.bench.facts.outcome import USUALLY_SURE
from coilbell.bench.learned.shares import priors_of
from coilbell.bench.log import (
    Item,
    Log,
    LogKeeper,
    add_outcome,
    causes,
    check_name,
    default_path,
    outcome_of,
    outcomes_of,
    withdraw_outcome,
)
from coilbell.bench.page.messages import Choices, Message, OpenSheet, Sheet
from coilbell.bench.page.order import Begin, End, Observe, TakeBackEnd, Withdraw, Work
from coilbell.bench.page.sheet import closed_message, latest_words, open_message
from coilbell.bench.words.outcome import outcome_words
from coilbell.bench.worksheet.entries import FINDING
from coilbell.bench.worksheet.sheet import Worksheet, begin, observe, opened, withdraw
from coilbell.bench.worksheet.typed import evidence_of, fraction, meter_of
from coilbell.errors import CoilbellError, InputError, MissingError
from coilbell.isolate import Equipment, check_level, shipped
from coilbell.terms import FOUND

__all__ = ["Isolation"]

_NO_ITEM = "no item is on the bench: name one, or keep a ring, and its isolation worksheet is shown here"
_UNBEGUN = "no worksheet yet; begin one, and this page says what to test next"

Stamp = tuple[tuple[int, int], ...]


class Isolation:
    """Knows which item is worked on.

    log: None for the usual place; post: hands a message to the pages; item: to begin with, "" for none.
    """

    def __init__(self, log: Path | None, post: Callable[[Message], None], item: str = "") -> None:
        self._path = log
        self._post = post
        self._lock = threading.Lock()
        self._item = item
        self._told: Sheet | None = None
        self._stamp: Stamp | None = None

    def obey(self, order: Work | Begin | Observe | Withdraw | End | TakeBackEnd) -> str:
        """Carry out an order; returns words for the page. Raises CoilbellError, and then nothing was kept."""
        match order:
            case Work():
                return self.work_on(order.item)
            case Begin():
                words = self._begun(order)
            case Observe():
                words = self._observed(order)
            case Withdraw():
                words = self._withdrawn(order)
            case End():
                words = self._ended(order)
            case TakeBackEnd():
                words = self._end_taken_back(order)
        self._turn_to(order.item)
        told = self._told
        return f"{words}; {latest_words(told)}" if isinstance(told, OpenSheet) else words

    def work_on(self, name: str) -> str:
        """Put an item on the bench, "" for none. Raises InputError for what cannot be a name."""
        if name:
            check_name(name)
        self._turn_to(name)
        return f"{self._item} is on the bench" if name else "no item is on the bench"

    @property
    def item(self) -> str:
        """What is on the bench, "" for nothing."""
        return self._item

    def look(self) -> None:
        """Tell the pages when the log has changed since it was last read."""
        if self._stamp != self._now():
            self._tell()

    def _turn_to(self, name: str) -> None:
        with self._lock:
            self._item = name
        self._tell()

    def _tell(self) -> None:
        with self._lock:
            self._stamp = self._now()
            message = self._message()
            self._item = message.item
            if message != self._told:
                self._told = message
                self._post(message)

    def _now(self) -> Stamp:
        """Changes whenever somebody has written to the log."""
        path = self._path or default_path()
        found = []
        for place in (path, Path(f"{path}-wal")):
            try:
                state = place.stat()
            except OSError:
                found.append((0, 0))
            else:
                found.append((state.st_mtime_ns, state.st_size))
        return tuple(found)

    def _message(self) -> Sheet:
        name = self._item
        if not name:
            return closed_message("", _NO_ITEM, "none")
        try:
            with Log(self._path, writable=False) as log:
                if not log.holds(name):
                    return closed_message(name, f"{name}: {_UNBEGUN}", "unbegun")
                return _shown(log, log.item(name))
        except MissingError:  # no log yet: keeping something begins it
            return closed_message(name, f"{name}: {_UNBEGUN}", "unbegun")
        except CoilbellError as error:
            return closed_message(name, f"{name}: cannot be shown: {error}", "damaged")

    def _begun(self, order: Begin) -> str:
        kind, level = _kind(order.kind), check_level(order.qualified)
        learned = priors_of(kind, self._path)
        with Log(self._path) as log, log.together():
            item = log.item(order.item) if log.holds(order.item) else log.add_item(order.item)
            keeper = LogKeeper(log, item)
            if keeper.entries() and not order.again:
                raise InputError(
                    f"{item.name} has a worksheet already; enter readings in it, or choose to begin afresh"
                )
            begin(keeper, kind, level, again=order.again, learned=learned)
        return f"worksheet of a {kind.name} begun for {item.name}"

    def _observed(self, order: Observe) -> str:
        typed = _typed(order)
        with Log(self._path) as log:
            item = log.item(order.item)
            keeper = LogKeeper(log, item)
            sheet = _sheet(keeper)
            latest = keeper.latest()
            evidence = evidence_of(
                sheet.kind.step_named(order.step),
                typed,
                meter=meter_of(order.meter or "1%+2"),
                sure=fraction(order.sure or "100%", "how sure"),
                finding=latest.facts if latest else None,
            )
            number = observe(keeper, sheet, evidence, typed)
        return f"reading {number}: {evidence.words}"

    def _ended(self, order: End) -> str:
        with Log(self._path) as log:
            item = log.item(order.item)
            sure = fraction(order.sure.replace(" ", "") or str(USUALLY_SURE), "how sure")
            found = outcome_of(log, item, order.cause, how=order.how, sure=sure)
            add_outcome(log, item, found)
        return f"{item.name}, in the end: {outcome_words(found)}"

    def _end_taken_back(self, order: TakeBackEnd) -> str:
        if not order.why.strip():
            raise InputError("an end is taken back with a reason; say why")
        with Log(self._path) as log:
            gone = withdraw_outcome(log, log.item(order.item), order.why.strip(), order.cause)
        return f"taken back, and still kept: {outcome_words(gone.outcome)}"

    def _withdrawn(self, order: Withdraw) -> str:
        if not order.why.strip():
            raise InputError("a reading is taken back with a reason; say why")
        with Log(self._path) as log:
            keeper = LogKeeper(log, log.item(order.item))
            withdraw(keeper, _sheet(keeper), order.entry, order.why.strip())
        return f"reading {order.entry} taken back"


def _kind(name: str) -> Equipment:
    kinds = shipped()
    if name not in kinds:
        raise InputError(f"no kind {name[:60]!r}; choose one of: {', '.join(kinds)}")
    return kinds[name]


def _sheet(keeper: LogKeeper) -> Worksheet:
    if not keeper.entries():
        raise InputError(f"{keeper.item.name} has no worksheet yet; begin one first")
    return opened(keeper)


def _typed(order: Observe) -> list[str]:
    """The words of a reading. A page, maybe of another computer, may not have files of this one read."""
    words = [order.outcome] if order.outcome else order.numbers.split()
    for word in words:
        if word.startswith("wav=") or (word.startswith("finding=") and word != FINDING):
            raise InputError(
                f"{word[:60]}: a page cannot name files of this computer; type the numbers, or enter the "
                "file with `coilbell isolate observe`"
            )
    return words


def _shown(log: Log, item: Item) -> Sheet:
    keeper = LogKeeper(log, item)
    standing = [(one.outcome.cause, outcome_words(one.outcome)) for one in outcomes_of(log, item)]
    ended = f"in the end: {'; '.join(words for _, words in standing)}" if standing else ""
    if not keeper.entries():
        closed = closed_message(item.name, f"{item.name}: {_UNBEGUN}", "unbegun")
        return replace(closed, ends=_ends(log, item, None), ended=ended, standing=standing)
    sheet = opened(keeper)
    facts, finding = keeper.facts(sheet), keeper.latest() is not None
    shown = open_message(sheet, facts, finding=finding, done=keeper.done())
    return replace(shown, ends=_ends(log, item, sheet), ended=ended, standing=standing)


def _ends(log: Log, item: Item, sheet: Worksheet | None) -> Choices:
    """What the item may have been in the end, each with its words."""
    own = {one.key: one.name for one in sheet.kind.hypothesis} if sheet else {}
    states = {name: cause.words for name, cause in FOUND.items()} | own
    return [(name, states.get(name, "nobody will ever know")) for name in causes(log, item)]
