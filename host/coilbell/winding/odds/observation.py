"""Observation: one ring of a winding with its test capacitor, as the judgement takes it.

The judgement works on natural logarithms, ln f and ln d with d = 1/Q, where f is the natural frequency
w0/(2 pi) and Q = w0/(2 a): in them the spreads of parts are nearly normal and nearly independent of size.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Protocol

import numpy as np
import numpy.typing as npt

from coilbell.decay import DoubtKind
from coilbell.errors import InputError
from coilbell.figure import concise
from coilbell.record import Capacitor, Connection, Loading, Record, Temperature
from coilbell.terms import Step
from coilbell.winding.odds.stage import Stage

__all__ = ["AmplitudeSlope", "Observation", "Ring", "grouped", "observe"]

Array = npt.NDArray[np.float64]

_LIMITED = (
    DoubtKind.NOT_CONVERGED,
    DoubtKind.TOO_SHORT,
    DoubtKind.CLIPPED,
    DoubtKind.TIME_SLIP,
    DoubtKind.SHOTS_DISAGREE,
)
"""Doubts that touch the figures themselves."""

_AGAIN = {
    DoubtKind.NOT_CONVERGED: "the fit did not settle",
    DoubtKind.TOO_SHORT: "the ring is too short or too weak to be followed",
    DoubtKind.SHOTS_DISAGREE: "the shots disagree",
}
"""Doubts with which a fit is not judged by: ring again."""

_VAGUE = (0.03, 0.25)
"""Relative standard uncertainty of f and of Q from which they say nothing of a part: a part's own spreads
(common practice: 5 % and 25 %)."""

_FOLDS = 0.46
"""Part of the sampling rate over which a ring may be another one, folded: its neighbourhood of one half [1];
assumed."""


_BENT = 0.05
"""Slope of ln(1/Q) over ln(amplitude) from which it is more than copper and ferrite have [1]; assumed."""


@dataclass(frozen=True, slots=True)
class Observation:
    """One ring, or the want of one.

    frequency_hz: damped frequency [Hz] and q: w0/(2 a) [1], both None when nothing rang.
    """

    capacitor: Capacitor
    frequency_hz: float | None
    q: float | None
    frequency_uncertainty: float = 1e-4
    """Relative standard uncertainty of the frequency [1]."""
    q_uncertainty: float = 2e-3
    """Relative standard uncertainty of Q [1]."""
    amplitude_volts: float | None = None
    """Envelope at the start of the fitted window [V at the winding], None where unknown."""
    connection: Connection = Connection.UNKNOWN
    amplitude_dependent: bool = False
    """The decay itself changed its rate while it died away."""
    doubts: tuple[str, ...] = ()
    """Reasons to distrust the fit, each one a sentence."""
    weak: bool = False
    """True when a doubt touches the figures themselves."""
    board: str = ""
    utc: datetime | None = None
    source: str = ""
    loading: Loading | None = None
    """What the tester adds across the winding besides, None where unknown."""
    done: tuple[Step, ...] = ()
    """What had been unplugged, lifted, tested or cleaned."""
    across: str = ""
    """Which winding was rung, in the user's words."""
    temperature: Temperature | None = None
    trouble: tuple[str, ...] = ()
    """Why its figures are not to be judged by, a clause each; none for a ring that can be trusted."""
    samples: str = ""
    """What tells equal samples: two observations with the same one count once; "" for none."""
    recovery_s: float | None = None
    """Time constant with which the leads came back after the pulse, where nothing rang [s]."""
    level_volts: float | None = None
    """Largest voltage after the pulse, where nothing rang [V]."""

    @property
    def stage(self) -> Stage:
        """How it was connected and what had been done."""
        return Stage(self.connection, self.done)

    def __post_init__(self) -> None:
        if (self.frequency_hz is None) != (self.q is None):
            raise InputError("a ring needs both a frequency and a Q; give both, or neither for no ring")
        if self.frequency_hz is not None and not (math.isfinite(self.frequency_hz) and self.frequency_hz > 0):
            raise InputError(f"ring frequency {self.frequency_hz!r} Hz; give a positive number")
        if self.q is not None and not (math.isfinite(self.q) and self.q > 0.5):
            raise InputError(f"Q {self.q!r} does not ring; a ring needs Q above 0.5")
        for name in ("frequency_uncertainty", "q_uncertainty"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise InputError(f"{name} {value!r}; give a relative standard uncertainty such as 0.002")

    @property
    def rings(self) -> bool:
        """True when a ring was found."""
        return self.frequency_hz is not None

    @property
    def natural_hz(self) -> float:
        """w0/(2 pi) [Hz]; f_d = f sqrt(1 - 1/(4 Q^2)). Raises LookupError when nothing rang."""
        if self.frequency_hz is None or self.q is None:
            raise LookupError("nothing rang; check `rings` first")
        return self.frequency_hz / math.sqrt(1 - 0.25 / self.q**2)

    @property
    def loss(self) -> float:
        """1/Q [1]. Raises LookupError when nothing rang."""
        if self.q is None:
            raise LookupError("nothing rang; check `rings` first")
        return 1 / self.q


@dataclass(frozen=True, slots=True)
class AmplitudeSlope:
    """How the loss follows the amplitude: d ln(1/Q) / d ln(amplitude) over a ladder of shots [1]."""

    slope: float
    uncertainty: float

    @property
    def bends(self) -> bool:
        """True where the loss surely follows the amplitude: a junction does that, copper does not."""
        return abs(self.slope) > max(_BENT, 3 * self.uncertainty)


_UNKNOWN = Stage(Connection.UNKNOWN)


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """All observations with one test capacitor, put together.

    point: (2,) ln f, ln d; covariance: (2, 2).
    """

    capacitor: Capacitor
    rings: bool
    point: Array
    covariance: Array
    amplitude: AmplitudeSlope | None
    amplitude_dependent: bool
    observations: tuple[Observation, ...]
    stage: Stage = _UNKNOWN

    @property
    def trouble(self) -> tuple[str, ...]:
        """Why this ring is not to be judged by, each reason once; () where any capture can be trusted."""
        rang = [o for o in self.observations if o.rings]
        if any(not o.trouble for o in rang):
            return ()
        return tuple(dict.fromkeys(reason for o in rang for reason in o.trouble))

    @property
    def board(self) -> str:
        """The tester, when all observations name the same one."""
        boards = {o.board for o in self.observations}
        return boards.pop() if len(boards) == 1 else ""

    @property
    def words(self) -> str:
        """Natural frequency and Q with their standard uncertainties, "21.634(12) kHz, Q 95.1(1.2)"."""
        natural_khz, q = math.exp(self.point[0]) / 1e3, math.exp(-self.point[1])
        spread_f, spread_q = (math.sqrt(self.covariance[k, k]) for k in (0, 1))
        return f"{concise(natural_khz, natural_khz * spread_f)} kHz, Q {concise(q, q * spread_q)}"

    @property
    def stated_loading(self) -> Loading | None:
        """What the tester adds, where all observations say the same; None where nobody knows."""
        stated = {o.loading for o in self.observations}
        return stated.pop() if len(stated) == 1 else None

    @property
    def loading(self) -> Loading:
        """What the tester adds as far as it is known; else there is nothing to take off."""
        return self.stated_loading or Loading()


class _Figure(Protocol):
    """A figure and its standard uncertainty; None or not finite where unknown."""

    @property
    def value(self) -> float | None: ...
    @property
    def standard_uncertainty(self) -> float | None: ...


class _Mode(Protocol):
    @property
    def frequency_hz(self) -> _Figure: ...
    @property
    def q(self) -> _Figure: ...
    @property
    def amplitude(self) -> _Figure: ...


class _Recovery(Protocol):
    @property
    def decay_per_s(self) -> _Figure: ...
    @property
    def amplitude(self) -> _Figure: ...


class _Doubt(Protocol):
    @property
    def kind(self) -> DoubtKind: ...
    @property
    def detail(self) -> str: ...


class Fitted(Protocol):
    """What the judgement takes of a fit: a `Fit` has it, and so have the facts that are kept of one."""

    @property
    def rings(self) -> bool: ...
    @property
    def main(self) -> _Mode: ...
    @property
    def unit(self) -> str: ...
    @property
    def recoveries(self) -> Sequence[_Recovery]: ...
    @property
    def doubts(self) -> Sequence[_Doubt]: ...


def observe(
    fit: Fitted,
    record: Record | None = None,
    *,
    capacitor: Capacitor | None = None,
    connection: Connection | None = None,
) -> Observation:
    """The main mode of a fit as an observation.

    record: what was fitted, for capacitor, connection, time and source; the keywords replace its own.
    Raises InputError when no test capacitor is known.
    """
    known = capacitor or (record.test_capacitor if record else None)
    if known is None:
        raise InputError("the test capacitor is not known; name it, such as 22n")
    where = connection or (record.connection if record else Connection.UNKNOWN)
    base = Observation(
        known,
        None,
        None,
        connection=where,
        doubts=tuple(f"{d.kind}: {d.detail}" for d in fit.doubts),
        weak=any(d.kind in _LIMITED for d in fit.doubts),
        board=record.board if record else "",
        utc=record.utc if record else None,
        source=record.source if record else "",
        loading=record.loading if record else None,
        done=record.done if record else (),
        across=record.across if record else "",
        temperature=record.temperature if record else None,
        samples=_samples(record),
    )
    if not fit.rings or _senseless(fit):
        return replace(base, recovery_s=_recovery(fit), level_volts=_level(record))
    mode = fit.main
    return replace(
        base,
        trouble=tuple(_trouble(fit, record)),
        frequency_hz=_known(mode.frequency_hz.value),
        q=_known(mode.q.value),
        frequency_uncertainty=_relative(mode.frequency_hz.standard_uncertainty, mode.frequency_hz.value),
        q_uncertainty=_relative(mode.q.standard_uncertainty, mode.q.value),
        amplitude_volts=mode.amplitude.value if fit.unit == "V" else None,
        amplitude_dependent=any(d.kind is DoubtKind.AMPLITUDE_DEPENDENT for d in fit.doubts),
    )


_FEWEST, _TOP = 16, 8
"""Samples that a level needs, and those at the top whose middle it is [1]; assumed."""

_VAGUELY = 0.3
"""Relative uncertainty taken where none is known [1]; assumed."""

_ALIKE = 0.05
"""How far two values of one test capacitor may be apart at most [1]; common practice:
the widest tolerance."""

_SPAN = 1.5
"""Ratio of amplitudes from which a slope over them means something [1]; assumed."""

_LEAST_SPREAD = 1e-4
"""Least relative uncertainty of Q in that slope, so that no shot alone decides [1]; assumed."""


def _samples(record: Record | None) -> str:
    """A hash of the samples, "" without a record."""
    if record is None:
        return ""
    return hashlib.sha256(record.samples.tobytes()).hexdigest()[:16]


def _senseless(fit: Fitted) -> bool:
    """True where the main mode's amplitude is not known at all: that is no ring."""
    amplitude = fit.main.amplitude
    return not _known(amplitude.standard_uncertainty) < _known(amplitude.value)


def _trouble(fit: Fitted, record: Record | None) -> Iterator[str]:
    """Why the figures of a fit are not to be judged by."""
    kinds = {d.kind for d in fit.doubts}
    yield from (words for kind, words in _AGAIN.items() if kind in kinds)
    mode = fit.main
    spreads = [_relative(q.standard_uncertainty, q.value) for q in (mode.frequency_hz, mode.q)]
    if any(spread > most for spread, most in zip(spreads, _VAGUE, strict=True)):
        yield f"Q is known only to {100 * spreads[1]:.0f} %"
    if record is not None and record.rate_hz and _known(mode.frequency_hz.value) > _FOLDS * record.rate_hz:
        yield "it rings near half the sampling rate, and may be another ring folded"


def _recovery(fit: Fitted) -> float | None:
    """Time constant of the strongest return of the baseline [s], None where there is none."""
    if not fit.recoveries:
        return None
    rate = _known(max(fit.recoveries, key=lambda r: abs(_known(r.amplitude.value))).decay_per_s.value)
    return 1 / rate if rate > 0 else None


def _level(record: Record | None) -> float | None:
    """Largest voltage after the pulse over where the leads end [V]; None where the scale is unknown."""
    if record is None or record.volts_per_unit is None:
        return None
    after = np.asarray(record.samples[record.pretrigger :], dtype=np.float64)
    if after.size < _FEWEST:
        return None
    rest = float(np.median(after[-after.size // 4 :]))
    return float(np.abs(np.median(np.sort(np.abs(after - rest))[-_TOP:])) * record.volts_per_unit)


def _known(value: float | None) -> float:
    return math.nan if value is None else value


def _relative(spread: float | None, value: float | None) -> float:
    # An unknown uncertainty counts as large, never as none.
    if spread is None or value is None or not math.isfinite(spread) or spread < 0:
        return _VAGUELY
    return spread / value


def grouped(observations: Iterable[Observation]) -> tuple[Ring, ...]:
    """One Ring for each test capacitor at each stage; what repeats another sample by sample counts once, at
    the
    stage of which more is stated.

    Out of circuit before in circuit, the stage with the most done first, the largest capacitor first.
    """
    groups: list[list[Observation]] = []
    seen: set[str] = set()
    for one in sorted(observations, key=lambda o: -len(o.done)):
        if one.samples and one.samples in seen:
            continue
        seen.add(one.samples)
        for group in groups:
            if group[0].stage == one.stage and same_capacitor(group[0].capacitor, one.capacitor):
                group.append(one)
                break
        else:
            groups.append([one])
    groups.sort(key=_order)
    return tuple(_together(group) for group in groups)


def _order(group: Sequence[Observation]) -> tuple[bool, int, float]:
    first = group[0]
    return first.stage.in_circuit, -len(first.done), -first.capacitor.farads


def same_capacitor(a: Capacitor, b: Capacitor) -> bool:
    """True when two values can be the same test capacitor: within 3 standard uncertainties."""
    reach = min(max(3 * math.hypot(a.tolerance, b.tolerance), 1e-3), _ALIKE)
    return abs(math.log(a.farads / b.farads)) <= reach


def _together(group: Sequence[Observation]) -> Ring:
    """Weighted mean of the rings, widened by their own scatter; the quietest of a ladder that bends."""
    ringing = [o for o in group if o.rings]
    if not ringing or len(ringing) * 2 < len(group):
        silent = np.full(2, np.nan)
        return Ring(group[0].capacitor, False, silent, np.eye(2), None, False, tuple(group), group[0].stage)
    ringing = [o for o in ringing if not o.trouble] or ringing
    amplitude = _ladder(ringing)
    bends = amplitude is not None and amplitude.bends
    used = [min(ringing, key=lambda o: o.amplitude_volts or math.inf)] if bends else ringing
    points = np.array([[math.log(o.natural_hz), math.log(o.loss)] for o in used])
    variances = np.array([[o.frequency_uncertainty**2, o.q_uncertainty**2] for o in used]) + 1e-14
    weights = 1 / variances
    mean = (weights * points).sum(axis=0) / weights.sum(axis=0)
    variance = 1 / weights.sum(axis=0)
    if len(used) > 1:
        variance = np.maximum(variance, points.var(axis=0, ddof=1) / len(used))
    return Ring(
        group[0].capacitor,
        True,
        mean,
        np.diag(variance),
        amplitude,
        any(o.amplitude_dependent for o in ringing),
        tuple(group),
        group[0].stage,
    )


def _ladder(group: Sequence[Observation]) -> AmplitudeSlope | None:
    """Slope of ln d over ln amplitude when the shots span a factor of `_SPAN` or more in amplitude."""
    steps = [(math.log(o.amplitude_volts), math.log(o.loss), o) for o in group if o.amplitude_volts]
    if len(steps) < 2:
        return None
    x = np.array([step[0] for step in steps])
    if np.ptp(x) < math.log(_SPAN):
        return None
    y = np.array([step[1] for step in steps])
    spread = np.array([max(step[2].q_uncertainty, _LEAST_SPREAD) for step in steps])
    weights = 1 / spread**2
    centre = (weights * x).sum() / weights.sum()
    moment = (weights * (x - centre) ** 2).sum()
    slope = float((weights * (x - centre) * y).sum() / moment)
    return AmplitudeSlope(slope, float(1 / math.sqrt(moment)))
