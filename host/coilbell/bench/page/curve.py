"""The decay as numbers to draw: samples, fitted curve and envelope on one time axis.

A running page gets the extremes of narrow columns, as a screen would show them; a page that looks closely
gets every sample.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from coilbell.bench.page.messages import Curve, Decay, Envelope
from coilbell.bench.words.fit import fraction_words
from coilbell.decay import Fit
from coilbell.record import Record

__all__ = ["COLUMNS", "decay_drawing"]

Array = npt.NDArray[np.float64]

COLUMNS = 320
"""Columns of a running decay; each holds its lowest and its highest sample."""

_BENDS = 120
"""Points of the envelope: straight pieces between them differ from it by less than a screen shows."""

_MARGIN = 0.1
"""Time shown after the fitted window, as a share of it; a tenth of this share is shown before it [1]."""

_DENSE = 8
"""Points in a cycle below which the curve is drawn between the samples too."""

_MOST_FINE = 4096

_AGREES = 0.01
"""The model's sum is drawn only where it meets the fit's own curve to this part of its height [1]."""

_SMALL = 0.01
"""A running decay is shown until its envelope has fallen to this part [1]."""


def decay_drawing(fit: Fit, record: Record, *, name: str = "", whole: bool = False) -> Decay:
    """Samples on their times, fitted curve and envelope on their own; lists of numbers to draw.

    Voltages are counted from the fitted offset. name: what is drawn, for the caption, or "".
    """
    times = record.time_axis
    margin = _MARGIN * (fit.stop_s - fit.start_s)
    end = fit.stop_s + margin
    running_end = min(end, _died_s(fit))
    stop = end if whole else running_end
    # The time shown before the ring follows what is shown, so that a short ring is not squeezed to the right.
    before = (stop - fit.start_s) * _MARGIN / 10
    low, high = np.searchsorted(times, [fit.start_s - before, stop])
    pick = np.arange(low, high)
    if not whole:
        pick = pick[_extremes(np.asarray(record.samples[low:high], dtype=np.float64))]
    unit, per_s = ("ms", 1e3) if running_end - fit.start_s >= 1e-3 else ("us", 1e6)
    volts = fit.unit == "V"
    scale = fit.scale * (1e3 if volts else 1.0)
    bends, reach = _envelope(fit, running_end, stop)
    at, curve = _curve(fit, times[pick], stop)
    middle = fit.offset.value / fit.scale
    return Decay(
        whole=whole,
        time_unit=unit,
        units_per_s=per_s,
        unit="mV at the winding" if volts else "converter counts",
        time=_rounded((times[pick] - fit.start_s) * per_s, 6),
        sample=_rounded((np.asarray(record.samples, dtype=np.float64)[pick] - middle) * scale, 4),
        curve=Curve(
            at=_rounded((at - fit.start_s) * per_s, 6),
            fit=_rounded((curve - middle) * scale, 4),
        ),
        envelope=Envelope(
            at=_rounded((bends - fit.start_s) * per_s, 6),
            upper=_rounded(reach * scale, 4),
            lower=_rounded(-reach * scale, 4),
        ),
        caption=_caption(fit, name),
    )


def _caption(fit: Fit, name: str) -> str:
    counted = f"the ring is counted to {fraction_words(fit.count_to)} of its first peak" if fit.rings else ""
    told = (name, "time from the start of the fitted window", counted or "nothing in it rings")
    return "; ".join(filter(None, told))


def _died_s(fit: Fit) -> float:
    """When the envelope has fallen to `_SMALL` of its start [s on the record's axis]"""
    reach = fit.envelope[0]
    below = np.flatnonzero(reach <= _SMALL * reach[0]) if fit.rings else np.empty(0)
    return float(fit.curve[0][below[0], 0]) if below.size else np.inf


def _extremes(samples: Array) -> npt.NDArray[np.int_]:
    """Positions of the lowest and highest sample of each column, in order; all when there are few."""
    if samples.size <= 2 * COLUMNS:
        return np.arange(samples.size)
    width = -(-samples.size // COLUMNS)
    whole = width * (samples.size // width)
    columns = samples[:whole].reshape(-1, width)
    first = np.arange(0, whole, width)
    rest = np.arange(whole, samples.size)  # fewer than a column holds
    return np.unique(np.concatenate([first + columns.argmin(axis=1), first + columns.argmax(axis=1), rest]))


def _envelope(fit: Fit, died_s: float, stop_s: float) -> tuple[Array, Array]:
    """Times and heights of the envelope [s], [units of the samples]; nothing where nothing rings.

    The points lie where it rings: spread over all of a record they would miss a ring that is soon gone.
    """
    if not fit.rings:
        return np.empty(0), np.empty(0)
    axis = fit.curve[0][:, 0]
    last = min(float(axis[-1]), stop_s)
    died = min(last, died_s)
    at = np.linspace(float(axis[0]), died, _BENDS)
    if died < last:
        at = np.append(at, np.linspace(died, last, _BENDS)[1:])
    return at, np.interp(at, axis, fit.envelope[0])


def _curve(fit: Fit, times: Array, stop_s: float) -> tuple[Array, Array]:
    """Times and values of the fitted curve; between the samples as well where they lie wide apart."""
    axis, values = fit.curve[0][:, 0], fit.curve[0][:, 1]
    coarse = fit.rings and fit.main.frequency_hz.value * float(np.median(np.diff(axis))) > 1 / _DENSE
    if coarse and np.abs(_model(fit, axis) - values).max() <= _AGREES * np.ptp(values):
        last = min(float(axis[-1]), stop_s)
        fine = np.linspace(float(axis[0]), last, min(_MOST_FINE, int(_DENSE * np.sum(axis <= last))))
        return fine, _model(fit, fine)
    at = times[(times >= axis[0]) & (times <= axis[-1])]
    return at, np.interp(at, axis, values)


def _model(fit: Fit, times: Array) -> Array:
    """The sum of the model's components at these times [units of the samples]."""
    after = times - fit.start_s
    total = np.full(times.shape, fit.offset.value)
    for one in (*fit.modes, *fit.tones):
        wave = np.cos(2 * np.pi * one.frequency_hz.value * after + one.phases_rad[0])
        total += one.amplitudes[0] * np.exp(-one.decay_per_s.value * after) * wave
    for back in fit.recoveries:
        total += back.amplitude.value * np.exp(-back.decay_per_s.value * after)
    return total / fit.scale


def _rounded(values: Array, places: int) -> list[float]:
    found: list[float] = np.round(values, places).tolist()
    return found
