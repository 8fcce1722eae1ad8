"""The causes that a ring may have, each with its cases, how they shift the ring and what they look like.

A cause is what is true (a shorted turn or not); an explanation is what may be said. Shares are stated
assumptions of how often each happens on a bench, within "a turn is shorted" and within "none is".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from coilbell.record import Connection
from coilbell.winding.odds.connection import attachments, beside_tuning, beside_yoke
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy, fixed
from coilbell.winding.odds.plane import coordinates, moved
from coilbell.winding.odds.reference import Reference
from coilbell.winding.odds.severity import Cases, added_capacitance, cases, changed_inductance, copper, load

__all__ = ["BLUNT", "NOTHING", "SET", "Cause", "anchors", "causes"]

Array = npt.NDArray[np.float64]

NOTHING = "nothing"
"""Name of the cause that nothing is wrong or connected."""

SET = "set: "
"""How the names of causes begin that are connections in the set."""

_HEALTHY_WITHIN = 1.5
"""Distance from the healthy location, in its own spreads, within which a case looks healthy."""

_LOAD_ANGLE = math.radians(12)
"""Angle in the shift plane below which a loop cannot be told from a resistance."""

_LOAD_WITHIN = 2.0
"""Distance from a resistance, in spreads, within which a loop cannot be told from it either."""

_SLOPE_SEEN = 0.15
"""Difference of ln 1/Q between capacitors that tells a loop from a resistance [1]."""

_NEAR = 0.06
"""Share of the shorted cases given to the neighbourhood of the deliberate shorts."""

BLUNT = 0.25
"""How far, in ln 1/Q, a real short may lie from a deliberate one and still count as its neighbour [1]."""

_IRON_BLUNT = 0.25
"""How little the circuit of a case says of eddy currents in iron [ln 1/Q]."""

_LOAD_SHARE = {
    Connection.OUT_OF_CIRCUIT: 0.02,
    Connection.UNKNOWN: 0.10,
    Connection.IN_CIRCUIT: 0.06,
}
"""How often something resistive hangs on a winding that has no shorted turn."""

_CAPACITANCE_SHARE = (0.06, 0.15, 0.30)
"""The same of capacitance: without rectifiers of high voltage, with one outside, with several inside."""

_LEAKAGE_SPREAD = 0.8
"""How far the leakage of a fault may lie from that of a deliberate short, in its logarithm [1]."""

_NONE = 0.01
"""Share of "none of these"."""


@dataclass(frozen=True, slots=True, eq=False)
class Cause:
    """One cause with n cases.

    share: of this cause within shorted or within not shorted [1]; weight: (n,) sums to 1; shift: (n, 2 m)
    nan where a case does not ring; looks: (n,) indices into `list(Explanation)`; junction: the loss
    follows the amplitude; anywhere: "none of these"; blunt: extra doubt about the cases [ln].
    """

    name: str
    shorted: bool
    share: float
    weight: Array
    shift: Array
    looks: npt.NDArray[np.int_]
    junction: bool = False
    anywhere: bool = False
    blunt: float = 0.0


_ORDER = list(Explanation)


def causes(healthy: Healthy, reference: Reference, connection: Connection) -> tuple[Cause, ...]:
    """All causes with their cases; those of the set are among them unless the winding is out of circuit."""
    return _causes(healthy, reference, connection)


@lru_cache(maxsize=16)
def _causes(healthy: Healthy, reference: Reference, connection: Connection) -> tuple[Cause, ...]:
    """The same, kept for the next ring of the same part."""
    kind, tank = reference.kind, healthy.tank
    in_circuit = connection is Connection.IN_CIRCUIT
    capacitance = added_capacitance(kind, tank, healthy.capacitors[0].farads)
    reactance = math.exp(healthy.location[0]) * 2 * math.pi * tank.henries
    listed = [
        _of(NOTHING, 0.30 if in_circuit else 0.80, cases(1), healthy, Explanation.LIKE_HEALTHY),
        _of("load", _LOAD_SHARE[connection], load(reactance), healthy, Explanation.LOADED),
        _of("junction", 0.01, load(reactance), healthy, Explanation.LOADED, junction=True),
        _changed(healthy, iron=kind.iron),
        _of(
            "capacitance",
            _CAPACITANCE_SHARE[kind.high_voltage + kind.rectifiers_inside],
            capacitance,
            healthy,
            Explanation.EXTRA_CAPACITANCE,
        ),
        _silent(healthy),
        _none(healthy, shorted=False),
        *_shorted(healthy, reference, in_circuit=in_circuit),
        _none(healthy, shorted=True),
    ]
    if in_circuit:
        listed += [
            _of(SET + a.name, 0.55 * a.share, a.cases, healthy, a.looks, junction=a.junction)
            for a in attachments(kind, tank)
        ]
        listed.append(replace(_silent(healthy), name=SET + "shorted device", share=0.05))
    if kind.iron:
        listed = [c if c.name == NOTHING else replace(c, blunt=max(c.blunt, _IRON_BLUNT)) for c in listed]
    return _shared(listed)


def _changed(healthy: Healthy, *, iron: bool) -> Cause:
    """A changed core; in iron the loss goes with the inductance, so that Q hardly moves."""
    cause = _of("inductance", 0.08, changed_inductance(), healthy, Explanation.DETUNED)
    if not iron:
        return cause
    shift = cause.shift.copy()
    shift[:, len(healthy.capacitors) :] = 0.0
    return replace(cause, shift=shift)


def _shared(listed: Sequence[Cause]) -> tuple[Cause, ...]:
    """Shares made to sum to 1 within shorted and within not shorted."""
    totals = {flag: sum(c.share for c in listed if c.shorted is flag) for flag in (True, False)}
    for cause in listed:
        fixed(cause.shift)
    return tuple(replace(c, share=c.share / totals[c.shorted]) for c in listed)


def _shorted(healthy: Healthy, reference: Reference, *, in_circuit: bool) -> list[Cause]:
    """Shorted turns alone, as in the deliberate shorts, and with a set around them."""
    kind, tank = reference.kind, healthy.tank
    known = anchors(healthy, reference)
    plain = _weighted(copper(kind, tank), known, healthy)
    found = [_of("shorted turn", 0.98 - _NEAR * bool(known), plain, healthy, Explanation.LIKE_SHORTED)]
    for how, shift in known:
        looks = _looks(shift[None], healthy, Explanation.LIKE_SHORTED)
        share = _NEAR / len(known)
        found.append(
            Cause(f"shorted as with {how}", True, share, np.ones(1), shift[None], looks, blunt=BLUNT)
        )
    if in_circuit:
        found += [
            _of(f"shorted turn, {name}", 0.5, beside(plain, tank), healthy, Explanation.LIKE_SHORTED)
            for name, beside in (("tuning capacitor", beside_tuning), ("yoke", beside_yoke))
        ]
    return found


def anchors(healthy: Healthy, reference: Reference) -> list[tuple[str, Array]]:
    """(how, shift) of each deliberate short, against the same unit's good ring where there is one."""
    good: dict[str, Array] = {m.unit: m.point for m in reference.good_means(healthy.capacitors)}
    centre = np.asarray(np.mean(list(good.values()), axis=0), dtype=np.float64)
    found = reference.shorted_points(healthy.capacitors)
    return [(how, point - (good.get(unit, centre))) for unit, how, point in found]


def _weighted(plain: Cases, anchors: Sequence[tuple[str, Array]], healthy: Healthy) -> Cases:
    """Cases weighed half by the leakage that the deliberate shorts showed, half as they came."""
    m = len(healthy.capacitors)
    kernel = np.zeros(len(plain))
    for _, shift in anchors:
        slack = _slack(shift[0], shift[m], math.exp(healthy.location[m]))
        if slack is not None:
            kernel += np.exp(-0.5 * (np.log(plain.slack / slack) / _LEAKAGE_SPREAD) ** 2)
    weight = plain.weight * kernel
    if weight.sum() <= 0:
        return plain
    return replace(plain, weight=0.5 * plain.weight + 0.5 * weight / weight.sum())


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
    return slack if 1e-4 < slack < 1 else None


def _of(
    name: str, share: float, at: Cases, healthy: Healthy, looks: Explanation, *, junction: bool = False
) -> Cause:
    shift = moved(healthy, at)
    shorted = looks is Explanation.LIKE_SHORTED
    return Cause(name, shorted, share, at.weight, shift, _looks(shift, healthy, looks), junction)


def _looks(shift: Array, healthy: Healthy, usual: Explanation) -> npt.NDArray[np.int_]:
    """What each case looks like: its cause, unless it is too slight, silent, or a short like a load."""
    looks = np.full(len(shift), _ORDER.index(usual))
    if usual is Explanation.LIKE_SHORTED:
        looks[_like_load(shift, healthy)] = _ORDER.index(Explanation.LOADED)
    solved = np.linalg.solve(healthy.covariance, np.nan_to_num(shift).T)
    distance = np.sqrt((np.nan_to_num(shift).T * solved).sum(axis=0))
    looks[distance < _HEALTHY_WITHIN] = _ORDER.index(Explanation.LIKE_HEALTHY)
    looks[np.isnan(shift[:, 0])] = _ORDER.index(Explanation.NO_RING)
    return looks


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
    return np.asarray((np.arctan2(b, g) < _LOAD_ANGLE) | ((g > 0) & (distance < _LOAD_WITHIN**2)), dtype=bool)


def _silent(healthy: Healthy) -> Cause:
    shift = np.full((1, 2 * len(healthy.capacitors)), np.nan)
    return Cause("no contact", False, 0.01, np.ones(1), shift, np.array([_ORDER.index(Explanation.NO_RING)]))


def _none(healthy: Healthy, *, shorted: bool) -> Cause:
    shift = np.zeros((1, 2 * len(healthy.capacitors)))
    looks = np.array([_ORDER.index(Explanation.UNDECIDED)])
    return Cause("none of these", shorted, _NONE, np.ones(1), shift, looks, anywhere=True)
