"""A fit -> an observation: what the judgement takes of it, and why it may not be judged by."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np

from coilbell.decay import DoubtKind
from coilbell.errors import InputError
from coilbell.record import Capacitor, Connection, Record
from coilbell.winding.odds.law import Laddered, law_of
from coilbell.winding.odds.observation import Observation

__all__ = ["Fitted", "observe"]

_LIMITED = (
    DoubtKind.NOT_CONVERGED,
    DoubtKind.TOO_SHORT,
    DoubtKind.CLIPPED,
    DoubtKind.TIME_SLIP,
    DoubtKind.SHOTS_DISAGREE,
)
"""Doubts that touch the figures themselves."""

_AGAIN = {
    DoubtKind.NOT_CONVERGED: "the fit did not settle",
    DoubtKind.TOO_SHORT: "the ring is too short or too weak to be followed",
    DoubtKind.SHOTS_DISAGREE: "the shots disagree",
}
"""Doubts with which a fit is not judged by: ring again."""

_VAGUE = (0.03, 0.25)
"""Relative standard uncertainty of f and of Q from which they say nothing of a part: a part's own spreads
(common practice: 5 % and 25 %)."""

_FOLDS = 0.46
"""Part of the sampling rate over which a ring may be another one, folded: its neighbourhood of one half [1];
assumed."""


class _Figure(Protocol):
    """A figure and its standard uncertainty; None or not finite where unknown."""

    @property
    def value(self) -> float | None: ...
    @property
    def standard_uncertainty(self) -> float | None: ...


class _Mode(Protocol):
    @property
    def frequency_hz(self) -> _Figure: ...
    @property
    def q(self) -> _Figure: ...
    @property
    def decay_per_s(self) -> _Figure: ...
    @property
    def amplitude(self) -> _Figure: ...


class _Recovery(Protocol):
    @property
    def decay_per_s(self) -> _Figure: ...
    @property
    def amplitude(self) -> _Figure: ...


class _Doubt(Protocol):
    @property
    def kind(self) -> DoubtKind: ...
    @property
    def detail(self) -> str: ...


class Fitted(Protocol):
    """What the judgement takes of a fit: a `Fit` has it, and so have the facts that are kept of one."""

    @property
    def rings(self) -> bool: ...
    @property
    def main(self) -> _Mode: ...
    @property
    def unit(self) -> str: ...
    @property
    def recoveries(self) -> Sequence[_Recovery]: ...
    @property
    def doubts(self) -> Sequence[_Doubt]: ...
    @property
    def ladder(self) -> object: ...


def observe(
    fit: Fitted,
    record: Record | None = None,
    *,
    capacitor: Capacitor | None = None,
    connection: Connection | None = None,
) -> Observation:
    """The main mode of a fit as an observation.

    record: what was fitted, for capacitor, connection, time and source; the keywords replace its own.
    Raises InputError when no test capacitor is known.
    """
    known = capacitor or (record.test_capacitor if record else None)
    if known is None:
        raise InputError("the test capacitor is not known; name it, such as 22n")
    where = connection or (record.connection if record else Connection.UNKNOWN)
    base = Observation(
        known,
        None,
        None,
        connection=where,
        doubts=tuple(f"{d.kind}: {d.detail}" for d in fit.doubts),
        weak=any(d.kind in _LIMITED for d in fit.doubts),
        board=record.board if record else "",
        utc=record.utc if record else None,
        source=record.source if record else "",
        loading=record.loading if record else None,
        done=record.done if record else (),
        across=record.across if record else "",
        temperature=record.temperature if record else None,
        samples=_samples(record),
    )
    if not fit.rings or _senseless(fit):
        return replace(base, recovery_s=_recovery(fit), level_volts=_level(record))
    mode = fit.main
    return replace(
        base,
        trouble=tuple(_trouble(fit, record)),
        frequency_hz=_known(mode.frequency_hz.value),
        q=_known(mode.q.value),
        frequency_uncertainty=_relative(mode.frequency_hz.standard_uncertainty, mode.frequency_hz.value),
        q_uncertainty=_relative(mode.q.standard_uncertainty, mode.q.value),
        amplitude_volts=mode.amplitude.value if fit.unit == "V" else None,
        amplitude_dependent=any(d.kind is DoubtKind.AMPLITUDE_DEPENDENT for d in fit.doubts),
        law=law_of(fit.ladder, _known(mode.decay_per_s.value)) if isinstance(fit.ladder, Laddered) else None,
    )


_FEWEST, _TOP = 16, 8
"""Samples that a level needs, and those at the top whose middle it is [1]; assumed."""

_VAGUELY = 0.3
"""Relative uncertainty taken where none is known [1]; assumed."""


def _samples(record: Record | None) -> str:
    """A hash of the samples, "" without a record."""
    if record is None:
        return ""
    return hashlib.sha256(record.samples.tobytes()).hexdigest()[:16]


def _senseless(fit: Fitted) -> bool:
    """True where the main mode's amplitude is not known at all: that is no ring."""
    amplitude = fit.main.amplitude
    return not _known(amplitude.standard_uncertainty) < _known(amplitude.value)


def _trouble(fit: Fitted, record: Record | None) -> Iterator[str]:
    """Why the figures of a fit are not to be judged by."""
    kinds = {d.kind for d in fit.doubts}
    yield from (words for kind, words in _AGAIN.items() if kind in kinds)
    mode = fit.main
    spreads = [_relative(q.standard_uncertainty, q.value) for q in (mode.frequency_hz, mode.q)]
    if any(spread > most for spread, most in zip(spreads, _VAGUE, strict=True)):
        yield f"Q is known only to {100 * spreads[1]:.0f} %"
    if record is not None and record.rate_hz and _known(mode.frequency_hz.value) > _FOLDS * record.rate_hz:
        yield "it rings near half the sampling rate, and may be another ring folded"


def _recovery(fit: Fitted) -> float | None:
    """Time constant of the strongest return of the baseline [s], None where there is none."""
    if not fit.recoveries:
        return None
    rate = _known(max(fit.recoveries, key=lambda r: abs(_known(r.amplitude.value))).decay_per_s.value)
    return 1 / rate if rate > 0 else None


def _level(record: Record | None) -> float | None:
    """Largest voltage after the pulse over where the leads end [V]; None where the scale is unknown."""
    if record is None or record.volts_per_unit is None:
        return None
    after = np.asarray(record.samples[record.pretrigger :], dtype=np.float64)
    if after.size < _FEWEST:
        return None
    rest = float(np.median(after[-after.size // 4 :]))
    return float(np.abs(np.median(np.sort(np.abs(after - rest))[-_TOP:])) * record.volts_per_unit)


def _known(value: float | None) -> float:
    return math.nan if value is None else value


def _relative(spread: float | None, value: float | None) -> float:
    # An unknown uncertainty counts as large, never as none.
    if spread is None or value is None or not math.isfinite(spread) or spread < 0:
        return _VAGUELY
    return spread / value
