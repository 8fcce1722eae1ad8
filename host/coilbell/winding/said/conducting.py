"""A junction that conducts: where it hangs, by V, and what to measure next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from coilbell.decay import Bend
from coilbell.terms import Attached, Step
from coilbell.winding.odds.law import AmplitudeLaw
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.posterior import Posterior

__all__ = ["Conducting", "conducting", "where"]

_SURE = 0.9
"""Odds of a junction beside a sound winding from which it is named [0..1]; assumed."""

_THERMAL = (0.026, 0.052)
"""n V_T at 25 degrees Celsius for n of 1 and 2 [V]; published: Shockley's equation and its ideality factor,
textbooks of semiconductor devices (from memory)."""

_REACH = 1.3
"""Factor by which V may lie outside that range and still be of the winding itself [1]; simulated:
tests/truth/test_ladder_law.py."""


@dataclass(frozen=True, slots=True)
class Conducting:
    """What is said of it, and the step that finds it."""

    words: str
    step: Step


def conducting(rings: Sequence[Ring], odds: Posterior) -> Conducting | None:
    """A junction that the ladders of these rings name and that the odds keep; None for none."""
    laws = [r.law for r in rings if r.law is not None and r.law.bend is Bend.JUNCTION and r.law.volts]
    chance = max((odds.attached.get(one, 0.0) for one in (Attached.JUNCTION, Attached.SCHOTTKY)), default=0.0)
    if not laws or chance < _SURE:
        return None
    law = min(laws, key=lambda one: one.volts_uncertainty / (one.volts or 1.0))
    place, step = where(law)
    volts = law.volts or 0.0
    spread = law.volts_uncertainty if math.isfinite(law.volts_uncertainty) else volts
    told = f"{volts * 1e3:.0f}({max(spread * 1e3, 1):.0f})"
    return Conducting(f"a junction conducts {place} (V {told} mV)", step)


def where(law: AmplitudeLaw) -> tuple[str, Step]:
    """On which turns a junction hangs by V = n V_T/r, and what to measure.

    r = N_s/N_p. Near n V_T itself it lies across the winding rung; above, on a winding of fewer turns.
    """
    volts = law.volts or _THERMAL[0]
    low, high = volts / _THERMAL[1], volts / _THERMAL[0]
    if low <= _REACH and high >= 1 / _REACH:
        return "across the winding itself: switch, damper or clamp", Step.DEVICE_TESTED
    if low > _REACH:
        return (
            f"on a winding of 1/{low:.0f} to 1/{high:.0f} of its turns: a rectifier",
            Step.RECTIFIERS_TESTED,
        )
    return "on a winding of more turns than the one rung", Step.RECTIFIERS_TESTED
