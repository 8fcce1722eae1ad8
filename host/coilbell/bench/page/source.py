"""What the page is handed: something that strikes a winding and gives records. It never knows what it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from coilbell.bench.examination.desk import Struck
from coilbell.record import Connection, Record
from coilbell.terms import Step
from coilbell.winding import Reference

__all__ = ["Leads", "Link", "Source", "Wish"]


@dataclass(frozen=True, slots=True)
class Leads:
    """Voltage found on the leads, and from where on the tester does not fire [V]."""

    volts: float
    limit_volts: float

    @property
    def live(self) -> bool:
        """True when the tester refuses to fire."""
        return abs(self.volts) > self.limit_volts


@dataclass(frozen=True, slots=True)
class Link:
    """How the wire to the tester has done so far."""

    words: str
    """The tester and its port in a line."""
    damaged: int = 0
    """Frames that arrived damaged."""
    retried: int = 0
    """Requests made again after a loss."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What the page's commander asks for.

    capacitor: one letter, or "both"; reference: a name on the shelf, or ""; kind: used without a reference;
    prior: probability of a shorted turn before the ring, None for that of outcomes.
    """

    capacitor: str = "A"
    connection: Connection = Connection.UNKNOWN
    reference: str = ""
    kind: str = "other winding"
    prior: float | None = None

    @property
    def letters(self) -> tuple[str, ...]:
        """The capacitors to strike with, one after another."""
        return ("A", "B") if self.capacitor == "both" else (self.capacitor,)

    @property
    def words(self) -> str:
        """What a winding is struck with, and how it is connected."""
        where = "not said" if self.connection is Connection.UNKNOWN else str(self.connection)
        return f"capacitor {self.capacitor}, connection {where}"


class Source(Protocol):
    """A tester, opened when it is first asked and again after it was lost.

    Every member may raise MissingError while there is no tester, and MeasurementError.
    """

    def capacitors(self) -> tuple[str, ...]:
        """Letters of its test capacitors."""
        ...

    def link(self) -> Link:
        """Who it is and how its wire does."""
        ...

    def leads(self) -> Leads:
        """The lead voltage now."""
        ...

    def capture(self, letter: str, connection: Connection) -> Record:
        """One shot with that capacitor."""
        ...

    def strike(
        self, connection: Connection, done: tuple[Step, ...], reference: Reference | None, *, small: bool
    ) -> Struck:
        """The rings of a stage of a guided examination, see `coilbell.bench.examination.desk.Striker`."""
        ...

    def aim_again(self) -> None:
        """Look for a new pulse width before the next shot."""
        ...

    def close(self) -> None:
        """Give the tester back; closing twice is allowed."""
        ...
