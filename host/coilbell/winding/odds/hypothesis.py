"""The hypotheses about a winding, each with its cases, how they shift the ring out of circuit and whether
such a short would show.

How often each happens on a bench stands in `winding/faults.toml`. Cases of a shorted turn are told apart
beforehand: too slight to show on this part (`HIDDEN`), like a resistance (`LEAKY`), the rest (`SHORTED`), so
that each keeps cases of its own wherever it is weighed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from coilbell.terms import Cause
from coilbell.winding.odds.faultfile import value
from coilbell.winding.odds.healthy import Healthy, fixed
from coilbell.winding.odds.plane import coordinates, moved
from coilbell.winding.odds.reference import Reference
from coilbell.winding.odds.severity import Cases, added_capacitance, cases, changed_inductance, copper, load
from coilbell.winding.odds.shares import Shares, cause_shares

__all__ = ["BLUNT", "SHOWS", "Hypothesis", "anchors", "hypotheses"]

Array = npt.NDArray[np.float64]

SHOWS = 3.0
"""Spreads of units by which a short has to move f or Q to be one that shows: the definition of `shows`;
assumed."""

BLUNT = 0.25
"""How far, in ln 1/Q, a real short may lie from a deliberate one and still count as its neighbour [1];
assumed."""

_LOAD_ANGLE = math.radians(12)
"""Angle in the shift plane below which a loop cannot be told from a resistance (simulated: leaky turns and
thin high-voltage turns lie at 1 to 10 degrees, whole windings from 46 on)."""

_LOAD_WITHIN = 2.0
"""Distance from a resistance, in spreads, within which a loop cannot be told from it either; assumed."""

_SLOPE_SEEN = 0.15
"""Difference of ln 1/Q between capacitors that tells a loop from a resistance [1] (simulated)."""

_IRON_BLUNT = 0.25
"""How little the circuit of a case says of eddy currents in iron [ln 1/Q] (simulated)."""

_LEAKAGE_SPREAD = 0.8
"""How far the leakage of a fault may lie from that of a deliberate short, in its logarithm [1] (assumed)."""


@dataclass(frozen=True, slots=True, eq=False)
class Hypothesis:
    """One cause with n cases.

    cause: what is true; share: of it within shorted or within not shorted [1]; weight: (n,) sums to 1; shift:
    (n, 2 m) out of circuit, nan where a case does not ring; at: the cases as circuits, None where there are
    none (deliberate shorts, "none of these", no contact); leaves: a resistance that cleaning takes off;
    how: what was shorted on purpose; blunt: extra doubt about the cases [ln]; anywhere: "none of these".
    """

    cause: Cause
    share: float
    weight: Array
    shift: Array
    at: Cases | None = None
    leaves: bool = False
    how: str = ""
    blunt: float = 0.0
    anywhere: bool = False


def hypotheses(
    healthy: Healthy, reference: Reference, shares: Shares | None = None
) -> tuple[Hypothesis, ...]:
    """All hypotheses with their cases; shares: of causes, as outcomes tell them."""
    return _hypotheses(healthy, reference, shares)


@lru_cache(maxsize=16)
def _hypotheses(healthy: Healthy, reference: Reference, shares: Shares | None) -> tuple[Hypothesis, ...]:
    """The same, kept for the next ring of the same part."""
    kind, tank = reference.kind, healthy.tank
    resistance = load(math.exp(healthy.location[0]) * 2 * math.pi * tank.henries)
    capacitance = added_capacitance(kind, tank, healthy.capacitors[0].farads)
    met = cause_shares(kind, shares)
    unknown, stays = value("causes.unknown"), value("causes.load_stays")
    listed = [
        _of(Cause.NOTHING, met[Cause.NOTHING], cases(1), healthy),
        replace(_of(Cause.LOAD, met[Cause.LOAD] * (1 - stays), resistance, healthy), leaves=True),
        _of(Cause.LOAD, met[Cause.LOAD] * stays, resistance, healthy),
        _of(Cause.JUNCTION, met[Cause.JUNCTION], resistance, healthy),
        _changed(healthy, met[Cause.CORE], iron=kind.iron),
        _of(Cause.CAPACITANCE, met[Cause.CAPACITANCE], capacitance, healthy),
        _without(Cause.OPEN, met[Cause.OPEN], healthy, silent=True),
        _without(Cause.UNKNOWN, met[Cause.UNKNOWN], healthy, silent=False),
        *_shorted(healthy, reference),
        _without(Cause.UNKNOWN_SHORT, unknown, healthy, silent=False),
    ]
    if kind.iron:
        whole = (Cause.NOTHING, Cause.HIDDEN)
        listed = [h if h.cause in whole else replace(h, blunt=max(h.blunt, _IRON_BLUNT)) for h in listed]
    return _shared(listed)


def _shared(listed: Sequence[Hypothesis]) -> tuple[Hypothesis, ...]:
    """Shares made to sum to 1 within shorted and within not shorted."""
    totals = {flag: sum(h.share for h in listed if h.cause.shorted is flag) for flag in (True, False)}
    for one in listed:
        fixed(one.shift)
    return tuple(replace(h, share=h.share / totals[h.cause.shorted]) for h in listed)


def _of(cause: Cause, share: float, at: Cases, healthy: Healthy) -> Hypothesis:
    return Hypothesis(cause, share, at.weight, moved(healthy, at), at)


def _without(cause: Cause, share: float, healthy: Healthy, *, silent: bool) -> Hypothesis:
    shift = np.full((1, 2 * len(healthy.capacitors)), np.nan if silent else 0.0)
    return Hypothesis(cause, share, np.ones(1), shift, anywhere=not silent)


def _changed(healthy: Healthy, share: float, *, iron: bool) -> Hypothesis:
    """A changed core; in iron the loss goes with the inductance, so that Q hardly moves."""
    found = _of(Cause.CORE, share, changed_inductance(), healthy)
    if not iron:
        return found
    shift = found.shift.copy()
    shift[:, len(healthy.capacitors) :] = 0.0
    return replace(found, shift=shift)


def _shorted(healthy: Healthy, reference: Reference) -> list[Hypothesis]:
    """Shorted turns as computed, and as the deliberate shorts of the reference rang."""
    known = anchors(healthy, reference)
    plain = _weighted(copper(reference.kind, healthy.tank), known, healthy)
    near = value("causes.as_deliberate")
    found = _split(plain, moved(healthy, plain), 1 - value("causes.unknown") - near * bool(known), healthy)
    for how, shift in known:
        cause = _kind_of_short(shift[None], healthy)[0]
        found.append(Hypothesis(cause, near / len(known), np.ones(1), shift[None], how=how, blunt=BLUNT))
    return found


def _split(plain: Cases, shift: Array, share: float, healthy: Healthy) -> list[Hypothesis]:
    """Cases told apart by what can be said of them, each part with its share of the whole."""
    causes = _kind_of_short(shift, healthy)
    found = []
    for cause in (Cause.HIDDEN, Cause.LEAKY, Cause.SHORTED):
        rows = np.array([c is cause for c in causes])
        part = float(plain.weight[rows].sum())
        if part > 0:
            at = _rows(plain, rows)
            at = replace(at, weight=at.weight / part)
            found.append(Hypothesis(cause, share * part, at.weight, shift[rows], at))
    return found


def _rows(at: Cases, rows: npt.NDArray[np.bool_]) -> Cases:
    return Cases(**{field.name: getattr(at, field.name)[rows] for field in fields(at)})


def _kind_of_short(shift: Array, healthy: Healthy) -> list[Cause]:
    """HIDDEN where a case moves f and Q by less than `SHOWS` spreads at each capacitor, LEAKY like a load."""
    away = np.abs(shift) / healthy.between
    shows = np.isnan(shift[:, 0]) | (away > SHOWS).any(axis=1)
    like_load = _like_load(shift, healthy)
    return [
        Cause.HIDDEN if not seen else Cause.LEAKY if like else Cause.SHORTED
        for seen, like in zip(shows, like_load, strict=True)
    ]


def anchors(healthy: Healthy, reference: Reference) -> list[tuple[str, Array]]:
    """(how, shift) of each deliberate short, against the same unit's good ring where there is one."""
    good: dict[str, Array] = {m.unit: m.point for m in reference.good_means(healthy.capacitors)}
    centre = np.asarray(np.mean(list(good.values()), axis=0), dtype=np.float64)
    found = reference.shorted_points(healthy.capacitors)
    return [(how, point - (good.get(unit, centre))) for unit, how, point in found]


def _weighted(plain: Cases, known: Sequence[tuple[str, Array]], healthy: Healthy) -> Cases:
    """Cases weighed half by the leakage that the deliberate shorts showed, half as they came."""
    m = len(healthy.capacitors)
    kernel = np.zeros(len(plain))
    for _, shift in known:
        slack = _slack(shift[0], shift[m], math.exp(healthy.location[m]))
        if slack is not None:
            kernel += np.exp(-0.5 * (np.log(plain.slack / slack) / _LEAKAGE_SPREAD) ** 2)
    weight = plain.weight * kernel
    if weight.sum() <= 0:
        return plain
    return replace(plain, weight=0.5 * plain.weight + 0.5 * weight / weight.sum())


_LEAST_SLACK = 1e-4
"""Leakage under which a figure is rounding [1]; assumed."""


def _slack(frequency_shift: float, loss_shift: float, healthy_loss: float) -> float | None:
    """1 - k^2 of the loop that makes this shift, from the impedance ratio z = 1/(1 + b - j g).

    With x = w L2/R2: 1 - Re z = k^2 x^2/(1 + x^2), Im z = k^2 x/(1 + x^2). None where b and g are not those
    of a loop.
    """
    g, b = coordinates(np.exp(frequency_shift), healthy_loss * np.exp(loss_shift), np.array(healthy_loss))
    z = 1 / complex(1 + float(b), -float(g))
    if z.imag <= 0 or z.real >= 1:
        return None
    x = (1 - z.real) / z.imag
    slack = 1 - (1 - z.real) * (1 + 1 / x**2)
    return slack if _LEAST_SLACK < slack < 1 else None


def _like_load(shift: Array, healthy: Healthy) -> npt.NDArray[np.bool_]:
    """(n,) True where some resistance makes nearly the same ring.

    By the angle of the shift plane, or by distance from the resistance that gives the same loss at the
    first capacitor: its frequencies stay, and its losses at the further capacitors are known.
    """
    m = len(healthy.capacitors)
    filled = np.nan_to_num(shift)
    loss = np.exp(healthy.location[m])
    g, b = coordinates(np.exp(filled[:, 0]), loss * np.exp(filled[:, m]), loss)
    moved_f = filled[:, :m]
    distance = (moved_f.T * np.linalg.solve(healthy.covariance[:m, :m], moved_f.T)).sum(axis=0)
    plain = moved(healthy, load(2 * math.pi * math.exp(healthy.location[0]) * healthy.tank.henries))
    order = np.argsort(plain[:, m])
    for k in range(m + 1, 2 * m):
        expected = np.interp(filled[:, m], plain[order, m], plain[order, k])
        distance += ((filled[:, k] - expected) / _SLOPE_SEEN) ** 2
    near = (np.arctan2(b, g) < _LOAD_ANGLE) | ((g > 0) & (distance < _LOAD_WITHIN**2))
    return np.asarray(near & ~np.isnan(shift[:, 0]), dtype=bool)
