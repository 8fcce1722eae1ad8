"""Facts of a fit: modes with their figures, the window, doubts, and what they say of the winding."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from coilbell.bench.facts.base import Count, Facts, Figure, Part, Positive, Spread, finite
from coilbell.decay import Doubt, DoubtKind, Fit, LadderFit, Mode, Quantity
from coilbell.record import Record

if TYPE_CHECKING:
    from coilbell.winding import OneCapacitorTank, SeveralCapacitorTank, TankDoubt

__all__ = [
    "FIT_SCHEMA",
    "DoubtFacts",
    "FitFacts",
    "LadderFacts",
    "ModeFacts",
    "QuantityFacts",
    "WindingFacts",
    "doubt_facts",
    "fit_facts",
    "ladder_facts",
    "quantity_facts",
    "winding_facts",
]

FIT_SCHEMA = 1
"""Number of the layout of `FitFacts`; it rises when a field changes its meaning."""

_ADVICE: dict[DoubtKind, str] = {
    DoubtKind.CLIPPED: "Clipped samples were left out; lower the pulse or the gain and capture again",
    DoubtKind.TOO_SHORT: "Record longer, or wait less before the window starts",
    DoubtKind.COLOURED_RESIDUAL: "Something the model does not hold is left over; uncertainties were widened",
    DoubtKind.AMPLITUDE_DEPENDENT: "The loss changes with amplitude, as in a core or a junction; "
    "compare only with captures of like amplitude",
    DoubtKind.FREQUENCY_DRIFT: "The pitch moves while it rings, as with a core near saturation; "
    "compare only with captures of like amplitude",
    DoubtKind.CONVERTER_NONLINEARITY: "The converter's own steps may shape the figures; "
    "average shots at different amplitudes",
    DoubtKind.TIME_SLIP: "Samples seem to be missing or doubled; capture again",
    DoubtKind.UNDAMPED_TONE: "A steady tone comes from outside; keep running supplies away and leads short",
    DoubtKind.BELOW_RING_THRESHOLD: "Before blaming the winding check the leads, the pulse and the capacitor",
    DoubtKind.GLITCHES: "Single wild samples were left out; look for a loose clip",
    DoubtKind.SHOTS_DISAGREE: "The shots do not tell one story; check the clips and capture again",
    DoubtKind.REPEATED_SHOTS: "A copy tells nothing new; capture each shot for itself",
    DoubtKind.FOLDED: "Sample faster (with the board: capture --interleave 4), which tells the two apart",
    DoubtKind.NOT_CONVERGED: "The computation did not settle; do not rely on these figures",
}


class QuantityFacts(Facts, frozen=True, kw_only=True):
    """A figure with its standard uncertainty and 95 % interval, all in one unit."""

    value: Figure | None
    standard_uncertainty: Spread | None
    low: Figure | None
    high: Figure | None


class ModeFacts(Facts, frozen=True, kw_only=True):
    """One damped sinusoid; the figures of `coilbell.decay.Mode`."""

    frequency_hz: QuantityFacts
    decay_per_s: QuantityFacts
    tau_s: QuantityFacts
    q: QuantityFacts
    q_damped: QuantityFacts
    log_decrement: QuantityFacts
    amplitude: QuantityFacts
    phase_rad: QuantityFacts
    ring_count: QuantityFacts
    ring_count_whole: Count
    natural_frequency_hz: Spread | None


class RecoveryFacts(Facts, frozen=True, kw_only=True):
    """An exponential return of the baseline."""

    decay_per_s: QuantityFacts
    amplitude: QuantityFacts


class ResidualFacts(Facts, frozen=True, kw_only=True):
    """What is left after the fit."""

    rms: Spread | None
    expected_rms: Spread | None
    peak: Spread | None
    strongest_hz: Spread | None
    strongest_ratio: Spread | None
    correlation: Figure | None


class WindowFacts(Facts, frozen=True, kw_only=True):
    """What was fitted, on the file's own time axis."""

    start_s: Figure | None
    stop_s: Figure | None
    samples_used: Count
    samples_masked: Count
    records: Count


class StepFacts(Facts, frozen=True, kw_only=True):
    """One step in the account of how many modes there are."""

    what: str
    statistic: Figure | None
    threshold: Figure | None
    accepted: bool
    reason: str


class DoubtFacts(Facts, frozen=True, kw_only=True):
    """One reason to distrust the fit, and what to do."""

    kind: DoubtKind
    detail: str
    advice: str
    statistic: Figure | None
    threshold: Figure | None


class TankDoubtFacts(Facts, frozen=True, kw_only=True):
    """One reason to distrust what is said of the winding."""

    kind: str
    detail: str


class TankFacts(Facts, frozen=True, kw_only=True):
    """What one ring and its test capacitor say of the winding."""

    inductance_h: QuantityFacts
    shunt_ohm: QuantityFacts
    series_ohm: QuantityFacts
    doubts: tuple[TankDoubtFacts, ...]


class RungFacts(Facts, frozen=True, kw_only=True):
    """One amplitude of a ladder by itself."""

    amplitude_v: Spread
    loss: QuantityFacts
    frequency_hz: QuantityFacts

    @property
    def amplitude_volts(self) -> float:
        """As a rung of `coilbell.decay.LadderFit` names it [V]."""
        return self.amplitude_v


class LawFacts(Facts, frozen=True, kw_only=True):
    """1/Q that a ring of this first amplitude has by the ladder's law."""

    amplitude_v: Spread
    loss: Figure


class LadderFacts(Facts, frozen=True, kw_only=True):
    """What a ladder of amplitudes told; the figures of `coilbell.decay.LadderFit`."""

    bend: str
    volts: QuantityFacts | None
    share: QuantityFacts | None
    rise: Figure | None
    core_per_volt: QuantityFacts | None
    rungs: tuple[RungFacts, ...]
    law: tuple[LawFacts, ...]
    doubts: tuple[str, ...]


class FitFacts(Facts, frozen=True, kw_only=True):
    """Everything shown of a fit.

    title: what was fitted, such as a file's name; tank: what fit and test capacitor say of the winding.
    """

    schema: int
    kind: str
    title: str
    channel: str | None
    connection: str | None
    test_capacitor_f: Positive | None
    test_capacitor_tolerance: Spread | None = None
    notes: tuple[str, ...] = ()
    rings: bool
    count_to: Part
    modes: tuple[ModeFacts, ...]
    tones: tuple[ModeFacts, ...]
    recoveries: tuple[RecoveryFacts, ...] = ()
    offset: QuantityFacts
    unit: str
    noise: Spread | None
    residual: ResidualFacts
    window: WindowFacts
    account: tuple[StepFacts, ...]
    doubts: tuple[DoubtFacts, ...]
    tank: TankFacts | None = None
    ladder: LadderFacts | msgspec.UnsetType = msgspec.UNSET

    def __post_init__(self) -> None:
        if self.schema != FIT_SCHEMA or self.kind != "fit":
            raise ValueError(f"no fit of schema {FIT_SCHEMA}, which this version knows")
        if self.rings != bool(self.modes):
            raise ValueError("says that it rings and holds no mode, or the other way round")

    @property
    def main(self) -> ModeFacts:
        """The main mode; raises LookupError when nothing rings."""
        if not self.modes:
            raise LookupError("no ring was found; check `rings` first")
        return self.modes[0]


class WindingFacts(Facts, frozen=True, kw_only=True):
    """What rings with several test capacitors tell together."""

    test_capacitors_f: tuple[Positive, ...]
    inductance_h: QuantityFacts
    stray_capacitance_f: QuantityFacts
    doubts: tuple[TankDoubtFacts, ...]


def fit_facts(
    fit: Fit, *, title: str = "", records: Sequence[Record] = (), tank: OneCapacitorTank | None = None
) -> FitFacts:
    """Everything shown of a fit.

    title: what was fitted, such as a file's name. records: what was fitted, for channel, capacitor and
    notes; the window is given on their file's own time axis. tank: what fit and capacitor say of the winding.
    """
    first = records[0] if records else None
    capacitor = first.test_capacitor if first else None
    return FitFacts(
        schema=FIT_SCHEMA,
        kind="fit",
        title=title,
        channel=first.extra.get("channel") if first else None,
        connection=str(first.connection) if first else None,
        test_capacitor_f=capacitor.farads if capacitor else None,
        test_capacitor_tolerance=capacitor.tolerance if capacitor else None,
        notes=_notes(first),
        rings=fit.rings,
        count_to=fit.count_to,
        modes=tuple(map(_mode_facts, fit.modes)),
        tones=tuple(map(_mode_facts, fit.tones)),
        recoveries=tuple(
            RecoveryFacts(decay_per_s=quantity_facts(r.decay_per_s), amplitude=quantity_facts(r.amplitude))
            for r in fit.recoveries
        ),
        offset=quantity_facts(fit.offset),
        unit=fit.unit,
        noise=finite(fit.noise),
        residual=ResidualFacts(
            **{name: finite(getattr(fit.residual, name)) for name in ResidualFacts.__struct_fields__}
        ),
        window=WindowFacts(
            start_s=finite(fit.start_s),
            stop_s=finite(fit.stop_s),
            samples_used=fit.samples_used,
            samples_masked=fit.samples_masked,
            records=fit.records,
        ),
        account=tuple(
            StepFacts(
                what=step.what,
                statistic=finite(step.statistic),
                threshold=finite(step.threshold),
                accepted=step.accepted,
                reason=step.reason,
            )
            for step in fit.account
        ),
        doubts=tuple(map(doubt_facts, fit.doubts)),
        tank=None if tank is None else _tank_facts(tank),
        ladder=msgspec.UNSET if fit.ladder is None else ladder_facts(fit.ladder),
    )


_LAW_VOLTS = (0.03, 0.6, 25)
"""First and last amplitude at which the law of a ladder is told [V], and how many there are; assumed."""


def ladder_facts(ladder: LadderFit) -> LadderFacts:
    """What a ladder of amplitudes told: its rungs by themselves, the law that bends, and 1/Q along it."""
    amplitudes = np.geomspace(*_LAW_VOLTS)
    return LadderFacts(
        bend=str(ladder.bend),
        volts=None if ladder.volts is None else quantity_facts(ladder.volts),
        share=None if ladder.share is None else quantity_facts(ladder.share),
        rise=finite(ladder.rise),
        core_per_volt=None if ladder.core_per_volt is None else quantity_facts(ladder.core_per_volt),
        rungs=tuple(
            RungFacts(
                amplitude_v=rung.amplitude_volts,
                loss=quantity_facts(rung.loss),
                frequency_hz=quantity_facts(rung.frequency_hz),
            )
            for rung in ladder.rungs
        ),
        law=tuple(
            LawFacts(amplitude_v=float(a), loss=float(d))
            for a, d in zip(amplitudes, ladder.loss_at(amplitudes), strict=True)
        ),
        doubts=tuple(ladder.doubts),
    )


def _notes(first: Record | None) -> tuple[str, ...]:
    return tuple(text for name, text in first.extra.items() if name.startswith("assumed")) if first else ()


def _mode_facts(mode: Mode) -> ModeFacts:
    return ModeFacts(
        frequency_hz=quantity_facts(mode.frequency_hz),
        decay_per_s=quantity_facts(mode.decay_per_s),
        tau_s=quantity_facts(mode.tau_s),
        q=quantity_facts(mode.q),
        q_damped=quantity_facts(mode.q_damped),
        log_decrement=quantity_facts(mode.log_decrement),
        amplitude=quantity_facts(mode.amplitude),
        phase_rad=quantity_facts(mode.phase_rad),
        ring_count=quantity_facts(mode.ring_count),
        ring_count_whole=mode.ring_count_whole,
        natural_frequency_hz=finite(mode.natural_frequency_hz),
    )


def _tank_facts(tank: OneCapacitorTank) -> TankFacts:
    return TankFacts(
        inductance_h=quantity_facts(tank.inductance_henries),
        shunt_ohm=quantity_facts(tank.shunt_ohms),
        series_ohm=quantity_facts(tank.series_ohms),
        doubts=_tank_doubts(tank.doubts),
    )


def _tank_doubts(doubts: Sequence[TankDoubt]) -> tuple[TankDoubtFacts, ...]:
    return tuple(TankDoubtFacts(kind=str(doubt.kind), detail=doubt.detail) for doubt in doubts)


def winding_facts(test_capacitors_f: Sequence[float], tank: SeveralCapacitorTank) -> WindingFacts:
    """What rings with these test capacitors [F] tell together."""
    return WindingFacts(
        test_capacitors_f=tuple(test_capacitors_f),
        inductance_h=quantity_facts(tank.inductance_henries),
        stray_capacitance_f=quantity_facts(tank.stray_farads),
        doubts=_tank_doubts(tank.doubts),
    )


def doubt_facts(doubt: Doubt) -> DoubtFacts:
    """A doubt, and what to do about it."""
    return DoubtFacts(
        kind=doubt.kind,
        detail=doubt.detail,
        advice=_ADVICE[doubt.kind],
        statistic=finite(doubt.statistic),
        threshold=finite(doubt.threshold),
    )


def quantity_facts(quantity: Quantity) -> QuantityFacts:
    """A figure; what is unknown or infinite of it is None."""
    return QuantityFacts(
        value=finite(quantity.value),
        standard_uncertainty=finite(quantity.standard_uncertainty),
        low=finite(quantity.low),
        high=finite(quantity.high),
    )
