"""What a decay is made of, and the relations between its figures.

The model of one record is

    v(t) = offset + sum_k A_k exp(-a_k t) cos(2 pi f_k t + p_k) + sum_j B_j exp(-b_j t)

with t counted from the start of the fitted window. `f_k` is the damped frequency, `a_k` the decay
rate, tau = 1/a. Two quality factors are in use and both are given:

    q         = w0 / (2 a) = sqrt(1 + (2 pi f tau)^2) / 2      from the natural frequency w0
    q_damped  = pi f tau = pi / log_decrement                  from the damped frequency

They differ by 1/(8 q) of their value's square, q^2 = q_damped^2 + 1/4. Logarithmic decrement,
damping ratio and Q: ISO 6721-1 (from memory) and the handbook form Q = sqrt(pi^2/d^2 + 1/4).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from coilbell.decay.ladder import LadderFit

__all__ = [
    "Doubt",
    "DoubtKind",
    "Fit",
    "Mode",
    "ModeStep",
    "Quantity",
    "Recovery",
    "ResidualSummary",
    "decrement_from_q",
    "q_from_decrement",
    "ring_count",
]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A figure with its standard uncertainty and 95 % interval, all in one unit."""

    value: float
    standard_uncertainty: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Mode:
    """One damped sinusoid."""

    frequency_hz: Quantity
    """Damped frequency [Hz]."""
    decay_per_s: Quantity
    tau_s: Quantity
    q: Quantity
    """w0/(2 a), from the natural frequency [1]."""
    q_damped: Quantity
    """pi f tau, from the damped frequency [1]."""
    log_decrement: Quantity
    """Natural logarithm of the ratio of successive peaks [1]."""
    amplitude: Quantity
    """Envelope at the window's start, of the first record [V, or units of the samples]."""
    phase_rad: Quantity
    ring_count: Quantity
    """Cycles until the envelope falls to `count_to` of the first peak, not rounded [1]."""
    ring_count_whole: int
    """Whole peaks at or above that fraction, the first peak included."""
    amplitudes: tuple[float, ...] = ()
    """Envelope at the window's start in each record."""
    phases_rad: tuple[float, ...] = ()

    @property
    def natural_frequency_hz(self) -> float:
        """w0/(2 pi) [Hz], with w0^2 = (2 pi f)^2 + a^2."""
        return math.hypot(2 * math.pi * self.frequency_hz.value, self.decay_per_s.value) / (2 * math.pi)


@dataclass(frozen=True, slots=True)
class Recovery:
    """An exponential return of the baseline, B exp(-b t)."""

    decay_per_s: Quantity
    amplitude: Quantity


class DoubtKind(StrEnum):
    """Reasons to distrust a fit."""

    CLIPPED = "clipped"
    TOO_SHORT = "too short"
    COLOURED_RESIDUAL = "coloured residual"
    AMPLITUDE_DEPENDENT = "amplitude-dependent decay"
    FREQUENCY_DRIFT = "frequency drift"
    CONVERTER_NONLINEARITY = "converter non-linearity suspected"
    TIME_SLIP = "time slip"
    UNDAMPED_TONE = "undamped tone present"
    BELOW_RING_THRESHOLD = "below the ring threshold"
    GLITCHES = "glitches masked"
    SHOTS_DISAGREE = "shots disagree"
    REPEATED_SHOTS = "repeated shots"
    FOLDED = "faster ringing suspected"
    NOT_CONVERGED = "not converged"


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason to distrust a fit, with the figure that raised it."""

    kind: DoubtKind
    detail: str
    """One sentence with figures."""
    statistic: float
    threshold: float


@dataclass(frozen=True, slots=True)
class ModeStep:
    """One step in the account of how many modes there are, and why."""

    what: str
    """"mode at 20.1 kHz", "exponential", ..."""
    statistic: float
    threshold: float
    accepted: bool
    reason: str


@dataclass(frozen=True, slots=True)
class ResidualSummary:
    """What is left after the fit."""

    rms: float
    """[units of the fit]"""
    expected_rms: float
    """Noise expected from pre-trigger samples or successive differences."""
    peak: float
    strongest_hz: float
    """Frequency of the highest line of the residual spectrum [Hz]."""
    strongest_ratio: float
    """Power of that line over the mean line."""
    correlation: float
    """Correlation of successive residuals [1]."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """The answer to "how does this winding ring?"; numbers only.

    `modes[0]` is the main mode (largest energy). No modes means no ring was found; `account` says why.
    """

    modes: tuple[Mode, ...]
    recoveries: tuple[Recovery, ...]
    tones: tuple[Mode, ...]
    """Undamped components (interference), kept apart from the modes."""
    offset: Quantity
    unit: str
    """"V" at the winding where the scale is known, else "counts" (units of the samples)."""
    noise: float
    """Standard deviation of one sample's noise, as used [unit]."""
    covariance: npt.NDArray[np.float64]
    """(p, p) covariance of all fitted parameters, in the order of `parameters`."""
    parameters: tuple[str, ...]
    """Names with units: "decay_per_s[0]", "angular_per_s[0]", "cos[0,shot 0]", "offset[shot 0]", ..."""
    residual: ResidualSummary
    account: tuple[ModeStep, ...]
    doubts: tuple[Doubt, ...]
    count_to: float
    start_s: float
    """Start of the fitted window on the record's time axis [s]."""
    stop_s: float
    samples_used: int
    samples_masked: int
    records: int
    """How many were fitted; one that repeats another, sample by sample, is not counted again."""
    curve: tuple[npt.NDArray[np.float64], ...] = ()
    """For each record (n, 2): time on the record's own axis [s], fitted value [units of the samples]."""
    residuals: tuple[npt.NDArray[np.float64], ...] = ()
    """For each record (n,): sample minus fitted value [units of the samples], nan where masked."""
    scale: float = 1.0
    """`unit` per unit of the samples."""
    ladder: LadderFit | None = None
    """What rings of several amplitudes told together; None where all were struck alike."""

    @property
    def envelope(self) -> tuple[npt.NDArray[np.float64], ...]:
        """For each record (n,): sum of the modes' envelopes at the curve's times [units of the samples]."""
        out = []
        for i, curve in enumerate(self.curve):
            times = curve[:, 0] - self.start_s
            total = np.zeros(times.size)
            for mode in self.modes:
                total += mode.amplitudes[i] / self.scale * np.exp(-mode.decay_per_s.value * times)
            out.append(total)
        return tuple(out)

    @property
    def rings(self) -> bool:
        """True when a ring was found."""
        return bool(self.modes)

    @property
    def main(self) -> Mode:
        """The main mode; raises LookupError when nothing rings."""
        if not self.modes:
            raise LookupError("no ring was found; check `rings` first")
        return self.modes[0]

    def main_amplitude(self, at_s: float) -> float:
        """Envelope of the main mode at a time on the records' axis, A exp(-a (t - start_s)) [unit].

        Before the window it is carried back by the fitted decay. Raises LookupError when nothing rings.
        """
        return self.main.amplitude.value * math.exp(-self.main.decay_per_s.value * (at_s - self.start_s))

    def doubts_about(self, kind: DoubtKind) -> tuple[Doubt, ...]:
        """The doubts of one kind."""
        return tuple(d for d in self.doubts if d.kind is kind)


def q_from_decrement(decrement: float) -> float:
    """Q = sqrt(pi^2/d^2 + 1/4) from the logarithmic decrement d [1]."""
    return math.sqrt((math.pi / decrement) ** 2 + 0.25)


def decrement_from_q(q: float) -> float:
    """Logarithmic decrement d = pi / sqrt(q^2 - 1/4) of a ring with quality factor q > 1/2 [1]."""
    if q <= 0.5:
        raise ValueError(f"q = {q:g} does not ring; a ring needs q above 0.5")
    return math.pi / math.sqrt(q * q - 0.25)


def ring_count(q_damped: float, fraction: float) -> float:
    """Cycles until the envelope falls to `fraction` of the first peak: N = (q_damped/pi) ln(1/fraction)."""
    if not 0 < fraction < 1:
        raise ValueError(f"fraction {fraction:g} must lie between 0 and 1, such as 0.1")
    return q_damped / math.pi * math.log(1 / fraction)
