"""A decay as the page draws it, and its tone. No browser."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilbell.bench.page.curve import COLUMNS, decay_drawing
from coilbell.bench.page.judgedshot import tone_hz
from coilbell.decay import fit
from coilbell.record import Record


def test_the_tone_follows_q(struck: dict[str, dict[str, Record]]) -> None:
    whole, dead = (fit(struck[state]["A"]) for state in ("healthy", "turn-dead"))
    ratio = tone_hz(whole) / tone_hz(dead)
    assert ratio == pytest.approx(math.sqrt(whole.main.q.value / dead.main.q.value), rel=1e-3)


def test_a_running_decay_keeps_its_extremes(struck: dict[str, dict[str, Record]]) -> None:
    record = struck["healthy"]["A"]
    fitted = fit(record)
    short, whole = (decay_drawing(fitted, record, whole=w) for w in (False, True))
    assert len(short.time) <= 2 * COLUMNS
    assert len(whole.time) > 3900
    assert max(short.sample) == max(whole.sample)
    assert min(short.sample) == min(whole.sample)
    assert len(short.time) == len(short.sample)
    times, samples = (np.array(one) for one in (whole.time, whole.sample))
    at, upper, lower = (
        np.array(one) for one in (whole.envelope.at, whole.envelope.upper, whole.envelope.lower)
    )
    assert np.array_equal(upper, -lower)
    inside = (times >= at[0]) & (times <= at[-1])
    assert np.mean(np.abs(samples[inside]) <= np.interp(times[inside], at, upper) + 5) > 0.99
    exact = np.interp(
        at, (fitted.curve[0][:, 0] - fitted.start_s) * 1e3, fitted.envelope[0] * fitted.scale * 1e3
    )
    assert whole.time_unit == "ms"
    assert upper == pytest.approx(exact, abs=3e-3 * exact[0])


@pytest.mark.parametrize("whole", [False, True])
def test_the_envelope_of_a_short_ring_is_drawn_where_it_rings(
    struck: dict[str, dict[str, Record]], whole: bool
) -> None:
    """A frozen picture holds all of the record, of which the ring of a dead turn is a hundredth."""
    record = struck["turn-dead"]["A"]
    fitted = fit(record)
    drawn = decay_drawing(fitted, record, whole=whole)
    at, upper = (np.array(one) for one in (drawn.envelope.at, drawn.envelope.upper))
    axis = (fitted.curve[0][:, 0] - fitted.start_s) * drawn.units_per_s
    exact = fitted.envelope[0] * fitted.scale * 1e3
    seen = axis <= at[-1]
    assert np.interp(axis[seen], at, upper) == pytest.approx(exact[seen], abs=0.02 * exact[0])


def test_a_curve_between_wide_samples_meets_the_fit(struck: dict[str, dict[str, Record]]) -> None:
    record = struck["turn-dead"]["B"]
    fitted = fit(record)
    drawn = decay_drawing(fitted, record)
    at, curve = (np.array(one) for one in (drawn.curve.at, drawn.curve.fit))
    assert len(at) > 3 * len(drawn.time)
    own = (fitted.curve[0] - [fitted.start_s, fitted.offset.value / fitted.scale]) * [1e6, fitted.scale * 1e3]
    inside = own[own[:, 0] <= at[-1]]
    assert np.interp(inside[:, 0], at, curve) == pytest.approx(inside[:, 1], abs=0.02 * np.ptp(own[:, 1]))
