"""The Python way in: read, fit, judge, with results that show themselves in a notebook.

::

    import coilbell
    records = coilbell.read("choke.json")
    fit = coilbell.fit(records)
    finding = coilbell.judge(fit, "tarn-21-line")

What comes back are the very Records, Fit and Finding of the rest of the package, that also know how to draw
themselves. A notebook calls `_repr_html_`; outside one, `print(...)` gives the words of the command line.
"""

from __future__ import annotations

import base64
import io
import os
from collections.abc import Sequence
from dataclasses import dataclass, fields
from html import escape
from typing import TYPE_CHECKING, Any, SupportsIndex, overload

from coilbell.bench import files
from coilbell.decay import Fit
from coilbell.errors import InputError
from coilbell.record import Capacitor, Connection, Record
from coilbell.winding import Finding, Observation, Reference, observe

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Records", "ShownFinding", "ShownFit", "fit", "judge", "read", "reference"]


class Records(tuple[Record, ...]):
    """The records of a file, in order."""

    __slots__ = ()

    @overload
    def __getitem__(self, key: SupportsIndex) -> Record: ...
    @overload
    def __getitem__(self, key: slice) -> Records: ...
    def __getitem__(self, key: SupportsIndex | slice) -> Record | Records:
        """One record, or some as Records."""
        found = super().__getitem__(key)
        return Records(found) if isinstance(key, slice) else found  # type: ignore[arg-type, return-value]

    def __str__(self) -> str:
        return "\n".join(_line(record) for record in self)

    def _repr_html_(self) -> str:
        return f"<pre>{escape(str(self))}</pre>"


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ShownFit(Fit):
    """A Fit with the records it is a fit of."""

    fitted_records: tuple[Record, ...] = ()

    def __repr__(self) -> str:
        from coilbell.bench.words.fit import fit_sentence

        return f"<{fit_sentence(self)}>"

    def __str__(self) -> str:
        from coilbell.bench.words.fit import fit_table

        return fit_table(self, records=self.fitted_records)

    def _repr_html_(self) -> str:
        from coilbell.bench.pictures.decay import decay_picture

        return _html(str(self), decay_picture(self, self.fitted_records[0]))


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ShownFinding(Finding):
    """A Finding with the reference it was judged by."""

    judged_by: Reference | None = None

    def __repr__(self) -> str:
        chance = "" if self.odds is None else f", shorted turn {self.odds.shorted:.0%}"
        return f"<{self.explanation}{chance}>"

    def __str__(self) -> str:
        from coilbell.bench.facts.finding import finding_facts
        from coilbell.bench.words.finding import finding_text

        return finding_text(finding_facts(self))

    def _repr_html_(self) -> str:
        from coilbell.bench.pictures.plane import plane_picture

        if self.judged_by is None or not self.shifts:
            return _html(str(self), None)
        return _html(str(self), plane_picture(self, self.judged_by))


def read(
    path: str | os.PathLike[str],
    *,
    channel: str | None = None,
    time_unit: str | None = None,
    rate_hz: float | None = None,
) -> Records:
    """The records in a file: our own JSON, an oscilloscope's table, a sound file.

    The options are those of `coilbell fit`: channel by name or number from 1; time_unit "s", "ms", "us" or
    "ns" for a time column that names none; rate_hz for a table without one [Hz]. Raises FileError.
    """
    return Records(files.read(path, channel=channel, time_unit=time_unit, rate_hz=rate_hz))


def fit(records: Record | Sequence[Record], **options: Any) -> ShownFit:
    """The decay in one record, or in the shots of one capture together.

    options: start_s and stop_s [s], count_to [1], as in `coilbell.decay.fit`. Raises InputError.
    """
    from coilbell.decay import fit as fit_decay

    shots = (records,) if isinstance(records, Record) else tuple(records)
    found = fit_decay(list(shots), **options)
    return ShownFit(**_fields(found), fitted_records=shots)


def reference(name: str | os.PathLike[str]) -> Reference:
    """A reference by its name on the shelf, or by the file of one. Raises MissingError, FileError."""
    from coilbell.bench.learned.lent import reference_named

    return reference_named(str(name))


def judge(
    fits: Fit | Sequence[Fit],
    by: Reference | str | os.PathLike[str] | None = None,
    *,
    capacitor: Capacitor | None = None,
    connection: Connection | None = None,
    **options: Any,
) -> ShownFinding:
    """What the rings of one winding say of it.

    fits: one, or one for each test capacitor. by: a reference, its name or file; None judges by `kind`
    alone and gives no odds. capacitor, connection: replace what the records say. options: prior, kind,
    unit, direct_ohms, as in `coilbell.winding.find`. Raises InputError, MissingError, ReferenceMismatch.
    """
    from coilbell.winding import find

    asked = [fits] if isinstance(fits, Fit) else list(fits)
    known = by if isinstance(by, Reference) or by is None else reference(by)
    seen = [_observation(one, capacitor, connection) for one in asked]
    found = find(seen, known, connection=connection, **options)
    return ShownFinding(**_fields(found), judged_by=known)


def _observation(one: Fit, capacitor: Capacitor | None, connection: Connection | None) -> Observation:
    if not isinstance(one, Fit):
        raise InputError(f"{type(one).__name__} is no fit; give what coilbell.fit returns")
    record = one.fitted_records[0] if isinstance(one, ShownFit) else None
    return observe(one, record, capacitor=capacitor, connection=connection)


def _fields(value: Any) -> dict[str, Any]:
    return {field.name: getattr(value, field.name) for field in fields(value)}


def _line(record: Record) -> str:
    from coilbell.quantities import engineering

    rate = "uneven steps" if record.rate_hz is None else engineering(record.rate_hz, "Hz")
    test = record.test_capacitor
    across = f", {engineering(test.farads, 'F')} across" if test else ""
    return f"shot {record.shot}: {len(record)} samples at {rate}{across}, {record.connection}"


def _html(words: str, drawing: Figure | None) -> str:
    text = f"<pre>{escape(words)}</pre>"
    if drawing is None:
        return text
    content = io.BytesIO()
    drawing.savefig(content, format="png", dpi=110)
    data = base64.b64encode(content.getvalue()).decode("ascii")
    return f'{text}<img alt="{escape(words.splitlines()[0])}" src="data:image/png;base64,{data}">'
