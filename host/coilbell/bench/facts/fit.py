"""A Fit as a plain dict, ready for JSON, from which the words are made as well."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from coilbell.decay import Doubt, DoubtKind, Fit, LadderFit, Mode, Quantity
from coilbell.record import Record

if TYPE_CHECKING:
    from coilbell.winding import OneCapacitorTank

__all__ = ["FIT_SCHEMA", "doubt_facts", "finite", "fit_facts", "ladder_facts", "quantity_facts"]

FIT_SCHEMA = 1
"""Number of the layout `fit_facts` gives; it rises when a field changes its meaning."""

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


def fit_facts(
    fit: Fit, *, title: str = "", records: Sequence[Record] = (), tank: OneCapacitorTank | None = None
) -> dict[str, Any]:
    """Everything shown of a fit, ready for JSON.

    title: what was fitted, such as a file's name. records: what was fitted, for channel, capacitor and
    notes; the window is given on their file's own time axis. tank: what fit and capacitor say of the winding.
    A quantity is {"value", "standard_uncertainty", "low", "high"} in the unit its key ends in;
    a number that is unknown or infinite is None.
    """
    facts = {
        "schema": FIT_SCHEMA,
        "kind": "fit",
        "title": title,
        **_record_facts(records),
        "rings": fit.rings,
        "count_to": fit.count_to,
        "modes": [_mode_facts(mode) for mode in fit.modes],
        "tones": [_mode_facts(mode) for mode in fit.tones],
        "recoveries": [
            {"decay_per_s": quantity_facts(r.decay_per_s), "amplitude": quantity_facts(r.amplitude)}
            for r in fit.recoveries
        ],
        "offset": quantity_facts(fit.offset),
        "unit": fit.unit,
        "noise": finite(fit.noise),
        "residual": _plain(fit.residual),
        "window": {
            "start_s": finite(fit.start_s),
            "stop_s": finite(fit.stop_s),
            "samples_used": fit.samples_used,
            "samples_masked": fit.samples_masked,
            "records": fit.records,
        },
        "account": [_plain(step) for step in fit.account],
        "doubts": [doubt_facts(doubt) for doubt in fit.doubts],
        "tank": None if tank is None else _tank_facts(tank),
    }
    return facts if fit.ladder is None else facts | {"ladder": ladder_facts(fit.ladder)}


def ladder_facts(ladder: LadderFit) -> dict[str, Any]:
    """What a ladder of amplitudes told: its rungs by themselves, the law that bends, and 1/Q along it."""
    amplitudes = np.geomspace(0.03, 0.6, 25)
    return {
        "bend": str(ladder.bend),
        "volts": quantity_facts(ladder.volts),
        "share": quantity_facts(ladder.share),
        "rise": finite(ladder.rise),
        "core_per_volt": quantity_facts(ladder.core_per_volt),
        "rungs": [
            {
                "amplitude_v": rung.amplitude_volts,
                "loss": quantity_facts(rung.loss),
                "frequency_hz": quantity_facts(rung.frequency_hz),
            }
            for rung in ladder.rungs
        ],
        "law": [
            {"amplitude_v": float(a), "loss": float(d)}
            for a, d in zip(amplitudes, ladder.loss_at(amplitudes), strict=True)
        ],
        "doubts": list(ladder.doubts),
    }


def _record_facts(records: Sequence[Record]) -> dict[str, Any]:
    first = records[0] if records else None
    capacitor = first.test_capacitor if first else None
    return {
        "channel": first.extra.get("channel") if first else None,
        "connection": str(first.connection) if first else None,
        "test_capacitor_f": capacitor.farads if capacitor else None,
        "test_capacitor_tolerance": capacitor.tolerance if capacitor else None,
        "notes": [text for name, text in first.extra.items() if name.startswith("assumed")] if first else [],
    }


def _mode_facts(mode: Mode) -> dict[str, Any]:
    names = (
        "frequency_hz",
        "decay_per_s",
        "tau_s",
        "q",
        "q_damped",
        "log_decrement",
        "amplitude",
        "phase_rad",
        "ring_count",
    )
    facts: dict[str, Any] = {name: quantity_facts(getattr(mode, name)) for name in names}
    return facts | {
        "ring_count_whole": mode.ring_count_whole,
        "natural_frequency_hz": finite(mode.natural_frequency_hz),
    }


def _tank_facts(tank: OneCapacitorTank) -> dict[str, Any]:
    return {
        "inductance_h": quantity_facts(tank.inductance_henries),
        "shunt_ohm": quantity_facts(tank.shunt_ohms),
        "series_ohm": quantity_facts(tank.series_ohms),
        "doubts": [{"kind": str(doubt.kind), "detail": doubt.detail} for doubt in tank.doubts],
    }


def doubt_facts(doubt: Doubt) -> dict[str, Any]:
    return {
        "kind": str(doubt.kind),
        "detail": doubt.detail,
        "advice": _ADVICE[doubt.kind],
        "statistic": finite(doubt.statistic),
        "threshold": finite(doubt.threshold),
    }


def quantity_facts(quantity: Quantity | None) -> dict[str, float | None] | None:
    """A quantity as {"value", "standard_uncertainty", "low", "high"}."""
    return None if quantity is None else _plain(quantity)


def _plain(value: Any) -> dict[str, Any]:
    """The fields of one of the small dataclasses of a Fit; numbers JSON cannot hold become None."""
    fields = {name: getattr(value, name) for name in value.__dataclass_fields__}
    return {name: finite(item) if isinstance(item, float) else item for name, item in fields.items()}


def finite(value: float) -> float | None:
    """The value, None where it is unknown or infinite: JSON has no such numbers."""
    return float(value) if math.isfinite(value) else None
