"""Fits made by hand, so that what shows a fit is tested apart from what computes one."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from coilbell.bench.facts.finding import CountFacts, FindingFacts
from coilbell.bench.facts.ring import RingFacts
from coilbell.decay import Doubt, DoubtKind, Fit, Mode, ModeStep, Quantity, ResidualSummary
from coilbell.record import Connection, Record
from coilbell.winding import Explanation

__all__ = [
    "handmade_finding",
    "handmade_fit",
    "handmade_mode",
    "handmade_record",
    "handmade_silence",
    "known",
]


def known(value: float, spread: float) -> Quantity:
    """A quantity with a symmetric 95 % interval."""
    return Quantity(value, spread, value - 1.96 * spread, value + 1.96 * spread)


def handmade_mode(frequency_hz: float = 21634.0, q_damped: float = 30.12, amplitude: float = 0.8) -> Mode:
    """A mode whose figures agree with each other; relative uncertainties are chosen, not computed."""
    tau = q_damped / (math.pi * frequency_hz)
    q = math.sqrt(q_damped**2 + 0.25)
    count = q_damped / math.pi * math.log(10)
    return Mode(
        frequency_hz=known(frequency_hz, frequency_hz * 5e-4),
        decay_per_s=known(1 / tau, 0.003 / tau),
        tau_s=known(tau, 0.003 * tau),
        q=known(q, 0.003 * q),
        q_damped=known(q_damped, 0.003 * q_damped),
        log_decrement=known(math.pi / q_damped, 0.003 * math.pi / q_damped),
        amplitude=known(amplitude, 0.002 * amplitude),
        phase_rad=known(0.3, 0.002),
        ring_count=known(count, 0.003 * count),
        ring_count_whole=int(count) + 1,
        amplitudes=(amplitude,),
        phases_rad=(0.3,),
    )


def handmade_record(samples: int = 512, rate_hz: float = 500e3, q: float = 30.12, **settings: Any) -> Record:
    """A ring at 21.634 kHz in volts, 1 mV of noise from a fixed seed. q: pi f tau [1]."""
    time = np.arange(samples) / rate_hz
    ring = 0.8 * np.exp(-time * math.pi * 21634.0 / q) * np.cos(2 * math.pi * 21634.0 * time + 0.3)
    noise = np.random.default_rng(5).normal(0, 1e-3, samples)
    return Record(samples=ring + noise + 0.1, rate_hz=rate_hz, volts_per_count=1.0, **settings)


def handmade_fit(*modes: Mode, doubts: tuple[Doubt, ...] = (), **changes: Any) -> Fit:
    """A fit of `handmade_record` with the modes given, or with its one true mode."""
    record = handmade_record()
    time = record.time_axis
    envelope = 0.8 * np.exp(-time * math.pi * 21634.0 / 30.12)
    curve = envelope * np.cos(2 * math.pi * 21634.0 * time + 0.3) + 0.1
    fields: dict[str, Any] = {
        "modes": modes or (handmade_mode(),),
        "recoveries": (),
        "tones": (),
        "offset": known(0.1, 1e-4),
        "unit": "V",
        "noise": 1e-3,
        "covariance": np.eye(5),
        "parameters": (
            "decay_per_s[0]",
            "angular_per_s[0]",
            "cos[0,shot 0]",
            "sin[0,shot 0]",
            "offset[shot 0]",
        ),
        "residual": ResidualSummary(1e-3, 1e-3, 3e-3, 60e3, 4.0, 0.01),
        "account": (ModeStep("mode at 21.6 kHz", 900.0, 25.0, True, "far above the noise"),),
        "doubts": doubts,
        "count_to": 0.1,
        "start_s": 0.0,
        "stop_s": float(time[-1]),
        "samples_used": 512,
        "samples_masked": 0,
        "records": 1,
        "curve": (np.column_stack([time, curve]),),
        "residuals": (record.samples - curve,),
    }
    return Fit(**(fields | changes))


def handmade_silence(**changes: Any) -> Fit:
    """A fit that found no ring."""
    return handmade_fit(
        **{
            "modes": (),
            "account": (ModeStep("mode", 9.0, 25.0, False, "no line of the spectrum reaches the threshold"),),
            "doubts": (Doubt(DoubtKind.BELOW_RING_THRESHOLD, "the best line has 9 of 25", 9.0, 25.0),),
            **changes,
        }
    )


def handmade_finding(**changes: Any) -> FindingFacts:
    """A finding by a reference, of one ring that was not judged."""
    fields: dict[str, Any] = {
        "schema": 1,
        "what": "finding",
        "title": "",
        "explanation": Explanation.UNDECIDED,
        "kind": "line-output transformer",
        "reference": "tarn-21-line@0123456789ab",
        "connection": Connection.OUT_OF_CIRCUIT,
        "probabilities": None,
        "shorted_turn": None,
        "causes": (),
        "rings": (RingFacts(capacitor="22 nF", test_capacitor_f=22e-9, rings=False),),
        "shifts": (),
        "inductance_h": None,
        "loss_slope": None,
        "reasons": (),
        "not_separable": (),
        "cannot_see": (),
        "next_step": "",
        "caution": "",
        "count": CountFacts(rings=0.0, healthy=None, fraction=0.1),
        "doubts": (),
    }
    return FindingFacts(**(fields | changes))
