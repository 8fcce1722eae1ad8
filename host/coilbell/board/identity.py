"""Who a board is: what its `hello` tells, checked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from coilbell.board import frame, reader
from coilbell.board.exchange import Told, fields_of
from coilbell.errors import InputError, WireError
from coilbell.record import UNPROTECTED, Capacitor, Loading, WideCode

__all__ = ["FIRST_WORDS", "STEPS", "Identity", "admit", "constants_of"]

FIRST_WORDS = f"first board, {UNPROTECTED}: new parts on the bench only"
"""What every screen says of the first design."""

STEPS = 4
"""Lines of the board's table of wide codes."""

Constants = Mapping[str, int]

_STEP_KEYS = ("code", "mcode", "uncertainty_mcode")


@dataclass(frozen=True, slots=True)
class Identity:
    """A board, from its HELLO and CONSTANTS frames.

    Ticks are those of the clock that times the pulse.
    """

    firmware: str
    board: str
    unique_id: str
    micropython: str
    tick_hz: int
    ticks_per_sample: int
    rate_hz: Fraction
    """True sampling rate of one shot [Hz]."""
    start_uncertainty_s: float
    """Width of the interval the converter's start may fall in [s]."""
    max_samples: int
    max_pretrigger: int
    min_width_ticks: int
    max_width_ticks: int
    max_shots: int
    lead_limit_v: float
    capacitors: tuple[str, ...]
    """Letters of the test capacitors."""
    constants_from: str
    """"file", "backup", "defaults" or "changed"."""
    constants: Constants
    aim_volts: tuple[float, float] | None = None
    """Amplitudes that an aim may name [V]; None for a firmware that aims at its own band only."""

    @property
    def words(self) -> str:
        """Board and firmware in a line; of a first board what it is not for."""
        words = f"{self.board}, id {self.unique_id}, firmware {self.firmware}"
        return f"{words}; {FIRST_WORDS}" if self.unprotected else words

    @property
    def unprotected(self) -> bool:
        """True for the first design, whose leads nothing protects."""
        return self.constants.get("design", 0) == 1

    @property
    def copy_name(self) -> str:
        """What the copy of its constants is kept under: no design's constants are another's."""
        return f"{self.unique_id}first" if self.unprotected else self.unique_id

    @property
    def virtual(self) -> bool:
        """True for a board in software."""
        return self.board.startswith("virtual")

    @property
    def volts_per_count(self) -> float:
        """Volts at the converter for one code [V]."""
        return self.constants["converter_nv"] * 1e-9

    @property
    def gain(self) -> float:
        """Volts at the converter for one volt at the winding [1]."""
        return self.constants["gain_ppm"] * 1e-6

    def response(self, hz: float) -> float:
        """What amplifier and filter let through of a frequency [Hz], against `gain` [1].

        1/sqrt(1 + (f/f0)^2), one pole at the board's bandwidth f0; 1 where the board tells none.
        """
        bandwidth = self.constants.get("bandwidth_hz", 0)
        return 1 / math.hypot(1, hz / bandwidth) if bandwidth else 1.0

    @property
    def latency_ticks(self) -> Fraction:
        """From the start of the converter to its first sample [ticks]."""
        return Fraction(self.constants["latency_ps"] * self.tick_hz, 10**12)

    @property
    def stray_farads(self) -> float:
        """Capacitance of leads, input and open switches across the winding [F]."""
        return self.constants["stray_ff"] * 1e-15

    @property
    def stray_uncertainty_farads(self) -> float:
        """Standard uncertainty of `stray_farads` [F]; where the board keeps none, half of it."""
        return self.constants.get("stray_uncertainty_ff", self.constants["stray_ff"] // 2) * 1e-15

    @property
    def input_siemens(self) -> float:
        """Conductance of the tester across the winding [S]."""
        return self.constants.get("input_psi", 0) * 1e-12

    @property
    def input_uncertainty_siemens(self) -> float:
        """Standard uncertainty of `input_siemens` [S]; where the board keeps none, half of it."""
        kept = self.constants.get("input_uncertainty_psi")
        return self.input_siemens / 2 if kept is None else kept * 1e-12

    def loading(self, on_posts: bool = False) -> Loading:
        """What the tester puts across the winding besides the test capacitor, and its leads in series.

        on_posts: the winding is screwed to the posts; else it hangs on leads with clips.
        """
        way = "posts" if on_posts else "clips"
        return Loading(
            self.input_siemens,
            self.stray_farads,
            self.input_uncertainty_siemens,
            self.stray_uncertainty_farads,
            self.constants.get(f"{way}_uohm", 0) * 1e-6,
            self.constants.get(f"{way}_uncertainty_uohm", 0) * 1e-6,
        )

    @property
    def coupling_per_s(self) -> float:
        """Rate at which open leads lose a voltage by what a ring does not see: bleeder, coupling [1/s]."""
        return self.constants.get("coupling_per_ks", 0) * 1e-3

    @property
    def wide_codes(self) -> tuple[WideCode, ...]:
        """Codes known to be wider than one count, by code; empty where none was ever measured."""
        lines = [
            tuple(self.constants.get(f"step{number}_{key}", 0) for key in _STEP_KEYS)
            for number in range(1, STEPS + 1)
        ]
        return tuple(WideCode(code, w * 1e-3, u * 1e-3) for code, w, u in sorted(lines) if code)

    def capacitor(self, letter: str) -> Capacitor | None:
        """The test capacitor of that letter, None for "-"; InputError when there is none."""
        if letter == frame.NO_CAPACITOR:
            return None
        if letter not in self.capacitors:
            choices = ", ".join(self.capacitors)
            raise InputError(f"this board has no test capacitor {letter!r}; choose one of: {choices}")
        part = {key: self.constants[f"{letter}_{key}"] for key in ("ff", "tolerance_ppm", "loss_ppm")}
        way = [self.constants.get(f"{letter}_series_{key}", 0) * 1e-6 for key in ("uohm", "uncertainty_uohm")]
        return Capacitor(
            part["ff"] * 1e-15, part["tolerance_ppm"] * 1e-6, letter, part["loss_ppm"] * 1e-6, *way
        )


def admit(hello: reader.Frame, constants: reader.Frame) -> Identity:
    """The board that sent these frames.

    Raises WireError when what it says cannot be.
    """
    try:
        identity = _identity(fields_of(hello), *constants_of(fields_of(constants)))
        for letter in identity.capacitors:
            identity.capacitor(letter)
    except (ArithmeticError, LookupError, ValueError) as error:
        raise WireError(f"what the board says of itself cannot be ({error}); flash it again") from error
    return identity


def constants_of(told: Told) -> tuple[str, dict[str, int]]:
    """Where the constants of a CONSTANTS frame are from, and the constants."""
    values = {key: int(value) for key, value in told.values.items() if key != "constants_from"}
    return told.text("constants_from"), values


def _identity(told: Told, source: str, constants: dict[str, int]) -> Identity:
    for key in ("tick_hz", "ticks_per_sample", "rate_numerator", "rate_denominator", "max_samples"):
        if told.number(key) <= 0:
            raise ValueError(f"{key}={told.number(key)}")
    for key in ("converter_nv", "gain_ppm", "offset_code_16"):
        if constants[key] < 1:
            raise ValueError(f"{key}={constants[key]}")
    for key in ("latency_ps", "stray_ff"):
        if key not in constants:
            raise ValueError(f"no {key}")
    return Identity(
        firmware=told.text("firmware"),
        board=told.text("board"),
        unique_id=told.text("unique_id"),
        micropython=told.text("micropython"),
        tick_hz=told.number("tick_hz"),
        ticks_per_sample=told.number("ticks_per_sample"),
        rate_hz=Fraction(told.number("rate_numerator"), told.number("rate_denominator")),
        start_uncertainty_s=told.number("start_uncertainty_ps") * 1e-12,
        max_samples=told.number("max_samples"),
        max_pretrigger=told.number("max_pretrigger"),
        min_width_ticks=told.number("min_width_ticks"),
        max_width_ticks=told.number("max_width_ticks"),
        max_shots=told.number("max_shots"),
        lead_limit_v=told.number("lead_limit_mv") * 1e-3,
        capacitors=tuple(letter for letter in told.text("capacitors").split(",") if letter),
        constants_from=source,
        constants=constants,
        aim_volts=_aim_volts(told),
    )


def _aim_volts(told: Told) -> tuple[float, float] | None:
    if "aim_least_mv" not in told.values:
        return None
    return told.number("aim_least_mv") * 1e-3, told.number("aim_most_mv") * 1e-3
