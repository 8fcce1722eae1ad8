"""Records -> Fit: the one way in."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from coilbell.decay.laddered import rungs_of, told_as_one
from coilbell.decay.model import Fit
from coilbell.decay.prepare import told_start
from coilbell.decay.result import result
from coilbell.decay.start import Window, from_onset, located
from coilbell.decay.thin import thinned
from coilbell.errors import InputError
from coilbell.record import Record

__all__ = ["fit"]


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
    sample by sample is counted once. Records struck by pulses of several widths are rungs of a ladder: each
    is fitted by itself, and the main mode is that of vanishing amplitude (`Fit.ladder`).

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
    rungs = rungs_of(given)
    if len(rungs) > 1:
        again = partial(fit, start_s=start_s, stop_s=stop_s, count_to=count_to)
        return told_as_one([again(rung, max_modes=max_modes, min_hz=min_hz) for rung in rungs])
    many = thinned(_distinct(given))
    window = Window(many, stop_s, max_modes, min_hz)
    told = [told_start(record, start_s) for record in many]
    firsts = [first for first in told if first is not None]
    settled = window.settled(firsts, near) if len(firsts) == len(many) else located(window, near)
    if start_s is None:
        settled = from_onset(window, settled)
    return result(settled, many, count_to, len(given) - len(many))


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
