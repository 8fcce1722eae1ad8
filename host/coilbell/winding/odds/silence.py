"""Why nothing rang, from how the leads come back after the pulse and how high it drove them.

With nothing that rings across the leads the pulse charges what is there:

    open winding or lead    the tester's own capacitance keeps the charge and loses it through the tester's
                            own conductance: milliseconds (simulated: 18 to 20 ms, 6 of 6)
    short too deep to ring  L/R of what is left of the winding: tens of microseconds (simulated: 0.02 ms)
    device across, or       no voltage to speak of, no recovery at all (simulated: 3 of 3)
    touching leads

Touching leads and a shorted device are one ring; the set tells them apart, the tester cannot.
"""

from __future__ import annotations

from collections.abc import Sequence

from coilbell.terms import Silence
from coilbell.winding.odds.observation import Ring

__all__ = ["silences"]

_OPEN_S = 1e-3
"""Time constant over which only the tester's own conductance discharges the leads [s]; assumed."""

_FLAT_V = 5e-3
"""Voltage after the pulse under which something conducts across the leads [V]: 5 mA through an ohm;
assumed."""


def silences(rings: Sequence[Ring]) -> tuple[Silence, ...]:
    """What may be the reason, likeliest first; () where something rang."""
    if any(r.rings for r in rings):
        return ()
    seen = [o for r in rings for o in r.observations]
    recoveries = [o.recovery_s for o in seen if o.recovery_s is not None]
    levels = [o.level_volts for o in seen if o.level_volts is not None]
    in_circuit = rings[0].stage.in_circuit
    shorted = (Silence.ACROSS, Silence.TOUCHING) if in_circuit else (Silence.TOUCHING, Silence.DEEP)
    if recoveries and max(recoveries) > _OPEN_S:
        return (Silence.OPEN,)
    if levels and max(levels) < _FLAT_V:
        return shorted
    if recoveries:
        return (Silence.DEEP,)
    return (*shorted, Silence.OPEN) if not levels else (Silence.DEEP, *shorted[:1])
