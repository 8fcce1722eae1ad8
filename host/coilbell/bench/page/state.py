"""What the pages are told of the tester, its leads and what is asked, apart from the shots themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from coilbell.bench.page.source import Leads, Link, Wish
from coilbell.errors import BoardError, BoardTimeout, CoilbellError, InputError
from coilbell.record import Connection
from coilbell.winding import KINDS

__all__ = ["State"]

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

    def capacitor(self, wanted: str) -> str:
        """`wanted` when the tester has it; else raises InputError."""
        if wanted not in self._capacitors():
            raise InputError(f"no capacitor {wanted[:20]!r}; choose one of: {', '.join(self._capacitors())}")
        return wanted

    def _capacitors(self) -> tuple[str, ...]:
        both = ("both",) if {"A", "B"} <= set(self.letters) else ()
        return (*self.letters, *both)

    def message(self) -> dict[str, Any]:
        """The status message."""
        wish = self.wish
        return {
            "what": "status",
            "running": self.running,
            "link": {"state": self.link_state, "words": self.link_words},
            "leads": self._leads(),
            "wish": {
                "capacitor": wish.capacitor,
                "connection": str(wish.connection),
                "reference": wish.reference,
                "kind": wish.kind,
            },
            "choices": {
                "capacitor": [[name, name] for name in self._capacitors()],
                "connection": [[str(value), words] for value, words in _CONNECTIONS.items()],
                "reference": [["", "none: no odds"], *([name, name] for name in self.references)],
                "kind": [[name, name] for name in KINDS],
            },
        }

    def _leads(self) -> dict[str, str]:
        if self.leads is None:
            return {"state": "unknown", "words": "lead voltage not known"}
        limit = f"{self.leads.limit_volts:.2g} V"
        if self.leads.live:
            words = (
                f"LIVE LEADS: {self.leads.volts:+.2f} V, limit {limit}. The tester does not fire. "
                "Take the clips off, switch off, unplug, discharge, measure."
            )
            return {"state": "live", "words": words}
        return {"state": "quiet", "words": f"leads quiet: within {limit}, the tester may fire"}


def _link_words(link: Link) -> str:
    if not link.retried and not link.damaged:
        return link.words
    return f"{link.words}; {link.retried} requests made again, {link.damaged} frames damaged"
