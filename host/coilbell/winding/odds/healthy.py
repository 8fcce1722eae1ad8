"""What a healthy unit rings like: the predictive density that a reference gives.

With n good units at mean point x over (ln f, ln d) at each capacitor, scatter S about it, and a prior
covariance S0 of the kind, or as learned (`spreads`), worth n0 units,

    covariance of the next one = ((n0 - 2) S0 + S) (1 + 1/n) / (v - 2)           v = n0 + n - 1
    next one ~ t(location x, scale covariance (v - 2)/v, freedom v)

which is the usual conjugate update (Gelman et al., Bayesian Data Analysis, section 3.6; from memory): with
one unit the spread is all prior, with many it is all measurement, and the tails are heavy as long as little
is known. Units that are hardly good ones, and units of other testers, count as `pooled` says. The stated S0
follows from spreads of inductance, core loss, resistance, capacitance:

    ln f = -(ln L)/2 - (s/2) ln C_s      with s = C_s/(C_t + C_s)
    ln d = -(ln L)/2 + (1 - c) ln(core loss) + c ln(resistance)      with c the copper's share of the loss

One unit judged against its own earlier rings takes the spread between repeats instead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import median

import numpy as np
import numpy.typing as npt

from coilbell.errors import CoilbellError, ReferenceMismatch
from coilbell.record import Capacitor
from coilbell.winding.odds.kind import Kind, Spread
from coilbell.winding.odds.observation import Ring, same_capacitor
from coilbell.winding.odds.pooled import Pool, pooled
from coilbell.winding.odds.reference import Reference, UnitMean
from coilbell.winding.odds.spreads import Spreads, neutral
from coilbell.winding.odds.testerloss import Tester
from coilbell.winding.odds.warmth import UNKNOWN_K, Warmth, moved_by_warmth, warmth
from coilbell.winding.tank.freering import FreeRing
from coilbell.winding.tank.healthytank import HealthyTank
from coilbell.winding.tank.several import SeveralCapacitorTank, tank_of_several

__all__ = ["UNLIKE", "Healthy", "fixed", "healthy", "healthy_of", "matched", "scaled", "stated"]

Array = npt.NDArray[np.float64]

UNLIKE = 0.5
"""Chance of being a good unit of the part under which a unit is told to be unlike the others [1]; assumed."""


@dataclass(frozen=True, slots=True, eq=False)
class Healthy:
    """Predictive density of a healthy ring over m capacitors.

    location: (2 m,) ln f then ln d; scale: (2 m, 2 m) and freedom of the t; between: (2 m,) standard
    deviations from unit to unit, without what the reference itself does not know; prior_share: part of the
    spread that is assumption [0..1]; same_unit: the unit whose own earlier rings these are, or "".
    """

    capacitors: tuple[Capacitor, ...]
    location: Array
    scale: Array
    freedom: float
    between: Array
    tank: HealthyTank
    """The typical healthy winding by itself, for computing what a fault would do to it."""
    assumed_stray: bool
    """True when its stray capacitance is the kind's usual one, not measured."""
    units: tuple[str, ...]
    prior_share: float
    same_unit: str = ""
    repeat: tuple[float, float] = (0.002, 0.02)
    """Standard deviations of ln f and ln d of one unit rung again."""
    warmer: Warmth = (0.0, UNKNOWN_K)
    """How much warmer the rings are than the good ones, and its standard uncertainty [K]."""
    core_per_volt: float = 0.0
    """How the decay rate of the core alone rises with the amplitude, by the good units' ladders [1/(s V)]."""
    stated: tuple[float, float] = (0.0, 0.0)
    """Standard deviations of ln f and ln d from unit to unit, by the kind's statement alone."""
    learned: Spreads | None = None
    """What the spread rests on beside the reference's own units; None where those of one unit are meant."""
    unlike: tuple[tuple[str, float], ...] = ()
    """Units that hardly ring like the others, each with the chance that it is a good one of the part."""

    def stray_beyond(self, tester_farads: float) -> float:
        """Stray capacitance of the winding alone [F]: a measured one holds the tester's too."""
        return self.tank.farads if self.assumed_stray else max(self.tank.farads - tester_farads, 0.0)

    def place(self, capacitor: Capacitor) -> int:
        """Which of `capacitors` this one is. Raises LookupError where it is none of them."""
        for k, one in enumerate(self.capacitors):
            if same_capacitor(one, capacitor):
                return k
        raise LookupError(f"no healthy ring with {capacitor.words}")

    @property
    def covariance(self) -> Array:
        """(2 m, 2 m) covariance of the t."""
        return self.scale * (self.freedom / (self.freedom - 2))

    @property
    def spreads(self) -> Array:
        """(2 m,) standard deviations of ln f, then ln d, for the next unit [1]."""
        return np.sqrt(np.diag(self.covariance))


def matched(rings: Sequence[Ring], reference: Reference) -> tuple[list[Ring], list[str]]:
    """Those of `rings` that some good units were rung with, and remarks on the ones left out.

    Raises ReferenceMismatch when none remains.
    """
    have = reference.capacitors()
    if not have:
        raise ReferenceMismatch(f"reference {reference.name} holds no good unit; add one first")
    known = [r for r in rings if any(same_capacitor(r.capacitor, c) for c in have)]
    left = [r for r in rings if r not in known]
    values = ", ".join(c.words for c in have)
    if not known:
        asked = ", ".join(r.capacitor.words for r in rings)
        raise ReferenceMismatch(
            f"reference {reference.name} was taken with {values}, this ring with {asked}; "
            "ring again with one of the reference's capacitors, or add captures to the reference"
        )
    notes = [f"the ring with {r.capacitor.words} is left out: the reference holds {values}" for r in left]
    while len(_distinct(known)) > 1 and not reference.good_means(_distinct(known)):
        dropped = min(_distinct(known), key=lambda c: c.farads)
        known = [r for r in known if not same_capacitor(r.capacitor, dropped)]
        notes.append(f"no good unit was rung with all capacitors: {dropped.words} is left out")
    return known, notes


def _distinct(rings: Sequence[Ring]) -> list[Capacitor]:
    """The test capacitors of these rings, each once, the largest first."""
    found: list[Capacitor] = []
    for ring in rings:
        if not any(same_capacitor(ring.capacitor, c) for c in found):
            found.append(ring.capacitor)
    return sorted(found, key=lambda c: -c.farads)


def healthy(reference: Reference, rings: Sequence[Ring], unit: str = "") -> Healthy:
    """The predictive density for rings with these capacitors.

    unit: the specimen judged; when the reference holds its good rings they are what it is judged by.
    """
    first = {c: next(r for r in rings if r.capacitor is c) for c in _distinct(rings)}
    testers = tuple((c, r.stated_loading, r.board) for c, r in first.items())
    return _healthy(reference, testers, unit, warmth(reference, rings, unit))


@lru_cache(maxsize=32)
def _healthy(
    reference: Reference, with_: tuple[Tester, ...], unit: str, warmer: Warmth = (0.0, UNKNOWN_K)
) -> Healthy:
    """The same from capacitors, testers and temperature alone, kept: a ring's figures do not touch it."""
    capacitors = [capacitor for capacitor, _, _ in with_]
    means = reference.good_means(capacitors)
    own = [m for m in means if unit and m.unit == unit]
    used = own or list(means)
    location = np.mean([m.point for m in used], axis=0)
    measured = _measured_by_all(reference, own) or _measured(location, capacitors, reference.kind)
    tank = _tank(location, capacitors[0], reference.kind, measured, _by_all(reference, own))
    learned, spreads = reference.spreads or neutral(reference.kind), reference.kind.spread
    assumed = (
        _repeats(len(capacitors), spreads) if own else _assumed(tank, location, capacitors, reference.kind)
    )
    alone, weight = np.sqrt(np.diag(assumed)), spreads.weight
    if not own:
        assumed, weight = scaled(assumed, learned), learned.weight
    pool = pooled(reference, [m.unit for m in used], with_, assumed, weight)
    warmed, warm = moved_by_warmth(reference.kind, len(capacitors), warmer)
    scatter, further = (own[0].scatter, own[0].freedom) if own else (pool.scatter, pool.count - 1)
    freedom = weight + further
    spread = ((weight - 2) * assumed + scatter) / (freedom - 2)
    count = float(own[0].repeats) if own else pool.count
    return Healthy(
        tuple(capacitors),
        fixed(pool.location + warmed),
        fixed((spread * (1 + 1 / count) + pool.extra + warm) * (freedom - 2) / freedom),
        freedom,
        fixed(np.sqrt(np.diag(spread + warm))),
        tank,
        measured is None,
        tuple(m.unit for m in used),
        (1.0 if own else learned.assumed_share) * weight / freedom,
        unit if own else "",
        (spreads.repeat_frequency, spreads.repeat_loss),
        warmer,
        _core(reference),
        (float(alone[0]), float(alone[len(capacitors)])),
        None if own else learned,
        () if own else _unlike(used, pool),
    )


def _core(reference: Reference) -> float:
    """The middle of what the good units' ladders say of their core [1/(s V)]; 0 where there are none."""
    seen = [c.observation.law for c in reference.good]
    known = [law.core_per_volt for law in seen if law is not None]
    return median(known) if known else 0.0


def healthy_of(reference: Reference, capacitors: Sequence[Capacitor]) -> Healthy:
    """The predictive density for these of the reference's own capacitors, before anything is judged."""
    still = [Ring(c, False, np.full(2, np.nan), np.eye(2), None, False, ()) for c in capacitors]
    return healthy(reference, still)


def stated(reference: Reference, capacitors: Sequence[Capacitor]) -> Array:
    """(2 m, 2 m) covariance from unit to unit of these capacitors, by the kind's stated spreads alone."""
    means = reference.good_means(capacitors)
    location = np.asarray(np.mean([m.point for m in means], axis=0), dtype=np.float64)
    measured = _measured(location, capacitors, reference.kind)
    tank = _tank(location, capacitors[0], reference.kind, measured)
    return _assumed(tank, location, capacitors, reference.kind)


def _repeats(m: int, spread: Spread) -> Array:
    """(2 m, 2 m) covariance of one unit rung again, by the kind's stated spreads."""
    return np.diag([spread.repeat_frequency**2] * m + [spread.repeat_loss**2] * m)


def scaled(assumed: Array, spreads: Spreads) -> Array:
    """The stated covariance (2 m, 2 m) with what was learned: of f and 1/Q at the first capacitor, and of how
    the frequencies differ between capacitors, which the stray capacitance makes."""
    m = len(assumed) // 2
    to = np.eye(2 * m)
    to[1:m, 0] = to[m + 1 :, m] = -1.0
    times = np.diag([spreads.frequency, *[spreads.stray] * (m - 1), spreads.loss, *[1.0] * (m - 1)])
    whole = np.linalg.inv(to) @ times @ to
    return np.asarray(whole @ assumed @ whole.T, dtype=np.float64)


def _unlike(used: Sequence[UnitMean], pool: Pool) -> tuple[tuple[str, float], ...]:
    return tuple((m.unit, float(w)) for m, w in zip(used, pool.weights, strict=True) if w < UNLIKE)


def _assumed(tank: HealthyTank, location: Array, capacitors: Sequence[Capacitor], kind: Kind) -> Array:
    """(2 m, 2 m) covariance from unit to unit by the kind's stated spreads."""
    m, spread = len(capacitors), kind.spread
    reactance = 2 * math.pi * np.exp(location[:m]) * tank.henries
    copper = np.clip(tank.series_ohms / reactance / np.exp(location[m:]), 0.0, 1.0)
    share = np.array([tank.farads / (c.farads + tank.farads) for c in capacitors])
    fitted = _fitted(np.exp(-location[m:]), kind)
    rows = np.zeros((2 * m, 5))
    rows[:m, 0] = -0.5 * spread.inductance
    rows[:m, 1] = -0.5 * share * spread.capacitance
    # At a given loss angle and resistance 1/Q goes with the frequency, so with the root of 1/L.
    # (across a fitted resistor, which is not the winding's, it goes the other way).
    rows[m:, 0] = -0.5 * spread.inductance * (1 - 2 * fitted)
    rows[m:, 2] = spread.core_loss * (1 - copper) * (1 - fitted)
    rows[m:, 3] = spread.resistance * copper * (1 - fitted)
    rows[m:, 4] = spread.fitted_resistance * fitted
    own = np.concatenate([np.full(m, spread.own_frequency), np.full(m, spread.loss_slope)])
    return np.asarray(rows @ rows.T + np.diag(own**2), dtype=np.float64)


def fixed(array: Array) -> Array:
    """The same array, from now on read-only: it is shared among judgements."""
    array.setflags(write=False)
    return array


_FITTED = 0.75
"""Part of the loss from which a resistor is taken for fitted: a quarter of the bare Q; assumed."""


def _fitted(q: Array, kind: Kind) -> Array:
    """(m,) share of the loss that a resistor fitted across the winding makes.

    Of a kind that rings well without its resistors a quarter of that Q or less tells that they are there.
    """
    share = 1 - q / kind.bare_q if kind.bare_q else np.zeros_like(q)
    return np.where(share > _FITTED, share, 0.0)


def _measured_by_all(reference: Reference, own: Sequence[UnitMean]) -> SeveralCapacitorTank | None:
    """The winding by all capacitors of the reference, also those that the suspect was not rung with.

    They tell the copper's share of the loss and the stray capacitance, which one capacitor leaves assumed.
    None where no good unit was rung with all of them, or they fit no winding.
    """
    location = _by_all(reference, own)
    return None if location is None else _measured(location, reference.capacitors(), reference.kind)


def _by_all(reference: Reference, own: Sequence[UnitMean]) -> Array | None:
    """Mean ring by all capacitors of the reference; None where no good unit was rung with all of them."""
    means = reference.good_means(reference.capacitors())
    used = [m.point for m in means if not own or m.unit == own[0].unit]
    return np.asarray(np.mean(used, axis=0), dtype=np.float64) if used else None


def _tank(
    location: Array,
    capacitor: Capacitor,
    kind: Kind,
    measured: SeveralCapacitorTank | None,
    by_all: Array | None = None,
) -> HealthyTank:
    """The winding by itself: as measured, else with the kind's usual stray capacitance and share of copper.

    What is not measured is chosen so that it rings at `location` with this, the first capacitor; by_all: ring
    by every capacitor of the reference, where it is known.
    """
    if measured and min(measured.series_ohms.value, measured.shunt_siemens.value) > 0:
        henries, stray = measured.inductance_henries.value, measured.stray_farads.value
        return HealthyTank(henries, stray, measured.series_ohms.value, measured.shunt_siemens.value)
    usual = math.sqrt(kind.stray_farads[0] * kind.stray_farads[1])
    farads = measured.stray_farads.value if measured else usual
    angular, loss = 2 * math.pi * math.exp(location[0]), math.exp(location[location.size // 2])
    henries = 1 / (angular**2 * (capacitor.farads + farads))
    heard, reactance = location if by_all is None else by_all, angular * henries
    several = heard.size // 2 > 1
    share = _copper_heard(heard, location[0]) if several else _copper_usual(reactance, loss, kind)
    return HealthyTank(henries, farads, share * loss * reactance, (1 - share) * loss / reactance)


_SHARES = np.linspace(0.02, 0.98, 49)
"""Copper's shares of the loss that are tried [1]; assumed."""


def _copper_heard(heard: Array, at: float) -> float:
    """Copper's share of the loss at the ring of ln f `at`, by which the losses at all rings come nearest.

    d = R/(w L) + w L G, so that with r = w/w0 it goes as share/r + (1 - share) r. A healthy winding whose
    losses no single R and G make has to ring at its further capacitors all the same, as it did.
    """
    m = heard.size // 2
    r = np.exp(heard[:m] - at)
    apart = heard[m:] - np.log(_SHARES[:, None] / r + (1 - _SHARES[:, None]) * r)
    return float(_SHARES[apart.var(axis=1).argmin()])


_LENT = (1e-3, 1e-2)
"""Equal relative uncertainties lent to mean rings, so that they weigh alike [1]; assumed."""

_POSSIBLE = (0.05, 20.0)
"""Times the kind's least stray capacitance, and the smallest test capacitor, between which it is one [1];
assumed."""


def _measured(location: Array, capacitors: Sequence[Capacitor], kind: Kind) -> SeveralCapacitorTank | None:
    """The winding by several capacitors, None where they do not give a possible stray capacitance."""
    m = len(capacitors)
    if m < 2:
        return None
    # Equal uncertainties; what the tester itself loads is in every ring alike, and stays in.
    rings = [
        FreeRing.from_natural(math.exp(location[k]), math.exp(-location[m + k]), *_LENT) for k in range(m)
    ]
    bare = [replace(c, loss_tangent=0.0) for c in capacitors]
    try:
        found = tank_of_several(list(zip(rings, bare, strict=True)))
    except CoilbellError:
        return None
    least, most = _POSSIBLE[0] * kind.stray_farads[0], _POSSIBLE[1] * capacitors[-1].farads
    possible = least < found.stray_farads.value < most
    return found if possible else None


def _copper_usual(reactance: float, loss: float, kind: Kind) -> float:
    """Copper's share of the loss, where one capacitor leaves it open.

    Two guesses, by the kind's usual resistance and the kind's usual share itself, meet in their geometric
    mean: a high Q leaves little room for anything but the copper, a low one much.
    """
    usual = math.sqrt(kind.wire_ohms[0] * kind.wire_ohms[1]) / (loss * reactance)
    return math.sqrt(kind.series_share * min(usual, 1.0))
