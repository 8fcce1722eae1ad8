"""The loop-back: the converter looks at the pulse pin, so that the time between the two can be seen.

Times x are ticks after the rise of the pulse, reckoned as if the converter took its first sample the moment
it is started. With a latency L it takes every sample later than that, so the rise is seen at x = -L. Behind
the loop-back's resistance and the converter's capacitance the pin's step is

    v(x) = low + (high - low) (1 - exp(-(x - x0)/tau)),  x > x0

whose start x0 is the rise itself. Interleaved shots put the samples a tick or a few apart. Two records with
far different delays d before the pulse must put the rise at the same x; if they do not, a sample takes
T (1 + e) ticks, with e = -(x2 - x1)/(d2 - d1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from coilbell.board import frame
from coilbell.board.exchange import Refusal
from coilbell.board.identity import Identity
from coilbell.board.outcome import Outcome, Row
from coilbell.board.settings import Settings
from coilbell.board.tester import Tester
from coilbell.errors import MissingError
from coilbell.record import Record

__all__ = ["Edge", "loop_back", "rise"]

_PULSE_S = 4e-6
_AFTER = 8
"""Samples of a shot after the rise."""
_NEAR = 8
_LOWEST_LSB = 200.0
_REACH_S = 2e-6
"""The longest latency that can be."""
_SHAPE = 0.25
"""Standard uncertainty of the rise as a part of tau: the step may not be quite that of one resistance and one
capacitance (own estimate)."""
_SEEN = 8.0
"""So many standard deviations of the noise a sample must lie off the ends of a step to be on its way
(simulated: tests/unit/test_board_latency.py)."""
_ROUNDING_LSB = 1 / math.sqrt(12)
"""Standard deviation of rounding to whole codes: the least noise there can be."""
_TELLING = 2
"""So many samples on its way tell a step's start from its time constant: two unknowns."""
_UNCHECKED = ("latency", "sample spacing", "pulse width")

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Edge:
    """A step as the converter saw it; ticks as in the module's text."""

    at_ticks: float
    scatter_ticks: float
    """Standard uncertainty of `at_ticks` from the samples alone."""
    tau_ticks: float
    height_lsb: float


def loop_back(tester: Tester, outcome: Outcome) -> None:
    """Rows and constants of the loop-back; raises MissingError when the firmware has none."""
    identity = tester.identity
    width = round(_PULSE_S * identity.tick_hz)
    near, far = _NEAR, identity.max_pretrigger
    every_tick = identity.ticks_per_sample
    record = _seen(tester, near, width, every_tick)
    edge = rise(record, identity, near, width)
    note = "step of the pulse pin through the loop-back, R31 and R32 to GPIO28"
    height = edge.height_lsb if edge else 0.0
    outcome.rows.append(Row("loop-back", height, "LSB", _LOWEST_LSB, 4095, note))
    if edge is None:
        missing = "no step is seen; see to the loop-back's resistors"
        outcome.rows += [Row(name, None, note=missing) for name in _UNCHECKED]
        return
    coarse = max(m for m in range(1, every_tick // 3 + 1) if every_tick % m == 0)
    second = rise(_seen(tester, far, width, coarse), identity, far, width)
    seconds = -edge.at_ticks / identity.tick_hz
    spread = math.hypot(edge.scatter_ticks, _SHAPE * edge.tau_ticks) / identity.tick_hz
    outcome.measured(
        _latency_row(identity, edge, seconds, spread),
        latency_ps=round(seconds * 1e12),
        latency_uncertainty_ps=round(spread * 1e12),
    )
    outcome.rows += [
        _spacing_row(identity, edge, second, far - near),
        _width_row(record, identity, edge, near, width),
    ]


def _seen(tester: Tester, before: int, width: int, interleave: int) -> Record:
    identity = tester.identity
    settings = Settings(
        capacitor=frame.NO_CAPACITOR,
        loop_back=True,
        shots=1,
        interleave=interleave,
        samples=max(32, before + _AFTER),
        pretrigger=before,
        pulse_s=width / identity.tick_hz,
    )
    try:
        (record,) = tester.capture(settings)
    except Refusal as refusal:
        if refusal.code != frame.BAD_VALUE:
            raise
        raise MissingError(
            f"firmware {identity.firmware} of the board knows no loop-back; run: coilbell board flash"
        ) from refusal
    return record


def rise(record: Record, identity: Identity, before: int, width_ticks: int) -> Edge | None:
    """The rise of the pulse in a record of the loop-back; before: samples before the pulse, as asked for.

    None where no step of that width is to be seen.
    """
    times = _times(record, identity, before)
    return _edge(times, np.asarray(record.samples, dtype=np.float64), identity, width_ticks)


def _times(record: Record, identity: Identity, before: int) -> Array:
    return np.asarray(record.time_axis * identity.tick_hz - before * identity.ticks_per_sample)


def _edge(times: Array, codes: Array, identity: Identity, width_ticks: int) -> Edge | None:
    reach = _REACH_S * identity.tick_hz
    quiet = codes[times < -1.1 * reach]
    if quiet.size < 8:
        return None
    low, high = float(np.median(quiet)), float(np.max(codes))
    above = np.flatnonzero(codes > (low + high) / 2)
    if high - low < _LOWEST_LSB or not above.size:
        return None
    middle = float(times[above[0]])
    top = codes[(times > middle + 0.5 * width_ticks) & (times < middle + 0.9 * width_ticks)]
    near = np.abs(times - middle) < 0.4 * width_ticks
    if top.size < 8 or np.median(top) < (low + high) / 2:
        return None
    return _fitted(times[near], codes[near], (low, float(np.median(top)), middle))


def _fitted(times: Array, codes: Array, start: tuple[float, float, float]) -> Edge:
    """The step where samples on its way tell its shape, else the middle of the two that it lies between."""
    settled = codes[3 * codes.size // 4 :]
    high = float(np.median(settled))
    seen = min(_SEEN * max(float(np.std(settled)), _ROUNDING_LSB), (high - start[0]) / 4)
    risen = np.flatnonzero(codes > start[0] + seen)
    first = max(1, int(risen[0]))
    rising = int(np.argmax(codes[first:] > high - seen))
    if rising >= _TELLING:
        return _least_squares(times, codes, start)
    return _between(times[first - 1], times[first], high - start[0], seen)


def _between(last_low: float, first_high: float, height: float, seen: float) -> Edge:
    """A step of which at most one sample stands on the way up.

    One sample cannot tell start and time constant apart: any start between the two samples has a time
    constant that explains it, and a least-squares search ends wherever rounding leads it. So the start is
    the middle, uniform between the two; the time constant is the longest that would have left no second
    sample `seen` [LSB] below the top.
    """
    step = first_high - last_low
    longest = step / math.log(max(height / seen, math.e))
    return Edge((last_low + first_high) / 2, step / math.sqrt(12), longest, height)


def _least_squares(times: Array, codes: Array, start: tuple[float, float, float]) -> Edge:
    """Low, high, start and time constant of a step that two samples or more show on its way."""
    from scipy.optimize import least_squares

    low, high, middle = start
    step = float(np.median(np.diff(times)))
    shortest = step / 20

    def left(p: Array) -> Array:
        passed = np.clip(times - p[2], 0, None) / max(p[3], shortest)
        return np.asarray(p[0] + (p[1] - p[0]) * -np.expm1(-passed) - codes)

    # From several lengths, because a start between two samples has no slope to go by.
    tries = [
        least_squares(left, (low, high, middle - tau, tau), x_scale=(1, 1, step, step))
        for tau in (step / 4, step, 4 * step, 16 * step)
    ]
    best = min(tries, key=lambda found: float(found.cost))
    jacobian = np.asarray(best.jac, dtype=np.float64)
    spare = max(1, codes.size - 4)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * 2 * best.cost / spare
    # Its shape is not told finer than the samples lie.
    scatter = math.hypot(step / math.sqrt(12), math.sqrt(max(0.0, float(covariance[2, 2]))))
    tau = max(float(best.x[3]), shortest)
    return Edge(float(best.x[2]), scatter, tau, float(best.x[1] - best.x[0]))


def _latency_row(identity: Identity, edge: Edge, seconds: float, spread: float) -> Row:
    own = edge.tau_ticks / identity.tick_hz * 1e9
    note = f"from the converter's start to its first sample, without the loop-back's own {own:.3g} ns"
    return Row("latency", seconds, "s", -2e-8, _REACH_S, note, spread)


def _spacing_row(identity: Identity, near: Edge, far: Edge | None, apart: int) -> Row:
    if far is None:
        return Row("sample spacing", None, note="the step is not seen late in a record")
    ticks = identity.ticks_per_sample
    part = (near.at_ticks - far.at_ticks) / (apart * ticks)
    spread = ticks * math.hypot(near.scatter_ticks, far.scatter_ticks) / (apart * ticks)
    note = f"over {apart} samples"
    room = 1e-4 * ticks
    return Row("sample spacing", ticks * (1 + part), "ticks", ticks - room, ticks + room, note, spread)


def _width_row(record: Record, identity: Identity, edge: Edge, before: int, width: int) -> Row:
    """The same step downwards, seen with time and codes reversed in sign."""
    times = _times(record, identity, before)
    after = times > edge.at_ticks + 0.6 * width
    fall = _fall(times[after], np.asarray(record.samples, dtype=np.float64)[after], edge)
    if fall is None:
        return Row("pulse width", None, note="the end of the pulse is not seen")
    spread = math.hypot(edge.scatter_ticks, fall.scatter_ticks)
    seen = fall.at_ticks - edge.at_ticks
    return Row("pulse width", seen, "ticks", width - 3, width + 3, "rise to fall on the pin", spread)


def _fall(times: Array, codes: Array, edge: Edge) -> Edge | None:
    low, high = float(np.min(codes)), float(np.max(codes))
    below = np.flatnonzero(codes < (low + high) / 2)
    if high - low < 0.5 * edge.height_lsb or not below.size:
        return None
    found = _fitted(times, -codes, (-high, -low, float(times[below[0]])))
    return replace(found, height_lsb=high - low)
