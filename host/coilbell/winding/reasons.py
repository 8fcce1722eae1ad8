"""The reasons of a finding: plain sentences, each with the figures it rests on."""

from __future__ import annotations

import math
from collections.abc import Sequence

from coilbell.errors import ReferenceMismatch
from coilbell.record import Connection
from coilbell.winding.capacitors import SeveralCapacitorTank
from coilbell.winding.explanation import Explanation
from coilbell.winding.healthy import Healthy
from coilbell.winding.kind import Kind
from coilbell.winding.likelihood import Posterior
from coilbell.winding.observation import Ring
from coilbell.winding.plane import ANGLE_FLOOR, Shift
from coilbell.winding.reference import Reference
from coilbell.winding.tank import OneCapacitorTank
from coilbell.winding.uncertainty import concise
from coilbell.winding.visible import spread_of_capacitance

__all__ = [
    "basis",
    "check_kind",
    "not_separable",
    "reasons",
    "reasons_of_kind",
]


_RIVAL = 0.1
"""Probability from which another explanation is worth naming beside the first."""


def check_kind(reference: Reference, kind: Kind) -> None:
    """Raise ReferenceMismatch when the reference is of another kind."""
    if reference.kind.name != kind.name:
        raise ReferenceMismatch(
            f"reference {reference.name} is of a {reference.kind.name}, the part is a {kind.name}; "
            "take a reference from the same part"
        )


def reasons(
    rings: Sequence[Ring],
    by: Healthy,
    shifts: Sequence[Shift],
    slope: tuple[float, float] | None,
    odds: Posterior,
    explanation: Explanation,
    where: Connection,
    tank: OneCapacitorTank | SeveralCapacitorTank | None,
) -> tuple[str, ...]:
    """Why the finding is what it is."""
    if not shifts:
        return (f"nothing rang with {_farads(rings[0])}, where the reference rings at {_usual(by, 0)}",)
    found = [_against(r, by, k) for k, r in enumerate(rings)]
    found.append(_direction(shifts[0]))
    found.append(_far(odds.tail))
    found.append(_shows(odds.log10_shows))
    found += _two_capacitors(by, slope, tank, rings[0].loading.farads)
    found += _ladder(rings)
    if where is Connection.IN_CIRCUIT:
        found.append(
            "in circuit a ring like the healthy one clears the winding"
            if explanation is Explanation.LIKE_HEALTHY
            else "in circuit a bad ring convicts nothing: what is connected can do the same"
        )
    return tuple(found)


def _against(ring: Ring, by: Healthy, k: int) -> str:
    m = len(by.capacitors)
    ratio = math.exp(ring.point[0] - by.location[k])
    spread_f, spread_q = by.spreads[k], by.spreads[m + k]
    against, whose = ("earlier", "its repeats") if by.same_unit else ("a healthy one", "units")
    return (
        f"with {_farads(ring)} it rings at {ring.words}; {against} at {_usual(by, k)} "
        f"(f {math.log(ratio) / spread_f:+.1f}, loss {(ring.point[1] - by.location[m + k]) / spread_q:+.1f} "
        f"spreads of {whose})"
    )


def _usual(by: Healthy, k: int) -> str:
    m = len(by.capacitors)
    return f"{math.exp(by.location[k]) / 1e3:.4g} kHz, Q {math.exp(-by.location[m + k]):.3g}"


def _direction(shift: Shift) -> str:
    g, b = shift.added_loss, shift.inductance_drop
    spread = math.sqrt(shift.covariance[1][1])
    loss = f"{'+' * (g > 0)}{concise(g, math.sqrt(shift.covariance[0][0]))}"
    if abs(b) < max(ANGLE_FLOOR, 2 * spread):
        what = "as a resistance across a winding would do, or a turn that leaks" if g > 0 else "no added loss"
        small = abs(g) < 2 * math.sqrt(shift.covariance[0][0])
        return f"added loss {loss}, inductance within the spread: " + ("hardly a change" if small else what)
    angle = shift.angle_deg
    end = "" if angle is None else f", {angle:.0f} degrees in the shift plane"
    return f"added loss {loss}, inductance drop {'+' * (b > 0)}{concise(b, spread)}{end}: {_meaning(g, b)}"


def _meaning(g: float, b: float) -> str:
    if b < 0:
        return "more inductance or capacitance than the reference"
    if b > 3:
        return "more inductance gone than any fault of the core takes"
    if g <= 0.05 * b:
        return "inductance gone without loss, as with a changed core or gap, or a very tight short"
    return "inductance gone and loss come, as a closed turn does"


def _far(tail: float) -> str:
    if tail >= 0.05:
        return f"one healthy ring in {1 / tail:.0f} lies at least this far from the reference"
    if tail >= 1e-4:
        return f"only one healthy ring in {1 / tail:.0f} would lie this far from the reference"
    return "fewer than one healthy ring in 10000 would lie this far from the reference"


def _shows(log10_ratio: float) -> str:
    """Shorts too slight to show have no part in it: those nothing can tell from a healthy winding."""
    factor = 10 ** min(abs(log10_ratio), 6.0)
    two_digits = f"{factor:.1f}" if factor < 10 else f"{float(f'{factor:.2g}'):,.0f}"
    times = "over a million" if abs(log10_ratio) >= 6 else two_digits
    side = "a short that shows on this part" if log10_ratio > 0 else "a healthy winding"
    other = "a healthy winding" if log10_ratio > 0 else "a short that shows on this part"
    return f"this ring is {times} times likelier from {side} than from {other}"


def _two_capacitors(
    by: Healthy,
    slope: tuple[float, float] | None,
    tank: OneCapacitorTank | SeveralCapacitorTank | None,
    tester_farads: float,
) -> list[str]:
    found = []
    if isinstance(tank, SeveralCapacitorTank):
        stray, usual = tank.stray_farads, by.stray_beyond(tester_farads)
        found.append(
            f"stray capacitance by two capacitors {stray.value * 1e9:.3g} nF "
            f"(+-{stray.standard_uncertainty * 1e9:.1g}), "
            + (
                f"usual for the kind {usual * 1e9:.2g} nF"
                if by.assumed_stray
                else f"the reference's {usual * 1e9:.3g} nF: {stray.value / usual - 1:+.0%}, where "
                f"{'its repeats' if by.same_unit else 'healthy units'} differ by "
                f"{100 * spread_of_capacitance(by):.2g} %"
            )
        )
    if slope is not None:
        found.append(
            f"the loss follows frequency with a slope of {slope[0]:+.2f}, the reference's {slope[1]:+.2f} "
            "(a resistance 0, closed copper turns -1 to -2)"
        )
    return found


def _ladder(rings: Sequence[Ring]) -> list[str]:
    found = []
    for ring in rings:
        step = ring.amplitude
        if step is not None and abs(step.slope) > max(0.05, 3 * step.uncertainty):
            found.append(
                f"with {_farads(ring)} the loss changes by {math.expm1(step.slope * math.log(2)):+.0%} when "
                "the amplitude doubles: a semiconductor junction does that, copper does not; the smallest "
                "amplitude is judged"
            )
        elif ring.amplitude_dependent:
            found.append(
                f"with {_farads(ring)} the decay changes its rate as it dies away, as with a junction or a "
                "core; ring at several amplitudes to tell"
            )
    return found


def reasons_of_kind(ring: Ring, kind: Kind | None) -> tuple[str, ...]:
    """What may be said without a reference."""
    if not ring.rings:
        return (f"nothing rang with {_farads(ring)}",)
    q = math.exp(-ring.point[1])
    found = [f"with {_farads(ring)} it rings at {ring.words}"]
    if kind is None:
        found.append("neither reference nor kind is known: any Q can be healthy on some kind of part")
        return tuple(found)
    low, high = kind.healthy_q
    place = "inside" if low <= q <= high else "below" if q < low else "above"
    found.append(
        f"{place} the usual Q of a healthy {kind.name}, {low:g} to {high:g} with "
        f"{kind.usual_farads * 1e9:g} nF (common practice, no published source); that alone decides nothing"
    )
    if kind.remark:
        found.append(kind.remark)
    return tuple(found)


def basis(by: Healthy, reference: Reference, odds: Posterior, where: Connection) -> tuple[str, ...]:
    """What the odds rest on."""
    units = len(by.units)
    found = [
        f"a prior of {odds.prior:.0%} that a turn is shorted, before this ring"
        + (" (assumed; set it with --prior)" if odds.prior == 0.5 else "")
    ]
    if by.same_unit:
        found.append(f"earlier rings of this very unit, {by.same_unit}, in reference {reference.name}")
    else:
        found.append(
            f"{units} good unit{'s' if units > 1 else ''} in reference {reference.name}; the spread between "
            f"units is {by.prior_share:.0%} assumption for a {reference.kind.name} (inductance "
            f"+-{reference.kind.spread.inductance:.0%}, core loss +-{reference.kind.spread.core_loss:.0%})"
        )
    hows = list(dict.fromkeys(how for _, how, _ in reference.shorted_points(by.capacitors)))
    found.append(
        f"shorts made on purpose: {'; '.join(hows)}"
        if hows
        else "no short made on purpose: shorts are computed"
    )
    if where is Connection.UNKNOWN:
        found.append("that nothing is connected to the winding: how it was connected is not recorded")
    return tuple(found)


def not_separable(
    odds: Posterior, kind: Kind, rings: Sequence[Ring], explanation: Explanation, where: Connection
) -> tuple[str, ...]:
    """What the physics leaves open in this case."""
    chance = odds.explanations
    found = []
    if explanation is Explanation.LOADED and where is not Connection.IN_CIRCUIT:
        found.append(
            "a leaky turn, one turn of thin wire and a resistance on a winding make the same ring; only "
            "with every winding unloaded, out of circuit, does what is left mean a turn"
        )
    rivals = [e for e in chance if e is not explanation and chance[e] >= _RIVAL and e in _PAIRED]
    listed = [f"{e} ({chance[e]:.0%})" for e in dict.fromkeys([*_first(explanation, chance), *rivals])]
    unknown = chance[Explanation.UNDECIDED]
    if len(listed) == 1 and explanation is Explanation.UNDECIDED and unknown >= _RIVAL:
        listed.append(f"something not known here ({unknown:.0%})")
    if len(listed) > 1:
        found.append(f"this ring does not tell apart {' and '.join(listed)}")
    if (
        kind.high_voltage
        and where is not Connection.OUT_OF_CIRCUIT
        and chance[Explanation.LIKE_SHORTED] >= _RIVAL
    ):
        found.append(
            "with every rectifier of the high voltage shorted, a tube on the anode and the return connected, "
            "a whole winding rings like a shorted one"
        )
    if explanation in (Explanation.DETUNED, Explanation.EXTRA_CAPACITANCE) and len(rings) == 1:
        found.append("one capacitor cannot tell more capacitance from more inductance")
    if kind.iron and explanation is Explanation.LIKE_HEALTHY:
        found.append(kind.remark)
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
    return [explanation] if explanation in _PAIRED and chance[explanation] >= _RIVAL else []


def _farads(ring: Ring) -> str:
    return f"{ring.capacitor.farads * 1e9:.3g} nF"
