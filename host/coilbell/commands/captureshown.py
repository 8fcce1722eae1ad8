"""A capture on the screen: the fit, how it was struck, and what rings with two capacitors tell together."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from coilbell.commands.options import show
from coilbell.errors import InputError, MeasurementError

if TYPE_CHECKING:
    from coilbell.bench.facts.fit import FitFacts, WindingFacts
    from coilbell.bench.facts.item import KeptFacts
    from coilbell.bench.facts.strike import StrikeFacts
    from coilbell.board import Settings, Tester
    from coilbell.commands.capturerequest import Request
    from coilbell.decay import Fit
    from coilbell.record import Record

__all__ = ["Told", "show_capture", "strike_facts", "winding_of"]


def winding_of(captures: Sequence[tuple[Record, ...]], fits: Sequence[Fit]) -> WindingFacts | None:
    """What rings with both test capacitors tell together.

    None where there are not two, where they are no rings of one winding, or in circuit, where more lies
    across it.
    """
    from coilbell.bench.facts.fit import winding_facts
    from coilbell.record import Connection
    from coilbell.winding import FreeRing, tank_of_several

    firsts = [capture[0] for capture in captures]
    rings = [
        (FreeRing.from_fit(fit), first.test_capacitor)
        for first, fit in zip(firsts, fits, strict=True)
        if first.test_capacitor and fit.rings
    ]
    if len(rings) < 2 or firsts[0].connection == Connection.IN_CIRCUIT:
        return None
    try:
        tank = tank_of_several(rings, firsts[0].loading)
    except (InputError, MeasurementError):
        return None
    if tank.contradicted:
        return None
    return winding_facts([capacitor.farads for _, capacitor in rings], tank)


@dataclass(frozen=True, slots=True)
class Told:
    """What is shown of a capture; winding: what it tells together with those before it."""

    fit: FitFacts
    strike: StrikeFacts
    winding: WindingFacts | None


def show_capture(told: Told, kept: KeptFacts | None, request: Request, *, alone: bool) -> None:
    """The fit and the capture; alone: with what one ring by itself says of the winding."""
    from msgspec import structs

    from coilbell.bench.facts.base import json_line
    from coilbell.bench.words.fit import facts_table, winding_lines

    if request.json:
        show(json_line(told.fit, capture=told.strike, winding=told.winding, kept=kept))
        return
    stream = sys.stderr if request.out == "-" else sys.stdout
    show(facts_table(told.fit if alone else structs.replace(told.fit, tank=None)), stream=stream)
    show(_strike_line(told.strike), stream=stream)
    for line in winding_lines(told.winding) if told.winding else ():
        show(line, stream=stream)


def strike_facts(tester: Tester, capture: Sequence[Record], settings: Settings) -> StrikeFacts:
    """How it was struck."""
    from coilbell.bench.facts.strike import StrikeFacts

    first, tally = capture[0], tester.tally
    return StrikeFacts(
        port=tester.port,
        board=first.board,
        utc=first.utc.isoformat() if first.utc else None,
        pulse_s=first.pulse_s,
        aim=first.extra.get("aim"),
        constants=first.extra.get("constants"),
        records=len(capture),
        records_asked=settings.shots,
        frames_damaged=tally.damaged,
        captures_retried=tally.retried,
    )


def _strike_line(facts: StrikeFacts) -> str:
    """Pulse, and whatever went wrong on the way."""
    from coilbell.bench.words.fit import wrapped
    from coilbell.quantities import engineering

    parts = [f"pulse {engineering(facts.pulse_s, 's', 3)}" if facts.pulse_s else "no pulse"]
    if facts.aim:
        parts.append(f"aim {facts.aim}")
    if facts.constants == "defaults":
        parts.append("the board is not calibrated")
    if facts.records < facts.records_asked:
        parts.append(f"broken off: only {facts.records} of {facts.records_asked} records arrived whole")
    if facts.captures_retried:
        parts.append(f"{facts.captures_retried} requests made again, {facts.frames_damaged} frames damaged")
    return wrapped("; ".join(parts))
