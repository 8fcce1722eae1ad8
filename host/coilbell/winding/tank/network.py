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

_LOT = 0.3
"""Part of the cases that has to have settled before the rest goes on alone [1]; assumed: any gives the
same roots."""

_ABSENT_OHMS = 1e30
"""Resistance of a branch that is not there [ohm]: under rounding beside any other; assumed."""

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
        root = _start(network)
        settled = np.zeros(root.shape, dtype=np.bool_)
        left, part, s = np.arange(root.size), _Branches.of(network), root
        for _ in range(_STEPS):
            change = part.newton(s)
            s = s - change
            near = np.abs(change) <= _SETTLED * np.abs(s)
            root[left] = s
            settled[left] = near
            if near.all():
                break
            # What has settled is left alone; sorting it out costs a step's worth, so it is done in lots.
            if np.count_nonzero(near) > _LOT * near.size:
                left, part, s = left[~near], part.rows(~near), s[~near]
        size = np.abs(root)
        rings = settled & (np.abs(root.imag) > _RINGS * size) & (root.real < 0)
        frequency = np.where(rings, np.log(size / (2 * math.pi)), np.nan)
        loss = np.where(rings, np.log(-2 * root.real / size), np.nan)
    return frequency, loss


def _start(network: Network) -> ComplexArray:
    """Twice the frequency that the winding would have with every loop an ideal short."""
    loops = np.where(np.isfinite(network.loop_ohms), 1 / network.loop_henries, 0.0).sum(axis=1)
    coils = np.where(np.isfinite(network.coil_ohms), 1 / network.coil_henries, 0.0).sum(axis=1)
    inverse = np.minimum(1 / network.henries + loops, 1e9 / network.henries) + coils
    start: ComplexArray = 2 * np.sqrt(inverse / network.farads) * _DIRECTION
    return start


@dataclass(frozen=True, slots=True, eq=False)
class _Branches:
    """The same network, only those branches that some case has, each (n,) in memory of its own."""

    plain: tuple[Array, ...]
    """farads, siemens, henries, series ohms."""
    loops: tuple[tuple[Array, Array], ...]
    coils: tuple[tuple[Array, Array], ...]
    snubber: tuple[Array, Array] | None

    @classmethod
    def of(cls, network: Network) -> _Branches:
        damped = network.snubber_farads.any()
        return cls(
            (network.farads, network.siemens, network.henries, network.series_ohms),
            _there(network.loop_ohms, network.loop_henries),
            _there(network.coil_ohms, network.coil_henries),
            (network.snubber_ohms * network.snubber_farads, network.snubber_farads) if damped else None,
        )

    def rows(self, chosen: npt.NDArray[np.bool_]) -> _Branches:
        """Those cases alone."""
        return _Branches(
            tuple(one[chosen] for one in self.plain),
            tuple((r[chosen], henries[chosen]) for r, henries in self.loops),
            tuple((r[chosen], henries[chosen]) for r, henries in self.coils),
            (self.snubber[0][chosen], self.snubber[1][chosen]) if self.snubber is not None else None,
        )

    def newton(self, s: ComplexArray) -> ComplexArray:
        """P/P' at s, with P = F times all denominators."""
        farads, siemens, own, series = self.plain
        f = s * farads + siemens
        slope = farads.astype(np.complex128)
        inverse = 1 / s
        lead = inverse.copy()
        for ohms, henries in self.coils:
            y = 1 / (ohms + s * henries)
            part = henries * y
            f += y
            slope -= part * y
            lead += part
        if self.snubber is not None:
            seconds, snubbing = self.snubber
            pole = 1 / (1 + s * seconds)
            f += s * (snubbing * pole)
            slope += snubbing * pole**2
            lead += seconds * pole
        inner = inverse / own
        inner_slope = -inner * inverse
        for ohms, henries in self.loops:
            y = 1 / (ohms + s * henries)
            part = henries * y
            inner += y
            inner_slope -= part * y
            lead += part
        denominator = 1 / (1 + series * inner)
        inner_slope *= denominator
        f += inner * denominator
        slope += inner_slope * denominator
        lead += series * inner_slope
        return np.asarray(f / (slope + lead * f), dtype=np.complex128)


def _there(ohms: Array, henries: Array) -> tuple[tuple[Array, Array], ...]:
    """The columns that some case has; where a case has none, so many ohms that it takes no current."""
    columns = zip(ohms.T, henries.T, strict=True)
    return tuple(
        (np.where(np.isfinite(r), r, _ABSENT_OHMS), np.ascontiguousarray(own))
        for r, own in columns
        if np.isfinite(r).any()
    )
