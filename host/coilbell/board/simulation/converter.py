"""The converter: volts at its input to 12-bit codes, with its faults."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from coilbell.errors import InputError

__all__ = ["ERROR_BIT", "RP2040", "RP2350", "Converter"]

ERROR_BIT = 0x8000
"""Set in a sample whose comparator did not settle."""

_TOP = 4095


@dataclass(frozen=True)
class Converter:
    """A 12-bit converter.

    code = round(v gain / volts_per_count + bias + noise + hum + inl(code)), limited to 0..4095.

    steps: (code, excess) codes that are wider than one count, by `excess` counts: the peaks of the
    differential non-linearity. All other codes are narrower by as much, so both ends are right.
    bow: amplitude of a sine-shaped integral non-linearity over the range [LSB]. Sizes are those that
    users report for the chips; no chip was measured.
    """

    volts_per_count: float = 3.3 / 4096
    bias: float = 2048.0
    gain: float = 1.0
    noise: float = 1.0
    """Standard deviation [LSB]."""
    steps: tuple[tuple[int, float], ...] = ((512, 8.9), (1536, 8.9), (2560, 8.9), (3584, 8.9))
    bow: float = 2.0
    hum_volts: float = 0.0
    """Amplitude of mains hum at the input [V]."""
    hum_hz: float = 50.0
    error_rate: float = 0.0
    """Share of samples that come with the error bit set and an undefined code."""

    @cached_property
    def transfer(self) -> npt.NDArray[np.float64]:
        """Integral non-linearity at each ideal level (4096,) [LSB]."""
        codes = np.arange(_TOP + 1, dtype=np.float64)
        curve = self.bow * np.sin(2 * np.pi * codes / _TOP)
        for place, excess in self.steps:
            curve += excess * (codes / _TOP - np.clip((codes - place) / excess, 0, 1))
        return curve

    def codes(
        self, volts: npt.NDArray[np.float64], rng: np.random.Generator, rate_hz: float = 500e3
    ) -> npt.NDArray[np.uint16]:
        """Codes (n,) for the winding voltages `volts` (n,) [V]; `rate_hz` only times the hum."""
        if not 0 <= self.error_rate <= 1:
            raise InputError(f"error rate {self.error_rate!r} is no share; give a number from 0 to 1")
        n = volts.size
        level = volts * (self.gain / self.volts_per_count) + self.bias
        if self.hum_volts:
            angle = 2 * np.pi * (self.hum_hz * np.arange(n) / rate_hz + rng.random())
            level = level + self.hum_volts / self.volts_per_count * np.sin(angle)
        level = level + self.noise * rng.standard_normal(n)
        level = level + np.interp(level, np.arange(_TOP + 1), self.transfer)
        codes = np.clip(np.rint(level), 0, _TOP).astype(np.uint16)
        if self.error_rate:
            lost = rng.random(n) < self.error_rate
            codes[lost] = rng.integers(0, _TOP + 1, int(lost.sum())) | ERROR_BIT
        return codes


RP2040 = Converter()
RP2350 = Converter(steps=((1536, 1.5), (2048, 2.5), (2560, 1.5)), bow=1.0, bias=1750.0)
