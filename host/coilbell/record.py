"""Record: one captured decay with the settings that made it. Checked on construction, immutable."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from coilbell.errors import RecordError
from coilbell.terms import RECORDED, Step

__all__ = [
    "MAX_SAMPLES",
    "SCHEMA",
    "Capacitor",
    "Connection",
    "Loading",
    "Record",
    "Temperature",
    "WideCode",
]

SCHEMA = 1
"""Number of this record layout; it rises when a field changes its meaning."""

MAX_SAMPLES = 4_000_000
UNPROTECTED = "leads without protection"
"""What a tester says of itself, among its words, whose leads nothing protects."""
"""Longest record accepted; far beyond any ring, well inside memory."""

_LARGEST = 1e30
"""Squares of larger samples would leave the range of floats; instruments write 9.9e37 for "no value"."""

_LONGEST_PINS = 60
"""Characters for the pins of a winding; they stand in one line of a screen."""

_LONGEST_S = 1e12
"""Times farther off are no instrument's."""


class Connection(StrEnum):
    """How the winding was connected while it rang."""

    IN_CIRCUIT = "in circuit"
    OUT_OF_CIRCUIT = "out of circuit"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Capacitor:
    """A test capacitor across the winding.

    farads: capacitance [F]; tolerance: relative standard uncertainty [1];
    name: the tester's letter for it, or "" when it is only a value;
    loss_tangent: tan(delta) of its dielectric at the ring frequency [1];
    series_ohms: resistance of its way from post to post, of copper and of the switch that is on, with its
    standard uncertainty [ohm].
    """

    farads: float
    tolerance: float = 0.01
    name: str = ""
    loss_tangent: float = 0.0
    series_ohms: float = 0.0
    series_uncertainty: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.farads) and 1e-13 <= self.farads <= 1e-2):
            raise RecordError(
                "test_capacitor",
                f"{self.farads!r} F is not a capacitor",
                "give farads between 0.1 pF and 10 mF",
            )
        if not (math.isfinite(self.tolerance) and 0 <= self.tolerance < 1):
            raise RecordError(
                "test_capacitor", f"tolerance {self.tolerance!r}", "give a fraction such as 0.01 for 1 %"
            )
        if not (math.isfinite(self.loss_tangent) and 0 <= self.loss_tangent < 1):
            raise RecordError(
                "test_capacitor", f"loss tangent {self.loss_tangent!r}", "give a fraction such as 0.0003"
            )
        for name in ("series_ohms", "series_uncertainty"):
            value = getattr(self, name)
            if not (math.isfinite(value) and 0 <= value < 1e3):
                raise RecordError("test_capacitor", f"{name} {value!r}", "give ohms, such as 0.0074")

    @property
    def words(self) -> str:
        """Its value in three digits, "22 nF"."""
        size, unit = next(((s, u) for s, u in _SIZES if self.farads >= 0.9995 * s), _SIZES[-1])
        return f"{self.farads / size:.3g} {unit}"


_SIZES = ((1e-3, "mF"), (1e-6, "uF"), (1e-9, "nF"), (1e-12, "pF"))


@dataclass(frozen=True, slots=True)
class Loading:
    """What the tester itself puts across the winding, test capacitor apart.

    siemens: input and bias conductance [S]; farads: input and lead capacitance [F]; lead_ohms: resistance
    between the posts and the winding, of leads and their contacts, in series with the winding [ohm]; all
    with standard uncertainties. The board check measures the first two.
    """

    siemens: float = 0.0
    farads: float = 0.0
    siemens_uncertainty: float = 0.0
    farads_uncertainty: float = 0.0
    lead_ohms: float = 0.0
    lead_uncertainty: float = 0.0

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise RecordError("loading", f"{name} {value!r}", "give 0 or more")


@dataclass(frozen=True, slots=True)
class Temperature:
    """How warm the part was, or what stands for it.

    celsius and its standard uncertainty [K]; board: "" for a temperature of the part that a person typed; the
    tester's identity where its own sensor read it: that is the chip's, good for differences on one board.
    """

    celsius: float
    uncertainty: float = 1.0
    board: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.celsius) and -60 <= self.celsius <= 200):
            raise RecordError("temperature", f"{self.celsius!r} degrees", "give -60 to 200 Celsius")
        if not (math.isfinite(self.uncertainty) and 0 <= self.uncertainty <= 100):
            raise RecordError("temperature", f"uncertainty {self.uncertainty!r} K", "give 0 to 100")


@dataclass(frozen=True, slots=True)
class WideCode:
    """A code that the converter gives for more than one count: a peak of its differential non-linearity.

    code: which, in units of the samples; excess: by how many counts it is wider than one, an ideal
    converter's; uncertainty: the standard uncertainty of that.
    """

    code: float
    excess: float
    uncertainty: float

    def __post_init__(self) -> None:
        for name in ("code", "excess", "uncertainty"):
            value = getattr(self, name)
            if not (math.isfinite(value) and (name == "code" or value >= 0)):
                raise RecordError(
                    "wide_codes", f"{name} {value!r}", "give what `board check` measured, or leave it out"
                )


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """One captured decay.

    The winding voltage at sample i is ``(samples[i] - offset) * volts_per_count / gain`` where the
    offset is found by the fit. Exactly one of `rate_hz` and `times_s` is given.
    """

    samples: npt.NDArray[Any]
    """(n,) integer codes or floats, read-only."""
    rate_hz: float | None = None
    """Uniform sampling rate [Hz]."""
    rate_uncertainty: float = 0.0
    """Relative standard uncertainty of `rate_hz` [1]: of time stamps rounded when written, above all."""
    first_s: float = 0.0
    """Time of a uniform record's first sample [s], where its source counts from a trigger."""
    times_s: npt.NDArray[np.float64] | None = None
    """(n,) explicit time stamps [s], strictly increasing, read-only."""
    volts_per_count: float | None = None
    """Volts at the converter per unit of `samples` [V]; 1.0 where samples are volts; None where unknown."""
    full_scale: tuple[float, float] | None = None
    """Lowest and highest value the converter can give, in units of `samples`."""
    wide_codes: tuple[WideCode, ...] = ()
    """Codes known to be wide. The samples are as the converter gave them; the fit undoes it."""
    resolution: float | None = None
    """Smallest step of `samples`; 1.0 for converter codes; None where unknown."""
    pretrigger: int = 0
    """Number of leading samples taken before the pulse [samples]."""
    pulse_s: float | None = None
    """Width of the current pulse [s]; it starts at sample `pretrigger`."""
    test_capacitor: Capacitor | None = None
    loading: Loading | None = None
    """What the tester adds across the winding besides; None where nobody measured it."""
    shot: int = 0
    """Index of this shot within its capture."""
    gain: float = 1.0
    """Volts at the converter per volt at the winding."""
    board: str = ""
    """Identity of the tester, or "" for an imported record."""
    utc: datetime | None = None
    connection: Connection = Connection.UNKNOWN
    done: tuple[Step, ...] = ()
    """What had been unplugged, lifted, tested or cleaned before this ring."""
    across: str = ""
    """Which winding was rung, in the user's words, such as pins "3-5"; "" where nobody said."""
    temperature: Temperature | None = None
    """How warm the part was; None where nobody knows."""
    note: str = ""
    source: str = ""
    """File or port the record came from."""
    schema: int = SCHEMA
    extra: dict[str, str] = field(default_factory=dict)
    """Further settings in words (temperature, interlock reading); kept, never computed with."""

    def __post_init__(self) -> None:
        samples = _readonly(np.asarray(self.samples))
        _check_samples(samples)
        object.__setattr__(self, "samples", samples)
        if self.times_s is not None:
            times = _readonly(np.asarray(self.times_s, dtype=np.float64))
            object.__setattr__(self, "times_s", times)
        _check_time(self)
        _check_scale(self)
        _check_pulse(self)
        _check_identity(self)

    def __len__(self) -> int:
        return int(self.samples.size)

    @property
    def simulated(self) -> bool:
        """True where a board in software made the samples, of a part that does not exist."""
        return self.board.startswith("virtual")

    @property
    def unprotected(self) -> bool:
        """True where the tester's leads had no protection: for new parts on the bench only."""
        return UNPROTECTED in self.board

    @property
    def uniform(self) -> bool:
        """True when a rate, not a list of time stamps, gives the sample times."""
        return self.rate_hz is not None

    @property
    def time_axis(self) -> npt.NDArray[np.float64]:
        """(n,) sample times [s]."""
        if self.times_s is not None:
            return self.times_s
        assert self.rate_hz is not None
        return _readonly(self.first_s + np.arange(len(self)) / self.rate_hz)

    @property
    def volts_per_unit(self) -> float | None:
        """Volts at the winding per unit of `samples` [V], or None where unknown."""
        return None if self.volts_per_count is None else self.volts_per_count / self.gain


def _readonly(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The array itself where nobody can write to it, else a copy."""
    if array.flags.owndata and not array.flags.writeable:
        return array
    copy = array.copy()
    copy.setflags(write=False)
    return copy


def _check_samples(samples: npt.NDArray[Any]) -> None:
    if samples.ndim != 1:
        raise RecordError("samples", f"has {samples.ndim} dimensions", "give one channel as a flat list")
    if samples.dtype.kind not in "iuf":
        raise RecordError("samples", f"has type {samples.dtype}", "give integers or real numbers")
    if samples.size < 2:
        raise RecordError(
            "samples", "holds one value" if samples.size else "is empty", "a decay needs at least 2"
        )
    if samples.size > MAX_SAMPLES:
        raise RecordError(
            "samples", f"holds {samples.size} values", f"cut it to {MAX_SAMPLES} around the ring"
        )
    if samples.dtype.kind == "f" and not np.isfinite(samples).all():
        where = int(np.flatnonzero(~np.isfinite(samples))[0])
        raise RecordError("samples", f"value {where} is {samples[where]}", "remove or repair that sample")
    if samples.dtype.kind == "f" and max(samples.max(), -samples.min()) >= _LARGEST:
        where = int(np.abs(samples).argmax())
        raise RecordError(
            "samples",
            f"value {where} is {samples[where]:g}",
            f"give values below {_LARGEST:g}, such as volts",
        )


def _check_time(record: Record) -> None:
    if (record.rate_hz is None) == (record.times_s is None):
        raise RecordError("rate_hz", "exactly one of rate_hz and times_s is needed", "give one of the two")
    if record.rate_hz is not None:
        _check_rate(record, record.rate_hz)
    else:
        _check_stamps(record)


def _check_rate(record: Record, rate_hz: float) -> None:
    if not (math.isfinite(rate_hz) and 1e-3 <= rate_hz <= 1e12):
        raise RecordError("rate_hz", f"{rate_hz!r} Hz", "give a rate between 1 mHz and 1 THz")
    if not 0 <= record.rate_uncertainty <= 0.1:
        what = f"{record.rate_uncertainty!r}"
        raise RecordError("rate_uncertainty", what, "give a part of the rate, such as 0.001")
    if not abs(record.first_s) <= _LONGEST_S:
        raise RecordError("first_s", f"{record.first_s!r} s", "give a time, or leave it out")


def _check_stamps(record: Record) -> None:
    for name in ("first_s", "rate_uncertainty"):
        if getattr(record, name):
            raise RecordError(name, "stands beside times_s", "leave it out, the stamps say it")
    times = record.times_s
    assert times is not None
    if times.shape != record.samples.shape:
        raise RecordError(
            "times_s",
            f"{times.size} time stamps for {record.samples.size} samples",
            "give one for each sample",
        )
    if not np.isfinite(times).all():
        where = int(np.flatnonzero(~np.isfinite(times))[0])
        raise RecordError("times_s", f"time stamp {where} is {times[where]}", "remove that sample")
    steps = np.diff(times)
    if not (steps > 0).all():
        where = int(np.flatnonzero(steps <= 0)[0]) + 1
        raise RecordError(
            "times_s",
            f"time stamp {where} ({times[where]:g} s) does not follow {times[where - 1]:g} s",
            "sort the samples by time and drop repeats",
        )


def _check_scale(record: Record) -> None:
    for name in ("volts_per_count", "resolution"):
        value = getattr(record, name)
        least = 1e-18 if name == "volts_per_count" else 0
        if value is not None and not (math.isfinite(value) and least < value < 1e6):
            raise RecordError(name, f"{value!r}", "give a positive number, or leave it out")
    if not 1e-9 <= record.gain <= 1e9:
        raise RecordError("gain", f"{record.gain!r}", "give a positive number; 1 when there is no amplifier")
    if record.full_scale is not None:
        _check_range(record, *record.full_scale)
    elif record.wide_codes:
        raise RecordError("wide_codes", "stand without full_scale", "give the converter's range as well")


def _check_range(record: Record, low: float, high: float) -> None:
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise RecordError(
            "full_scale", f"{low!r}..{high!r}", "give lowest then highest value, such as 0, 4095"
        )
    if record.samples.min() < low or record.samples.max() > high:
        raise RecordError(
            "full_scale",
            f"samples run {record.samples.min()}..{record.samples.max()}, outside {low:g}..{high:g}",
            "give the converter's true range",
        )
    for wide in record.wide_codes:
        if not low <= wide.code <= high:
            raise RecordError("wide_codes", f"code {wide.code:g}", f"give one within {low:g}..{high:g}")
    excess = sum(wide.excess for wide in record.wide_codes)
    if excess >= high - low:  # the other codes would have no width left
        raise RecordError("wide_codes", f"excess {excess:g} of all", f"give less than {high - low:g}")


def _check_pulse(record: Record) -> None:
    if not 0 <= record.pretrigger < len(record):
        raise RecordError(
            "pretrigger",
            f"{record.pretrigger} of {len(record)} samples",
            "give a number from 0 to one less than the length",
        )
    if record.pulse_s is not None and not (math.isfinite(record.pulse_s) and 0 < record.pulse_s <= 1):
        raise RecordError("pulse_s", f"{record.pulse_s!r} s", "give the pulse width in seconds, such as 2e-6")


def _check_identity(record: Record) -> None:
    if record.shot < 0:
        raise RecordError("shot", f"{record.shot}", "give an index from 0")
    if not set(record.done) <= set(RECORDED) or len(set(record.done)) != len(record.done):
        raise RecordError("done", f"{list(record.done)}", f"give some of {', '.join(RECORDED)}, each once")
    if len(record.across) > _LONGEST_PINS or not record.across.isprintable():
        raise RecordError("across", f"{record.across[:40]!r}", "name the pins in a few words, such as 3-5")
    if record.schema != SCHEMA:
        raise RecordError("schema", f"{record.schema}, this version knows {SCHEMA}", "update coilbell")
    if record.utc is not None:
        if record.utc.tzinfo is None:
            raise RecordError("utc", f"{record.utc} has no time zone", "give UTC")
        if not datetime(1970, 1, 1, tzinfo=UTC) <= record.utc < datetime(9999, 1, 1, tzinfo=UTC):
            when = "before 1970" if record.utc.year <= 1970 else "beyond 9998"
            raise RecordError("utc", f"{record.utc} lies {when}", "set the clock and give UTC")
