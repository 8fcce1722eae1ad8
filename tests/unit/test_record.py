"""A Record is checked when it is made, and nothing changes it afterwards."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from coilbell.errors import InputError, RecordError
from coilbell.record import Capacitor, Record


def test_samples_cannot_be_changed():
    source = np.arange(10)
    record = Record(source, rate_hz=1e3)
    source[0] = 99
    assert record.samples[0] == 0
    with pytest.raises(ValueError, match="read-only"):
        record.samples[0] = 1
    with pytest.raises(FrozenInstanceError):
        record.gain = 2.0  # type: ignore[misc]


def test_time_axis():
    assert Record(np.arange(4), rate_hz=2.0).time_axis.tolist() == [0, 0.5, 1, 1.5]
    assert Record(np.arange(2), rate_hz=2.0, first_s=-3.0).time_axis.tolist() == [-3.0, -2.5]
    assert Record(np.arange(3), times_s=[1.0, 1.5, 4.0]).time_axis.tolist() == [1.0, 1.5, 4.0]


@pytest.mark.parametrize(
    ("field", "settings"),
    [
        ("samples", {"samples": np.zeros((2, 3))}),
        ("samples", {"samples": np.array(["a", "b"])}),
        ("samples", {"samples": np.array([1])}),
        ("samples", {"samples": np.array([1.0, np.nan])}),
        ("rate_hz", {"rate_hz": None}),
        ("rate_hz", {"rate_hz": 0.0}),
        ("rate_hz", {"rate_hz": float("nan")}),
        ("rate_hz", {"times_s": np.arange(10.0)}),
        ("first_s", {"first_s": float("inf")}),
        ("rate_uncertainty", {"rate_uncertainty": -0.001}),
        ("rate_uncertainty", {"rate_uncertainty": float("nan")}),
        ("rate_uncertainty", {"rate_uncertainty": 0.01, "rate_hz": None, "times_s": np.arange(10.0)}),
        ("first_s", {"first_s": 1.0, "rate_hz": None, "times_s": np.arange(10.0)}),
        ("times_s", {"rate_hz": None, "times_s": np.arange(9.0)}),
        ("times_s", {"rate_hz": None, "times_s": np.array([0, 1, 1, *range(3, 10)])}),
        ("times_s", {"rate_hz": None, "times_s": np.array([0, 1, np.inf, *range(3, 10)])}),
        ("volts_per_count", {"volts_per_count": -1.0}),
        ("resolution", {"resolution": 0.0}),
        ("gain", {"gain": 0.0}),
        ("full_scale", {"full_scale": (5, 1)}),
        ("full_scale", {"full_scale": (0, 5)}),
        ("pretrigger", {"pretrigger": 10}),
        ("pretrigger", {"pretrigger": -1}),
        ("pulse_s", {"pulse_s": 2.0}),
        ("shot", {"shot": -1}),
        ("schema", {"schema": 99}),
        ("utc", {"utc": datetime(2026, 1, 1)}),
        ("utc", {"utc": datetime(1960, 1, 1, tzinfo=UTC)}),
    ],
)
def test_each_refusal_names_its_field(field, settings):
    with pytest.raises(RecordError, match=f"record field {field}: .*; ") as caught:
        Record(**{"samples": np.arange(10), "rate_hz": 1e3} | settings)
    assert caught.value.field == field
    assert isinstance(caught.value, InputError)


@pytest.mark.parametrize(
    "settings",
    [
        {"farads": 0.0},
        {"farads": 1.0},
        {"farads": 1e-9, "tolerance": 2},
        {"farads": 1e-9, "loss_tangent": -1},
    ],
)
def test_impossible_capacitors(settings):
    with pytest.raises(RecordError, match="test_capacitor"):
        Capacitor(**settings)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("samples", np.array([0.0, 1e305, 0.0])),
        ("samples", np.array([0.0, 9.9e37, 0.0], dtype=np.float32)),
        ("first_s", 1e300),
        ("volts_per_count", 1e-300),
        ("gain", 1e300),
        ("gain", 1e-300),
        ("utc", datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=14)))),
        ("utc", datetime(9999, 12, 31, 23, tzinfo=timezone(-timedelta(hours=14)))),
    ],
)
def test_figures_of_no_instrument_are_refused(field: str, value: object) -> None:
    fields = {"samples": np.arange(3.0), "rate_hz": 1e6} | {field: value}
    with pytest.raises(RecordError, match=f"record field {field}: "):
        Record(**fields)  # type: ignore[arg-type]
