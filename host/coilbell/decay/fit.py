"""Records -> Fit: the one way in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from coilbell.decay.cast import cast
from coilbell.decay.converter import levels
from coilbell.decay.defects import main_mode
from coilbell.decay.model import Fit, ModeStep
from coilbell.decay.onset import onset
from coilbell.decay.prepare import MIN_WINDOW, Trace, by_piece, trace
from coilbell.decay.settle import Settled, settle
from coilbell.decay.solve import Array, Block, Structure, basis
from coilbell.errors import InputError
from coilbell.record import Record

__all__ = ["fit"]

_EXTEND = 4.0


def fit(
    records: Record | Sequence[Record],
    *,
    start_s: float | None = None,
    stop_s: float | None = None,
    count_to: float = 0.1,
    max_modes: int = 4,
    min_hz: float | None = None,
    near: Fit | None = None,
) -> Fit:
    """Fit the decay of one record, or of several that share their poles (shots of one winding).

    Model: offset + up to `max_modes` damped sinusoids + up to two exponentials, in each record

        v(t) = o + sum_k A_k exp(-a_k t) cos(2 pi f_k t + p_k) + sum_j B_j exp(-b_j t)

    with a_k, f_k, b_j shared by all records and everything else free in each. A record that repeats another
    sample by sample is counted once.

    Parameters
    ----------
    records : Record or sequence of Record
    start_s, stop_s : window on each record's own time axis [s]; from the pulse's end to the end by default
    count_to : fraction of the first peak at which the ring count ends [1]
    max_modes : most damped sinusoids to look for, 1..4
    min_hz : lowest frequency taken for a ring [Hz]; one cycle in the window by default
    near : an earlier fit of the same winding; its poles are the start, which is quicker

    Returns
    -------
    Fit
        Weak data raise no error: see `Fit.rings`, `Fit.doubts`.

    Raises
    ------
    InputError
        An option out of range, no records, or fewer than 24 samples in a window.
    """
    given = [records] if isinstance(records, Record) else list(records)
    _check_options(given, count_to, max_modes, min_hz)
    many = _distinct(given)
    first = trace(many[0], start_s, stop_s)
    traces = [first] + [trace(r, start_s, stop_s, first.step_s) for r in many[1:]]
    warm = None if near is None else _poles(near, first.step_s)
    settled = settle(traces, max_modes, min_hz, warm)
    settled = _grown_back(settled, many, stop_s, max_modes, min_hz)
    if start_s is None:
        settled = _from_onset(settled, many, stop_s, max_modes, min_hz)
    return cast(settled, many, count_to, len(given) - len(many))


def _check_options(records: list[Record], count_to: float, max_modes: int, min_hz: float | None) -> None:
    if not records:
        raise InputError("no record given; give at least one")
    if not 0 < count_to < 1:
        raise InputError(f"count_to {count_to:g} is not a fraction of the first peak; give one such as 0.1")
    if not 1 <= max_modes <= 4:
        raise InputError(f"max_modes {max_modes}; give 1 to 4")
    if min_hz is not None and not min_hz > 0:
        raise InputError(f"min_hz {min_hz:g}; give a positive frequency, or leave it out")


def _distinct(records: list[Record]) -> list[Record]:
    """Each shot once: a copy tells nothing new, and counted as a shot it would shrink the uncertainties."""
    if len(records) == 1:
        return records
    once: dict[tuple[object, ...], Record] = {}
    for record in records:
        once.setdefault(_content(record), record)
    return list(once.values())


def _content(record: Record) -> tuple[object, ...]:
    times = None if record.times_s is None else record.times_s.tobytes()
    samples = np.asarray(record.samples, dtype=np.float64).tobytes()
    return samples, times, record.rate_hz, record.pretrigger, record.pulse_s


def _poles(near: Fit, step_s: float) -> tuple[Array, Structure]:
    theta: list[float] = []
    modes = (*near.modes, *near.tones)
    for one in modes:
        theta += [one.decay_per_s.value * step_s, 2 * np.pi * one.frequency_hz.value * step_s]
    theta += [r.decay_per_s.value * step_s for r in near.recoveries]
    return np.array(theta), Structure(len(modes), len(near.recoveries))


def _grown_back(
    settled: Settled, records: list[Record], stop_s: float | None, max_modes: int, min_hz: float | None
) -> Settled:
    """Where the start was guessed, take in the earlier samples that fit the curve."""
    if not settled.solution.structure.modes or not all(p.trace.extendable for p in settled.pieces):
        return settled
    sets = by_piece(settled.blocks, settled.solution.coefficients)
    traces = []
    for piece, record, coefficients in zip(settled.pieces, records, sets, strict=True):
        earlier = _earlier(piece.trace, record, coefficients, settled)
        start = record.time_axis[piece.trace.first - earlier]
        traces.append(trace(record, float(start), stop_s, piece.trace.step_s))
    if all(t.first == p.trace.first for t, p in zip(traces, settled.pieces, strict=True)):
        return settled
    return settle(traces, max_modes, min_hz, None)


def _from_onset(
    settled: Settled, records: list[Record], stop_s: float | None, max_modes: int, min_hz: float | None
) -> Settled:
    """Where the first samples do not follow the ring yet, begin after them."""
    skipped = onset(settled.blocks, settled.solution, settled.limits.noise_variance)
    if not skipped:
        return settled
    traces = []
    for piece, record in zip(settled.pieces, records, strict=True):
        first = piece.trace.first + skipped
        if len(record) - first < MIN_WINDOW:
            return settled
        traces.append(trace(record, float(record.time_axis[first]), stop_s, piece.trace.step_s))
    later = settle(traces, max_modes, min_hz, None)
    if not later.solution.structure.modes:
        return settled
    reason = f"first samples left out, which do not follow the ring yet: {skipped}"
    step = ModeStep("start of the window", skipped, 0.0, True, reason)
    return replace(later, account=(*later.account, step), skipped=skipped)


def _earlier(window: Trace, record: Record, coefficients: Array, settled: Settled) -> int:
    """How many samples before the window still follow its curve."""
    solution = settled.solution
    count = min(window.first, int(2 * np.pi / solution.angular(main_mode(solution))) + 1)
    if count == 0:
        return 0
    axis = record.time_axis
    times = (axis[window.first - count : window.first] - axis[window.first]) / window.step_s
    block = Block(times, False, np.zeros((1, count)))
    curve = coefficients @ basis(block, solution.theta, solution.structure)[: solution.structure.columns]
    seen = levels(record, window.first - count, window.first) - window.reference
    level = np.sqrt(max(solution.variance, settled.limits.noise_variance))
    off = np.flatnonzero(np.abs(seen - curve) > _EXTEND * level + 0.02 * np.abs(curve))
    return count if not off.size else count - 1 - int(off[-1])
