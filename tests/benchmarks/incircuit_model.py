"""Examinations drawn from the very densities that the judgement judges by: the best possible judge of these.

Winding, set, healthy spread, doubt of each case, error of measurement and ladder are drawn as
`winding.odds.density`, `attachment` and `conduction` state them. What miscalibration the judge shows here is
that of its own sums (particles, bounds), and what it shows beyond it on circuits is that of the densities.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import fields, replace

import numpy as np
import numpy.typing as npt

from benchmarks.examinations import ERRORS, PAIRS, STRAY, Exam, Truth, done_of, reference_of
from coilbell.decay import LADDER_VOLTS, Bend
from coilbell.record import Capacitor, Connection, Loading
from coilbell.terms import Cause, Step
from coilbell.winding import AmplitudeLaw, Healthy, Observation, Reference, Stage, healthy_of
from coilbell.winding.odds.attachment import ATTACHED, conducting, draws, inductance_left, ring_in_set, shares
from coilbell.winding.odds.conduction import foreseen_rise
from coilbell.winding.odds.density import case_scale
from coilbell.winding.odds.hypothesis import Hypothesis, hypotheses
from coilbell.winding.odds.plane import ring_of
from coilbell.winding.odds.severity import Cases, cases
from coilbell.winding.odds.stage import attached

__all__ = ["by_model"]

Array = npt.NDArray[np.float64]

SET_BLUNT, SOUND_RISE, SOUND_SPREAD, ROUGH, V_SPREAD = 0.03, 0.015, 0.03, 0.4, 0.25
"""As in `winding.odds.sets` and `conduction`."""


def by_model(kind: str, families: range, units: int, seed: int) -> Iterator[Exam]:
    """Examinations of the tank of each family's reference, everything else by the densities."""
    for number in families:
        name = f"{kind}-set-{number}"
        rng = np.random.default_rng((seed, number, len(kind), 9))
        reference = reference_of(name, rng)
        by = healthy_of(reference, [Capacitor(farads, 0.01, "") for farads in PAIRS[0]])
        listed = [h for h in hypotheses(by, reference) if h.at is not None]
        for _ in range(units):
            yield _drawn(name, kind, reference, by, listed, rng)


def _drawn(
    name: str,
    kind: str,
    reference: Reference,
    by: Healthy,
    listed: list[Hypothesis],
    rng: np.random.Generator,
) -> Exam:
    short = rng.random() < 0.5
    pool = [h for h in listed if h.cause.shorted is short]
    shares_of = np.array([h.share for h in pool])
    one = pool[int(rng.choice(len(pool), p=shares_of / shares_of.sum()))]
    assert one.at is not None
    row = int(rng.choice(len(one.at), p=one.at.weight / one.at.weight.sum()))
    at = Cases(**{f.name: getattr(one.at, f.name)[row : row + 1] for f in fields(one.at)})
    around = draws(reference.kind, 1, 1)
    met = np.array([shares(reference.kind)[a] for a in ATTACHED])
    around = replace(around, there=rng.random((1, met.size)) < met, at=rng.random(around.at.shape))
    stages = [*done_of(kind)]
    stages[-1] = (*stages[-1], Step.RECTIFIERS_TESTED)
    shows = one.cause.shorted and one.cause is not Cause.HIDDEN
    exam = Exam(
        Truth(name, str(one.cause), "", sound=not one.cause.shorted, leaky=False, rectifier=False),
        reference,
        proven=True,
        shows=shows,
    )
    rows, laws, left = [], [], []
    for done in stages:
        present = attached(reference.kind, Stage(Connection.IN_CIRCUIT, done))
        for farads in PAIRS[0]:
            f, d = ring_in_set(by.tank, at, around, present, farads)
            still = ring_of(by.tank, cases(1), farads)
            rows.append((float(f[0] - still[0][0]), float(d[0] - still[1][0])))
            left.append(float(inductance_left(by.tank, around, present)[0]))
            junctions = conducting(by.tank, at, around, present, farads, (f, d))
            laws.append(_law(*junctions, rng))
    points = _rung(by, np.array(rows), np.array(left), one.blunt + SET_BLUNT, rng)
    observed = [
        _observation(p, law, k, stages[k // 2]) for k, (p, law) in enumerate(zip(points, laws, strict=True))
    ]
    exam.stages = [observed[k : k + 2] for k in range(0, len(observed), 2)]
    return exam


def _rung(by: Healthy, rows: Array, left: Array, blunt: float, rng: np.random.Generator) -> Array:
    """(R, 2) ln f and ln 1/Q drawn from the multivariate t of all rings together."""
    count, m = len(rows), len(by.capacitors)
    index = np.arange(count) % m
    places = np.concatenate([index, m + index])
    shift = np.nan_to_num(rows).T.ravel()[None]
    scale = case_scale(shift, by.scale[np.ix_(places, places)], blunt, left[None])[0]
    again = np.concatenate([np.full(count, by.repeat[0] ** 2), np.full(count, by.repeat[1] ** 2)])
    own = np.concatenate([np.full(count, ERRORS[0] ** 2), np.full(count, ERRORS[1] ** 2)])
    scale[np.diag_indices(2 * count)] += own + (again if count > m else 0.0)
    z = np.linalg.cholesky(scale) @ rng.standard_normal(2 * count)
    t = z * math.sqrt(by.freedom / rng.chisquare(by.freedom))
    points = (by.location[places] + shift[0] + t).reshape(2, count).T
    return np.where(np.isfinite(rows), points, np.nan)


def _law(found: Array, volts: Array, rng: np.random.Generator) -> AmplitudeLaw:
    each = foreseen_rise(found, volts)[0]
    spread = math.sqrt(0.02**2 + SOUND_SPREAD**2 + (ROUGH * each.sum()) ** 2)
    rise = float(each.sum() + SOUND_RISE + spread * rng.standard_t(4))
    if each.max() < SOUND_RISE:
        return AmplitudeLaw(Bend.NONE, rise, 0.02)
    first = float(volts[0, each.argmax()]) * math.exp(math.hypot(V_SPREAD, 0.1) * rng.standard_t(4))
    return AmplitudeLaw(Bend.JUNCTION, rise, 0.02, first, 0.1 * first)


def _observation(point: Array, law: AmplitudeLaw, number: int, done: tuple[Step, ...]) -> Observation:
    base = Observation(
        Capacitor(PAIRS[0][number % 2], 0.01, ""),
        None,
        None,
        connection=Connection.IN_CIRCUIT,
        done=done,
        board="simulated",
        loading=Loading(1e-6, STRAY),
    )
    q = math.exp(-point[1]) if np.isfinite(point).all() else 0.0
    if q < 0.55:
        return replace(base, recovery_s=1e-4, level_volts=0.01)
    damped = math.exp(point[0]) * math.sqrt(1 - 0.25 / q**2)
    told = replace(base, frequency_hz=damped, q=q, law=law, amplitude_volts=LADDER_VOLTS[1])
    return replace(told, frequency_uncertainty=ERRORS[0], q_uncertainty=ERRORS[1])
