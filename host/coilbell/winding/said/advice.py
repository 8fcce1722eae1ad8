"""What a ring cannot see, and the caution where the next step is at the set; the steps are `planner`'s."""

from __future__ import annotations

from coilbell.record import Connection
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.visible import chance_of_capacitance, visible_ohms

__all__ = ["CAUTION", "blind_spots", "caution"]

CAUTION = (
    "Before a hand or a lead goes into the set: pull its mains plug, and let a person who knows it make the "
    "stored charge safe (tube anode and cup, reservoir capacitors; some hold for days) and measure that it "
    "is gone. The tester goes on dead circuits only. Local rules and licensed practice come first."
)

_ALWAYS = (
    "insulation that breaks down only at working voltage: this ring is at a fraction of a volt",
    "a fault that comes and goes with heat or vibration and is not there now",
)


def blind_spots(
    kind: Kind | None, healthy: Healthy | None, connection: Connection, capacitors: int
) -> tuple[str, ...]:
    """What this test cannot see in this case, a clause each."""
    found = list(_ALWAYS)
    if kind is not None and kind.remark and kind.iron:
        found.insert(0, kind.remark)
    if healthy is not None and kind is not None and not kind.iron:
        ohms = visible_ohms(healthy, kind)
        found.append(
            "shorted turns of this winding at all, against units that differ this much"
            if ohms is None
            else f"one turn that leaks through more than about {_two_digits(ohms)} ohm"
            + ("" if healthy.same_unit else ", hidden among the differences between units")
        )
    if kind is not None and kind.high_voltage:
        found.append(_rectifiers(kind, healthy, connection, capacitors))
    if capacitors == 1:
        found.append(
            "whether inductance or capacitance has changed: one test capacitor cannot tell them apart"
        )
    if connection is not Connection.OUT_OF_CIRCUIT:
        found.append("a supply rail shorted behind its rectifier, which no small ring turns on")
    return tuple(found)


def caution(explanation: Explanation, connection: Connection) -> str:
    """The caution, wherever the next step is, or may be, at the set."""
    at_bench = connection is Connection.OUT_OF_CIRCUIT and explanation is not Explanation.LIKE_HEALTHY
    return "" if at_bench else CAUTION


_HALF, _FIFTH, _TWENTIETH = 0.5, 0.2, 0.05
"""What a shorted rectifier adds to the stray capacitance: first or middle, outside, last of several [1];
simulated: tests/golden/spice_faults."""

_FALSE = 0.02
"""Healthy units that a chance of standing out allows to be named falsely [0..1]; assumed."""

_NEARLY = 0.99
"""Chance from which nearly all cases are told [0..1]; assumed."""


def _rectifiers(kind: Kind, healthy: Healthy | None, connection: Connection, capacitors: int) -> str:
    if connection is Connection.IN_CIRCUIT:
        return "a shorted rectifier of the high voltage: what the set connects hides the capacitance it adds"
    if capacitors == 1 or healthy is None:
        return (
            "a shorted rectifier of the high voltage: only stray capacitance by two capacitors, against good "
            "units rung with the same two, shows it"
        )
    first, outside, last = (_of_cases(healthy, share) for share in (_HALF, _FIFTH, _TWENTIETH))
    false = f"{100 * _FALSE:.0f} healthy ones in 100 do too"
    seen = (
        f"a shorted first or middle one (stray capacitance up by half) stands out in {first}, the last one "
        f"(up by a twentieth) in {last}, where {false}"
        if kind.rectifiers_inside
        else f"a shorted one outside (stray capacitance up by a fifth) stands out in {outside}, where "
        f"{false}; inside a {_SPLIT}, which is a kind of its own, more often"
    )
    return (
        f"not every shorted rectifier of the high voltage: {seen}; one that breaks down only at working "
        "voltage never does"
    )


def _of_cases(healthy: Healthy, share: float) -> str:
    chance = chance_of_capacitance(healthy, share, _FALSE)
    return "nearly all cases" if chance > _NEARLY else f"about {100 * chance:.0f} of 100 cases"


_SPLIT = "diode-split transformer"


def _two_digits(value: float) -> str:
    return f"{float(f'{value:.2g}'):g}"
