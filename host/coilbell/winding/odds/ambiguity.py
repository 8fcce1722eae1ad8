"""What the physics leaves open in a case: explanations that make the same ring."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from coilbell.figure import percent
from coilbell.record import Capacitor, Connection
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.plane import Shift, ring_of
from coilbell.winding.odds.posterior import Posterior
from coilbell.winding.odds.severity import cases

__all__ = ["RIVAL", "not_ruled_out", "not_separable", "other_capacitor"]

RIVAL = 0.1
"""Probability from which another explanation is worth naming beside the first [0..1]; assumed."""


def not_ruled_out(chances: Mapping[Explanation, float]) -> str:
    """What is still open beside "like healthy", with its probability; "" where nothing comes near it."""
    named = set(Explanation) - {Explanation.LIKE_HEALTHY, Explanation.UNDECIDED}
    rivals = {e: p for e, p in chances.items() if e in named and p >= RIVAL}
    if not rivals:
        return ""
    first = max(rivals, key=lambda e: rivals[e])
    return f"{first} ({percent(rivals[first])}) is not ruled out"


def not_separable(
    odds: Posterior,
    kind: Kind,
    rings: Sequence[Ring],
    shifts: Sequence[Shift],
    explanation: Explanation,
    where: Connection,
    other: float | None = None,
) -> tuple[str, ...]:
    """What the physics leaves open in this case.

    other: another test capacitor with which a healthy one would ring like this [F], of `other_capacitor`.
    """
    chance = odds.explanations
    found = []
    if explanation is Explanation.LOADED and where is not Connection.IN_CIRCUIT:
        found.append(
            "a leaky turn, one turn of thin wire and a resistance on a winding make the same ring; only "
            "with every winding unloaded, out of circuit, does what is left mean a turn"
        )
    rivals = [e for e in chance if e is not explanation and chance[e] >= RIVAL and e in _PAIRED]
    listed = [f"{e} ({percent(chance[e])})" for e in dict.fromkeys([*_first(explanation, chance), *rivals])]
    unknown = chance[Explanation.UNDECIDED]
    if len(listed) == 1 and explanation is Explanation.UNDECIDED and unknown >= RIVAL:
        listed.append(f"something not known here ({percent(unknown)})")
    if len(listed) > 1:
        found.append(" or ".join(listed))
    beyond = any(shift.beyond_core for shift in shifts)
    if kind.high_voltage and beyond and chance[Explanation.LIKE_SHORTED] >= RIVAL:
        found.append(
            "with every rectifier of the high voltage shorted, a tube on the anode and the return connected, "
            "a whole winding rings like a shorted one"
        )
    if other is not None:
        stated, about = rings[0].capacitor.words, Capacitor(float(f"{other:.2g}")).words
        found.append(f"with about {about} instead of {stated} a healthy one rings like this")
    if explanation in (Explanation.DETUNED, Explanation.EXTRA_CAPACITANCE) and len(rings) == 1:
        found.append("one capacitor cannot tell more capacitance from more inductance")
    if kind.name == "vertical yoke" and rings[0].rings and rings[0].point[1] > math.log(0.5):
        found.append("a yoke damped by its resistors rings as little when healthy: unsolder them first")
    if chance[Explanation.UNDECIDED] > 0.5:
        found.append("nothing known fits: no explanation comes near this ring")
    return tuple(dict.fromkeys(found))


def other_capacitor(rings: Sequence[Ring], by: Healthy, odds: Posterior) -> float | None:
    """Another test capacitor [F] with which a healthy winding would ring like this one; None where none does.

    With r = f/f0 it is (C + C_s)/r^2 - C_s, and the loss it gives has to be the one heard. Only a capacitor
    stated by hand is doubted, a tester knows its own; and only where the winding may be
    blamed for the change.
    """
    if len(rings) > 1 or not rings[0].rings or rings[0].capacitor.name:
        return None
    if sum(odds.explanations[e] for e in _BLAMED) < RIVAL:
        return None
    shift_f, shift_d = rings[0].point - by.location
    if abs(shift_f) < _OFF * by.spreads[0]:
        return None
    stated, stray = rings[0].capacitor.farads, by.tank.farads
    other = (stated + stray) * math.exp(-2 * shift_f) - stray
    if not _CAPACITORS[0] <= other <= _CAPACITORS[1]:
        return None
    expected = ring_of(by.tank, cases(1), other)[1][0] - ring_of(by.tank, cases(1), stated)[1][0]
    near = abs(shift_d - expected) < _LIKE * math.hypot(by.spreads[1], _FAR_OFF * expected)
    return float(other) if near else None


_BLAMED = {
    Explanation.LIKE_SHORTED,
    Explanation.DETUNED,
    Explanation.EXTRA_CAPACITANCE,
    Explanation.UNDECIDED,
}

_CAPACITORS = (200e-12, 1e-6)
"""Test capacitors that anybody would use [F]; common practice, no published source."""

_OFF, _LIKE = 3.0, 2.0
"""Spreads of units beyond which a frequency is off, and within which a loss agrees [1]; assumed."""

_FAR_OFF = 0.25
"""How little the healthy winding's circuit says of the loss at another frequency, of its change [1];
assumed."""

_PAIRED = {
    Explanation.LIKE_HEALTHY,
    Explanation.LIKE_SHORTED,
    Explanation.LOADED,
    Explanation.DETUNED,
    Explanation.EXTRA_CAPACITANCE,
}


def _first(explanation: Explanation, chance: dict[Explanation, float]) -> list[Explanation]:
    return [explanation] if explanation in _PAIRED and chance[explanation] >= RIVAL else []
