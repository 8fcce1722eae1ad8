"""Uniform, rounded or uneven time stamps; and the smallest step of quantised samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from coilbell.bench.files.resolution import smallest_step
from coilbell.bench.files.table import Column
from coilbell.bench.files.timebase import timebase
from coilbell.errors import FileError

Array = np.ndarray


def of(times: Array, place: float):  # type: ignore[no-untyped-def]
    return timebase(times, place, np.arange(times.size) + 2)


def rounded(times: Array, tick: float) -> Array:
    return np.rint(times / tick) * tick


@settings(max_examples=200, deadline=None)
@given(
    step=st.floats(1e-8, 1e-4),
    ratio=st.floats(0.001, 0.5),
    count=st.integers(40, 3000),  # fewer may leave the rate so uncertain that they are refused
    start=st.floats(-1, 1),
    cut=st.booleans(),
)
def test_an_even_clock_rounded_to_a_tick_is_uniform(
    step: float, ratio: float, count: int, start: float, cut: bool
) -> None:
    tick = step * ratio
    # Off the ticks by an odd part of one, so that no stamp falls on the edge between two.
    true = (np.rint(start * count / ratio) + 0.3137) * tick + step * np.arange(count)
    written = np.floor(true / tick) * tick if cut else rounded(true, tick)
    if (np.diff(written) <= 0).any():
        return
    base = of(written, tick)
    if np.unique(np.rint(np.diff(written) / tick)).size == 1:
        return  # nothing shows that the stamps were rounded
    assert base.times_s is None
    # A straight line through stamps off by at most half a tick each cannot be steeper than this.
    assert base.rate_hz == pytest.approx(1 / step, rel=1.6 * ratio / count)


@pytest.mark.parametrize("ratio", [1.5, 4.0, 20.0])
def test_repeated_stamps_of_a_coarse_clock_are_uniform(ratio: float) -> None:
    true = 1e-6 * np.arange(2000)
    base = of(rounded(true, ratio * 1e-6), ratio * 1e-6)
    assert base.times_s is None
    assert base.rate_hz == pytest.approx(1e6, rel=1.6 * ratio / 2000)
    assert "rounded" in base.words


@settings(max_examples=200, deadline=None)
@given(
    step=st.floats(1e-8, 1e-4),
    ratio=st.floats(1.5, 300),
    count=st.integers(700, 3000),
    start=st.floats(0, 1),
    cut=st.booleans(),
)
@example(step=9.62041177447275e-05, ratio=1.5000000000000002, count=1665, start=0.0, cut=True)
def test_the_rate_of_a_coarse_clock_is_within_its_uncertainty(
    step: float, ratio: float, count: int, start: float, cut: bool
) -> None:
    # The limits of a rectangle are sqrt(3) standard uncertainties from its middle (GUM, 4.3.7).
    ticks = start + np.arange(count) / ratio
    try:
        base = of((np.floor(ticks) if cut else np.rint(ticks)) * step * ratio, step * ratio)
    except FileError as error:
        assert "uncertain" in str(error)  # noqa: PT017
        return
    assert base.times_s is None
    assert base.rate_hz is not None
    assert abs(base.rate_hz * step - 1) <= 1.01 * np.sqrt(3) * max(base.rate_uncertainty, 1e-6)
    assert base.rate_uncertainty <= 0.01


@pytest.mark.parametrize("step", [1e-6, 0.2e-6])
@pytest.mark.parametrize("start", [1.7e9, 1.7e9 + 0.123456])
def test_stamps_of_a_calendar_are_as_fine_as_floats(step: float, start: float) -> None:
    base = of(start + step * np.arange(3000), 1e-9)
    assert base.rate_hz is not None
    assert 1e-6 < base.rate_uncertainty < 1e-3
    assert abs(base.rate_hz * step - 1) <= np.sqrt(3) * base.rate_uncertainty


def test_stamps_that_tell_no_rate_are_refused() -> None:
    with pytest.raises(FileError, match="rounded to 1 ms leave the sampling rate uncertain"):
        of(np.repeat([0.0, 1e-3], 500), 1e-3)


def test_exact_stamps_give_the_exact_rate() -> None:
    base = of(np.arange(100) / 500e3, 1e-6)
    assert base.rate_hz == 500e3
    assert base.times_s is None


@pytest.mark.parametrize("place", [1e-6, 1e-7, 1e-9])
@pytest.mark.parametrize("lost", [1, 3])
def test_a_gap_is_never_taken_for_rounding(place: float, lost: int) -> None:
    times = np.delete(np.arange(200) * 1e-6, slice(100, 100 + lost))
    base = of(times, place)
    assert base.rate_hz is None
    assert base.times_s is not None
    assert base.times_s.tolist() == times.tolist()


def test_jittered_stamps_are_used_as_they_are() -> None:
    """A loop of 60 to 72 us on a clock of 4 us, as a small board writes it."""
    steps = np.random.default_rng(3).choice([60, 64, 68, 72], 300)
    times = np.cumsum(steps) / 1e6
    base = of(times, 1e-6)
    assert base.times_s is not None
    assert base.times_s.tobytes() == times.tobytes()
    assert "uneven" in base.words


def test_time_that_stands_still_names_the_line() -> None:
    times = np.arange(50) * 1e-6
    times[30] = times[29]
    with pytest.raises(FileError, match=r"line 32: time 2.9e-05 s does not follow 2.9e-05 s"):
        of(times, 1e-9)


def test_time_that_runs_back_names_the_line() -> None:
    times = np.arange(50) * 1e-6
    times[30] = 0.0
    with pytest.raises(FileError, match="line 32: time 0 s does not follow"):
        of(times, 1e-9)


def column(values: list[float] | Array, place: float) -> Column:
    return Column("", "", np.asarray(values), place)


def test_steps_of_quantised_samples() -> None:
    rng = np.random.default_rng(8)
    codes = rng.integers(-100, 100, 500)
    assert smallest_step(column(codes * 16, 1.0)) == 16.0
    assert smallest_step(column(np.round(codes * 0.04, 2), 0.01)) == 0.04
    assert smallest_step(column(np.round(codes * 0.005, 3), 0.001)) == 0.005
    # A step that the decimals written do not hold exactly is found from the lattice of levels.
    assert smallest_step(column(np.round(codes * 0.0314159, 4), 1e-4)) == pytest.approx(0.0314159, rel=1e-4)
    # Written in ever more places than the converter has: no lattice, no repeats, nothing to tell.
    assert smallest_step(column(rng.normal(0, 1, 500), 1e-12)) is None
    assert smallest_step(column([0.5] * 20, 0.1)) is None
