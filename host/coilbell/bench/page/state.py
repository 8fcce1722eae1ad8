"""What the pages are told of the tester, its leads and what is asked, apart from the shots themselves."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field, replace

from coilbell.bench.page.messages import Choices, Status, Told, Wished
from coilbell.bench.page.order import WishFor
from coilbell.bench.page.source import Leads, Link, Wish
from coilbell.bench.worksheet.typed import prior
from coilbell.errors import BoardError, BoardTimeout, CoilbellError, InputError
from coilbell.figure import percent
from coilbell.record import Connection
from coilbell.winding import KINDS, kind_named

__all__ = ["State"]

_ALONE = {"reference": "there is no reference on the shelf yet; mark a ring as good to make one"}

_UNSET = "not set"
"""A prior that nobody gave, as the page shows it; typed, it takes one back."""

_CONNECTIONS = {
    Connection.OUT_OF_CIRCUIT: "out of circuit",
    Connection.IN_CIRCUIT: "in circuit",
    Connection.UNKNOWN: "not said",
}


@dataclass(slots=True)
class State:
    """The last that is known."""

    wish: Wish
    running: bool = False
    link_state: str = "waiting"
    """"waiting", "ready", "refused", "silent" or "lost"."""
    link_words: str = "looking for the tester"
    leads: Leads | None = None
    letters: tuple[str, ...] = ("A", "B")
    references: tuple[str, ...] = ()
    run: str = field(default_factory=lambda: secrets.token_hex(4))
    overtaken: bool = False
    """True while the pages show a ring that was struck before capacitor or connection were changed."""

    def seen(self, leads: Leads, link: Link, letters: tuple[str, ...]) -> bool:
        """Take in what the tester says; returns True when a page has to know."""
        before = self.message()
        self.link_state, self.link_words = "ready", _link_words(link)
        self.leads, self.letters = leads, letters
        return self.message() != before

    def failed(self, error: CoilbellError) -> bool:
        """Take in why the tester gave nothing; returns True when a page has to know."""
        before = self.message()
        if isinstance(error, BoardError):
            self.link_state = "refused"
        else:
            self.link_state = "silent" if isinstance(error, BoardTimeout) else "lost"
            self.leads = None
        self.link_words = str(error)
        return self.message() != before

    @property
    def gone(self) -> bool:
        """True while the tester cannot be reached; a refusal is an answer."""
        return self.link_state in ("silent", "lost")

    def capacitor(self, wanted: str) -> str:
        """`wanted` when the tester has it; else raises InputError."""
        if wanted not in self._capacitors():
            raise InputError(f"no capacitor {wanted[:20]!r}; choose one of: {', '.join(self._capacitors())}")
        return wanted

    def _capacitors(self) -> tuple[str, ...]:
        both = ("both",) if {"A", "B"} <= set(self.letters) else ()
        return (*self.letters, *both)

    def wished(self, order: WishFor) -> Wish:
        """The wish with an order's changes; raises InputError for what cannot be had."""
        wish = self.wish
        if order.capacitor is not None:
            wish = replace(wish, capacitor=self.capacitor(order.capacitor))
        if order.connection is not None:
            wish = replace(wish, connection=_connection(order.connection))
        if order.kind is not None:
            wish = replace(wish, kind=kind_named(order.kind).name)
        if order.reference is not None:
            wish = replace(wish, reference=order.reference)
        if order.prior is not None:
            asked = None if order.prior == _UNSET else prior(order.prior, "prior")
            wish = replace(wish, prior=asked)
        return wish

    def following(self, what: str) -> list[str]:
        """The other choices of "capacitor", "reference" or "kind", those after the present one first.

        Raises InputError where there is none to choose, with what to do.
        """
        if what == "kind" and self.wish.reference:
            raise InputError("the kind is that of the reference; choose no reference first")
        values = [str(value) for value, _ in self._choices()[what]]
        if len(values) < 2:
            raise InputError(_ALONE.get(what, f"there is no other {what}"))
        at = values.index(getattr(self.wish, what)) if getattr(self.wish, what) in values else -1
        return values[at + 1 :] + values[: max(at, 0)]

    def called(self, what: str, value: str) -> str:
        """What a choice is called on the page."""
        return next((words for one, words in self._choices()[what] if one == value), value)

    def _choices(self) -> dict[str, Choices]:
        return {
            "capacitor": [(name, name) for name in self._capacitors()],
            "connection": [(str(value), words) for value, words in _CONNECTIONS.items()],
            "reference": [("", "none: no odds"), *((name, name) for name in self.references)],
            "kind": [(name, name) for name in KINDS],
        }

    def message(self) -> Status:
        """The status message."""
        wish = self.wish
        return Status(
            running=self.running,
            unstruck=self._unstruck(),
            link=Told(state=self.link_state, words=self.link_words),
            leads=self._leads(),
            wish=Wished(
                capacitor=wish.capacitor,
                connection=str(wish.connection),
                reference=wish.reference,
                kind=wish.kind,
                prior=_UNSET if wish.prior is None else percent(wish.prior),
            ),
            choices=self._choices(),
            run=self.run,
        )

    def _unstruck(self) -> str:
        return f"nothing has been struck with {self.wish.words}; below is the ring before" * self.overtaken

    def _leads(self) -> Told:
        if self.leads is None:
            return Told(state="unknown", words="lead voltage not known")
        limit = f"{self.leads.limit_volts:.2g} V"
        if self.leads.live:
            words = (
                f"LIVE LEADS: {self.leads.volts:+.2f} V, limit {limit}. The tester does not fire. "
                "Take the clips off, switch off, unplug, discharge, measure."
            )
            return Told(state="live", words=words)
        return Told(state="quiet", words=f"leads quiet: within {limit}, the tester may fire")


def _link_words(link: Link) -> str:
    if not link.retried and not link.damaged:
        return link.words
    return f"{link.words}; {link.retried} requests made again, {link.damaged} frames damaged"


def _connection(text: str) -> Connection:
    try:
        return Connection(text)
    except ValueError as error:
        choices = ", ".join(Connection)
        raise InputError(f"connection {text[:40]!r}; choose one of: {choices}") from error
