"""What a port named `virtual:...` asks for.

::

    virtual:?part=tarn-line-split&state=turn-1-ohm&seed=7

    part, state     what is on the leads, from the catalogue of invented parts; state=in-set is a whole
                    set that conducts, in-set,turn-dead,switch-leaky one with what is wrong in it
    done            steps that took parts of the set off, as in done=yoke-off,tube-base-off
    seed            number that draws the unit and its noise; without it the nominal part
    design          full (default) or first: the breadboard for new parts on the bench only
    chip            rp2040 (default) or rp2350: whose converter
    noise           converter noise [LSB rms], 1 by default
    hum             mains hum at the leads [V], 0 by default
    errors          share of samples whose conversion fails, 0 by default
    stray           capacitance of leads and input [F], 25e-12 by default
    latency         from the start of the converter to its first sample [s], 0 by default
    loop            0: nothing joins the pulse pin to the converter's loop-back input
    hurry           1: the board's rests between shots take no time
    interpreter     micropython or python: what runs the firmware; by default what there is
    pace            bytes a second over the link, 500000 by default as over USB; 0 for no limit

    drop, corrupt   share of the link's chunks that are lost, or in which one bit flips
    split           most bytes that arrive at once
    stall, vanish   bytes after which the link falls silent, or the board is unplugged
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any
from urllib.parse import parse_qsl, urlencode

from coilbell.errors import InputError

__all__ = ["Address", "parse"]


@dataclass(frozen=True, slots=True)
class Address:
    """The wishes in a virtual port's name, checked."""

    part: str = "tarn-line-split"
    state: str = "healthy"
    done: str = ""
    design: str = "full"
    seed: int | None = None
    chip: str = "rp2040"
    noise: float = 1.0
    hum: float = 0.0
    errors: float = 0.0
    stray: float = 25e-12
    latency: float = 0.0
    loop: int = 1
    hurry: int = 0
    interpreter: str = ""
    pace: float = 500e3
    drop: float = 0.0
    corrupt: float = 0.0
    split: int = 0
    stall: int | None = None
    vanish: int | None = None

    def __post_init__(self) -> None:
        _one_of("chip", self.chip, ("rp2040", "rp2350"))
        _one_of("design", self.design, ("full", "first"))
        _one_of("interpreter", self.interpreter, ("", "micropython", "python"))
        for name in ("errors", "drop", "corrupt"):
            _limited(name, getattr(self, name), 0, 1)
        _limited("hurry", self.hurry, 0, 1)
        _limited("loop", self.loop, 0, 1)
        _limited("stray", self.stray, 1e-15, 1e-6)
        _limited("latency", self.latency, 0, 2e-6)
        _limited("noise", self.noise, 0, 1000)
        _limited("hum", self.hum, 0, 100)
        _limited("pace", self.pace, 0, 1e9)
        for name in ("split", "stall", "vanish", "seed"):
            value = getattr(self, name)
            if value is not None:
                _limited(name, value, 0, 2**63)

    @property
    def steps(self) -> tuple[str, ...]:
        """The steps that were done."""
        return tuple(step for step in self.done.split(",") if step)

    def __str__(self) -> str:
        given = {
            field.name: getattr(self, field.name)
            for field in fields(self)
            if getattr(self, field.name) != field.default
        }
        return "virtual:" + ("?" + urlencode(given) if given else "")


def parse(name: str) -> Address:
    """The wishes in `name`, "virtual:" or "virtual:?key=value&..."; raises InputError."""
    query = name.removeprefix("virtual:").removeprefix("//").removeprefix("?")
    try:
        pairs = parse_qsl(query, keep_blank_values=True, strict_parsing=bool(query))
    except ValueError as error:
        raise InputError(f"{name!r} is not understood; write virtual:?part=NAME&state=NAME") from error
    wishes: dict[str, Any] = {}
    for key, text in pairs:
        if key not in _READERS:
            raise InputError(f"a virtual board has no {key!r}; choose from: {', '.join(_READERS)}")
        wishes[key] = _read(key, text)
    return Address(**wishes)


_READERS: dict[str, Callable[[str], Any]] = {
    "part": str,
    "state": str,
    "done": str,
    "design": str,
    "seed": int,
    "chip": str,
    "noise": float,
    "hum": float,
    "errors": float,
    "stray": float,
    "latency": float,
    "loop": int,
    "hurry": int,
    "interpreter": str,
    "pace": float,
    "drop": float,
    "corrupt": float,
    "split": int,
    "stall": int,
    "vanish": int,
}


def _read(key: str, text: str) -> Any:
    try:
        return _READERS[key](text)
    except ValueError as error:
        kind = "a whole number" if _READERS[key] is int else "a number"
        raise InputError(f"virtual board: {key}={text} is not {kind}, such as {key}=1") from error


def _one_of(name: str, value: str, choices: tuple[str, ...]) -> None:
    if value not in choices:
        raise InputError(f"virtual board: {name}={value}; choose one of: {', '.join(filter(None, choices))}")


def _limited(name: str, value: float, low: float, high: float) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise InputError(f"virtual board: {name}={value}; give a number from {low} to {high:g}")
