"""One fit over rings of several amplitudes: the pole at vanishing amplitude, and what bends the decay.

Each ring is first fitted by itself (`fit`). What is not its main ring (offset, further modes, recovery,
tones)
is taken out, and what is left is seen in windows of some two cycles as a complex amplitude on the ring's own
linear pole. All rungs' amplitudes together then fit the slow equation (`envelope`) with one linear pole. So
a junction's law, the core's and none are weighed by the same residuals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from coilbell.decay.bend import SIGNIFICANT, Bend, Law, Problem, Solution, at_bound, likeliest
from coilbell.decay.envelope import Slow, trajectory
from coilbell.decay.model import DoubtKind, Fit, Quantity
from coilbell.decay.rungs import NEAR, Seen, plain_rate, windows
from coilbell.errors import InputError

__all__ = ["LADDER_VOLTS", "Bend", "LadderFit", "RungFigure", "fit_ladder", "rise_of", "sound"]

Array = npt.NDArray[np.float64]

LADDER_VOLTS = (0.06, 0.13, 0.27, 0.5)
"""First peaks that the rungs of a ladder aim at [V]. Simulated (host/coilbell/board/simulation, ngspice
beside it): every sound set conducts at 0.5, at 0.27 up to 6 %, at 0.13 within 1 %."""

_NAMING_VOLTS = 0.35
"""Rungs above it name a law and tell nothing of the pole at vanishing amplitude [V]."""
_RISE = 0.02
"""Least rise of 1/Q over the ladder from which a law is worth naming [1]; a converter's wide codes do as
much."""
_LOW_Q, _LOW_RISE = 5.0, 0.10
"""Below this Q no law is read from less than that rise: longer pulses excite other modes, which moved 1/Q of
all-linear sets by 3 % (simulated)."""
_MOVED_LOSS, _MOVED_F = 0.02, 0.002
"""Changes of 1/Q and f of the lowest rung, first against last, from which a set has changed meanwhile [1]."""


@dataclass(frozen=True, slots=True)
class RungFigure:
    """One rung by itself."""

    amplitude_volts: float
    loss: Quantity
    """1/Q by a plain exponential [1]."""
    frequency_hz: Quantity


@dataclass(frozen=True, slots=True)
class LadderFit:
    """The rings of a ladder as one.

    frequency_hz, decay_per_s, q: at vanishing amplitude, Q = w0/(2 a), the core's and the junction's own part
    included that they have at rest. volts: a junction's V = n V_T/r [V]; share: what it takes at rest of
    all loss
    [1]; both None where no junction is named. rise: of 1/Q between a ring that starts at 60 and one at 270 mV
    [1]. core_per_volt: the core's k over the linear rate [1/V]. residual: rms left by the law and by none,
    over that of the noise [1].
    """

    frequency_hz: Quantity
    decay_per_s: Quantity
    q: Quantity
    bend: Bend
    volts: Quantity | None
    share: Quantity | None
    rise: float
    core_per_volt: Quantity | None
    rungs: tuple[RungFigure, ...]
    slow: Slow
    residual: tuple[float, float]
    doubts: tuple[str, ...]

    def loss_at(self, amplitudes: Array) -> Array:
        """1/Q that a plain exponential finds of a ring that starts at each amplitude [V]."""
        return np.array([_read(self.slow, float(a)) for a in amplitudes]) / (
            math.pi * self.frequency_hz.value
        )


def fit_ladder(
    rungs: Sequence[Fit], *, core_per_volt: float | None = None, volts: float | None = None
) -> LadderFit:
    """Fit all rungs of one winding and one test capacitor together.

    Parameters
    ----------
    rungs : fits of the single rungs, in the order taken, in volts
    core_per_volt : how the decay rate of the core alone rises with the amplitude, of the reference's ladder
        [1/(s V)]: tan d of hysteresis goes as B = a/(w N A), the rate as w tan d/2, so that it is the same
        whatever hangs on the winding; 0 by default
    volts : V where the turns ratio of the junction is known [V], for junctions whose a/V stays small

    Raises
    ------
    InputError
        No rung rings, or one is not in volts.
    """
    ringing = [one for one in rungs if one.rings and one.main.decay_per_s.value > 0]
    if not ringing:
        raise InputError("no rung of the ladder rings; there is no pole to find")
    if any(one.unit != "V" for one in ringing):
        raise InputError("a rung is not in volts, and a law of amplitude needs them; give a scale")
    moved = _moved(ringing)
    base = min(ringing, key=lambda one: abs(math.log(one.main.amplitude.value / LADDER_VOLTS[1]))).main
    pole = complex(-base.decay_per_s.value, 2 * math.pi * base.frequency_hz.value)
    close = [one for one in ringing if abs(one.main.frequency_hz.value / base.frequency_hz.value - 1) < NEAR]
    looked = {id(one): windows(one, pole) for one in close}
    seen = [one for one in looked.values() if one.times.size >= 3]
    figures = tuple(_figure(one, looked.get(id(one)), pole) for one in ringing)
    if not seen or len({round(math.log(f.amplitude_volts), 1) for f in figures}) < 2:
        return _plain(figures, ringing, moved)
    problem = Problem(seen, pole, core_per_volt)
    return _chosen(problem, figures, ringing, volts, moved)


def _figure(one: Fit, seen: Seen | None, pole: complex) -> RungFigure:
    """A rung by itself: one exponential through its windows, or its own fit where there are few."""
    q, amplitude = one.main.q, one.main.amplitude.value
    if seen is None or seen.times.size < _FEW_WINDOWS:
        loss = Quantity(1 / q.value, q.standard_uncertainty / q.value**2, 1 / q.high, 1 / max(q.low, 0.5))
        return RungFigure(amplitude, loss, one.main.frequency_hz)
    rate, spread = plain_rate(seen, pole)
    angular = 2 * math.pi * one.main.frequency_hz.value
    return RungFigure(seen.start, _quantity(2 * rate / angular, 2 * spread / angular), one.main.frequency_hz)


_FEW_WINDOWS = 6
"""Windows of a rung from which a line through their logarithms says how it decays [1]; assumed."""


def _moved(rungs: Sequence[Fit]) -> tuple[str, ...]:
    """What the lowest rung, rung again at the end, says: nothing where it came back as it was."""
    first, last = rungs[0].main, rungs[-1].main
    if len(rungs) < 3 or abs(math.log(first.amplitude.value / last.amplitude.value)) > 0.3:
        return ()
    found = []
    for what, a, b, least in (
        ("1/Q", first.q, last.q, _MOVED_LOSS),
        ("frequency", first.frequency_hz, last.frequency_hz, _MOVED_F),
    ):
        change = abs(math.log(a.value / b.value))
        spread = math.hypot(a.standard_uncertainty / a.value, b.standard_uncertainty / b.value)
        if change > max(least, 3 * spread):
            found.append(
                f"the lowest rung, rung again at the end, changed its {what} by {change:.1%}: a reservoir "
                "was charged by the ladder, or the set moved; wait a minute and ring again"
            )
    return tuple(found)


def _chosen(
    problem: Problem,
    figures: tuple[RungFigure, ...],
    rungs: Sequence[Fit],
    volts: float | None,
    doubts: tuple[str, ...],
) -> LadderFit:
    """The law that the residuals ask for, or none: by the lower rungs, else named by the highest too.

    Harmonics, and the mean that a junction shifts, leave the slow equation on the highest rung.
    """
    low_q = min(f.loss.value for f in figures) > 1 / _LOW_Q
    low = problem.below(_NAMING_VOLTS)
    judged = low if len(low.seen) > 1 else problem
    none = judged.solve(Law(Bend.NONE), np.zeros(3))
    best = _named(judged, none, volts, low_q)
    if best is None and judged is not problem:
        by_all = _named(problem, problem.solve(Law(Bend.NONE), np.zeros(3)), volts, low_q)
        best = None if by_all is None else judged.solve(by_all.law, by_all.values)
    if best is None and low_q:
        # A few cycles leave a hidden junction open to half the loss; what conducts there is far less.
        return _plain(figures, rungs, doubts)
    if best is None:
        return _cast(judged, none, none, figures, rungs, doubts)
    if best.law.bend is Bend.JUNCTION and volts is None and at_bound(best.law.volts):
        words = (
            f"V of the junction's law ended at its bound, {best.law.volts * 1e3:.3g} mV: no law fits, "
            "and the figures are those of one rung; give the turns ratio, or ring lower rungs"
        )
        rise = rise_of(judged.slow(best.values, best.law))
        return replace(_plain(figures, rungs, (*doubts, words)), bend=Bend.FAILED, rise=rise)
    return _cast(judged, best, none, figures, rungs, doubts)


def _named(problem: Problem, none: Solution, volts: float | None, low_q: bool) -> Solution | None:
    """A law that the residuals ask for beyond doubt and that bends enough to be worth naming."""
    best = likeliest(problem, none, volts)
    if best is None:
        return None
    variance = max(1.0, best.chi / problem.count)
    rise = rise_of(problem.slow(best.values, best.law))
    plain = (none.chi - best.chi) / variance < SIGNIFICANT or best.values[3] <= 0
    return None if plain or rise < (_LOW_RISE if low_q else _RISE) else best


def rise_of(slow: Slow) -> float:
    """Rise of 1/Q that plain exponentials read of rings that start at 60 and at 270 mV [1]."""
    return _read(slow, LADDER_VOLTS[2]) / _read(slow, LADDER_VOLTS[0]) - 1


def _read(slow: Slow, start: float) -> float:
    """The decay rate that a plain exponential finds from that amplitude.

    The slope of ln a over time by least squares with weights a^2, as an exponential through the samples has.
    """
    rest = slow.rate + slow.junction
    times = np.linspace(0.0, _HEARD / rest, 400)
    envelope, _ = trajectory(slow, 1.01 * start).at(start, times, slow)
    weights = envelope**2
    middle = times - (weights * times).sum() / weights.sum()
    return -float((weights * middle * np.log(envelope)).sum() / (weights * middle**2).sum())


_HEARD = 5.0
"""Time constants over which a plain exponential listens [1]; assumed."""


def _cast(
    problem: Problem,
    best: Solution,
    none: Solution,
    figures: tuple[RungFigure, ...],
    rungs: Sequence[Fit],
    doubts: tuple[str, ...],
) -> LadderFit:
    """The figures at vanishing amplitude, their uncertainties, and what the law says."""
    slow, bend = problem.slow(best.values, best.law), best.law.bend
    covariance = np.linalg.pinv(best.jacobian.T @ best.jacobian) * max(1.0, best.chi / problem.count)
    rate, share = slow.rate + slow.junction, slow.junction / (slow.rate + slow.junction)
    # d ln(rate (1 + s)) = d ln rate + ds/(1 + s).
    row = np.zeros(best.values.size)
    row[0] = 1.0
    if bend is Bend.JUNCTION:
        row[3] = 1 - share
    least_f, least_a = _least_spread(rungs)
    hidden = _hidden(problem, none) if best is none else 0.0
    rate_spread = rate * math.sqrt(float(row @ covariance @ row) + least_a**2 + hidden**2)
    angular = problem.pole.imag * (1 + best.values[1])
    hz = angular / (2 * math.pi)
    q = math.hypot(angular, rate) / (2 * rate)
    junction = bend is Bend.JUNCTION
    bent_spread = math.sqrt(covariance[3, 3]) if best.values.size > 3 else 0.0
    return LadderFit(
        frequency_hz=_quantity(hz, hz * math.hypot(math.sqrt(covariance[1, 1]), least_f)),
        decay_per_s=_quantity(rate, rate_spread),
        q=_quantity(q, rate_spread / rate * q),
        bend=bend,
        volts=_volts_of(problem, best) if junction else None,
        share=_quantity(share, bent_spread * (1 - share) ** 2) if junction else None,
        rise=rise_of(slow),
        core_per_volt=_quantity(float(best.values[3]), bent_spread) if bend is Bend.CORE else None,
        rungs=figures,
        slow=slow,
        residual=(_left(problem, best), _left(problem, none)),
        doubts=doubts,
    )


def _left(problem: Problem, one: Solution) -> float:
    return math.sqrt(one.chi / max(problem.count, 1))


def _least_spread(rungs: Sequence[Fit]) -> tuple[float, float]:
    """Relative standard uncertainty of f and of the decay rate that averaging rungs does not lower: that of
    the surest rung, since what a converter's codes do to one they do to all."""
    f = min(one.main.frequency_hz.standard_uncertainty / one.main.frequency_hz.value for one in rungs)
    a = min(one.main.decay_per_s.standard_uncertainty / one.main.decay_per_s.value for one in rungs)
    return f, a


def _hidden(problem: Problem, none: Solution) -> float:
    """How far a junction too weak to be named may still have moved the rate [relative], at V of silicon."""
    moved = problem.residuals(np.append(none.values, 1e-3), Law(Bend.JUNCTION, _SILICON_VOLTS))
    if moved is None:
        return 0.0
    slope = (moved - none.left) / 1e-3
    wide = np.column_stack((none.jacobian, slope))
    covariance = np.linalg.pinv(wide.T @ wide)
    alone = np.linalg.pinv(none.jacobian.T @ none.jacobian)
    # What the rate's own uncertainty grows by when the junction is free as well.
    return min(_MOST_HIDDEN, math.sqrt(max(0.0, float(covariance[0, 0] - alone[0, 0]))))


_MOST_HIDDEN = 0.05
"""Most that a junction of silicon too weak to be named moves the rate at vanishing amplitude [1];
simulated."""
_V_BLUNT = 0.1
"""What the slow equation leaves open of V [1]: junctions of 31 and 47 mV came back within a tenth
(simulated: tests/truth/test_ladder_law.py)."""
_SILICON_VOLTS = 0.047
"""n V_T of a silicon junction across the winding, n = 1.8 [V]."""


def _volts_of(problem: Problem, best: Solution) -> Quantity:
    """V with its uncertainty from the curvature of chi squared along ln V."""
    width, volts = 0.15, best.law.volts
    sides = [problem.solve(Law(Bend.JUNCTION, volts * math.exp(d)), best.values).chi for d in (-width, width)]
    curvature = (sum(sides) - 2 * best.chi) / width**2 / max(1.0, best.chi / problem.count)
    own = math.sqrt(2 / curvature) if curvature > 0.02 else 1.0
    return _quantity(volts, volts * math.hypot(own, _V_BLUNT))


def _plain(figures: tuple[RungFigure, ...], rungs: Sequence[Fit], doubts: tuple[str, ...]) -> LadderFit:
    """The mean of the lower rungs by their uncertainties, where no law can be looked for: one amplitude
    only, or
    rings of a few cycles. Rungs whose own fit is to be doubted are left out while there are others."""
    low = [one for one in rungs if one.main.amplitude.value < _NAMING_VOLTS] or list(rungs)
    used = [one.main for one in low if sound(one)] or [one.main for one in low]
    f = _mean([mode.frequency_hz for mode in used])
    rate = _mean([mode.decay_per_s for mode in used])
    q = math.hypot(2 * math.pi * f.value, rate.value) / (2 * rate.value)
    spread = q * rate.standard_uncertainty / rate.value
    none = (math.nan, math.nan)
    slow = Slow(rate.value)
    return LadderFit(
        f, rate, _quantity(q, spread), Bend.NONE, None, None, 0.0, None, figures, slow, none, doubts
    )


def sound(one: Fit) -> bool:
    """True for a fit without a doubt that touches its figures."""
    return not any(doubt.kind in _TOUCHING for doubt in one.doubts)


_TOUCHING = (DoubtKind.NOT_CONVERGED, DoubtKind.TOO_SHORT, DoubtKind.CLIPPED, DoubtKind.SHOTS_DISAGREE)


def _mean(quantities: Sequence[Quantity]) -> Quantity:
    """Mean by inverse variance, its uncertainty no smaller than their scatter says."""
    values = np.array([one.value for one in quantities])
    spreads = np.array([max(one.standard_uncertainty, 1e-6 * abs(one.value)) for one in quantities])
    spreads = np.where(np.isfinite(spreads), spreads, 0.5 * np.abs(values))
    weights = spreads**-2.0
    mean = float((weights * values).sum() / weights.sum())
    scatter = float((weights * (values - mean) ** 2).sum()) / max(values.size - 1, 1)
    return _quantity(mean, math.sqrt(max(scatter, 1.0) / float(weights.sum())))


def _quantity(value: float, spread: float) -> Quantity:
    return Quantity(value, spread, value - 1.96 * spread, value + 1.96 * spread)
