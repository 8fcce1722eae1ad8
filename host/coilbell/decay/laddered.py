"""A capture that holds several rungs of a ladder, told as one fit: that of the rung at 130 mV, its main
ring as it is at vanishing amplitude.

Rungs are told apart by the width of their pulse, in the order taken; the lowest may come twice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from coilbell.decay.bend import Bend
from coilbell.decay.ladder import LADDER_VOLTS, LadderFit, fit_ladder, sound
from coilbell.decay.model import Doubt, DoubtKind, Fit, Mode, Quantity, decrement_from_q, ring_count
from coilbell.decay.rungs import NEAR
from coilbell.errors import InputError
from coilbell.record import Record

__all__ = ["rungs_of", "told_as_one"]

_SAME_WIDTH = 0.1
"""Widths of pulses nearer than this, relative, are one rung."""
CONDUCTS = 0.15
"""Rise of 1/Q from 60 to 270 mV from which a junction is said to conduct [1]; simulated: 12 of 12 leaky
dampers rise
by 0.20 to 0.35, sound sets with everything unplugged by 0.06 at most (families line-set-200 to 211)."""


def rungs_of(records: Sequence[Record]) -> list[list[Record]]:
    """The records by rung, in the order taken; one list where all were struck alike, or nobody knows how."""
    rungs: list[list[Record]] = []
    for record in records:
        before = rungs[-1][0].pulse_s if rungs else None
        same = rungs and (
            record.pulse_s is None or before is None or abs(math.log(record.pulse_s / before)) < _SAME_WIDTH
        )
        if same:
            rungs[-1].append(record)
        else:
            rungs.append([record])
    return rungs


def told_as_one(rungs: Sequence[Fit]) -> Fit:
    """The fit of a ladder: the rung nearest to 130 mV, with the figures of vanishing amplitude.

    Where no rung rings in volts it is that rung as it is; where the law fails its doubt says so.
    """
    ringing = [one for one in rungs if one.rings] or list(rungs)
    ringing = [one for one in ringing if sound(one)] or ringing
    base = min(ringing, key=_far)
    total = sum(one.records for one in rungs)
    try:
        ladder = fit_ladder(rungs)
    except InputError:
        return replace(base, records=total)
    main = _at_rest(base, ladder)
    doubts = [d for d in base.doubts if d.kind is not DoubtKind.AMPLITUDE_DEPENDENT] + _doubts(ladder)
    # A bent ring is told by its law, not by the modes that stood in for it.
    further = [m for m in base.modes[1:] if abs(m.frequency_hz.value / main.frequency_hz.value - 1) > NEAR]
    return replace(base, modes=(main, *further), doubts=tuple(doubts), records=total, ladder=ladder)


def _far(one: Fit) -> float:
    if not one.rings or not one.main.amplitude.value > 0:
        return math.inf
    return abs(math.log(one.main.amplitude.value / LADDER_VOLTS[1]))


def _at_rest(base: Fit, ladder: LadderFit) -> Mode:
    """The main mode with the ladder's frequency and decay."""
    rate, q, f = ladder.decay_per_s, ladder.q, ladder.frequency_hz
    damped = _scaled(q, math.sqrt(max(q.value**2 - 0.25, 1e-12)) / q.value)
    decrement = decrement_from_q(max(q.value, 0.5001))
    return replace(
        base.main,
        frequency_hz=f,
        decay_per_s=rate,
        tau_s=_inverse(rate),
        q=q,
        q_damped=damped,
        log_decrement=Quantity(
            decrement,
            decrement * rate.standard_uncertainty / rate.value,
            decrement_from_q(max(q.high, 0.5001)),
            decrement_from_q(max(q.low, 0.5001)),
        ),
        ring_count=_scaled(damped, ring_count(1.0, base.count_to)),
        ring_count_whole=1 + math.floor(ring_count(damped.value, base.count_to)),
    )


def _scaled(q: Quantity, factor: float) -> Quantity:
    return Quantity(q.value * factor, q.standard_uncertainty * factor, q.low * factor, q.high * factor)


def _inverse(rate: Quantity) -> Quantity:
    low = max(rate.low, 1e-3 * rate.value)
    return Quantity(1 / rate.value, rate.standard_uncertainty / rate.value**2, 1 / rate.high, 1 / low)


def _doubts(ladder: LadderFit) -> list[Doubt]:
    found = []
    for words in ladder.doubts:
        kind = DoubtKind.SHOTS_DISAGREE if "again at" in words else DoubtKind.AMPLITUDE_DEPENDENT
        found.append(Doubt(kind, words, 1.0, 1.0))
    if ladder.bend is Bend.JUNCTION and ladder.rise > CONDUCTS and ladder.volts is not None:
        volts = ladder.volts
        words = (
            f"1/Q rises by {ladder.rise:.0%} from 60 to 270 mV as a junction makes it, "
            f"V {volts.value * 1e3:.3g} mV (standard uncertainty {volts.standard_uncertainty * 1e3:.2g}); "
            "the figures are those of vanishing amplitude"
        )
        found.append(Doubt(DoubtKind.AMPLITUDE_DEPENDENT, words, ladder.rise, CONDUCTS))
    return found
