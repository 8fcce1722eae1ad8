"""Reasons to distrust a settled fit."""

from __future__ import annotations

import numpy as np

from coilbell.decay.covariance import Noise
from coilbell.decay.defects import FALSE_ALARM, Defect, Survey
from coilbell.decay.law import Law
from coilbell.decay.model import Doubt, DoubtKind, Mode
from coilbell.decay.search import chance_limit
from coilbell.decay.selection import Other
from coilbell.decay.settle import Settled
from coilbell.decay.solve import Array
from coilbell.decay.tangent import jacobians
from coilbell.decay.transient import TRANSIENT

__all__ = [
    "beyond_noise",
    "defect_doubts",
    "either_doubt",
    "general_doubts",
    "no_ring_doubt",
    "repeated",
]

_FEW_CYCLES = 2.0
"""Fewest cycles in the window that tell a frequency [cycles]; assumed."""
_SHORT_OF_TAU = 0.25
"""Least length of the window [time constants], below which a decay of a few percent is read off noise;
assumed."""
_VAGUE = 0.1
"""Relative standard uncertainty of the decay rate from which it is called hardly known [1]; the limit of
what the benchmark calls usable."""
_SLUGGISH = 20.0
"""Time constant, in sampling steps, below which what the first samples show may go on under the ring unseen;
it moved the figures of one simulated circuit in four out of their intervals, and sampling four times as fast
mended that. Longer rings tell it from themselves."""


def no_ring_doubt(settled: Settled) -> Doubt:
    """What the strongest candidate fell short of."""
    rings = [step for step in settled.account if step.what.startswith("mode") and not step.accepted]
    best = max(rings, key=lambda step: step.statistic, default=None)
    if best is None:
        return Doubt(DoubtKind.BELOW_RING_THRESHOLD, "no candidate for a ring was seen", 0.0, 0.0)
    reached = f"{best.statistic:.3g} noise variances, {best.threshold:.3g} needed"
    told = (
        f"is strong enough but no ring ({reached})"
        if best.statistic > best.threshold
        else f"for a ring reaches {reached}"
    )
    detail = f"the strongest candidate {told}: {best.reason}"
    return Doubt(DoubtKind.BELOW_RING_THRESHOLD, detail, best.statistic, best.threshold)


def general_doubts(
    settled: Settled, noise: Noise, modes: tuple[Mode, ...], tones: int, step_s: float
) -> list[Doubt]:
    """Everything but defects of the ring itself."""
    doubts = []
    total = settled.solution.count
    if settled.clipped:
        detail = f"{settled.clipped} samples on the converter's rail are masked by the model"
        if settled.too_clipped:
            detail = f"{settled.clipped} of {total} samples are on the converter's rails, too few others left"
        doubts.append(Doubt(DoubtKind.CLIPPED, detail, settled.clipped, 0.0))
    if settled.glitches:
        detail = f"{settled.glitches} of {total} samples stand far out of the residual and are masked"
        doubts.append(Doubt(DoubtKind.GLITCHES, detail, settled.glitches, 0.0))
    if modes:
        doubts += _too_short(settled, modes[0], step_s) + _folded(settled, modes, step_s)
    if noise.coloured:
        worst = max(noise.correlations, key=abs)
        limit = 4 / np.sqrt(total)
        detail = (
            f"residuals a few samples apart correlate by {worst:+.2f}; white noise stays within {limit:.2f}"
        )
        doubts.append(Doubt(DoubtKind.COLOURED_RESIDUAL, detail, worst, float(limit)))
    if tones:
        detail = (
            f"components that do not decay within the window: {tones}; interference, or too short a window"
        )
        doubts.append(Doubt(DoubtKind.UNDAMPED_TONE, detail, tones, 0.0))
    if not settled.solution.converged:
        doubts.append(
            Doubt(DoubtKind.NOT_CONVERGED, "the search stopped before its last step was small", 1.0, 0.0)
        )
    return doubts + _shots_disagree(settled)


def _too_short(settled: Settled, main: Mode, step_s: float) -> list[Doubt]:
    length = max(float(b.times[-1]) for b in settled.blocks) * step_s
    cycles, falls = length * main.frequency_hz.value, length * main.decay_per_s.value
    if cycles < _FEW_CYCLES:
        detail = f"the window holds {cycles:.1f} cycles, {_FEW_CYCLES:g} needed"
        return [Doubt(DoubtKind.TOO_SHORT, detail, cycles, _FEW_CYCLES)]
    vague = main.decay_per_s.standard_uncertainty / max(main.decay_per_s.value, 1e-300)
    if vague > _VAGUE:
        detail = f"the decay rate is known to {100 * vague:.0f} % only"
        return [Doubt(DoubtKind.TOO_SHORT, detail, vague, _VAGUE)]
    if falls < _SHORT_OF_TAU:
        detail = f"the window lasts {falls:.2f} of the time constant, so hardly any decay is seen"
        return [Doubt(DoubtKind.TOO_SHORT, detail, falls, _SHORT_OF_TAU)]
    return []


def _folded(settled: Settled, modes: tuple[Mode, ...], step_s: float) -> list[Doubt]:
    """First samples that do not follow a sluggish ring, or that a mode of their own took up: what stirs them
    may ring on, beyond half the rate."""
    lasts = modes[0].tau_s.value / step_s
    brief = any(one.decay_per_s.value * step_s > TRANSIENT for one in modes[1:])
    if lasts > _SLUGGISH or not (settled.skipped or brief):
        return []
    first = f"the first samples ({settled.skipped})" if settled.skipped else "the first samples"
    detail = (
        f"{first} do not follow the ring, as where something else rings above "
        f"{0.5e-3 / step_s:.3g} kHz; folded under a ring that falls to 1/e in {lasts:.1f} samples it may "
        "move the figures by more than stated"
    )
    return [Doubt(DoubtKind.FOLDED, detail, lasts, _SLUGGISH)]


def repeated(settled: Settled, copies: int) -> list[Doubt]:
    """Copies among the shots; with little noise two shots may well be alike."""
    if not copies or settled.limits.undithered or not settled.solution.rss:
        return []
    shots = sum(b.shots for b in settled.blocks)
    detail = f"{copies} of {shots + copies} shots repeat another sample by sample; each shot is counted once"
    return [Doubt(DoubtKind.REPEATED_SHOTS, detail, copies, 0.0)]


def _shots_disagree(settled: Settled) -> list[Doubt]:
    """Score test for poles of its own in each shot: sum over shots of g^T I^-1 g, chi-square where none."""
    solution, blocks = settled.solution, settled.blocks
    q, p = solution.structure.poles, solution.structure.columns
    shots = sum(b.shots for b in blocks)
    if shots < 2 or not q:
        return []
    statistic = 0.0
    for jacobian, residuals in zip(jacobians(blocks, solution), solution.residuals, strict=True):
        for one, residual in zip(jacobian, residuals, strict=True):
            statistic += _pole_score(one[:p], one[p:], residual)
    statistic /= solution.variance
    freedom = q * (shots - 1)
    threshold = chance_limit(freedom, FALSE_ALARM)
    if statistic <= threshold:
        return []
    detail = f"the {shots} shots differ in frequency or decay ({statistic:.0f}, chance below {threshold:.0f})"
    return [Doubt(DoubtKind.SHOTS_DISAGREE, detail, statistic, threshold)]


def _pole_score(linear: Array, poles: Array, residual: Array) -> float:
    gram = linear @ linear.T
    scale = 1 / np.sqrt(np.maximum(gram.diagonal(), 1e-300))
    unit = gram * scale[:, None] * scale
    unit.flat[:: unit.shape[0] + 1] += 1e-12
    cross = (poles @ linear.T) * scale
    information = poles @ poles.T - cross @ np.linalg.solve(unit, cross.T)
    if not np.linalg.cond(information) < 1e12:
        return 0.0  # a shot without the ring says nothing of its poles
    gradient = poles @ residual - cross @ np.linalg.solve(unit, scale * (linear @ residual))
    return float(gradient @ np.linalg.solve(information, gradient))


_EXPLAINED = {
    DoubtKind.AMPLITUDE_DEPENDENT: "the decay or frequency follows the amplitude",
    DoubtKind.FREQUENCY_DRIFT: "the frequency drifts along the record",
    DoubtKind.CONVERTER_NONLINEARITY: "the residual follows the code, as a bent converter makes it",
    DoubtKind.TIME_SLIP: "amplitude or phase jumps inside the record, as with lost samples",
}


def beyond_noise(seen: Survey, noise: Noise) -> list[Defect]:
    """The defects found that coloured noise could not feign, the most improbable first."""
    return [d for d in seen.found if not _is_noise(seen, d, noise)]


def defect_doubts(seen: Survey, found: list[Defect], law: Law | None, step_s: float) -> list[Doubt]:
    """The most improbable defect, and those that the residual could equally mean."""
    if not found:
        return []
    best = found[0]
    ratio = seen.ratio(best)
    detail = f"{_EXPLAINED[best.kind]} (evidence {ratio:.3g}, chance stays below {best.threshold:.3g})"
    if best.kind is DoubtKind.TIME_SLIP:
        detail += f", near {best.place * step_s * 1e6:.0f} us into the window"
    if law is not None:
        detail += "; " + _mended(law)
    doubts = [Doubt(best.kind, detail, ratio, best.threshold)]
    for other in found[1:]:
        share = other.gain / best.gain
        if share > 0.8:
            also = f"could be this too: it explains {100 * share:.0f} % as much"
            doubts.append(Doubt(other.kind, also, seen.ratio(other), other.threshold))
    return doubts


def either_doubt(other: Other) -> Doubt:
    """What the record does not tell from what stands."""
    better = f"{abs(other.lost):.0f} noise variances {'more' if other.lost > 0 else 'less'}"
    detail = f"could be {other.what} as well, which leaves {better}; the interval holds both"
    return Doubt(other.kind, detail, other.lost, 0.0)


def _mended(law: Law) -> str:
    """What the main mode's figures mean with the defect fitted along."""
    if law.kind is DoubtKind.AMPLITUDE_DEPENDENT:
        share = f"{100 * law.values[2]:+.1f}({100 * float(np.sqrt(law.covariance[2, 2])):.1f}) %"
        return f"at the start the decay rate is {share} off; figures are those for vanishing amplitude"
    return "figures are those with that part of the residual taken out"


def _is_noise(seen: Survey, defect: Defect, noise: Noise) -> bool:
    """A score is as large as the noise is strong around the ring, or while it lasts; allow for that."""
    level = noise.swell
    if noise.coloured:
        level = max(noise.spectrum(np.linspace(0.01, np.pi, 64)).max() / noise.variance, 1.0)
    return bool(seen.ratio(defect) / level <= defect.threshold)
