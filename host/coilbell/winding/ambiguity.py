"""What the physics leaves open in a case: explanations that make the same ring."""

from __future__ import annotations

import math
from collections.abc import Sequence

from coilbell.figure import in_percent
from coilbell.record import Connection
from coilbell.winding.explanation import Explanation
from coilbell.winding.kind import Kind
from coilbell.winding.likelihood import Posterior
from coilbell.winding.observation import Ring
from coilbell.winding.plane import BEYOND_CORE, Shift

__all__ = ["RIVAL", "not_separable"]

RIVAL = 0.1
"""Probability from which another explanation is worth naming beside the first."""


def not_separable(
    odds: Posterior,
    kind: Kind,
    rings: Sequence[Ring],
    shifts: Sequence[Shift],
    explanation: Explanation,
    where: Connection,
) -> tuple[str, ...]:
    """What the physics leaves open in this case."""
    chance = odds.explanations
    found = []
    if explanation is Explanation.LOADED and where is not Connection.IN_CIRCUIT:
        found.append(
            "a leaky turn, one turn of thin wire and a resistance on a winding make the same ring; only "
            "with every winding unloaded, out of circuit, does what is left mean a turn"
        )
    rivals = [e for e in chance if e is not explanation and chance[e] >= RIVAL and e in _PAIRED]
    listed = [
        f"{e} ({in_percent(chance[e])})" for e in dict.fromkeys([*_first(explanation, chance), *rivals])
    ]
    unknown = chance[Explanation.UNDECIDED]
    if len(listed) == 1 and explanation is Explanation.UNDECIDED and unknown >= RIVAL:
        listed.append(f"something not known here ({in_percent(unknown)})")
    if len(listed) > 1:
        found.append(" or ".join(listed))
    beyond = any(shift.inductance_drop > BEYOND_CORE for shift in shifts)
    if kind.high_voltage and beyond and chance[Explanation.LIKE_SHORTED] >= RIVAL:
        found.append(
            "with every rectifier of the high voltage shorted, a tube on the anode and the return connected, "
            "a whole winding rings like a shorted one"
        )
    if explanation in (Explanation.DETUNED, Explanation.EXTRA_CAPACITANCE) and len(rings) == 1:
        found.append("one capacitor cannot tell more capacitance from more inductance")
    if kind.name == "vertical yoke" and rings[0].rings and rings[0].point[1] > math.log(0.5):
        found.append("a yoke damped by its resistors rings as little when healthy: unsolder them first")
    if chance[Explanation.UNDECIDED] > 0.5:
        found.append("nothing known fits: no explanation comes near this ring")
    return tuple(dict.fromkeys(found))


_PAIRED = {
    Explanation.LIKE_HEALTHY,
    Explanation.LIKE_SHORTED,
    Explanation.LOADED,
    Explanation.DETUNED,
    Explanation.EXTRA_CAPACITANCE,
}


def _first(explanation: Explanation, chance: dict[Explanation, float]) -> list[Explanation]:
    return [explanation] if explanation in _PAIRED and chance[explanation] >= RIVAL else []
