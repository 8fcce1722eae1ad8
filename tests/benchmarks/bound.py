"""Cramer-Rao bound of a sampled decay, from the exact Fisher information.

For real samples y_n = m(t_n; p) + noise with noise variance s^2 the Fisher information is

    I = J' C^-1 J,   J[n, i] = dm(t_n)/dp_i,

and no unbiased estimator of p has a covariance below I^-1 (Kay, "Fundamentals of Statistical Signal
Processing: Estimation Theory", 1993, ch. 3, from memory). All parameters that the estimator has to find
count as unknown: offset, each recovery's amplitude and rate, each ring's cosine, sine, decay rate and
angular frequency. Samples that the noise-free model puts outside the converter's range are left out.
The converter's rounding adds resolution^2/12 to the noise variance (Widrow's model, from memory).

For AR(1) noise of lag-one correlation r, C^-1 is bidiagonal and I is the ordinary normal matrix of the
pre-whitened rows (J_n - r J_(n-1)) / sqrt(1 - r^2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchmarks.signals import Case, Ring

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class RingBound:
    """Smallest standard deviations any unbiased estimator can have for one ring."""

    frequency_hz: float
    decay_per_s: float
    tau_s: float
    q: float
    """Of q = w0/(2 a)."""
    inverse_q: float
    amplitude: float


def bounds(case: Case) -> tuple[RingBound, ...]:
    """One bound for each ring of `case`; raises LinAlgError when they cannot be told apart."""
    return bounds_of(
        case.ring_times_s,
        case.rings,
        tuple(rate for rate, _ in case.recoveries),
        tuple(amplitude for _, amplitude in case.recoveries),
        variance=case.sigma**2 + case.resolution**2 / 12,
        used=case.used,
        rho=case.rho,
    )


def bounds_of(
    times: Array,
    rings: tuple[Ring, ...],
    rates: tuple[float, ...] = (),
    recovery_amplitudes: tuple[float, ...] = (),
    *,
    variance: float,
    used: npt.NDArray[np.bool_] | None = None,
    rho: float = 0.0,
) -> tuple[RingBound, ...]:
    """The same for a signal given in pieces, at any sample times [s]."""
    jacobian = sensitivities(times, rings, rates, recovery_amplitudes)
    if rho:
        white = jacobian.copy()
        white[1:] = (jacobian[1:] - rho * jacobian[:-1]) / np.sqrt(1 - rho * rho)
        jacobian = white
    if used is not None:
        jacobian = jacobian[used]
    covariance = variance * _inverse_gram(jacobian)
    first = 1 + 2 * len(rates)
    return tuple(
        _ring_bound(ring, covariance[i : i + 4, i : i + 4])
        for ring, i in zip(rings, range(first, first + 4 * len(rings), 4), strict=True)
    )


def sensitivities(
    times: Array, rings: tuple[Ring, ...], rates: tuple[float, ...], recovery_amplitudes: tuple[float, ...]
) -> Array:
    """(n, p) derivatives: offset; per recovery amplitude, rate; per ring cos, sin, decay, angular."""
    columns = [np.ones_like(times)]
    for rate, amplitude in zip(rates, recovery_amplitudes, strict=True):
        fall = np.exp(-rate * times)
        columns += [fall, -amplitude * times * fall]
    for ring in rings:
        envelope = np.exp(-ring.decay_per_s * times)
        angle = ring.angular_per_s * times
        cosine, sine = envelope * np.cos(angle), envelope * np.sin(angle)
        c, s = ring.amplitude * np.cos(ring.phase_rad), -ring.amplitude * np.sin(ring.phase_rad)
        columns += [cosine, sine, -times * (c * cosine + s * sine), times * (s * cosine - c * sine)]
    return np.column_stack(columns)


def _inverse_gram(jacobian: Array) -> Array:
    scale = np.linalg.norm(jacobian, axis=0)
    upper = np.linalg.qr(jacobian / scale, mode="r")
    if np.abs(np.diag(upper)).min() < 1e-9:
        raise np.linalg.LinAlgError("the parameters cannot be told apart")
    inverse = np.linalg.inv(upper) / scale[:, None]
    return inverse @ inverse.T


def _ring_bound(ring: Ring, covariance: Array) -> RingBound:
    a, w, q = ring.decay_per_s, ring.angular_per_s, ring.q
    block = covariance[2:, 2:]
    # q^2 = 1/4 + (w/a)^2/4, so dq = (w/(4 q a^2)) dw - (w^2/(4 q a^3)) da.
    slope = np.array([-(w**2) / (4 * q * a**3), w / (4 * q * a**2)])
    direction = np.array([np.cos(ring.phase_rad), -np.sin(ring.phase_rad)])
    q_bound = float(np.sqrt(slope @ block @ slope))
    return RingBound(
        frequency_hz=float(np.sqrt(block[1, 1])) / (2 * np.pi),
        decay_per_s=float(np.sqrt(block[0, 0])),
        tau_s=float(np.sqrt(block[0, 0])) / a**2,
        q=q_bound,
        inverse_q=q_bound / q**2,
        amplitude=float(np.sqrt(direction @ covariance[:2, :2] @ direction)),
    )
