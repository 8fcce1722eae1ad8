"""A settled solution -> Fit: figures with units, uncertainty and doubts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from coilbell.decay import figures
from coilbell.decay.covariance import Noise, covariance, noise_of
from coilbell.decay.defects import Defect, Survey, main_mode, survey
from coilbell.decay.doubts import (
    beyond_noise,
    defect_doubts,
    either_doubt,
    general_doubts,
    no_ring_doubt,
    repeated,
)
from coilbell.decay.law import Law, fit_law
from coilbell.decay.model import DoubtKind, Fit, Mode, Quantity, Recovery, ResidualSummary
from coilbell.decay.prepare import by_piece
from coilbell.decay.search import residual_spectrum
from coilbell.decay.selection import Other
from coilbell.decay.settle import Settled
from coilbell.decay.solve import Array, Solution, span
from coilbell.decay.steady import rings_and_tones, wavering
from coilbell.decay.straighten import straightened
from coilbell.decay.tangent import gram_covariance, jacobians
from coilbell.record import Record

__all__ = ["result"]

_MARGINAL = 2.0
"""Evidence, in thresholds, from which the figures are those with the defect; benchmark: accuracy, laws."""
_COLOUR_OF_ITS_OWN = 0.7
"""Share of the sum of squares that a defect may leave, whose residual could be coloured noise; benchmark:
coverage, AR(1) rows, where it is above 0.95."""


def result(settled: Settled, records: list[Record], count_to: float, copies: int) -> Fit:
    """The settled solution as figures with units, uncertainties and doubts.

    records: those fitted; copies: how many more only repeat one of them.
    """
    solution = settled.solution
    noise = noise_of(solution)
    tangents = jacobians(settled.blocks, solution)
    clock = max(r.rate_uncertainty for r in records)
    matrix = covariance(settled.blocks, solution, noise, tangents, settled.converter)
    matrix = _with_clock(matrix, solution.theta, clock)
    seen = None
    if solution.structure.modes:
        seen = survey(settled.blocks, solution, settled.converter, tangents)
    found = [] if seen is None else beyond_noise(seen, noise)
    law = _mended(settled, seen, found or ([] if seen is None else list(seen.found)))
    if seen is not None and not found and law is not None:
        # a defect colours what it leaves; noise that is coloured stays when the defect is taken out
        found = list(seen.found) if law.rss < _COLOUR_OF_ITS_OWN * solution.rss else []
        law = law if found else None
    if law is not None:
        law = replace(law, covariance=_with_clock(law.covariance, law.values[:2], clock))
    if law is not None and seen is not None and seen.ratio(found[0]) < _MARGINAL * found[0].threshold:
        law = _covering_both(law, solution, matrix)
    if settled.other is not None and solution.structure.modes:
        law, matrix = _covering_other(settled.other, law, solution, matrix)
    step_s = settled.pieces[0].trace.step_s
    scale, unit = _unit(records)
    everything = _modes(settled, matrix, law, step_s, count_to, scale)
    length_s = span(settled.blocks) * step_s
    wavers = wavering(everything, length_s, found, law, settled.limits.noise_variance)
    modes, tones = rings_and_tones(everything, length_s, wavers)
    doubts = general_doubts(settled, noise, modes, len(tones), step_s) + repeated(settled, copies)
    if seen is not None:
        doubts += defect_doubts(seen, found, law, step_s)
    if settled.other is not None and modes:
        doubts.append(either_doubt(settled.other))
    if not modes:
        doubts.insert(0, no_ring_doubt(settled))
    return Fit(
        modes=modes,
        recoveries=_recoveries(settled, matrix, step_s, scale),
        tones=tones,
        offset=_offset(settled, matrix, scale),
        unit=unit,
        noise=float(np.sqrt(max(noise.variance, 0.0))) * scale,
        covariance=_scaled(matrix, settled, step_s, scale),
        parameters=_names(settled),
        residual=_summary(settled, noise, step_s, scale),
        account=settled.account,
        doubts=tuple(doubts),
        count_to=count_to,
        start_s=_time(settled, settled.pieces[0].first),
        stop_s=_time(settled, -1),
        samples_used=solution.count,
        samples_masked=sum(p.trace.values.size for p in settled.pieces) - solution.count,
        records=len(records),
        curve=_curves(settled),
        residuals=_residuals(settled),
        scale=scale,
    )


def _with_clock(matrix: Array, rates: Array, clock: float) -> Array:
    """Covariance with the share of a clock whose rate is uncertain by `clock` [1].

    rates: (k,) those of the first k rows that count per sample. A clock off by e makes each too large by e,
    all alike, so that clock^2 r r' comes to it, and Q, as every ratio of two rates, stays as sure as it was.
    """
    if not clock:
        return matrix
    k = len(rates)
    wider = matrix.copy()
    wider[:k, :k] += clock**2 * np.outer(rates, rates)
    return wider


def _unit(records: list[Record]) -> tuple[float, str]:
    """Unit per sample unit, and its name: volts where every record says how."""
    scales = [r.volts_per_unit for r in records]
    if any(s is None for s in scales) or len(set(scales)) > 1:
        return 1.0, "counts"
    assert scales[0] is not None
    return scales[0], "V"


def _time(settled: Settled, index: int) -> float:
    """Time of a sample of the first trace on its record's axis [s]."""
    window = settled.pieces[0].trace
    return window.start_s + float(window.times[index]) * window.step_s


def _mended(settled: Settled, seen: Survey | None, found: list[Defect]) -> Law | None:
    """The main mode's figures with the most probable defect fitted along, or None without one."""
    if seen is None or not found:
        return None
    kinds = [defect.kind for defect in found]
    law = None
    if DoubtKind.AMPLITUDE_DEPENDENT in kinds:
        law = fit_law(settled.blocks, settled.solution, settled.limits.noise_variance)
    straight = _straight(settled) if DoubtKind.CONVERTER_NONLINEARITY in kinds else None
    usable = [one for one in (law, straight) if one is not None and one.converged]
    return min(usable, key=lambda one: one.rss / one.free, default=None)


def _covering_both(law: Law, solution: Solution, matrix: Array) -> Law:
    """The plain figures, as uncertain as the defect's lie apart: evidence this small may be chance."""
    i = 2 * main_mode(solution)
    plain, covariance = solution.theta[i : i + 2], law.covariance.copy()
    apart = law.values[:2] - plain
    covariance[:2, :2] = matrix[i : i + 2, i : i + 2] + np.outer(apart, apart)
    return replace(law, values=np.concatenate((plain, law.values[2:])), covariance=covariance)


def _covering_other(
    other: Other, law: Law | None, solution: Solution, matrix: Array
) -> tuple[Law | None, Array]:
    """The figures that stand, as uncertain as they lie from those of what explains the record as well."""
    i = 2 * main_mode(solution)
    apart = other.pole - (solution.theta[i : i + 2] if law is None else law.values[:2])
    if law is not None:
        covariance = law.covariance.copy()
        covariance[:2, :2] += np.outer(apart, apart)
        return replace(law, covariance=covariance), matrix
    wider = matrix.copy()
    wider[i : i + 2, i : i + 2] += np.outer(apart, apart)
    return None, wider


def _straight(settled: Settled) -> Law | None:
    try:
        straight = straightened(
            settled.blocks, settled.solution, settled.converter, settled.limits.noise_variance
        )
    except np.linalg.LinAlgError:
        return None
    i = 2 * main_mode(settled.solution)  # the bend taken out, another may hold more energy
    solution, blocks = straight.solution, straight.blocks
    tangents = jacobians(blocks, solution)
    noise = noise_of(solution)
    inverse = gram_covariance(blocks, solution, tangents)
    beyond = covariance(blocks, solution, noise, tangents, settled.converter) - noise.variance * inverse
    pole, own = solution.theta[i : i + 2], slice(i, i + 2)
    spread = noise.variance * straight.poles[own, own] + beyond[own, own]
    return Law(
        DoubtKind.CONVERTER_NONLINEARITY, pole, spread, solution.rss, solution.free, solution.converged
    )


def _places(settled: Settled) -> list[int]:
    """For each piece, the row of its first amplitude in the covariance."""
    structure = settled.solution.structure
    place, row = {}, structure.poles
    for block in settled.blocks:
        for member in block.members:
            place[member] = row
            row += structure.columns
    return [place[i] for i in range(len(place))]


def _modes(
    settled: Settled, matrix: Array, law: Law | None, step_s: float, count_to: float, scale: float
) -> list[Mode]:
    solution = settled.solution
    sets, places = by_piece(settled.blocks, solution.coefficients), _places(settled)
    order = sorted(range(solution.structure.modes), key=solution.mode_energy, reverse=True)
    main = main_mode(solution) if order else -1
    out = []
    for k in order:
        i = 2 * k
        pole = figures.Pole(solution.decay(k), solution.angular(k), matrix[i : i + 2, i : i + 2])
        if k == main and law is not None:
            pole = figures.Pole(float(law.values[0]), float(law.values[1]), law.covariance[:2, :2])
        amplitudes = [
            (float(c[i]), float(c[i + 1]), matrix[p + i : p + i + 2, p + i : p + i + 2])
            for c, p in zip(sets, places, strict=True)
        ]
        out.append(figures.mode(pole, step_s, count_to, amplitudes, scale))
    return out


def _recoveries(settled: Settled, matrix: Array, step_s: float, scale: float) -> tuple[Recovery, ...]:
    solution, first = settled.solution, _places(settled)[0]
    coefficients = by_piece(settled.blocks, solution.coefficients)[0]
    out = []
    for j in range(2 * solution.structure.modes, solution.structure.poles):
        row = first + j
        out.append(
            figures.recovery(
                float(solution.theta[j]),
                matrix[j, j],
                step_s,
                float(coefficients[j]),
                matrix[row, row],
                scale,
            )
        )
    return tuple(out)


def _offset(settled: Settled, matrix: Array, scale: float) -> Quantity:
    last = settled.solution.structure.columns - 1
    value = (
        by_piece(settled.blocks, settled.solution.coefficients)[0][last] + settled.pieces[0].trace.reference
    )
    row = _places(settled)[0] + last
    return figures.plain(float(value), figures.root(float(matrix[row, row])), scale)


def _units(settled: Settled, step_s: float, scale: float) -> Array:
    """Factor from sample units to stated units for every parameter."""
    structure = settled.solution.structure
    amplitudes = sum(structure.columns * b.shots for b in settled.blocks)
    return np.concatenate((np.full(structure.poles, 1 / step_s), np.full(amplitudes, scale)))


def _scaled(matrix: Array, settled: Settled, step_s: float, scale: float) -> Array:
    units = _units(settled, step_s, scale)
    out = matrix * np.outer(units, units)
    out.setflags(write=False)
    return out


def _names(settled: Settled) -> tuple[str, ...]:
    structure = settled.solution.structure
    names = []
    for k in range(structure.modes):
        names += [f"decay_per_s[{k}]", f"angular_per_s[{k}]"]
    names += [f"recovery_per_s[{j}]" for j in range(structure.exponentials)]
    for block in settled.blocks:
        for member in block.members:
            for k in range(structure.modes):
                names += [f"cos[{k},shot {member}]", f"sin[{k},shot {member}]"]
            names += [f"recovery[{j},shot {member}]" for j in range(structure.exponentials)]
            names.append(f"offset[shot {member}]")
    return tuple(names)


def _summary(settled: Settled, noise: Noise, step_s: float, scale: float) -> ResidualSummary:
    solution = settled.solution
    power = residual_spectrum(settled.blocks, solution.residuals)
    line = 1 + int(np.argmax(power[1:-1])) if power.size > 3 else 0
    peak = max(float(np.abs(r).max()) for r in solution.residuals)
    mean = float(power[1:].mean()) if power.size > 1 else 0.0
    return ResidualSummary(
        rms=float(np.sqrt(solution.rss / solution.count)) * scale,
        expected_rms=float(np.sqrt(settled.limits.noise_variance)) * scale,
        peak=peak * scale,
        strongest_hz=line / (2 * max(1, power.size - 1) * step_s),
        strongest_ratio=float(power[line]) / mean if mean > 0 else 0.0,
        correlation=noise.correlations[0],
    )


def _curves(settled: Settled) -> tuple[Array, ...]:
    """(n, 2) time and fitted value of every sample of each piece."""
    out = []
    for piece, residual in zip(
        settled.pieces, by_piece(settled.blocks, settled.solution.residuals), strict=True
    ):
        window = piece.trace
        values = piece.values if piece.weights is None else piece.values * piece.weights
        times = window.start_s + window.times[piece.first : piece.first + len(piece)] * window.step_s
        curve = values - residual + window.reference
        if piece.weights is not None:
            curve = np.where(piece.weights > 0, curve, np.nan)
        out.append(np.column_stack((times, curve)))
    return tuple(out)


def _residuals(settled: Settled) -> tuple[Array, ...]:
    out = []
    for piece, residual in zip(
        settled.pieces, by_piece(settled.blocks, settled.solution.residuals), strict=True
    ):
        out.append(residual if piece.weights is None else np.where(piece.weights > 0, residual, np.nan))
    return tuple(out)
