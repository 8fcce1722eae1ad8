"""What an examination strikes with: the tester on a port, by the stage that the examination is at.

In circuit a ladder of amplitudes with the two capacitors that a probe chooses; out of circuit those that the
reference was rung with. A virtual board follows what is said to be done, as a part on the bench would.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING

from coilbell.errors import WireError
from coilbell.record import Connection
from coilbell.terms import Step

if TYPE_CHECKING:
    from coilbell.board import Settings, Tester
    from coilbell.record import Record
    from coilbell.winding import Reference

__all__ = ["PortStriker", "virtual_at"]

SHOTS = 8
"""Shots of a ring out of circuit, as `capture` takes."""


class PortStriker:
    """A tester on a port, opened when first struck. tell: says what the tester remarks."""

    def __init__(self, port: str | None, tell: Callable[[str], None]) -> None:
        self._port, self._tell = port, tell
        self._tester: Tester | None = None
        self._open_at = ""

    def strike(
        self, connection: Connection, done: tuple[Step, ...], reference: Reference | None, *, small: bool
    ) -> list[tuple[str, tuple[Record, ...]]]:
        """One ring with each test capacitor; what is struck is told by the name of its capacitor."""
        from coilbell.board import Settings

        tester = self._opened_for(connection, done)
        like = Settings(shots=SHOTS, connection=connection, done=done)
        try:
            if connection is Connection.IN_CIRCUIT and len(tester.identity.capacitors) > 1:
                return self._climbed(tester, like)
            return self._rung(tester, like, _letters(tester, reference), small)
        except WireError:
            self.close()
            raise

    @property
    def tester(self) -> Tester:
        """The tester at whatever stage it was struck last; opened where it is not."""
        return self._tester or self._opened(self._open_at or self._port)

    def close(self) -> None:
        """Give the tester back; closing twice is allowed."""
        tester, self._tester = self._tester, None
        if tester is not None:
            tester.close()

    def _opened_for(self, connection: Connection, done: tuple[Step, ...]) -> Tester:
        port = self._port
        if port is not None and port.startswith("virtual:"):
            port = virtual_at(port, connection, done)
        if self._tester is not None and (port or "") == self._open_at:
            return self._tester
        self.close()
        return self._opened(port)

    def _opened(self, port: str | None) -> Tester:
        from coilbell.board import Tester

        self._tester = Tester.open(port)
        self._open_at = port or ""
        for warning in self._tester.warnings:
            self._tell(f"coilbell: note: {warning}")
        return self._tester

    def _climbed(self, tester: Tester, like: Settings) -> list[tuple[str, tuple[Record, ...]]]:

        from coilbell.commands.ladder import climb, plan

        chosen = plan(tester, like)
        return [
            (
                f"ladder, capacitor {one.capacitor}",
                climb(tester, one, chosen.noise_v, None),
            )
            for one in chosen.settings
        ]

    def _rung(
        self, tester: Tester, like: Settings, letters: tuple[str, ...], small: bool
    ) -> list[tuple[str, tuple[Record, ...]]]:
        from dataclasses import replace

        from coilbell.commands.ladder import IN_CIRCUIT_VOLTS, RUNGS, unfolded, with_low_rung

        aim = IN_CIRCUIT_VOLTS if like.connection is Connection.IN_CIRCUIT else None
        asked = replace(like, aim_v=RUNGS[0] if small else aim)
        each = unfolded(tester, [replace(asked, capacitor=letter) for letter in letters])
        return [(f"capacitor {one.capacitor}", with_low_rung(tester, one, None)) for one in each]


def _letters(tester: Tester, reference: Reference | None) -> tuple[str, ...]:
    """Up to two test capacitors that the reference was rung with; else the usual pair."""
    from coilbell.commands.ladder import usual_letters
    from coilbell.winding import same_capacitor

    identity = tester.identity
    held = {letter: identity.capacitor(letter) for letter in identity.capacitors}
    there = {letter: one for letter, one in held.items() if one is not None}
    if reference is not None:
        known = [
            letter
            for letter, one in there.items()
            if any(same_capacitor(one, c) for c in reference.capacitors())
        ]
        if known:
            return tuple(sorted(known, key=lambda letter: -there[letter].farads)[:2])
    if len(there) < 2:
        return tuple(identity.capacitors)[:1]
    return usual_letters({letter: one.farads for letter, one in there.items()})[:2]


def virtual_at(port: str, connection: Connection, done: tuple[Step, ...]) -> str:
    """The virtual port's name with its part as it is at that stage: steps done, or out of its set."""
    from dataclasses import replace

    from coilbell.board.simulation import catalogue
    from coilbell.board.virtual.address import parse

    address = parse(port)
    if connection is Connection.IN_CIRCUIT:
        steps = dict.fromkeys((*address.steps, *map(str, done)))
        return str(replace(address, done=",".join(steps)))
    # What ails the set stays behind with it; what ails the part goes along.
    pieces = [re.sub(r"-?in-(circuit|set).*$", "", piece) for piece in address.state.split(",")]
    own = [piece for piece in pieces if piece in catalogue.states(address.part)]
    if Step.LOOP in done:
        own = [piece for piece in own if piece != "healthy"] + ["external-loop"]
    return str(replace(address, state=",".join(own) or "healthy", done=""))
