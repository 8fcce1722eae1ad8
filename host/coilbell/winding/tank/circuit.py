"""The circuit of one winding with whatever couples to it, and its exact ring.

::

    lead o--+------+---[ R ]---[ leak ]---+-------+------------+
            |      |                      |       |            |
           [C]    [G]                  [core]  [G_core]  [loop R + s loop L]
            |      |                      |       |            |
    return o+------+----------------------+-------+------------+

The loop's elements are referred to the winding (times the square of the turns ratio). The free decay is
the complex root of

    s C + G + 1/Z(s) = 0,    Z = R + s L_leak + 1/(1/(s L_core) + G_core + 1/(R_loop + s L_loop)),

a polynomial of the fourth degree, of the third without core loss. The inductive side is a network of
resistances and inductances, whose admittance is a sum of terms k/(s + p) with k > 0, p >= 0 (Foster;
Cauer): between two neighbouring poles lies a real root, so that at most one pair of roots is complex.
There is one ring or none, and none has to be chosen from several.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError

__all__ = ["Circuit", "Rings", "rings"]

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

_NEWTON_STEPS = 20
"""Most steps to a root [1]; assumed."""

_DIRECTION = complex(math.cos(math.radians(100)), math.sin(math.radians(100)))
"""Direction of the start, 10 degrees left of the imaginary axis, where damped rings lie; assumed."""

_SETTLED = 1e-13
"""Relative step below which a root is taken as found: rounding of 64-bit numbers is 1e-16; assumed."""

_RINGS = 3e-3
"""Smallest imaginary part over magnitude of a root that counts as a ring: Q above 0.5 by 2e-6. Closer to
0.5 rounding splits a double or triple real root into a false pair; assumed."""

_NEGLIGIBLE = 1e-17
"""Share that a leading term may have of the next, anywhere a ring can be, to be left out: under rounding;
assumed."""


@dataclass(frozen=True, slots=True, eq=False)
class Circuit:
    """Elements as drawn above; each a number or an array, all of shapes that go together."""

    farads: float | Array
    """All capacitance across the leads [F]."""
    core_henries: float | Array
    """Inductance whose flux passes the core [H]; inf for an open winding."""
    leak_henries: float | Array = 0.0
    """Inductance whose flux does not [H]."""
    series_ohms: float | Array = 0.0
    shunt_siemens: float | Array = 0.0
    core_siemens: float | Array = 0.0
    loop_ohms: float | Array = math.inf
    """Resistance of the coupled loop, referred to the winding [ohm]; inf for no loop."""
    loop_henries: float | Array = 0.0
    """Inductance of the loop that does not couple, referred to the winding [H]."""

    def __post_init__(self) -> None:
        for field in fields(self):
            values = np.asarray(getattr(self, field.name), dtype=np.float64)
            if not (values >= 0).all():
                raise InputError(f"circuit {field.name} {values.min()!r}; give numbers of 0 or more")
        for name in ("farads", "core_henries"):
            if not (np.asarray(getattr(self, name)) > 0).all():
                raise InputError(f"circuit {name} is 0; give a number above 0")


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """How circuits ring; arrays of the circuits' common shape, nan where nothing rings."""

    natural_hz: Array
    """w0/(2 pi), w0^2 = (2 pi damped_hz)^2 + decay_per_s^2 [Hz]."""
    damped_hz: Array
    decay_per_s: Array
    q: Array
    """w0/(2 decay_per_s) [1]; inf without any loss."""


def rings(circuit: Circuit) -> Rings:
    """The ring of each circuit, exact to rounding.

    Newton's method on the polynomial, started above the highest possible ring, from where it comes down
    on the complex root; what does not settle on one is decided by the eigenvalues of the companion matrix
    (`numpy.linalg.eigvals`).
    """
    values = [np.asarray(getattr(circuit, f.name), dtype=np.float64) for f in fields(circuit)]
    shape = np.broadcast_shapes(*(v.shape for v in values))
    flat = [np.broadcast_to(v, shape).reshape(-1) for v in values]
    with np.errstate(all="ignore"):
        coefficients, per_second = _polynomial(*flat)
        above = _above(flat)
        root = _newton(coefficients, above)
        open_ = np.isinf(flat[1])
        unsettled = np.isnan(root) & ~open_
        if unsettled.any():
            root[unsettled] = _eigenvalue(coefficients[:, unsettled], np.abs(above[unsettled]))
        root = np.where(open_, complex(math.nan, math.nan), root * per_second)
        natural = np.abs(root)
        decay = -root.real
        q = natural / (2 * decay)
    return Rings(
        natural.reshape(shape) / (2 * math.pi),
        root.imag.reshape(shape) / (2 * math.pi),
        decay.reshape(shape),
        q.reshape(shape),
    )


def _polynomial(
    farads: Array,
    core: Array,
    leak: Array,
    series: Array,
    shunt: Array,
    core_loss: Array,
    loop_ohms: Array,
    loop_henries: Array,
) -> tuple[Array, Array]:
    """Coefficients (5, n), constant term first, in p = s/w with w (n,) = 1/sqrt(L C), and w [1/s]."""
    henries = core + leak
    per_second = 1 / np.sqrt(henries * farads)
    ohms = np.sqrt(henries / farads)
    m, x = core / henries, leak / henries
    r, g, h = series / ohms, shunt * ohms, core_loss * ohms
    # Loop admittance u/(a + p b): sized so that neither no loop nor a perfect short overflows.
    a, b = loop_ohms / ohms, loop_henries / henries
    looped = np.isfinite(a)
    size = np.where(looped, 1 + a + b, 1.0)
    u, b = np.where(looped, 1 / size, 0.0), np.where(looped, b / size, 0.0)
    a = np.where(looped, a / size, 1.0)
    # Z = r + p x + N/D with N = p m (a + p b), D = (a + p b)(1 + p m h) + p m u.
    d0, d1, d2 = a, b + m * (h * a + u), m * h * b
    n1, n2 = m * a, m * b
    z0, z1, z2, z3 = r * d0, r * d1 + x * d0 + n1, r * d2 + x * d1 + n2, x * d2
    polynomial = np.stack([g * z0 + d0, z0 + g * z1 + d1, z1 + g * z2 + d2, z2 + g * z3, z3])
    return polynomial, per_second


def _horner(coefficients: Array, p: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Value and derivative of each polynomial."""
    value = coefficients[4].astype(np.complex128)
    slope = np.zeros_like(value)
    for c in coefficients[3::-1]:
        slope = slope * p + value
        value = value * p + c
    return value, slope


def _above(circuit: Sequence[Array]) -> ComplexArray:
    """Starting points in p above every ring: twice the frequency that an ideal short would give."""
    _, core, leak, _, _, _, loop_ohms, loop_henries = circuit
    shorted = np.where(np.isfinite(loop_ohms), loop_henries / (core + loop_henries), 1.0) * core
    least = np.maximum(leak + shorted, 1e-9 * (leak + core))
    return 2 * np.sqrt((core + leak) / least) * _DIRECTION


def _newton(coefficients: Array, p: ComplexArray) -> ComplexArray:
    """The complex root of each polynomial in the upper half plane, nan where it did not settle on one."""
    step = np.full(p.shape, np.inf)
    for _ in range(_NEWTON_STEPS):
        value, slope = _horner(coefficients, p)
        change = value / slope
        p = p - change
        step = np.abs(change) / np.abs(p)
        if not (step > _SETTLED).any():
            break
    ringing = (step <= 100 * _SETTLED) & (np.abs(p.imag) > _RINGS * np.abs(p))
    upper = p.real + 1j * np.abs(p.imag)
    return np.where(ringing, upper, complex(math.nan, math.nan))


def _eigenvalue(coefficients: Array, above: Array) -> ComplexArray:
    """The same by eigenvalues, whatever the degree; nan where all roots are real.

    above: (n,) size in p beyond which there is no ring; roots far beyond it are divided out first.
    """
    found = np.full(coefficients.shape[1], complex(math.nan, math.nan))
    degrees = np.full(coefficients.shape[1], 4)
    for degree in (4, 3, 2):
        leading, next_ = coefficients[degree], coefficients[degree - 1]
        degrees[(degrees == degree) & (leading * above <= _NEGLIGIBLE * next_)] -= 1
    for degree in np.unique(degrees):
        chosen = np.flatnonzero(degrees == degree)
        if degree < 2:
            continue
        c = coefficients[: degree + 1, chosen]
        companion = np.zeros((chosen.size, degree, degree))
        companion[:, 0, :] = -(c[degree - 1 :: -1] / c[degree]).T
        companion[:, np.arange(1, degree), np.arange(degree - 1)] = 1.0
        roots = np.linalg.eigvals(companion).astype(np.complex128)
        best = roots[np.arange(chosen.size), roots.imag.argmax(axis=1)]
        found[chosen] = np.where(best.imag > _RINGS * np.abs(best), best, complex(math.nan, math.nan))
    return found
