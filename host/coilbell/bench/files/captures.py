"""Record files -> observations: read, put the shots of one capture together, fit, observe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from coilbell.bench.files.records import read
from coilbell.errors import FileError, InputError, RecordError
from coilbell.quantities import engineering, parse
from coilbell.record import Capacitor, Connection, Record
from coilbell.winding import Observation, observe

__all__ = ["capacitor_of", "capacitors_for", "captures_of", "observations_of"]


def capacitors_for(
    files: Sequence[str], values: Sequence[str], tolerance: str = "1"
) -> list[Capacitor | None]:
    """One test capacitor for each file: none given, one for all, or one each in the same order.

    tolerance: relative standard uncertainty of the values [%]. Raises InputError.
    """
    if not values:
        return [None] * len(files)
    if len(values) not in (1, len(files)):
        raise InputError(
            f"{len(values)} values of --capacitor for {len(files)} files; give one for all or one for each"
        )
    percent = parse(tolerance, "%", "--tolerance")
    if not 0 <= percent < 100:
        raise InputError(f"--tolerance {tolerance} is no percentage; write 1 for 1 %")
    made: list[Capacitor | None] = [capacitor_of(value, percent / 100) for value in values]
    return made * (len(files) if len(made) == 1 else 1)


def capacitor_of(text: str, tolerance: float | None = None) -> Capacitor:
    """The test capacitor meant by what was typed. tolerance: relative [1]. Raises InputError."""
    farads = parse(text, "F", "--capacitor")
    try:
        return Capacitor(farads) if tolerance is None else Capacitor(farads, tolerance)
    except RecordError as error:
        raise InputError(
            f"--capacitor {text} is {engineering(farads, 'F')}, which is no test capacitor; "
            "write it with its prefix, such as 22n"
        ) from error


def observations_of(
    path: str,
    capacitor: Capacitor | None = None,
    connection: Connection | None = None,
    channel: str | None = None,
) -> tuple[Observation, ...]:
    """An observation for each capture in a record file.

    capacitor, connection: replace what the file says. Raises FileError, InputError where no test
    capacitor is known.
    """
    from coilbell.decay import fit

    records = read(path, channel=channel)
    if capacitor is not None:
        records = tuple(replace(record, test_capacitor=capacitor) for record in records)
    found = []
    for shots in captures_of(records):
        try:
            fitted = fit(shots)
            found.append(observe(fitted, shots[0], connection=connection))
        except FileError:
            raise
        except InputError as error:
            raise FileError(f"{path}: {error}") from error
    return tuple(found)


def captures_of(records: Sequence[Record]) -> list[list[Record]]:
    """The shots of each capture, together: runs of records that count on under the same settings."""
    groups: list[list[Record]] = []
    for record in records:
        if groups and _next_shot(groups[-1][-1], record):
            groups[-1].append(record)
        else:
            groups.append([record])
    return groups


def _next_shot(before: Record, after: Record) -> bool:
    """True for a further shot of the same capture: same settings, counted on, samples on the same grid.

    The rungs of a ladder are one capture, whatever the widths of their pulses.
    """
    same = ["test_capacitor", "gain", "board", "connection", "done", "across", "volts_per_count", "rate_hz"]
    if "rung" not in before.extra:
        same.append("pulse_s")
    return after.shot == before.shot + 1 and all(getattr(before, n) == getattr(after, n) for n in same)
