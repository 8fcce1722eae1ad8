"""From traces to one settled solution: clipping, glitches and rounding dealt with in turn.

A clipped sample must be masked by what the model says should be there, not by what was seen: masking
seen codes keeps the samples that noise pushed inwards and biases the decay. So the part after the
last clipped sample is fitted first, the curve is drawn back over the whole window, every sample that
the curve puts near a rail is masked, and the window is fitted again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from coilbell.decay.converter import Converter
from coilbell.decay.credible import lasting, no_ring_reason
from coilbell.decay.defects import main_mode
from coilbell.decay.model import ModeStep
from coilbell.decay.prepare import MIN_WINDOW, Piece, Trace, blocks_of, by_piece, noise_variance, toggling
from coilbell.decay.rivals import fewer_with_defect
from coilbell.decay.search import Thresholds, strongest_exponential, strongest_ring
from coilbell.decay.select import select
from coilbell.decay.selection import Limits, Other, Selection
from coilbell.decay.solve import Array, Block, Bounds, Solution, Structure, basis, ramp, solve, span
from coilbell.decay.wild import wild

__all__ = ["Settled", "settle"]

_GLITCH = 6.5
"""Residual, in its own scatter, from which a lone sample is masked [1]: Gaussian noise reaches it once in
1e10; benchmark: wild."""
_NORMAL = 1.4826
"""Standard deviation of Gaussian noise in its median magnitude."""
_TAIL = 1.5
"""Envelope below which rounding hides the ring, without dithering noise [converter steps]; benchmark:
accuracy, quiet row."""
_MASK_ROUNDS = 2
"""Times that the curve is drawn back over clipped samples [1]: benchmark: clip."""
_LEAST_CYCLES = 1.0
"""Cycles in the window of the slowest ring looked for [cycles]; fewer are drift."""
_MISFIT = 1.5
"""Residual variance, in noise variances, from which wild samples are looked for."""
_LEAST_CLEAR = 0.05
"""Where no more than this part of the samples is off the rails, what fits between them is anything."""

_FIRST_PART = 4
"""Part of the time a mode is looked at that must ring by itself (own choice)."""
_SAME_PITCH = 0.1
"""How far its frequency may lie from the whole's [1]: a slip moves the whole's by less (own choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """The solution that stands, the pieces it was found on, and what was left out."""

    solution: Solution
    blocks: list[Block]
    pieces: tuple[Piece, ...]
    account: tuple[ModeStep, ...]
    limits: Limits
    converter: Converter
    clipped: int = 0
    glitches: int = 0
    too_clipped: bool = False
    """True where too few samples are off the rails for anything to be looked for."""
    skipped: int = 0
    """Samples left out at the start, which do not follow the ring yet."""
    other: Other | None = None
    """What the modes may be as well."""


def settle(
    traces: list[Trace], max_modes: int, min_hz: float | None, near: tuple[Array, Structure] | None
) -> Settled:
    """Find and fit the components of the traces' decay, without wild samples where there seem to be some."""
    if any(t.clipped is not None for t in traces):
        return _credible(_settled(_without_wild(traces), max_modes, min_hz, near))
    settled = _settled(traces, max_modes, min_hz, near)
    if settled.solution.variance >= _MISFIT * settled.limits.noise_variance:
        tamed = _without_wild(traces)
        if any(t.wild is not None for t in tamed):
            settled = _settled(tamed, max_modes, min_hz, near)
    return _credible(settled)


def _credible(settled: Settled) -> Settled:
    """No ring, and why, where the strongest mode is none."""
    solution = settled.solution
    noise = settled.limits.noise_variance
    reason = no_ring_reason(settled.pieces, solution, settled.blocks, noise)
    if not reason or _rings_at_first(settled):
        return settled
    gain = solution.mode_energy(main_mode(solution)) / noise
    threshold = Thresholds.for_size(int(span(settled.blocks)), len(settled.pieces)).mode
    step = ModeStep("mode 1", gain, threshold, False, reason)
    bounds = Bounds.within(settled.blocks, settled.limits.lowest_angular)
    level = solve(settled.blocks, np.empty(0), Structure(0, 0), bounds)
    return replace(settled, solution=level, account=(*settled.account, step))


def _rings_at_first(settled: Settled) -> bool:
    """True where the first part by itself is the same ring and nothing else: samples lost or doubled later
    leave much of a ring unexplained, and are a defect of a ring, not the want of one."""
    main = main_mode(settled.solution)
    many = lasting(settled.solution) // _FIRST_PART
    pieces = tuple(
        Piece(p.trace, p.first, p.first + many, None if p.weights is None else p.weights[:many])
        for p in settled.pieces
        if len(p) > many >= MIN_WINDOW
    )
    if not pieces:
        return False
    blocks = blocks_of(pieces)
    alone = select(blocks, settled.limits).solution
    if not alone.structure.modes or no_ring_reason(pieces, alone, blocks, settled.limits.noise_variance):
        return False
    turned = alone.theta[2 * main_mode(alone) + 1] / settled.solution.theta[2 * main + 1]
    return bool(abs(turned - 1) < _SAME_PITCH)


def _without_wild(traces: list[Trace]) -> list[Trace]:
    """Traces with their wild samples marked; one of these on a rail is not clipped by the ring."""
    out = []
    for one in traces:
        found = wild(one.values, one.quantum)
        clipped = None if one.clipped is None else one.clipped & ~found
        if clipped is not None and not clipped.any():
            clipped = None
        out.append(replace(one, wild=found, clipped=clipped) if found.any() else one)
    return out


def _settled(
    traces: list[Trace], max_modes: int, min_hz: float | None, near: tuple[Array, Structure] | None
) -> Settled:
    first = traces[0]
    length = max(float(t.times[-1]) + 1 for t in traces)
    slowest = 2 * np.pi * _LEAST_CYCLES / length if min_hz is None else 2 * np.pi * min_hz * first.step_s
    quantum = max(t.quantum for t in traces)
    limits = Limits(max_modes, slowest, noise_variance(traces), quantum, toggling(traces))
    converter = Converter.of(first.rails, first.reference, first.wide)
    pieces = tuple(_after_clipping(t) for t in traces)
    if _too_clipped(pieces):
        return _given_up(traces, limits, converter)
    if near is not None:
        warm = _warm(pieces, limits, near)
        if warm is not None:
            return Settled(warm[0], warm[1], pieces, (), limits, converter)
    blocks = blocks_of(pieces)
    chosen = _chosen(pieces, blocks, limits, converter)
    if not chosen.solution.structure.modes and any(p.first for p in pieces):
        pieces = tuple(_between_rails(t) for t in traces)
        blocks = blocks_of(pieces)
        chosen = _chosen(pieces, blocks, limits, converter)
    settled = Settled(chosen.solution, blocks, pieces, chosen.account, limits, converter, other=chosen.other)
    settled = replace(settled, glitches=sum(int(t.wild.sum()) for t in traces if t.wild is not None))
    settled = _without_glitches(settled)
    settled = _without_silent_tail(settled)
    for _ in range(_MASK_ROUNDS):
        settled = _over_clipping(settled)
    return settled


def _too_clipped(pieces: tuple[Piece, ...]) -> bool:
    if any(p.weights is None for p in pieces):
        return False
    clear = sum(map(_clear, pieces))
    return clear < max(MIN_WINDOW, _LEAST_CLEAR * sum(map(len, pieces)))


def _given_up(traces: list[Trace], limits: Limits, converter: Converter) -> Settled:
    """A level and nothing else, with the samples as they are."""
    pieces = tuple(Piece(t) for t in traces)
    blocks = blocks_of(pieces)
    level = solve(blocks, np.empty(0), Structure(0, 0), Bounds.within(blocks, limits.lowest_angular))
    lost = sum(int(t.clipped.sum()) for t in traces if t.clipped is not None)
    return Settled(level, blocks, pieces, (), limits, converter, clipped=lost, too_clipped=True)


def _chosen(
    pieces: tuple[Piece, ...], blocks: list[Block], limits: Limits, converter: Converter
) -> Selection:
    """Components of the blocks, weighed against fewer with a defect."""
    masked = any(p.trace.clipped is not None and p.first == 0 for p in pieces)
    start = _through_clipping(pieces, blocks, limits) if masked else None
    return fewer_with_defect(blocks, select(blocks, limits, start), converter, limits.noise_variance)


def _through_clipping(pieces: tuple[Piece, ...], blocks: list[Block], limits: Limits) -> Solution | None:
    """One mode where every cycle is clipped: found with the clipped samples, then fitted without them.

    What is left between the peaks looks like a higher frequency, so the search must see the peaks.
    """
    whole = blocks_of([Piece(p.trace, p.first, p.last, p.trace.tame) for p in pieces])
    seen = select(whole, replace(limits, max_modes=1)).solution
    if not seen.structure.modes:
        return None
    bounds = Bounds.within(blocks, limits.lowest_angular)
    try:
        return solve(blocks, seen.theta, seen.structure, bounds)
    except np.linalg.LinAlgError:
        return None


def _warm(
    pieces: tuple[Piece, ...], limits: Limits, near: tuple[Array, Structure]
) -> tuple[Solution, list[Block]] | None:
    """Fit from an earlier fit's poles; None when the residual says that more, or less, is there."""
    theta, structure = near
    if structure.modes == 0 or any(p.trace.clipped is not None for p in pieces):
        return None
    blocks = blocks_of(pieces)
    bounds = Bounds.within(blocks, limits.lowest_angular)
    try:
        solution = solve(blocks, theta, structure, bounds, damping=1e-9, max_iterations=8)
    except np.linalg.LinAlgError:
        return None
    thresholds = Thresholds.for_size(int(span(blocks)), sum(b.shots for b in blocks))
    variance = max(solution.variance, limits.noise_variance / 4)
    if not solution.converged or solution.variance > 2 * limits.noise_variance:
        return None
    if any(solution.mode_energy(k) * 2 < thresholds.mode * variance for k in range(structure.modes)):
        return None
    ring = strongest_ring(blocks, solution.residuals, limits.lowest_angular)
    if ring.gain > thresholds.mode * limits.noise_variance:
        return None
    if (
        strongest_exponential(blocks, solution.residuals).gain
        > thresholds.exponential * limits.noise_variance
    ):
        return None
    return solution, blocks


def _after_clipping(trace: Trace) -> Piece:
    """What follows the last clipped sample of the ring, or all but the clipped where that is too little."""
    if trace.clipped is None:
        return Piece(trace, 0, None, trace.tame)
    first = int(np.flatnonzero(trace.clipped)[-1]) + 2
    if first >= trace.values.size:
        return _between_rails(trace)
    tail = Piece(trace, first, None, None if trace.tame is None else trace.tame[first:])
    return tail if _clear(tail) >= MIN_WINDOW else _between_rails(trace)


def _between_rails(trace: Trace) -> Piece:
    """All of a trace but the samples seen on a rail."""
    if trace.clipped is None:
        return Piece(trace, 0, None, trace.tame)
    return Piece(
        trace, 0, None, (~trace.clipped).astype(np.float64) * (1.0 if trace.tame is None else trace.tame)
    )


def _clear(piece: Piece) -> int:
    return len(piece) if piece.weights is None else int(piece.weights.sum())


def _without_glitches(settled: Settled) -> Settled:
    """Mask a few samples that stand far out of the residual and out of their neighbours, and choose again."""
    solution = settled.solution
    if not solution.structure.modes:
        return settled
    scale = max(0.5 * settled.limits.quantum, float(np.sqrt(settled.limits.noise_variance)))
    if max(max(float(r.max()), -float(r.min())) for r in solution.residuals) <= _GLITCH * scale:
        return settled
    heights = np.abs(np.concatenate([r.ravel() for r in solution.residuals]))
    scale = max(scale, _NORMAL * float(np.median(heights)))
    residuals = by_piece(settled.blocks, solution.residuals)
    wild = [_alone(r, _GLITCH * scale) for r in residuals]
    count = int(sum(w.sum() for w in wild))
    if not 0 < count <= max(4, solution.count // 100):
        return settled
    pieces = tuple(
        replace(p, weights=(~w if p.weights is None else p.weights * ~w).astype(np.float64)) if w.any() else p
        for p, w in zip(settled.pieces, wild, strict=True)
    )
    blocks = blocks_of(pieces)
    again = fewer_with_defect(
        blocks, select(blocks, settled.limits), settled.converter, settled.limits.noise_variance
    )
    return replace(
        settled,
        solution=again.solution,
        blocks=blocks,
        pieces=pieces,
        account=(*settled.account, *again.account),
        glitches=settled.glitches + count,
        other=again.other,
    )


def _alone(residual: Array, level: float) -> npt.NDArray[np.bool_]:
    """Samples above a level in calm surroundings: misfit of a ring comes in stretches, glitches do not."""
    height = np.abs(residual)
    wild: npt.NDArray[np.bool_] = height > level
    for i in np.flatnonzero(wild):
        around = height[max(0, i - 12) : i + 13]
        usual = float(np.median(around))
        swelling = height[i] <= _GLITCH * _NORMAL * usual  # noise that is larger here
        if swelling or usual > level / _GLITCH * 1.5 or int((around > level).sum()) > 3:
            wild[i] = False
    return wild


def _without_silent_tail(settled: Settled) -> Settled:
    """With little noise, rounding stops being noise where the ring is below a step: leave that out."""
    solution, limits = settled.solution, settled.limits
    if not solution.structure.modes or not limits.undithered:
        return settled
    pieces = []
    for piece, coefficients in zip(
        settled.pieces, by_piece(settled.blocks, solution.coefficients), strict=True
    ):
        end = _audible(solution, coefficients, len(piece), _TAIL * limits.quantum)
        pieces.append(
            piece if end is None or piece.weights is not None else replace(piece, last=piece.first + end)
        )
    if all(len(a) == len(b) for a, b in zip(pieces, settled.pieces, strict=True)):
        return settled
    blocks = blocks_of(pieces)
    again = fewer_with_defect(blocks, select(blocks, limits), settled.converter, limits.noise_variance)
    return replace(
        settled,
        solution=again.solution,
        blocks=blocks,
        pieces=tuple(pieces),
        account=again.account,
        other=again.other,
    )


def _audible(solution: Solution, coefficients: Array, length: int, level: float) -> int | None:
    """Samples until the envelope falls below a level for good, or None where that leaves too few."""
    modes = solution.structure.modes
    pairs = coefficients[: 2 * modes].reshape(-1, 2)
    decays = solution.theta[: 2 * modes : 2]
    envelope = np.hypot(pairs[:, 0], pairs[:, 1]) @ np.exp(-np.multiply.outer(decays, ramp(length)))
    below = np.flatnonzero(envelope < level)
    if not below.size:
        return None
    end = int(below[0])
    slowest = float(solution.theta[1 : 2 * modes : 2].min())
    return end if end >= 2 * MIN_WINDOW and end > 4 * np.pi / slowest else None


def _over_clipping(settled: Settled) -> Settled:
    """Fit the whole window again with every sample masked that the model puts near a rail."""
    if all(p.trace.clipped is None for p in settled.pieces):
        return settled
    lost = sum(int(p.trace.clipped.sum()) for p in settled.pieces if p.trace.clipped is not None)
    settled = replace(settled, clipped=lost)
    solution = settled.solution
    if not solution.structure.modes:
        return settled
    sets = by_piece(settled.blocks, solution.coefficients)
    pieces = [_masked(p, solution, c, settled.limits) for p, c in zip(settled.pieces, sets, strict=True)]
    if _too_clipped(tuple(pieces)):
        return settled
    blocks = blocks_of(pieces)
    bounds = Bounds.within(blocks, settled.limits.lowest_angular)
    try:
        whole = solve(blocks, solution.theta, solution.structure, bounds)
        whole = select(blocks, settled.limits, whole).solution
    except np.linalg.LinAlgError:
        return settled
    if whole.variance > 2 * max(settled.limits.noise_variance, solution.variance):
        return settled
    return replace(settled, solution=whole, blocks=blocks, pieces=tuple(pieces))


def _masked(piece: Piece, solution: Solution, coefficients: Array, limits: Limits) -> Piece:
    """The whole trace with the samples masked where the curve, drawn back, comes near a rail."""
    trace = piece.trace
    if trace.clipped is None or trace.rails is None:
        return piece
    times = trace.times - trace.times[piece.first]
    back = Block(times, False, trace.values[None])
    curve = coefficients @ basis(back, solution.theta, solution.structure)[: solution.structure.columns]
    guard = 3 * np.sqrt(limits.noise_variance) + 0.01 * np.abs(curve)
    clear = (curve > trace.rails[0] + guard) & (curve < trace.rails[1] - guard) & ~trace.clipped
    if piece.weights is not None:
        clear[piece.first : piece.first + len(piece)] &= piece.weights > 0
    return Piece(trace, 0, None, clear.astype(np.float64) * (1.0 if trace.tame is None else trace.tame))
