"""Observation: one ring of a winding with its test capacitor, as the judgement takes it.

The judgement works on natural logarithms, ln f and ln d with d = 1/Q, where f is the natural frequency
w0/(2 pi) and Q = w0/(2 a): in them the spreads of parts are nearly normal and nearly independent of size.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError
from coilbell.figure import concise
from coilbell.record import Capacitor, Connection, Loading, Temperature
from coilbell.terms import Step
from coilbell.winding.odds.law import AmplitudeLaw, AmplitudeSlope
from coilbell.winding.odds.stage import Stage

__all__ = ["AmplitudeSlope", "Observation", "Ring", "grouped", "same_capacitor"]

Array = npt.NDArray[np.float64]


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
    law: AmplitudeLaw | None = None
    """What a ladder of amplitudes told; then the figures are those of vanishing amplitude."""

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
    law: AmplitudeLaw | None = None
    """What a ladder of amplitudes told of this ring."""

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


_ALIKE = 0.05
"""How far two values of one test capacitor may be apart at most [1]; common practice:
the widest tolerance."""

_SPAN = 1.5
"""Ratio of amplitudes from which a slope over them means something [1]; assumed."""

_LEAST_SPREAD = 1e-4
"""Least relative uncertainty of Q in that slope, so that no shot alone decides [1]; assumed."""


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
    amplitude = _ladder([o for o in ringing if o.law is None])
    bends = amplitude is not None and amplitude.bends
    law = next((o.law for o in ringing if o.law is not None), None)
    # Figures of a ladder are those of vanishing amplitude already.
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
        law.slope if amplitude is None and law is not None else amplitude,
        any(o.amplitude_dependent for o in ringing),
        tuple(group),
        group[0].stage,
        law,
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
