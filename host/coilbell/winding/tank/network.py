"""The ring of a winding with everything a set may hang on it, for many cases at once.

::

    lead o--+-----+-------+--------+----------+---[ R ]---+------+------+------+
            |     |       |        |          |           |      |      |      |
           [C]   [G]   [R_y]    [R_c]      [R_s]        [L_m] [loop] [loop] [loop]
            |     |     [L_y]    [L_c]      [C_s]         |      |      |      |
    return o+-----+-------+--------+----------+-----------+------+------+------+

A loop is R_l + s L_l referred to the winding: a shorted turn, a heater, a shorted rectifier's winding. The
coils are a yoke and a width coil, R_s with C_s is a snubber. The free decay is the complex root of

    F(s) = s C + G + sum 1/(R_i + s L_i) + s C_s/(1 + s R_s C_s) + 1/(R + 1/(1/(s L_m) + sum 1/(R_l + s L_l)))

found by Newton's method on the polynomial that F is the quotient of: P'/P is F'/F plus the logarithmic
derivatives of the denominators, so that the polynomial is never written out. Without the snubber one pair of
roots at most is complex (`circuit`), and the start lies above it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Network", "ring_of_network"]

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

_STEPS = 40
"""Most steps of Newton's method [1]; from above it takes 8 to 25 (simulated)."""

_SETTLED = 1e-9
"""Relative step below which a root is taken as found: far under any measurement [1]; assumed."""

_RINGS = 3e-3
"""Smallest imaginary part over magnitude of a root that counts as a ring, as in `circuit` [1]; assumed."""

_DIRECTION = complex(math.cos(math.radians(100)), math.sin(math.radians(100)))
"""Direction of the start, as in `circuit`; assumed."""


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """n networks; loops (n, l) and coils (n, k), the rest (n,). inf ohms is a branch that is not there."""

    farads: Array
    siemens: Array
    henries: Array
    """L_m, all of the winding's [H]."""
    series_ohms: Array
    loop_ohms: Array
    loop_henries: Array
    coil_ohms: Array
    coil_henries: Array
    snubber_ohms: Array
    snubber_farads: Array
    """0 for none."""


def ring_of_network(network: Network) -> tuple[Array, Array]:
    """ln of the natural frequency w0/(2 pi) [Hz] and of 1/Q, (n,) each; nan where nothing rings."""
    with np.errstate(all="ignore"):
        s = _start(network)
        change = np.full(s.shape, np.inf, dtype=np.complex128)
        for _ in range(_STEPS):
            change = _newton(network, s)
            s = s - change
            if not (np.abs(change) > _SETTLED * np.abs(s)).any():
                break
        settled = np.abs(change) <= 1e3 * _SETTLED * np.abs(s)
        size = np.abs(s)
        rings = settled & (np.abs(s.imag) > _RINGS * size) & (s.real < 0)
        frequency = np.where(rings, np.log(size / (2 * math.pi)), np.nan)
        loss = np.where(rings, np.log(-2 * s.real / size), np.nan)
    return frequency, loss


def _start(network: Network) -> ComplexArray:
    """Twice the frequency that the winding would have with every loop an ideal short."""
    loops = np.where(np.isfinite(network.loop_ohms), 1 / network.loop_henries, 0.0).sum(axis=1)
    coils = np.where(np.isfinite(network.coil_ohms), 1 / network.coil_henries, 0.0).sum(axis=1)
    inverse = np.minimum(1 / network.henries + loops, 1e9 / network.henries) + coils
    start: ComplexArray = 2 * np.sqrt(inverse / network.farads) * _DIRECTION
    return start


def _newton(network: Network, s: ComplexArray) -> ComplexArray:
    """P/P' at s, with P = F times all denominators."""
    f = s * network.farads + network.siemens
    slope = network.farads.astype(np.complex128)
    lead = np.zeros_like(s)
    for ohms, henries in zip(network.coil_ohms.T, network.coil_henries.T, strict=True):
        if not np.isfinite(ohms).any():
            continue
        there = np.isfinite(ohms)
        z = np.where(there, ohms, 1.0) + s * henries
        f += np.where(there, 1 / z, 0.0)
        slope = slope - np.where(there, henries / z**2, 0.0)
        lead += np.where(there, henries / z, 0.0)
    if network.snubber_farads.any():
        pole = 1 + s * network.snubber_ohms * network.snubber_farads
        f += s * network.snubber_farads / pole
        slope = slope + network.snubber_farads / pole**2
        lead += network.snubber_ohms * network.snubber_farads / pole
    inner, inner_slope = 1 / (s * network.henries), -1 / (s**2 * network.henries)
    lead += 1 / s
    for ohms, henries in zip(network.loop_ohms.T, network.loop_henries.T, strict=True):
        there = np.isfinite(ohms)
        if not there.any():
            continue
        z = np.where(there, ohms, 1.0) + s * henries
        inner = inner + np.where(there, 1 / z, 0.0)
        inner_slope = inner_slope - np.where(there, henries / z**2, 0.0)
        lead += np.where(there, henries / z, 0.0)
    denominator = 1 + network.series_ohms * inner
    f += inner / denominator
    slope = slope + inner_slope / denominator**2
    lead += network.series_ohms * inner_slope / denominator
    return np.asarray(f / (slope + lead * f), dtype=np.complex128)
