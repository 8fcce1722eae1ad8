"""What a virtual board's converters see: a simulated winding on its leads."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

from coilbell.board.virtual.address import Address

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from coilbell.board.simulation import Converter, Winding

__all__ = ["Leads"]

_LOOP_VOLTS = 1.65
_LOOP_S = 25e-9
"""The loop-back halves the pulse pin's 3.3 V; its 5 kohm and some 5 pF of the converter's pin slow it."""
_FIRST_OHMS, _FIRST_TANGENT, _FIRST_OPEN_V = 1 / 579e-9, 2e-4, 0.33
"""Of the first board: what lies across its leads, its capacitor's loss, where open leads rest (simulated:
hardware-notes/circuit/first.py)."""
_KEPT = 128
"""Noise-free rings kept, so that equal shots are computed once."""


class Leads:
    """The winding named in the wishes, and the converter that samples it."""

    def __init__(self, wishes: Address) -> None:
        from numpy.random import default_rng

        from coilbell.board.simulation import Fixture, Winding, catalogue

        fixture = Fixture(stray_farads=wishes.stray)
        if wishes.design == "first":
            fixture = replace(fixture, input_ohms=_FIRST_OHMS, loss_tangent=_FIRST_TANGENT)
        self.winding: Winding = Winding(
            catalogue.part(wishes.part, wishes.seed), wishes.state, fixture, wishes.steps
        )
        self.converter: Converter = _converter(wishes)
        # The first board's amplifier lets direct voltage through: open leads do not rest at 0 V.
        self._rest_v = _FIRST_OPEN_V if wishes.design == "first" and wishes.state == "open" else 0.0
        self._latency_s = wishes.latency
        self._loop = bool(wishes.loop)
        self._rng = default_rng(wishes.seed)
        self._rings: dict[tuple[float, ...], npt.NDArray[np.float64]] = {}
        self._since = time.monotonic()

    def codes(
        self, farads: float, pulse_s: float, pulse_at_s: float, rate_hz: float, samples: int
    ) -> npt.NDArray[np.uint16]:
        """Converter codes (samples,) of one shot, as the FIFO gives them: bit 15 is the error bit.

        pulse_at_s: start of the pulse after that of the converter [s]; pulse_s: its width, 0 for none [s].
        """
        import numpy as np

        pulse_at_s -= self._latency_s
        if not pulse_s:
            return self.converter.codes(np.zeros(samples) + self.lead_volts(), self._rng, rate_hz)
        key = (farads, pulse_s, pulse_at_s, rate_hz, samples)
        volts = self._rings.get(key)
        if volts is None:
            if len(self._rings) >= _KEPT:
                self._rings.clear()
            volts = self.winding.ring(farads, pulse_s, rate_hz, samples, delay_s=pulse_at_s)
            self._rings[key] = volts
        return self.converter.codes(volts + self._rest_v, self._rng, rate_hz)

    def loop_codes(
        self, pulse_s: float, pulse_at_s: float, rate_hz: float, samples: int
    ) -> npt.NDArray[np.uint16]:
        """As `codes`, of the pulse pin behind its loop-back, from 0 V up."""
        import numpy as np

        times = np.arange(samples) / rate_hz + self._latency_s - pulse_at_s
        risen = -np.expm1(-np.clip(times, 0, pulse_s) / _LOOP_S)
        volts = _LOOP_VOLTS * risen * np.exp(-np.clip(times - pulse_s, 0, None) / _LOOP_S)
        pin = replace(self.converter, bias=0.0, gain=1.0, hum_volts=0.0)
        return pin.codes(volts * self._loop, self._rng, rate_hz)

    def lead_volts(self) -> float:
        """Voltage at the leads with no pulse, now [V]."""
        return self._rest_v + self.winding.lead_volts(time.monotonic() - self._since)


def _converter(wishes: Address) -> Converter:
    from coilbell.board.simulation import RP2040, RP2350

    chip = {"rp2040": RP2040, "rp2350": RP2350}[wishes.chip]
    return replace(chip, noise=wishes.noise, hum_volts=wishes.hum, error_rate=wishes.errors)
