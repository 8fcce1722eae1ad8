"""The reasons of a finding: plain sentences, each with the figures it rests on."""

from __future__ import annotations

import math
from collections.abc import Sequence

from coilbell.decay import Bend, Quantity
from coilbell.errors import ReferenceMismatch
from coilbell.figure import concise, in_percent
from coilbell.record import Connection
from coilbell.winding.odds.ambiguity import RIVAL, not_ruled_out
from coilbell.winding.odds.bykind import KindOdds
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.law import AmplitudeLaw
from coilbell.winding.odds.observation import Ring
from coilbell.winding.odds.plane import ANGLE_FLOOR, Shift
from coilbell.winding.odds.posterior import Posterior
from coilbell.winding.odds.reference import Reference
from coilbell.winding.odds.shares import EVEN
from coilbell.winding.odds.visible import spread_of_capacitance
from coilbell.winding.said.spreadwords import share_words, spread_words
from coilbell.winding.tank.several import SeveralCapacitorTank
from coilbell.winding.tank.single import OneCapacitorTank

__all__ = [
    "CONVICTS_NOTHING",
    "basis",
    "check_kind",
    "reasons",
    "reasons_of_kind",
    "rests_on",
    "rests_on_kind",
]

CONVICTS_NOTHING = "in circuit a bad ring convicts nothing: what is connected can do the same"


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
    slope: tuple[Quantity, float] | None,
    odds: Posterior,
    explanation: Explanation,
    where: Connection,
    tank: OneCapacitorTank | SeveralCapacitorTank | None,
) -> tuple[str, ...]:
    """Why the finding is what it is."""
    if not shifts:
        return (
            f"nothing rang with {rings[0].capacitor.words}, where the reference rings at "
            f"{_usual(by, by.place(rings[0].capacitor))}",
        )
    found = [_against(r, by, by.place(r.capacitor)) for r in rings]
    found.append(_direction(shifts[0]))
    found.append(_far(odds.tail))
    found.append(_shows(odds))
    found += _two_capacitors(by, slope, tank, rings[0].loading.farads)
    found += _ladder(rings)
    if where is Connection.IN_CIRCUIT:
        found.append(_in_circuit(explanation, odds))
    return tuple(found)


SIMULATED = (
    "in circuit this is decided by simulation only, no hardware has measured it: confirm by a second way, "
    "such as the part taken out, before you buy one"
)


def _in_circuit(explanation: Explanation, odds: Posterior) -> str:
    two = odds.limits.copper
    if two is not None:
        copper = (
            f"two test capacitors show closed copper: inductance {two.inductance:.2f} of the healthy one's, "
            f"the loss conductance goes as frequency to the {two.slope:.1f}"
        )
        if odds.limits.waits:
            return f"{copper}; whose it is tell {', '.join(map(str, odds.limits.waits))}"
        return f"{copper}; with what was unplugged and tested it is the winding's; {SIMULATED}"
    if explanation is not Explanation.LIKE_HEALTHY:
        return CONVICTS_NOTHING
    open_ = not_ruled_out(odds.explanations)
    rule = "in circuit a ring like the healthy one clears the winding"
    return f"{rule}; this one has not cleared it: {open_}" if open_ else rule


def _against(ring: Ring, by: Healthy, k: int) -> str:
    m = len(by.capacitors)
    ratio = math.exp(ring.point[0] - by.location[k])
    spread_f, spread_q = by.spreads[k], by.spreads[m + k]
    against, whose = ("earlier", "its repeats") if by.same_unit else ("a healthy one", "units")
    return (
        f"with {ring.capacitor.words}: natural frequency {ring.words}; {against} {_usual(by, k)} "
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
    return f"added loss {loss}, inductance drop {'+' * (b > 0)}{concise(b, spread)}{end}: {_meaning(shift)}"


def _meaning(shift: Shift) -> str:
    if shift.inductance_drop < 0:
        return "more inductance or capacitance than the reference"
    if shift.beyond_core:
        most = "more inductance gone than any fault of the core takes"
        return f"{most}, {_NO_LOSS}" if shift.lossless else most
    if shift.lossless:
        return "inductance gone without loss, as with a changed core or gap, or a very tight short"
    return "inductance gone and loss come, as a closed turn does"


_NO_LOSS = "and hardly loss come: another part, another test capacitor, or a very tight short"


_SELDOM, _NEVER = 0.05, 1e-4
"""Shares of healthy rings from which "one in n", and "only one in n", are said [0..1]; assumed."""

_MOST_DECADES = 6.0
"""Decades of a ratio beyond which it is told as over a million [1]; assumed."""


def _far(tail: float) -> str:
    if tail > 2 / 3:
        return "most healthy rings lie at least this far from the reference"
    if tail >= _SELDOM:
        return f"one healthy ring in {1 / tail:.0f} lies at least this far from the reference"
    if tail >= _NEVER:
        return f"only one healthy ring in {1 / tail:.0f} would lie this far from the reference"
    return f"fewer than one healthy ring in {1 / _NEVER:.0f} would lie this far from the reference"


def _shows(odds: Posterior) -> str:
    """Shorts too slight to show have no part in it: those nothing can tell from a healthy winding."""
    size = abs(odds.log10_shows)
    factor = 10 ** min(size, _MOST_DECADES)
    two_digits = f"{factor:.1f}" if factor < 10 else f"{float(f'{factor:.2g}'):,.0f}"
    times = "over a million" if size >= _MOST_DECADES else two_digits
    short, whole = "a short that shows on this part", "a healthy winding"
    first, second = (short, whole) if odds.log10_shows > 0 else (whole, short)
    if odds.explanations[Explanation.UNDECIDED] >= RIVAL:
        return (
            f"neither {whole} nor a known short comes near this ring; of the two, {first} is {times} times "
            "likelier"
        )
    left_out = "" if odds.log10_shows > 0 else "; a short too slight to show is in neither"
    return f"this ring is {times} times likelier from {first} than from {second}{left_out}"


_STEEPEST = -2.5
"""Slope of loss over frequency that no one closed turn goes below [1]; assumed."""


def _two_capacitors(
    by: Healthy,
    slope: tuple[Quantity, float] | None,
    tank: OneCapacitorTank | SeveralCapacitorTank | None,
    tester_farads: float,
) -> list[str]:
    found = []
    if isinstance(tank, SeveralCapacitorTank):
        found.append(
            "these rings are not those of one inductance with one capacitance: no stray capacitance is given"
            if tank.contradicted
            else _stray(by, tank.stray_farads, by.stray_beyond(tester_farads))
        )
    if slope is not None:
        own, usual = slope
        end = "; steeper than any single short makes it" if own.value < _STEEPEST else ""
        found.append(
            f"the loss follows frequency with a slope of {concise(own.value, own.standard_uncertainty)}, the "
            f"reference's {usual:+.2f} (a resistance raises "
            f"it, closed copper turns lower it){end}"
        )
    return found


def _stray(by: Healthy, stray: Quantity, usual: float) -> str:
    nanofarads = concise(stray.value * 1e9, stray.standard_uncertainty * 1e9)
    words = f"stray capacitance by two capacitors {nanofarads} nF"
    if by.assumed_stray:
        return f"{words}, usual for the kind {usual * 1e9:.2g} nF"
    if usual <= 0:
        return f"{words}; the reference's is too little beside the tester's own to be held against it"
    whose = "its repeats" if by.same_unit else "healthy units"
    return (
        f"{words}, the reference's {usual * 1e9:.3g} nF: {in_percent(stray.value / usual - 1, '+')}, where "
        f"{whose} differ by {100 * spread_of_capacitance(by):.2g} %"
    )


def _ladder(rings: Sequence[Ring]) -> list[str]:
    found = []
    for ring in rings:
        step = ring.amplitude
        if ring.law is not None:
            found += _law(ring, ring.law)
        elif step is not None and step.bends:
            change = in_percent(math.expm1(step.slope * math.log(2)), "+")
            found.append(
                f"with {ring.capacitor.words} the loss changes by {change} when the amplitude doubles: a "
                "semiconductor junction does that, copper does not; the smallest amplitude is judged"
            )
        elif ring.amplitude_dependent:
            found.append(
                f"with {ring.capacitor.words} the decay changes its rate as it dies away, as with a junction "
                "or a core; ring at several amplitudes to tell"
            )
    return found


def _law(ring: Ring, law: AmplitudeLaw) -> list[str]:
    """What a ladder with one capacitor told, nothing where the loss keeps still."""
    rise = f"with {ring.capacitor.words} 1/Q goes by {in_percent(law.rise, '+')} from 60 to 270 mV"
    if law.bend is Bend.FAILED:
        return [f"{rise} and no law fits, so that the figures are those of one rung"]
    if law.bend is Bend.JUNCTION and law.volts:
        volts = concise(law.volts * 1e3, min(law.volts_uncertainty, law.volts) * 1e3)
        return [f"{rise} as a junction makes it, V {volts} mV; what is judged is the ring at rest"]
    return [f"{rise}, as a core's own loss does"] if law.bend is Bend.CORE else []


def rests_on(by: Healthy, reference: Reference) -> str:
    """What the odds rest on, in one clause."""
    if by.same_unit:
        return f"judged by earlier rings of {by.same_unit} itself, in {reference.name}"
    units = len(by.units)
    return f"judged by {units} good unit{'s' if units > 1 else ''} of {reference.name}"


def rests_on_kind(kind: Kind | None, odds: KindOdds | None) -> str:
    """The same without a reference."""
    if kind is None:
        return "judged by nothing: neither reference nor kind"
    if odds is None:
        return f"judged by the kind alone, {kind.name}"
    low, high = odds.usual
    return f"judged by the kind alone: a healthy {kind.name} has Q {low:.3g} to {high:.3g} (common practice)"


def reasons_of_kind(ring: Ring, kind: Kind | None) -> tuple[str, ...]:
    """What may be said without a reference."""
    if not ring.rings:
        return (f"nothing rang with {ring.capacitor.words}",)
    q = math.exp(-ring.point[1])
    found = [f"with {ring.capacitor.words}: natural frequency {ring.words}"]
    if kind is None:
        found.append("neither reference nor kind is known: any Q can be healthy on some kind of part")
        return tuple(found)
    low, high = kind.healthy_q
    place = "inside" if low <= q <= high else "below" if q < low else "above"
    found.append(
        f"{place} the usual Q of a healthy {kind.name}, {low:g} to {high:g} with "
        f"{kind.usual_farads * 1e9:g} nF (common practice, no published source)"
    )
    if kind.remark and not kind.iron:  # of iron it stands among what cannot be seen
        found.append(kind.remark)
    return tuple(found)


def basis(
    by: Healthy, reference: Reference, odds: Posterior, where: Connection, *, prior_given: bool = False
) -> tuple[str, ...]:
    """What the odds rest on. prior_given: by a person, whatever outcomes tell."""
    shares = reference.shares_in(where)
    found = [
        f"a prior of {100 * odds.prior:.3g} % that a turn is shorted, before this ring"
        + (" (assumed; another can be given)" if odds.prior == EVEN and not (shares or prior_given) else "")
    ]
    if shares is not None:
        found.append(share_words(shares, reference.kind.name, prior_given=prior_given))
    if by.same_unit:
        found.append(f"earlier rings of this very unit, {by.same_unit}, in reference {reference.name}")
    else:
        found += spread_words(by, reference)
    hows = list(dict.fromkeys(how for _, how, _ in reference.shorted_points(by.capacitors)))
    found.append(
        f"shorts made on purpose: {'; '.join(hows)}"
        if hows
        else "no short made on purpose: shorts are computed"
    )
    if where is Connection.UNKNOWN:
        found.append("that nothing is connected to the winding: how it was connected is not recorded")
    return tuple(found)
