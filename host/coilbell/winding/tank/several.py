"""Two or more test capacitors -> inductance, stray capacitance and both losses of one winding.

Capture i with the test capacitor C_i, tester loading (G_t, C_t') and loss tangent d_i obeys exactly

    w0_i^2 = (1 + R g_i)/(L c_i)        2 a_i = R/L + g_i/c_i
    c_i = C_i + C_t' + C_s              g_i = G + G_t + w0_i C_i d_i + r_i (w0_i C_i)^2

with r_i the resistance in series with a test capacitor; R is then without that of the leads.

Two captures give the four unknowns L, C_s, R, G; with three or more they are found by generalised least
squares over all inputs' uncertainties, and chi-square says whether one such winding explains them. The
slope d ln G_w/d ln w of the loss conductance G_w = 2 a c - (tester's share) tells where the loss sits: 0
for a conductance, -2 for a series resistance. With two captures c_1/c_2 = (w0_2/w0_1)^2 but for R g, so
that errors of the test capacitors hardly touch the slope.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.decay import Quantity
from coilbell.errors import InputError, MeasurementError
from coilbell.record import Capacitor, Loading
from coilbell.winding.tank.freering import FreeRing
from coilbell.winding.tank.propagation import ComplexArray, jacobian, quantity
from coilbell.winding.tank.single import capacitor_uncertainties
from coilbell.winding.tank.tankdoubt import (
    CONTRADICTIONS,
    ODD_LOSSES,
    REAL_SLOPES,
    TankDoubt,
    doubts_of_several,
)

__all__ = ["SeveralCapacitorTank", "tank_of_several"]

Array = npt.NDArray[np.float64]

_STEPS = 60
"""Most Gauss-Newton steps [1]; assumed."""

_SETTLED = 1e-13
"""Relative step below which a solution is taken as found: rounding is 1e-16; assumed."""

_APART = 1.02
"""Least ratio of two test capacitors, under which their difference is their tolerances' [1]; assumed."""

_EACH, _OWN = 5, 3
"""Values of one capture, and of the tester; see `_inputs`; computed."""

_NO_WINDING = "no winding was found that gives these captures; ring it again"
_EXACT = 1e-9
"""Relative uncertainty lent to inputs that were given without any, so that weights exist [1]; assumed."""


@dataclass(frozen=True, slots=True, eq=False)
class SeveralCapacitorTank:
    """The winding by n >= 2 test capacitors, the tester's loading removed."""

    inductance_henries: Quantity
    stray_farads: Quantity
    series_ohms: Quantity
    shunt_siemens: Quantity
    loss_slope: Quantity | None
    """d ln G_w/d ln w over the captures [1]; None where a loss conductance is not positive."""
    loss_siemens: tuple[Quantity, ...]
    """G_w at each capture, in the order given [S]."""
    natural_hz: tuple[float, ...]
    """w0/(2 pi) of each capture [Hz]."""
    covariance: Array
    """(4, 4) of inductance, stray capacitance, series resistance, shunt conductance."""
    chi_square: float
    freedom: int
    """Equations beyond unknowns, 2 n - 4; with 0 the captures cannot contradict each other."""
    doubts: tuple[TankDoubt, ...]

    @property
    def contradicted(self) -> bool:
        """True where the figures contradict that this is one winding: its rings come from something else."""
        kinds = {doubt.kind for doubt in self.doubts}
        return bool(kinds & CONTRADICTIONS) or (bool(kinds & ODD_LOSSES) and not self._as_real_cores)

    @property
    def _as_real_cores(self) -> bool:
        """True where the loss follows the frequency as that of some measured winding does."""
        low, high = REAL_SLOPES
        return self.loss_slope is not None and low <= self.loss_slope.value <= high


def tank_of_several(
    captures: Sequence[tuple[FreeRing, Capacitor]],
    loading: Loading | None = None,
    capacitor_correlation: float = 0.0,
) -> SeveralCapacitorTank:
    """One winding from its rings with different test capacitors.

    capacitor_correlation: correlation of the capacitors' errors [0..1], near 1 where one meter measured
    them all.

    Raises InputError for fewer than two different capacitors or rings that no winding can give (slower
    with less capacitance), MeasurementError where no solution is found.
    """
    if not 0 <= capacitor_correlation <= 1:
        raise InputError(f"correlation of the capacitors {capacitor_correlation!r}; give 0 to 1")
    values, covariance = _inputs(captures, loading or Loading(), capacitor_correlation)
    start = _start(values)
    weight = np.eye(2 * len(captures))
    try:
        solution = _solve(start, values, weight)
        if len(captures) > 2:
            for _ in range(2):
                weight = _weight(solution, values, covariance)
                solution = _solve(solution, values, weight)
        return _told(solution, values, covariance, weight, captures)
    except np.linalg.LinAlgError as error:
        raise MeasurementError(_NO_WINDING) from error


def _inputs(
    captures: Sequence[tuple[FreeRing, Capacitor]], load: Loading, correlation: float
) -> tuple[Array, Array]:
    """Values (_EACH n + _OWN,): w_d and a of each, C and d of each, r of each, tester's S, F and leads' R.

    Their covariance as well.
    """
    n = len(captures)
    if n < 2:
        raise InputError(f"{n} capture; stray capacitance needs captures with two different capacitors")
    farads = [capacitor.farads for _, capacitor in captures]
    if max(farads) < _APART * min(farads):
        raise InputError(
            f"all test capacitors are about {farads[0] * 1e9:.4g} nF; use two that differ, such as 22 and "
            "4.7 nF"
        )
    values = [v for ring, _ in captures for v in (ring.angular_per_s, ring.decay_per_s)]
    values += [v for _, c in captures for v in (c.farads, c.loss_tangent)]
    values += [c.series_ohms for _, c in captures]
    covariance = np.zeros((_EACH * n + _OWN, _EACH * n + _OWN))
    for i, (ring, _) in enumerate(captures):
        covariance[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = ring.covariance
    spreads = np.array([capacitor_uncertainties(c) for _, c in captures])
    mixed = correlation + (1 - correlation) * np.eye(n)
    at = slice(2 * n, 4 * n, 2)
    covariance[at, at] = np.outer(spreads[:, 0], spreads[:, 0]) * mixed
    covariance[range(2 * n + 1, 4 * n, 2), range(2 * n + 1, 4 * n, 2)] = spreads[:, 1] ** 2
    # One sort of copper and of switch: what is wrong of one test capacitor's way is wrong of all.
    ways = np.array([c.series_uncertainty for _, c in captures])
    covariance[4 * n : _EACH * n, 4 * n : _EACH * n] = np.outer(ways, ways)
    own = (load.siemens_uncertainty, load.farads_uncertainty, load.lead_uncertainty)
    at_own = range(_EACH * n, _EACH * n + _OWN)
    covariance[at_own, at_own] = np.square(own)
    return np.array([*values, load.siemens, load.farads, load.lead_ohms]), covariance


def _split(x: ComplexArray) -> tuple[ComplexArray, ...]:
    """Natural w0, decay, test capacitance, tester's conductance, capacitance but C_s: each (n,) or one."""
    n = (x.size - _OWN) // _EACH
    angular, decay = x[0 : 2 * n : 2], x[1 : 2 * n : 2]
    test, tangent = x[2 * n : 4 * n : 2], x[2 * n + 1 : 4 * n : 2]
    natural = np.sqrt(angular**2 + decay**2)
    outside = x[-3] + natural * test * tangent + x[4 * n : _EACH * n] * (natural * test) ** 2
    return natural, decay, test, outside, test + x[-2]


def _start(values: Array) -> Array:
    """Closed form with R g left out of w0^2: straight lines 1/w0^2 over C, and 2 a over 1/c."""
    natural, decay, _, outside, known = (v.real for v in _split(values.astype(np.complex128)))
    henries, offset = np.polyfit(known, 1 / natural**2, 1)
    if not henries > 0:
        raise InputError(
            "the ring is not slower with the larger test capacitor; the captures are exchanged, or not of "
            "one winding in one state"
        )
    stray = offset / henries
    total = known + stray
    if not (total > 0).all():
        raise InputError(
            f"the captures ask for a stray capacitance of {stray * 1e9:.3g} nF, less than nothing at all; "
            "the captures are not of one winding in one state"
        )
    shunt, rate = np.polyfit(1 / total, 2 * decay - outside / total, 1)
    return np.array([henries, stray, rate * henries - values[-1], shunt])


def _errors(solution: ComplexArray, x: ComplexArray) -> ComplexArray:
    """(2 n,) relative errors of the two equations of each capture."""
    henries, stray, series, shunt = solution
    natural, decay, _, outside, known = _split(x)
    total, siemens, series = known + stray, shunt + outside, series + x[-1]
    return np.concatenate(
        [
            natural**2 * henries * total - (1 + series * siemens),
            1 - (series / henries + siemens / total) / (2 * decay),
        ]
    )


def _solve(start: Array, values: Array, weight: Array) -> Array:
    """Gauss-Newton on the weighted errors; exact for two captures."""
    fixed = values.astype(np.complex128)
    size = _sizes(start, values)
    solution, best = start, math.inf
    for _ in range(_STEPS):
        errors = _errors(solution.astype(np.complex128), fixed).real
        slopes = jacobian(lambda s: _errors(s, fixed), solution) * size
        step = np.linalg.solve(slopes.T @ weight @ slopes, -slopes.T @ weight @ errors)
        solution = solution + step * size
        moved = float(np.abs(step).max())
        if moved < _SETTLED or (moved < 1e-9 and moved >= best):
            break
        best = moved
    else:
        raise MeasurementError(_NO_WINDING)
    if not solution[0] > 0:
        raise InputError(
            "the captures ask for a negative inductance; they are not of one winding in one state"
        )
    return solution


def _sizes(solution: Array, values: Array) -> Array:
    """Natural sizes of the four unknowns, so that their steps compare."""
    n = (values.size - _OWN) // _EACH
    farads = float(np.mean(values[2 * n : 4 * n : 2]))
    ohms = math.sqrt(solution[0] / farads)
    return np.array([solution[0], farads, ohms, 1 / ohms])


def _weight(solution: Array, values: Array, covariance: Array) -> Array:
    fixed = solution.astype(np.complex128)
    slopes = jacobian(lambda x: _errors(fixed, x), values)
    spread = slopes @ covariance @ slopes.T
    return np.asarray(np.linalg.inv(spread + _EXACT**2 * np.eye(len(spread))), dtype=np.float64)


def _outputs(z: ComplexArray) -> ComplexArray:
    """Solution (4,), loss conductances (n,) and their slope from (solution, inputs)."""
    solution, x = z[:4], z[4:]
    natural, decay, _, outside, known = _split(x)
    total = known + solution[1]
    siemens = 2 * decay * total - outside - x[-1] * total / solution[0]
    across = np.log(natural) - np.mean(np.log(natural))
    slope = np.sum(across * np.log(siemens)) / np.sum(across**2)
    return np.concatenate([solution, siemens, slope[None]])


def _sensitivity(solution: Array, values: Array, weight: Array) -> Array:
    """(4, inputs) derivatives of the weighted solution, by the implicit function theorem."""
    fixed, inputs = solution.astype(np.complex128), values.astype(np.complex128)
    size = _sizes(solution, values)
    to_solution = jacobian(lambda s: _errors(s, inputs), solution) * size
    to_inputs = jacobian(lambda x: _errors(fixed, x), values)
    normal = to_solution.T @ weight
    rows: Array = -np.linalg.solve(normal @ to_solution, normal @ to_inputs) * size[:, None]
    return rows


def _told(
    solution: Array,
    values: Array,
    covariance: Array,
    weight: Array,
    captures: Sequence[tuple[FreeRing, Capacitor]],
) -> SeveralCapacitorTank:
    both = np.concatenate([solution, values])
    with np.errstate(all="ignore"):  # the slope is nan where a loss is negative; it is left out below
        figures = _outputs(both.astype(np.complex128)).real
        slopes = jacobian(_outputs, both)
    total = slopes[:, :4] @ _sensitivity(solution, values, weight) + slopes[:, 4:]
    spread = total @ covariance @ total.T
    found = [quantity(v, s) for v, s in zip(figures, np.diag(spread), strict=True)]
    losses = tuple(found[4:-1])
    errors = _errors(solution.astype(np.complex128), values.astype(np.complex128)).real
    freedom = 2 * len(captures) - 4
    chi_square = float(errors @ weight @ errors) if freedom else 0.0
    return SeveralCapacitorTank(
        inductance_henries=found[0],
        stray_farads=found[1],
        series_ohms=found[2],
        shunt_siemens=found[3],
        loss_slope=found[-1] if all(loss.value > 0 for loss in losses) else None,
        loss_siemens=losses,
        natural_hz=tuple(ring.natural_per_s / (2 * math.pi) for ring, _ in captures),
        covariance=spread[:4, :4],
        chi_square=chi_square,
        freedom=freedom,
        doubts=tuple(doubts_of_several(found, chi_square, freedom)),
    )
