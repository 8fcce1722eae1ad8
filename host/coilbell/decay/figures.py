"""From poles and amplitudes in sampling steps to figures with units and uncertainty.

95 % intervals are value +- 1.96 standard uncertainties, taken on the figures whose errors are nearly
Gaussian: frequency, decay rate, amplitude, and 1/Q. tau, Q, ring count follow by turning the interval
over; when a rate's interval reaches zero the turned one has no upper end.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from coilbell.decay.model import Mode, Quantity, Recovery, ring_count
from coilbell.decay.solve import Array

__all__ = ["Z95", "Pole", "mode", "plain", "recovery", "root"]

Z95 = 1.959963984540054
"""Half width of a 95 % interval of a Gaussian [standard deviations]; arithmetic."""


@dataclass(frozen=True, slots=True, eq=False)
class Pole:
    """Decay and angular frequency [1/step] of one mode, with their covariance (2, 2)."""

    decay: float
    angular: float
    covariance: Array

    def spread(self, slope_decay: float, slope_angular: float) -> float:
        """Standard uncertainty of a figure with these derivatives."""
        return root(_square(slope_decay, slope_angular, self.covariance))


def _square(x: float, y: float, covariance: Array) -> float:
    """Variance of x a + y b, (2, 2) covariance of a and b."""
    (a, ab), (_, b) = covariance.tolist()
    return float(x * x * a + 2 * x * y * ab + y * y * b)


def root(variance: float) -> float:
    """The standard uncertainty; unknown where the variance came out below 0, of a matrix hardly regular."""
    return math.sqrt(variance) if variance >= 0 else math.inf


def plain(value: float, uncertainty: float, scale: float = 1.0) -> Quantity:
    """A figure with a Gaussian error."""
    value, uncertainty = value * scale, uncertainty * abs(scale)
    return Quantity(value, uncertainty, value - Z95 * uncertainty, value + Z95 * uncertainty)


def _turned(rate: float, uncertainty: float, figure: Callable[[float], float]) -> Quantity:
    """A falling figure of a rate with a Gaussian error: 1/rate and its like."""
    value = figure(rate) if rate > 0 else math.inf
    if not math.isfinite(uncertainty):
        return Quantity(value, math.inf, 0.0, math.inf)
    fast, slow = rate + Z95 * uncertainty, rate - Z95 * uncertainty
    low = figure(fast) if fast > 0 else math.inf
    high = figure(slow) if slow > 0 else math.inf
    return Quantity(value, value * uncertainty / rate if rate > 0 else math.inf, low, high)


def mode(
    pole: Pole, step_s: float, count_to: float, amplitudes: list[tuple[float, float, Array]], scale: float
) -> Mode:
    """All figures of one mode.

    amplitudes: for each record (cosine, sine, covariance (2, 2)) in sample units;
    scale: unit per sample unit.
    """
    a, w = pole.decay, pole.angular
    natural = math.hypot(a, w)
    inverse_q = 2 * a / natural
    inverse_q_spread = pole.spread(2 * w * w / natural**3, -2 * a * w / natural**3)
    inverse_damped = 2 * a / w
    inverse_damped_spread = pole.spread(2 / w, -2 * a / w**2)
    decrement = math.pi * inverse_damped
    decay_spread = pole.spread(1.0, 0.0)
    counts = _turned(inverse_damped, inverse_damped_spread, lambda x: ring_count(1 / x, count_to))
    heights = [_amplitude(*one, scale) for one in amplitudes]
    return Mode(
        frequency_hz=plain(w, pole.spread(0.0, 1.0), 1 / (2 * math.pi * step_s)),
        decay_per_s=plain(a, decay_spread, 1 / step_s),
        tau_s=_turned(a / step_s, decay_spread / step_s, lambda x: 1 / x),
        q=_turned(inverse_q, inverse_q_spread, lambda x: 1 / x),
        q_damped=_turned(inverse_damped, inverse_damped_spread, lambda x: 1 / x),
        log_decrement=plain(decrement, math.pi * inverse_damped_spread),
        amplitude=heights[0][0],
        phase_rad=heights[0][1],
        ring_count=counts,
        ring_count_whole=1 + math.floor(counts.value) if math.isfinite(counts.value) else 0,
        amplitudes=tuple(h[0].value for h in heights),
        phases_rad=tuple(h[1].value for h in heights),
    )


def _amplitude(cosine: float, sine: float, covariance: Array, scale: float) -> tuple[Quantity, Quantity]:
    """Amplitude A and phase p of c cos + s sin = A cos(wn + p)."""
    height = math.hypot(cosine, sine)
    if height == 0:
        return plain(0.0, root(float(covariance[0, 0])), scale), plain(0.0, math.inf)
    height_spread = root(_square(cosine / height, sine / height, covariance))
    phase_spread = root(_square(sine / height**2, -cosine / height**2, covariance))
    return plain(height, height_spread, scale), plain(math.atan2(-sine, cosine), phase_spread)


def recovery(
    rate: float, variance: float, step_s: float, height: float, height_variance: float, scale: float
) -> Recovery:
    """Figures of an exponential."""
    return Recovery(
        decay_per_s=plain(rate, root(variance), 1 / step_s),
        amplitude=plain(height, root(height_variance), scale),
    )
