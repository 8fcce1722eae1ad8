"""A tester on a port as what the live page and the running line strike with."""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import TYPE_CHECKING

from coilbell.commands.options import tell
from coilbell.commands.striker import PortStriker
from coilbell.errors import InputError, MeasurementError, MissingError, WireError

if TYPE_CHECKING:
    from coilbell.bench.page import Leads, Link
    from coilbell.board import Settings
    from coilbell.record import Connection, Record
    from coilbell.terms import Step
    from coilbell.winding import Reference

__all__ = ["PortSource"]


class PortSource:
    """A tester on a port: opened when asked, and again after it was lost.

    like: settings that each shot takes over, but for capacitor, pulse and connection. All members may be
    called from the page's striking thread; `aim_again` from any.
    """

    def __init__(self, port: str | None, like: Settings | None = None) -> None:
        self._at = PortStriker(port, tell)
        self._like = like
        self._pulses: dict[str, float] = {}
        self._stale = threading.Event()

    def strike(
        self, connection: Connection, done: tuple[Step, ...], reference: Reference | None, *, small: bool
    ) -> list[tuple[str, tuple[Record, ...]]]:
        """The rings of a guided examination; a virtual board stays as it was left by it."""
        self._stale.set()
        return self._at.strike(connection, done, reference, small=small)

    def check(self) -> None:
        """Open the tester once, so that a name that cannot be a port is told at once.

        One that is only not there is waited for: the page says so. Raises InputError.
        """
        try:
            _ = self._at.tester
        except InputError:
            raise
        except (MissingError, MeasurementError) as error:
            tell(f"coilbell: {error}")

    def capacitors(self) -> tuple[str, ...]:
        """Letters of its test capacitors."""
        return self._at.tester.identity.capacitors

    def link(self) -> Link:
        """Who it is and how its wire does."""
        from coilbell.bench.page import Link

        tester = self._at.tester
        calibrated = "" if tester.identity.constants_from != "defaults" else ", not calibrated"
        tally = tester.tally
        return Link(f"{tester.identity.words}{calibrated}", tally.damaged, tally.retried)

    def leads(self) -> Leads:
        """The lead voltage now."""
        from coilbell.bench.page import Leads

        tester = self._at.tester
        try:
            volts = tester.measure().number("lead_mv") * 1e-3
        except WireError:
            self._lose()
            raise
        return Leads(volts, tester.identity.lead_limit_v)

    def capture(self, letter: str, connection: Connection) -> Record:
        """One shot with that capacitor; the pulse is aimed at first and when `aim_again` asked for it."""
        from coilbell.board import Settings

        tester = self._at.tester
        try:
            if self._stale.is_set():
                self._stale.clear()
                self._pulses.clear()
            if self._like is not None and self._like.pulse_s is not None:
                self._pulses[letter] = self._like.pulse_s
            if letter not in self._pulses:
                self._pulses[letter] = tester.aim(letter).pulse_s
            shot = replace(
                self._like or Settings(),
                capacitor=letter,
                shots=1,
                pulse_s=self._pulses[letter],
                aim_v=None,
                connection=connection,
            )
            return tester.capture(shot)[0]
        except WireError:
            self._lose()
            raise

    def aim_again(self) -> None:
        """Look for a new pulse width before the next shot."""
        self._stale.set()

    def close(self) -> None:
        """Give the tester back; closing twice is allowed."""
        self._lose()

    def _lose(self) -> None:
        self._pulses.clear()
        self._at.close()
