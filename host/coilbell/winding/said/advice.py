"""What a ring cannot see, what to do next, and the caution where that is at the set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from coilbell.figure import percent
from coilbell.record import Connection
from coilbell.winding.odds.ambiguity import RIVAL, not_ruled_out
from coilbell.winding.odds.cause import SET
from coilbell.winding.odds.connection import attachments
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.likelihood import CauseOdds
from coilbell.winding.odds.visible import chance_of_capacitance, visible_ohms

__all__ = ["CAUTION", "blind_spots", "caution", "next_step"]

CAUTION = (
    "Before a hand or a lead goes into the set: pull its mains plug, and let a person who knows it make the "
    "stored charge safe (tube anode and cup, reservoir capacitors; some hold for days) and measure that it "
    "is gone. The tester goes on dead circuits only. Local rules and licensed practice come first."
)

_ALWAYS = (
    "insulation that breaks down only at working voltage: this ring is at a fraction of a volt",
    "a fault that comes and goes with heat or vibration and is not there now",
)

_STEPS = {
    Explanation.LIKE_HEALTHY: "look for the fault elsewhere; if everything points back to this part, try a "
    "known good one in its place, since breakdown at working voltage stays hidden",
    Explanation.LIKE_SHORTED: "ring it once more with every other winding open and no metal near the core; "
    "if it stays so, count the part as failed",
    Explanation.LOADED: "take everything off every winding, clean and dry the part, and ring again; what "
    "stays is a leaky or thin shorted turn inside",
    Explanation.DETUNED: "check the core for a crack, a loose clamp or a changed gap, and the part for its "
    "type; check which test capacitor was set",
    Explanation.EXTRA_CAPACITANCE: "look for a capacitor left across the winding; on a part with rectifiers "
    "inside, a shorted one does this and the part has failed",
    Explanation.NO_RING: "check the test leads and the pulse on a known good part, then the winding for "
    "continuity; an open winding and touching leads look alike",
    Explanation.UNDECIDED: "ring with a second test capacitor, and add good units of this very part to the "
    "reference",
}

_ALONE = {
    Explanation.LIKE_SHORTED: "ring it once more with nothing else on its ends and no metal near the core; "
    "if it stays so, count the part as failed",
    Explanation.LOADED: "take everything off its ends, clean and dry the part, and ring again; what stays is "
    "a leaky or thin shorted turn inside",
}
"""The same for a winding that is the only one on its core."""

_STACK = (
    "ring it once more with nothing on its anode lead and high-voltage return, every other winding open and "
    "no metal near the core; if it stays so, count the part as failed"
)

_BEYOND_CORE = (
    "check the part for its type and which test capacitor was used; where both are right, hold it against a "
    "known good one: a very tight short rings so, no crack or gap does"
)

_UNDECIDED_BY_SEVERAL = (
    "check which test capacitors were set, take everything off every winding, and ring again; add good units "
    "of this very part to the reference"
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


def next_step(
    explanation: Explanation,
    kind: Kind | None,
    causes: Sequence[CauseOdds],
    connection: Connection,
    capacitors: int = 1,
    chances: Mapping[Explanation, float] | None = None,
    *,
    beyond_core: bool = False,
    other_capacitor: bool = False,
    shorted: float = 0.0,
) -> str:
    """What to do next; in circuit a ring that is not like the healthy one only says what to unplug.

    chances: of each explanation; one that comes near "like healthy" is to be ruled out first. beyond_core: no
    fault of the core takes so much inductance; other_capacitor: a healthy one rings like this with another;
    shorted: probability of a shorted turn, which a prior may leave high beside a healthy ring.
    """
    if explanation is Explanation.LIKE_HEALTHY and kind is not None and kind.iron:
        return "try a known good part in its place: a healthy ring does not clear a winding of this kind"
    if explanation is Explanation.LIKE_HEALTHY and shorted > 1 - RIVAL:
        return (
            "try a known good part in its place: a short too slight to ring otherwise stays at "
            f"{percent(shorted)}, since it was held that likely before the ring"
        )
    if explanation is Explanation.LIKE_HEALTHY:
        open_ = not_ruled_out(chances or {})
        first = f"{open_}: judge it by more good units; then " if open_ else ""
        return first + _STEPS[explanation]
    if connection is not Connection.IN_CIRCUIT and explanation is Explanation.DETUNED:
        return _BEYOND_CORE if beyond_core else _STEPS[explanation]
    if connection is not Connection.IN_CIRCUIT:
        step = _on_the_bench(explanation, kind, capacitors)
        return f"check which test capacitor was used; then {step}" if other_capacitor else step
    return f"{_unplug(kind, causes)}, then ring again; only out of circuit can the winding be convicted"


def _on_the_bench(explanation: Explanation, kind: Kind | None, capacitors: int) -> str:
    if explanation is Explanation.UNDECIDED and capacitors > 1:
        return _UNDECIDED_BY_SEVERAL
    if explanation is Explanation.LIKE_SHORTED and kind is not None and kind.high_voltage:
        return _STACK
    if kind is not None and not kind.secondary and explanation in _ALONE:
        return _ALONE[explanation]
    return _STEPS[explanation]


def caution(explanation: Explanation, connection: Connection) -> str:
    """The caution, wherever the next step is, or may be, at the set."""
    at_bench = connection is Connection.OUT_OF_CIRCUIT and explanation is not Explanation.LIKE_HEALTHY
    return "" if at_bench else CAUTION


def _unplug(kind: Kind | None, causes: Sequence[CauseOdds]) -> str:
    steps = {a.name: a.unplug for a in attachments(kind)} if kind is not None else {}
    steps["shorted device"] = "lift the switching device, which may be shorted"
    for odds in sorted(causes, key=lambda c: -c.probability):
        name = odds.name.removeprefix(SET)
        if odds.name.startswith(SET) and name in steps:
            return steps[name]
    if kind is not None and kind.high_voltage:
        return "unplug the deflection yoke and the tube base, for its heater"
    return "lift one end of the winding from the circuit, or take the part out"


_HALF, _FIFTH, _TWENTIETH = 0.5, 0.2, 0.05
"""What a shorted rectifier adds to the stray capacitance: first or middle, outside, last of several [1]."""

_FALSE = 0.02


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
    return "nearly all cases" if chance > 0.99 else f"about {100 * chance:.0f} of 100 cases"


_SPLIT = "diode-split transformer"


def _two_digits(value: float) -> str:
    return f"{float(f'{value:.2g}'):g}"
