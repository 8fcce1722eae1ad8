"""f, Q and the test capacitor -> inductance and loss of the winding.

The winding is L in series with R, across it G, and across both the test capacitor C_t, the tester's own
capacitance and conductance (`Loading`) and the winding's stray capacitance C_s. With C all capacitance
and g the conductance that is not the winding's, the free decay obeys exactly, at any Q,

    w0^2 = w_d^2 + a^2 = (1 + R (G + g))/(L C)        2 a = R/L + (G + g)/C        Q = w0/(2 a)

A resistance r in series with the test capacitor, of the board's copper and its switch, counts as the
conductance r (w0 C_t)^2 (right to (r w0 C_t)^2, 1e-7 for 10 milliohm at 30 ohm), that of the leads as part
of R.

One capacitor gives two figures for three unknowns (with C_s four): the loss is stated as if all of it
were across the winding, and as if all of it were in series. `capacitors` separates them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.decay import Fit, Quantity
from coilbell.errors import InputError
from coilbell.record import Capacitor, Loading, Record
from coilbell.winding.tank.freering import FreeRing
from coilbell.winding.tank.propagation import ComplexArray, propagate, quantity
from coilbell.winding.tank.tankdoubt import TankDoubt, doubts_of_one

__all__ = [
    "OneCapacitorTank",
    "capacitor_uncertainties",
    "tank_of_one",
    "tank_of_record",
]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class OneCapacitorTank:
    """The winding by one test capacitor, the tester's loading removed."""

    inductance_henries: Quantity
    """L with the loss taken as across the winding [H]."""
    capacitance_farads: Quantity
    """All capacitance: test capacitor, tester, stray [F]."""
    natural_hz: Quantity
    """w0/(2 pi) as measured [Hz]."""
    q_measured: Quantity
    q: Quantity
    """Of the winding alone, w0/(2 a) without the tester's share of the decay [1]."""
    loss_siemens: Quantity
    """All loss as a conductance across the winding [S]."""
    shunt_ohms: Quantity
    """1/`loss_siemens` [ohm]."""
    series_ohms: Quantity
    """All loss as a resistance in series [ohm]."""
    copper_share: Quantity | None
    """Part of the loss that the direct resistance makes [1]; None where no resistance was given. The
    resistance at the ring's frequency is higher, so this is the least. No evidence about turns."""
    other_siemens: Quantity | None
    """What the direct resistance leaves of the loss, as a conductance across the winding [S]."""
    covariance: Array
    """(3, 3) of inductance, loss conductance and series resistance."""
    doubts: tuple[TankDoubt, ...]


def tank_of_record(fit: Fit, record: Record) -> OneCapacitorTank | None:
    """What a record's fit says of the winding; None where nothing fades or the test capacitor is unknown."""
    capacitor = record.test_capacitor
    if capacitor is None or not fit.rings or not fit.main.decay_per_s.value > 0:
        return None
    return tank_of_one(FreeRing.from_fit(fit), capacitor, record.loading)


def tank_of_one(
    ring: FreeRing,
    capacitor: Capacitor,
    loading: Loading | None = None,
    stray_farads: tuple[float, float] | None = None,
    direct_ohms: tuple[float, float] | None = None,
) -> OneCapacitorTank:
    """Inductance and loss from one ring.

    Parameters
    ----------
    loading: the tester's own, none when left out.
    stray_farads: stray capacitance of the winding and its standard uncertainty [F]; None leaves it out of
        C, which raises L by the share C_s/C, and raises a doubt.
    direct_ohms: direct resistance of the winding and its standard uncertainty [ohm]; only shares out the
        loss. It is no evidence of a short: a turn among many changes it by less than its temperature does.
    """
    load = loading or Loading()
    stray, direct = stray_farads or (0.0, 0.0), direct_ohms or (0.0, 0.0)
    _check_pair("stray capacitance", stray)
    _check_pair("direct resistance", direct)
    with np.errstate(all="ignore"):  # what cannot be is nan, and said below
        value, spread = propagate(_figures, *_inputs(ring, capacitor, load, stray, direct))
    if math.isnan(value[-1]):
        raise InputError(
            f"a direct resistance of {direct[0]:.4g} ohm cannot belong to a ring of Q {ring.q:.3g} with this "
            "capacitor; measure it again, or leave it out"
        )
    found = dict(zip(_NAMES, map(quantity, value, np.diag(spread)), strict=True))
    doubts = doubts_of_one(ring, found, stray_farads, direct_ohms)
    told = {n: None if n in _BY_RESISTANCE and direct_ohms is None else q for n, q in found.items()}
    rows = [_NAMES.index(name) for name in ("inductance_henries", "loss_siemens", "series_ohms")]
    return OneCapacitorTank(covariance=spread[np.ix_(rows, rows)], doubts=tuple(doubts), **told)  # type: ignore[arg-type]


def _inputs(
    ring: FreeRing,
    capacitor: Capacitor,
    load: Loading,
    stray: tuple[float, float],
    direct: tuple[float, float],
) -> tuple[Array, Array]:
    """Values (10,) and covariance (10, 10) of what `_figures` takes."""
    pairs = [
        (ring.angular_per_s, 0.0),
        (ring.decay_per_s, 0.0),
        *zip((capacitor.farads, capacitor.loss_tangent), capacitor_uncertainties(capacitor), strict=True),
        (load.siemens, load.siemens_uncertainty),
        (load.farads, load.farads_uncertainty),
        stray,
        direct,
        (capacitor.series_ohms, capacitor.series_uncertainty),
        (load.lead_ohms, load.lead_uncertainty),
    ]
    covariance = np.diag([spread**2 for _, spread in pairs])
    covariance[:2, :2] = ring.covariance
    return np.array([value for value, _ in pairs]), covariance


def capacitor_uncertainties(capacitor: Capacitor) -> tuple[float, float]:
    """Standard uncertainties of a capacitor's value [F] and loss tangent [1].

    The loss tangent is trusted to half of itself: data sheets give an upper limit.
    """
    return capacitor.farads * capacitor.tolerance, capacitor.loss_tangent / 2


_NAMES = (
    "inductance_henries",
    "capacitance_farads",
    "natural_hz",
    "q_measured",
    "q",
    "loss_siemens",
    "shunt_ohms",
    "series_ohms",
    "copper_share",
    "other_siemens",
)
_BY_RESISTANCE = ("copper_share", "other_siemens")
"""Figures that are known only where the direct resistance is."""


def _figures(x: ComplexArray) -> ComplexArray:
    """The figures named in `_NAMES`."""
    angular, decay, test, tangent, load_siemens, load_farads, stray, direct, way, leads = x
    farads = test + load_farads + stray
    natural = np.sqrt(angular**2 + decay**2)
    outside = load_siemens + natural * test * tangent + way * (natural * test) ** 2
    # The leads' R/L, with 1/L = w0^2 C: what loss does to it is of the second order.
    rate = 2 * decay - outside / farads - leads * natural**2 * farads
    shunt = rate * farads
    # All loss in series: w0^2 = (1 + R g)/(L C) and 2 a - g/C = R/L.
    series = rate / (natural**2 * farads - rate * outside)
    # Direct resistance R in series: w0^2 C L^2 - (1 + 2 a R C) L + R^2 C = 0.
    half = (1 + 2 * decay * direct * farads) / 2
    inside = half**2 - (natural * direct * farads) ** 2
    henries = (half + (np.sqrt(inside) if inside.real > 0 else math.nan)) / (natural**2 * farads)
    copper = direct / henries
    return np.stack(
        [
            1 / (natural**2 * farads),
            farads,
            natural / (2 * math.pi),
            natural / (2 * decay),
            natural / rate,
            shunt,
            1 / shunt,
            series,
            copper / rate,
            (rate - copper) * farads,
        ]
    )


def _check_pair(name: str, pair: tuple[float, float]) -> None:
    value, spread = pair
    if not (math.isfinite(value) and value >= 0):
        raise InputError(f"{name} {value!r}; give 0 or more")
    if not (math.isfinite(spread) and spread >= 0):
        raise InputError(f"{name} {value!r} with an uncertainty of {spread!r}; give 0 or more")
