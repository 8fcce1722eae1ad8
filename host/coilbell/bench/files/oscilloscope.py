"""An oscilloscope's table -> Records, and Records -> a table for other programs.

What a table leaves unsaid is assumed only where it can be, and said in the record's `extra` under a key
that starts with "assumed". A time column without a unit: figures with a decimal point are seconds, the
common practice of oscilloscopes; integers cannot be seconds for a winding's ring and are microseconds,
the common practice of small boards. Either is refused where it would make a step longer than 1 ms.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from coilbell.bench.files.resolution import smallest_step
from coilbell.bench.files.table import Column, Table
from coilbell.bench.files.timebase import Timebase, timebase
from coilbell.errors import FileError, InputError
from coilbell.quantities import engineering, known_unit, parse
from coilbell.record import Record

__all__ = ["chosen", "encode", "read"]

LONGEST_GUESSED_STEP_S = 1e-3
"""A guessed time unit must give shorter steps than this; no winding rings slower than some 100 Hz."""

_INTERVAL = {"sample interval", "sampling interval", "sample period", "sampling period", "increment",
             "x increment", "xincrement", "xincr", "horizontal interval", "time interval", "delta t", "dt",
             "interval", "abtastintervall"}  # fmt: skip
_RATE = {"sample rate", "sampling rate", "sampling frequency", "sample frequency", "samplerate", "fs",
         "samples per second", "abtastrate"}  # fmt: skip
_START = {"x origin", "xorigin", "xzero", "x zero", "start", "start time", "time offset"}
_SCALE = {"volts per count", "volt per count", "v per count", "volts per code"}
_INDEX_NAMES = {"n", "i", "no", "nr", "index", "sample", "samples", "sample number", "point", "sequence"}
_TIME_NAMES = {
    "time",
    "t",
    "zeit",
    "temps",
    "tempo",
    "tiempo",
    "czas",
    "tid",
    "x axis",
    "timestamp",
    "micros",
}


def read(
    table: Table,
    channel: str | None,
    time_unit: str | None,
    rate_hz: float | None,
    time: str | None = None,
) -> list[Record]:
    """The chosen channels of a table, one record each. Raises FileError or RecordError."""
    place, kind = _time_column(table, time)
    others = [column for i, column in enumerate(table.columns) if not (kind and i == place)]
    if not others:
        raise FileError("holds a time column and no samples; export both columns")
    column = table.columns[place] if kind else None
    base, assumed = _timebase(table, column, kind, time_unit, rate_hz)
    if column is not None and base.words:
        base = replace(base, words=f"{base.words}; time is the column {column.label or place + 1}")
    labels = [one.label or f"{number}" for number, one in enumerate(others, start=1)]
    return [
        _record(
            table,
            others[i],
            labels[i] if len(others) > 1 or others[i].label else "",
            base,
            assumed,
        )
        for i in chosen(labels, channel)
    ]


def _time_column(table: Table, told: str | None) -> tuple[int, str]:
    """Which column holds the time and whether as "time" or as "index"; "" where none does."""
    if told is not None:
        labels = [column.label or f"{number}" for number, column in enumerate(table.columns, start=1)]
        return chosen(labels, told)[0], "time"
    first = _time_like(table, 0)
    if first:
        return 0, first
    for place in range(1, len(table.columns)):
        if _is_named_time(table.columns[place]) and _rises(table.columns[place]):
            return place, "time"
    return 0, ""


def chosen(labels: Sequence[str], channel: str | None) -> list[int]:
    """Positions of the channels asked for: by label in any case, by number from 1, or "all"."""
    listed = ", ".join(label[:24] for label in labels[:12])
    if channel is None:
        if len(labels) == 1:
            return [0]
        raise FileError(
            f"holds {len(labels)} channels; choose one of: {listed} (by name, or 1 for the first)"
        )
    if channel.lower() == "all":
        return list(range(len(labels)))
    for place, label in enumerate(labels):
        if label.lower() == channel.lower():
            return [place]
    if channel.isascii() and channel.isdigit() and 1 <= int(channel) <= len(labels):
        return [int(channel) - 1]
    raise FileError(f"has no channel {channel[:40]!r}; choose one of: {listed}")


def encode(records: Sequence[Record], separator: str) -> bytes:
    """A table with one time column [s] and one column for each record, samples as they are."""
    times = records[0].time_axis
    if any(len(record) != len(times) or (record.time_axis != times).any() for record in records[1:]):
        raise FileError("records with different sample times do not fit one table; write one file for each")
    names = [f"shot {record.shot} ({_unit(record)})" for record in records]
    scales = {record.volts_per_count for record in records if _unit(record) == "counts"}
    lines = [f"# volts per count{separator}{scale!r}" for scale in scales - {None} if len(scales) == 1]
    lines.append(separator.join(["time (s)", *names]))
    columns = [times.tolist(), *(record.samples.tolist() for record in records)]
    lines += [separator.join(map(repr, row)) for row in zip(*columns, strict=True)]
    return ("\n".join(lines) + "\n").encode("ascii")


def _unit(record: Record) -> str:
    return {1.0: "V", 1e-3: "mV"}.get(record.volts_per_count or 0.0, "counts")


def _time_like(table: Table, place: int) -> str:
    """What a column is: "time", "index", or "" when it holds samples."""
    first = table.columns[place]
    unit = known_unit(first.unit)
    if unit and unit[0] == "s":
        return "time"
    name = first.label.lower().strip("()[] ")
    if name in _INDEX_NAMES or first.unit.lower() in _INDEX_NAMES:
        return "index"
    if _is_named_time(first):
        return "time"
    if unit or len(table.columns) == 1 or not _rises(first):
        return ""
    counts = first.values.dtype.kind == "i" and (np.diff(first.values) == 1).all()
    return "index" if counts else "time"


def _is_named_time(column: Column) -> bool:
    name = column.label.lower().strip("()[] ")
    return name in _TIME_NAMES or re.split(r"[ _/(\[,]", name)[0] in _TIME_NAMES


def _rises(column: Column) -> bool:
    return bool((column.values[1:] >= column.values[:-1]).all())


def _timebase(
    table: Table, column: Column | None, kind: str, time_unit: str | None, rate_hz: float | None
) -> tuple[Timebase, str]:
    """The time base, and in words what was assumed for it."""
    if kind == "time" and column is not None and rate_hz is None:
        return _from_stamps(table, column, time_unit)
    if kind == "index" and column is not None and time_unit is not None:
        return _from_stamps(table, column, time_unit)
    if time_unit is not None and rate_hz is None:
        raise FileError(
            "has no time column for --time-unit; give the sampling rate instead, such as --rate 500k"
        )
    first, rate = _setting(table, _START, "s") or 0.0, rate_hz or _setting(table, _RATE, "Hz")
    if rate is None and (interval := _setting(table, _INTERVAL, "s")):
        rate = 1 / interval
    if rate is None or not math.isfinite(rate) or rate <= 0:
        raise FileError(
            "has no time column and names no sampling interval; give the rate, such as --rate 500k"
        )
    source = "as given" if rate_hz else "from the preamble"
    return Timebase(first, rate, None, f"uniform at {engineering(rate, 'Hz')}, {source}"), ""


def _from_stamps(table: Table, column: Column, time_unit: str | None) -> tuple[Timebase, str]:
    _refuse_unknown(column, table)
    factor, assumed = _time_factor(column, time_unit)
    # Division by a whole number is correctly rounded, so that 20 us is the same float as 20e-6 s.
    times = column.values
    if factor != 1:
        times = times / round(1 / factor) if factor < 1 else times * factor
    times = times.astype(np.float64, copy=False)
    times.setflags(write=False)
    return timebase(times, column.last_place * factor, table.lines), assumed


def _time_factor(column: Column, time_unit: str | None) -> tuple[float, str]:
    """Seconds in one unit of the time column, and in words what was assumed."""
    named = known_unit(column.unit)
    if time_unit is not None:
        given = known_unit(time_unit)
        if given is None or given[0] != "s":
            raise InputError(f"time unit {time_unit[:20]!r}; choose one of: s, ms, us, ns")
        return given[1], ""
    if named and named[0] == "s":
        return named[1], ""
    whole = column.values.dtype.kind == "i"
    factor, name = (1e-6, "microseconds") if whole else (1.0, "seconds")
    step = float(np.median(np.diff(column.values), overwrite_input=True)) * factor
    if not 0 <= step <= LONGEST_GUESSED_STEP_S:
        raise FileError(
            f"names no time unit, and {name} would make {engineering(step, 's')} a sample; "
            "give --time-unit s, ms, us or ns"
        )
    kind = "whole numbers" if whole else "numbers with a decimal point"
    return factor, f"time column names no unit; {kind} taken as {name} (--time-unit says otherwise)"


def _setting(table: Table, names: set[str], unit: str) -> float | None:
    """A figure from the preamble, in `unit`."""
    for name in names & table.settings.keys():
        for text in (table.settings[name], table.settings[name].split(" ")[0]):
            try:
                return parse(text.replace("second", "s").replace("Hertz", "Hz"), unit)
            except InputError:
                continue
    return None


def _refuse_unknown(column: Column, table: Table) -> None:
    # SCPI instruments write 9.9e37 and 9.91e37 where they have no value (SCPI-1999, 7.2.1.4 and 7.2.1.5).
    if column.values.max() < 1e30 and column.values.min() > -1e30:  # false where one is not a number
        return
    bad = np.flatnonzero(~(np.abs(column.values) < 1e30))
    if bad.size:
        name = f" in {column.label}" if column.label else ""
        raise FileError(
            f"line {table.lines[bad[0]]}: {column.values[bad[0]]}{name} is no number; repair or remove it"
        )


def _record(table: Table, column: Column, label: str, base: Timebase, assumed: str) -> Record:
    _refuse_unknown(column, table)
    unit = known_unit(column.unit)
    volts = unit[1] if unit and unit[0] == "V" else None
    extra = {"time base": base.words, "channel": label}
    if assumed:
        extra["assumed time unit"] = assumed
    if base.rate_uncertainty:
        percent = f"{100 * base.rate_uncertainty:.2g} %"
        extra["assumed rate"] = (
            f"the rounded time stamps leave the sampling rate uncertain by {percent}, and with it every "
            "frequency and time constant: it is in their uncertainties"
        )
    if unit and unit[0] == "A":
        extra["assumed scale"] = "samples are amperes, shown as counts"
    return Record(
        samples=column.values,
        rate_hz=base.rate_hz,
        rate_uncertainty=base.rate_uncertainty,
        first_s=base.first_s if base.rate_hz is not None else 0.0,
        times_s=base.times_s,
        volts_per_count=volts or _setting(table, _SCALE, ""),
        resolution=smallest_step(column),
        extra={name: text for name, text in extra.items() if text},
    )
