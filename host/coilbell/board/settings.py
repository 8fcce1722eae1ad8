"""What is asked of a capture, checked before a board is troubled with it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbell.board import frame
from coilbell.board.identity import Identity
from coilbell.errors import InputError, MissingError
from coilbell.record import Connection, Temperature
from coilbell.terms import Step

__all__ = ["Settings", "check", "check_aim"]

_MOST_SHOTS = 1000


@dataclass(frozen=True, slots=True)
class Settings:
    """One capture.

    What the board itself limits (samples, pulse, interleave, capacitors) is for `check`.
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
    aim_v: float | None = None
    """First peak at the winding that the board is to aim at [V]; None leaves it to the board's band. Stands
    only without `pulse_s`."""
    loop_back: bool = False
    """Sample the pulse pin through the loop-back instead of the winding, with no test capacitor."""
    connection: Connection = Connection.UNKNOWN
    on_posts: bool = False
    """True for a winding on the tester's posts themselves; else it hangs on leads with clips."""
    done: tuple[Step, ...] = ()
    """What had been unplugged, lifted, tested or cleaned before."""
    across: str = ""
    """Which winding is rung, in the user's words."""
    temperature: Temperature | None = None
    """Of the part, as typed; without it the chip's own is kept."""
    note: str = ""

    def __post_init__(self) -> None:
        _whole("shots", self.shots, 1, _MOST_SHOTS)
        _whole("interleave", self.interleave, 1, 512)
        _whole("samples", self.samples, 32, 1 << 20)
        _whole("pretrigger", self.pretrigger, 0, self.samples - 1)
        if self.pulse_s is not None and not (math.isfinite(self.pulse_s) and 0 <= self.pulse_s < 1):
            raise InputError(f"pulse of {self.pulse_s!r} s; give a width in seconds, such as 2e-6")
        if self.aim_v is not None and self.pulse_s is not None:
            raise InputError("a pulse width and an amplitude to aim at; give one of the two")
        if self.aim_v is not None and not (math.isfinite(self.aim_v) and self.aim_v > 0):
            raise InputError(f"aim at {self.aim_v!r} V; give a first peak in volts, such as 0.13")


def _whole(name: str, value: int, low: int, high: int) -> None:
    if not low <= value <= high:
        raise InputError(f"{value} {name}; give a whole number from {low} to {high}")


def check(settings: Settings, identity: Identity) -> None:
    """Raises InputError when the settings lie beyond the board's limits."""
    identity.capacitor(settings.capacitor)
    if identity.unprotected and settings.connection is Connection.IN_CIRCUIT:
        raise InputError(
            "this is a first board, whose leads nothing protects: it is never connected to a set; take "
            "the part out, or use a board of the full design"
        )
    if settings.samples > identity.max_samples:
        raise InputError(f"{settings.samples} samples; this board takes at most {identity.max_samples}")
    if not 1 <= settings.pretrigger <= identity.max_pretrigger:
        most = identity.max_pretrigger
        raise InputError(f"{settings.pretrigger} samples before the pulse; this board takes 1 to {most}")
    ticks = identity.ticks_per_sample
    if ticks % settings.interleave:
        few = ", ".join(str(m) for m in range(2, 25) if ticks % m == 0)
        raise InputError(f"interleave {settings.interleave} does not divide a sample; choose one of: {few}")
    least = math.ceil((ticks - ticks // settings.interleave + frame.MIN_TICKS) / ticks)
    if settings.pretrigger < least:
        raise InputError(
            f"interleave {settings.interleave} needs {least} samples before the pulse, "
            f"not {settings.pretrigger}"
        )
    _check_pulse(settings, identity)
    if settings.aim_v is not None:
        check_aim(settings.aim_v, identity)


def check_aim(volts: float, identity: Identity) -> None:
    """InputError for an amplitude beyond this board's [V], MissingError where its firmware aims at none."""
    if identity.aim_volts is None:
        raise MissingError(
            f"firmware {identity.firmware} cannot aim at an amplitude; put the present one on: "
            "coilbell board flash"
        )
    low, high = identity.aim_volts
    if not low <= volts <= high:
        raise InputError(
            f"aim at {volts * 1e3:.4g} mV; this board aims at {low * 1e3:g} to {high * 1e3:g} mV"
        )


def _check_pulse(settings: Settings, identity: Identity) -> None:
    """Its width, and that it ends within the samples whatever width the board finds."""
    low, high = identity.min_width_ticks, identity.max_width_ticks
    width = high if settings.pulse_s is None else round(settings.pulse_s * identity.tick_hz)
    if settings.pulse_s and not low <= width <= high:
        limits = f"{low / identity.tick_hz * 1e6:.3g} to {high / identity.tick_hz * 1e6:.3g} us"
        raise InputError(
            f"pulse of {settings.pulse_s * 1e6:.4g} us; this board fires {limits}, or 0 for none"
        )
    least = settings.pretrigger + math.ceil(width / identity.ticks_per_sample)
    if settings.samples < least:
        up_to = "up to " if settings.pulse_s is None else ""
        raise InputError(
            f"{settings.samples} samples, {settings.pretrigger} of them before the pulse, end before a pulse "
            f"of {up_to}{width / identity.tick_hz * 1e6:.3g} us does; take {least} or more"
        )
