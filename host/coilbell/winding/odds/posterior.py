"""The one posterior of an item: over the winding's state and what its set attaches, from all its rings.

    p(w, a | rings) ~ p(w | prior) p(a | kind of set) p(rings | w, a left at each ring's stage)

The marginal over w is what a finding shows, that over a what a comparison shows; they are parts of one
object, so that they cannot contradict each other. Out of circuit there is no a and the sum over cases is
exact; in circuit it is taken by particles (`sets`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError
from coilbell.terms import Attached, Cause
from coilbell.winding.odds.attachment import ATTACHED, shares
from coilbell.winding.odds.density import ANYWHERE, SILENT, Frame, case_scale, log_t
from coilbell.winding.odds.explanation import Explanation
from coilbell.winding.odds.healthy import Healthy
from coilbell.winding.odds.hypothesis import BLUNT, Hypothesis, anchors
from coilbell.winding.odds.kind import Kind
from coilbell.winding.odds.observation import Ring, same_capacitor
from coilbell.winding.odds.oneport import Bounds, bounds, within
from coilbell.winding.odds.reference import Reference
from coilbell.winding.odds.sets import Particles, followed
from coilbell.winding.odds.stage import clean

__all__ = ["CauseOdds", "Posterior", "log_evidence", "posterior", "shorted_neighbourhoods"]

Array = npt.NDArray[np.float64]

_QUIET_SLOPE = 0.03
"""Usual size of d ln(1/Q)/d ln(amplitude) of copper and gapped ferrite [1] (simulated)."""

_JUNCTION_SLOPE = 1.0
"""The same of a junction that starts to conduct [1] (simulated)."""

_STRAY_RING = 0.02
"""Chance that a further capacitor's ring is another mode than the one followed (assumed)."""

_LIKE_HEALTHY = 1.5
"""Distance from the healthy location, in its own spreads, within which a ring in circuit looks healthy;
assumed."""


@dataclass(frozen=True, slots=True)
class CauseOdds:
    """One true cause: its prior and posterior probability."""

    cause: Cause
    prior: float
    probability: float

    @property
    def name(self) -> str:
        """What is kept."""
        return str(self.cause)

    @property
    def shorted(self) -> bool:
        """True for a shorted turn."""
        return self.cause.shorted


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """Probabilities after the rings of one item.

    shows: of a shorted turn that would show on this part; shorted: of any, those too slight to show among
    them, which keep their prior for ever; explanations: what the rings look like, sums to 1 with "none of
    these" as `undecided`; causes: what may be true of the winding, sums to 1; attached: of each thing a set
    may connect, beside a winding without a short that shows, empty out of circuit; together: those that the
    rings speak for, and the probability that all of them are there and explain the rings.
    """

    shows: float
    shorted: float
    prior: float
    explanations: dict[Explanation, float]
    causes: tuple[CauseOdds, ...]
    attached: dict[Attached, float]
    together: tuple[frozenset[Attached], float]
    in_set: dict[Explanation, float]
    """What a sound winding looks like with its set, at the stage with the least of it; or empty."""
    relieved: dict[Attached, float]
    """Bits about `shows` that taking each attachment away is expected to tell."""
    log10_ratio: float
    """log10 of p(rings | a turn shorted) over p(rings | none shorted)."""
    log10_shows: float
    """log10 of p(rings | a short that shows on this part) over p(rings | nothing wrong)."""
    tail: float
    """Probability that a healthy unit rings at least this far from the reference [0..1]; 0 for no ring."""
    limits: Bounds
    """What rings in circuit may say at the most and at the least, and what they wait for."""

    def of(self, cause: Cause) -> float:
        """Probability of one cause."""
        return sum(c.probability for c in self.causes if c.cause is cause)


def posterior(
    rings: Sequence[Ring],
    healthy: Healthy,
    listed: Sequence[Hypothesis],
    kind: Kind,
    prior: float = 0.5,
) -> Posterior:
    """Probabilities of causes, attachments and explanations.

    rings: of one item, any stages, each capacitor one of `healthy`; prior: probability of a shorted turn
    before the rings. Raises InputError for a prior outside 0..1.
    """
    if not 0 < prior < 1:
        raise InputError(f"prior {prior!r} must lie between 0 and 1, such as 0.5")
    outside = [r for r in rings if not r.stage.in_circuit]
    ordered = [*outside, *(r for r in rings if r.stage.in_circuit)]
    index = [_place(r, healthy) for r in ordered]
    logs = [_outside(h, outside, index[: len(outside)], healthy, kind) for h in listed]
    weights = _weights(listed, prior)
    particles = None
    if len(ordered) > len(outside):
        particles = followed(listed, logs, ordered, index, healthy, kind, weights)
    totals = np.array([_log_sum(rows) for rows in logs])
    totals += particles.evidence if particles is not None else 0.0
    odds = _normal(np.log(weights) + totals)
    shown = np.array([h.cause.shorted and h.cause is not Cause.HIDDEN for h in listed])
    limits = bounds(ordered, healthy, kind)
    odds = within(odds, shown, [h.cause is Cause.NOTHING for h in listed], limits)
    around = _set_of(listed, odds, shown, particles, healthy, kind)
    sums = {c: [0.0, 0.0] for c in dict.fromkeys(h.cause for h in listed)}
    for h, before, after in zip(listed, weights, odds, strict=True):
        sums[h.cause][0] += float(before)
        sums[h.cause][1] += float(after)
    shorted = [h.cause.shorted for h in listed]
    return Posterior(
        shows=float(odds[shown].sum()),
        shorted=float(odds[shorted].sum()),
        prior=prior,
        explanations=_explained(listed, odds, ordered, particles, healthy),
        causes=tuple(CauseOdds(c, *pair) for c, pair in sums.items()),
        attached=around.attached,
        together=around.together,
        in_set=around.in_set,
        relieved=around.relieved,
        log10_ratio=_ratio(weights, totals, shorted, None),
        log10_shows=_ratio(weights, totals, list(shown), [h.cause is Cause.NOTHING for h in listed]),
        tail=_tail(outside or ordered, (index[: len(outside)] or index), healthy),
        limits=limits,
    )


def log_evidence(
    rings: Sequence[Ring], healthy: Healthy, listed: Sequence[Hypothesis], kind: Kind, prior: float
) -> float:
    """ln p(rings) over all hypotheses, for rings out of circuit."""
    index = [_place(r, healthy) for r in rings]
    logs = [_log_sum(_outside(h, rings, index, healthy, kind)) for h in listed]
    return _log_sum(np.log(_weights(listed, prior)) + np.array(logs))


def _weights(listed: Sequence[Hypothesis], prior: float) -> Array:
    """(h,) prior of each hypothesis."""
    return np.array([(prior if h.cause.shorted else 1 - prior) * h.share for h in listed])


def _place(ring: Ring, healthy: Healthy) -> int:
    return next(k for k, c in enumerate(healthy.capacitors) if same_capacitor(c, ring.capacitor))


def _outside(
    one: Hypothesis, rings: Sequence[Ring], index: Sequence[int], healthy: Healthy, kind: Kind
) -> Array:
    """(n,) log of weight times density of each case, by the rings out of circuit."""
    log_weight = np.log(one.weight)
    if not rings:
        return log_weight
    amplitude = _amplitude(one.cause is Cause.JUNCTION, rings)
    if one.anywhere:
        return log_weight + amplitude + sum(ANYWHERE if r.rings else SILENT for r in rings)
    frame = Frame.of(rings, index, healthy)
    shift = frame.rows(one.shift)
    if one.leaves:
        gone = np.array([clean(kind, r.stage) for r in rings])
        shift = np.where(np.concatenate([gone, gone]), 0.0, shift)
    joint = frame.log_density(shift, one.blunt)
    if sum(r.rings for r in rings) > 1:
        # A further capacitor's strongest ring may be another mode: then only the first counts.
        first = frame.first(1).log_density(shift[:, [0, len(rings)]], one.blunt)
        first += sum(ANYWHERE if r.rings else SILENT for r in rings[1:])
        joint = np.logaddexp(math.log1p(-_STRAY_RING) + joint, math.log(_STRAY_RING) + first)
    return log_weight + amplitude + joint


def _amplitude(junction: bool, rings: Sequence[Ring]) -> float:
    """Log density of the slopes of loss over amplitude: a junction has one, copper hardly."""
    total = 0.0
    for ring in rings:
        if ring.amplitude is None:
            continue
        slope, spread = ring.amplitude.slope, ring.amplitude.uncertainty
        width = math.hypot(_JUNCTION_SLOPE if junction else _QUIET_SLOPE, spread)
        total += float(log_t(np.array([[slope]]), np.array([[[width**2]]]), 4.0)[0])
    return total


def shorted_neighbourhoods(healthy: Healthy, reference: Reference) -> tuple[tuple[str, Array, Array], ...]:
    """(what was shorted, location (2 m,), scale (2 m, 2 m)) of each deliberate short, as it is weighed."""
    return tuple(
        (how, healthy.location + shift, case_scale(shift[None], healthy.scale, BLUNT)[0])
        for how, shift in anchors(healthy, reference)
    )


_LOOKS = {
    Cause.NOTHING: Explanation.LIKE_HEALTHY,
    Cause.HIDDEN: Explanation.LIKE_HEALTHY,
    Cause.SHORTED: Explanation.LIKE_SHORTED,
    Cause.LEAKY: Explanation.LOADED,
    Cause.LOAD: Explanation.LOADED,
    Cause.JUNCTION: Explanation.LOADED,
    Cause.CORE: Explanation.DETUNED,
    Cause.CAPACITANCE: Explanation.EXTRA_CAPACITANCE,
    Cause.OPEN: Explanation.NO_RING,
    Cause.UNKNOWN: Explanation.UNDECIDED,
    Cause.UNKNOWN_SHORT: Explanation.UNDECIDED,
}


def _explained(
    listed: Sequence[Hypothesis],
    odds: Array,
    rings: Sequence[Ring],
    particles: Particles | None,
    healthy: Healthy,
) -> dict[Explanation, float]:
    totals = dict.fromkeys(Explanation, 0.0)
    if not any(r.rings for r in rings):
        totals[Explanation.NO_RING] = 1.0
        return totals
    in_circuit_only = particles is not None and all(r.stage.in_circuit for r in rings)
    for k, (one, chance) in enumerate(zip(listed, odds, strict=True)):
        plain = _LOOKS[one.cause]
        if not (in_circuit_only and plain is Explanation.LIKE_HEALTHY) or particles is None:
            totals[plain] += float(chance)
            continue
        own = particles.of == particles.stands[k]
        for look, share in _looks_of_sets(particles, own, particles.weight, healthy).items():
            totals[look] += float(chance) * share
    return totals


_RESISTIVE = (Attached.HEATER, Attached.RECTIFIER, Attached.LOAD, Attached.TUBE, Attached.JUNCTION)
_INDUCTIVE = (Attached.YOKE, Attached.COIL)


def _looks_of_sets(
    particles: Particles, own: npt.NDArray[np.bool_], mass: Array, healthy: Healthy
) -> dict[Explanation, float]:
    """What a sound winding looks like with what hangs on it, shares that sum to 1."""
    weight, there = mass[own] / max(float(mass[own].sum()), 1e-300), particles.around.there[own]
    shift = np.nan_to_num(particles.shift[own])
    count = shift.shape[1] // 2
    rows = [0, len(healthy.capacitors)]
    near = np.abs(shift[:, [0, count]] / healthy.spreads[rows]).max(axis=1) < _LIKE_HEALTHY

    def any_of(which: Sequence[Attached]) -> npt.NDArray[np.bool_]:
        columns = [ATTACHED.index(one) for one in which if one in particles.visible]
        return np.asarray(there[:, columns].any(axis=1) & ~near, dtype=bool)

    loaded = any_of(_RESISTIVE)
    detuned = any_of(_INDUCTIVE) & ~loaded
    other = ~near & ~loaded & ~detuned
    return {
        Explanation.LIKE_HEALTHY: float(weight[near].sum()),
        Explanation.LOADED: float(weight[loaded].sum()),
        Explanation.DETUNED: float(weight[detuned].sum()),
        Explanation.EXTRA_CAPACITANCE: float(weight[other].sum()),
    }


@dataclass(frozen=True, slots=True)
class _Set:
    """What a set adds, as of `Posterior`."""

    attached: dict[Attached, float]
    together: tuple[frozenset[Attached], float]
    in_set: dict[Explanation, float]
    relieved: dict[Attached, float]


_SPEAKS = 2.0
"""Ratio of odds, after the rings to before, from which they speak for an attachment (assumed)."""


def _set_of(
    listed: Sequence[Hypothesis],
    odds: Array,
    shown: npt.NDArray[np.bool_],
    particles: Particles | None,
    healthy: Healthy,
    kind: Kind,
) -> _Set:
    """Probability of each attachment, what the rings speak for, and bits of unplugging each."""
    nothing = _Set({}, (frozenset(), 0.0), {}, {})
    if particles is None:
        return nothing
    carried = np.zeros(len(odds))
    for k, chance in zip(particles.stands, odds, strict=True):
        carried[k] += chance * (k >= 0)
    mass = carried[particles.of] * particles.weight
    sound = ~shown[particles.of]
    whole = float(odds[~shown].sum())
    if not float(mass[sound].sum()) > 0:
        return nothing
    there = {one: particles.around.there[:, k] for k, one in enumerate(ATTACHED) if one in particles.visible}
    beside = mass[sound] / mass[sound].sum()
    chance = {one: float(beside[on[sound]].sum()) for one, on in there.items()}
    met = shares(kind)
    # What every such set has is named where the rings do not speak against it.
    named = frozenset(
        one
        for one, p in chance.items()
        if p >= 0.5 and p * (1 - met[one]) >= _SPEAKS * min(met[one], 1 - met[one]) * (1 - p)
    )
    plain = np.array([h.cause in (Cause.NOTHING, Cause.HIDDEN) for h in listed])[particles.of]
    explains = mass * (1 - particles.stray) * plain
    for one in named:
        explains = explains * there[one]
    return _Set(
        chance,
        (named, float(explains.sum()) / whole if whole > 0 else 0.0),
        _looks_of_sets(particles, sound, mass, healthy),
        {one: _bits(mass / mass.sum(), on, shown[particles.of]) for one, on in there.items()},
    )


def _bits(mass: Array, there: npt.NDArray[np.bool_], shown: npt.NDArray[np.bool_]) -> float:
    """Mutual information of "a short shows" and "this is attached" [bit]."""
    table = np.array(
        [[mass[(there == a) & (shown == b)].sum() for b in (False, True)] for a in (False, True)]
    )
    expected = table.sum(axis=1, keepdims=True) @ table.sum(axis=0, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(table > 0, table * np.log2(table / expected), 0.0)
    return float(max(terms.sum(), 0.0))


def _ratio(
    weights: Array,
    totals: Array,
    first: Sequence[bool],
    second: Sequence[bool] | None,
) -> float:
    """log10 of the evidence of some hypotheses over that of others, all others where None."""
    chosen = np.array(first, dtype=bool)
    rest = ~chosen if second is None else np.array(second, dtype=bool)
    sides = [_log_sum(np.log(weights[s]) + totals[s]) - math.log(weights[s].sum()) for s in (chosen, rest)]
    if not np.isfinite(sides).any():
        return 0.0
    return (sides[0] - sides[1]) / math.log(10)


def _tail(rings: Sequence[Ring], index: Sequence[int], healthy: Healthy) -> float:
    """Chance that a healthy unit lies at least as far from the reference as these rings."""
    pairs = [(r, k) for r, k in zip(rings, index, strict=True) if r.rings]
    if not pairs:
        return 0.0
    from scipy.special import betainc  # scipy slows the start of commands that need none

    m, count = len(healthy.capacitors), len(pairs)
    places = np.array([k for _, k in pairs] + [m + k for _, k in pairs])
    scale = healthy.scale[np.ix_(places, places)].copy()
    for k, (ring, _) in enumerate(pairs):
        pick = np.ix_([k, count + k], [k, count + k])
        scale[pick] += ring.covariance
    scale[np.diag_indices(2 * count)] += 1e-12
    point = np.array([r.point for r, _ in pairs]).T.ravel()
    deviation = point - healthy.location[places]
    distance = float(deviation @ np.linalg.solve(scale, deviation)) / point.size
    # Upper tail of F(p, v) at x: I(v/(v + p x); v/2, p/2).
    p, v = point.size, healthy.freedom
    return float(betainc(v / 2, p / 2, v / (v + p * distance)))


def _log_sum(rows: Array) -> float:
    top = float(rows.max()) if len(rows) else -math.inf
    return top if not math.isfinite(top) else top + math.log(float(np.exp(rows - top).sum()))


def _normal(logs: Array) -> Array:
    top = logs.max()
    if not np.isfinite(top):
        return np.full(len(logs), 1 / len(logs))
    weights = np.exp(logs - top)
    return np.asarray(weights / weights.sum(), dtype=np.float64)
