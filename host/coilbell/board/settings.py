"""What is asked of a capture, checked before a board is troubled with it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbell.errors import InputError
from coilbell.record import Connection

__all__ = ["Settings"]

_MOST_SHOTS = 1000


@dataclass(frozen=True, slots=True)
class Settings:
    """One capture.

    What the board itself limits (samples, pulse, interleave, capacitors) is checked against its `hello`.
    """

    capacitor: str = "A"
    """The tester's letter for the test capacitor."""
    shots: int = 8
    """Records to take; each takes `interleave` shots of the pulse."""
    interleave: int = 1
    """Shots with stepped delay that make one record of `interleave` times the rate."""
    samples: int = 4096
    """Samples of one shot."""
    pretrigger: int = 128
    """Samples of one shot before its pulse."""
    pulse_s: float | None = None
    """Width of the pulse [s], 0 for none; None lets the board aim at a first peak well inside its range."""
    loop_back: bool = False
    """Sample the pulse pin through the loop-back instead of the winding, with no test capacitor."""
    connection: Connection = Connection.UNKNOWN
    note: str = ""

    def __post_init__(self) -> None:
        _whole("shots", self.shots, 1, _MOST_SHOTS)
        _whole("interleave", self.interleave, 1, 512)
        _whole("samples", self.samples, 32, 1 << 20)
        _whole("pretrigger", self.pretrigger, 0, self.samples - 1)
        if self.pulse_s is not None and not (math.isfinite(self.pulse_s) and 0 <= self.pulse_s < 1):
            raise InputError(f"pulse of {self.pulse_s!r} s; give a width in seconds, such as 2e-6")


def _whole(name: str, value: int, low: int, high: int) -> None:
    if not low <= value <= high:
        raise InputError(f"{value} {name}; give a whole number from {low} to {high}")
