"""The set round a winding: what conducts, what plugs in, what may have failed, each with its size.

Sizes follow the trade's orders of magnitude (common practice, no published source), junctions the
textbook law of `network.Junction`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

__all__ = ["Appliance", "Diode", "Rail", "drawn_line_set", "drawn_switch_set"]


@dataclass(frozen=True, slots=True)
class Diode:
    """A junction: saturation current [A], emission coefficient [1], capacitance [F]."""

    amps: float
    emission: float
    farads: float


@dataclass(frozen=True, slots=True)
class Rail:
    """A rectified rail: the coil that feeds it, its rectifier, reservoir [F], load [ohm], and the fusible
    resistance [ohm] between coil and rectifier, 0 where there is none."""

    coil: str
    diode: Diode
    farads: float
    ohms: float
    fusible_ohms: float = 0.0


@dataclass(frozen=True, slots=True)
class Appliance:
    """Everything a set has on the winding; None where it has nothing of the kind.

    supply: reservoir of the supply [F] and its series resistance [ohm], through which all that returns to the
    set's frame reaches the winding's cold end. switch: the device's diode across the winding by way of the
    supply (damper or body diode). base_diode, base_ohms: a bipolar transistor's collector junction and the
    resistance behind it. yoke: henries, ohms, parallel loss ohms, series farads. clamp: diode, capacitor [F],
    resistor [ohm]. coil: the winding and inductance [H] and resistance [ohm] of a width or bridge coil.
    """

    supply: tuple[float, float]
    tuning_farads: float
    switch: Diode
    rails: tuple[Rail, ...]
    base_diode: Diode | None = None
    base_ohms: float = 40.0
    yoke: tuple[float, float, float, float] | None = None
    heater: tuple[str, float] | None = None
    snubber: tuple[float, float] | None = None
    clamp: tuple[Diode, float, float] | None = None
    coil: tuple[str, float, float] | None = None
    tube_farads: float | None = None

    def without_coil(self) -> Appliance:
        """The same set with no coil on a winding."""
        return replace(self, coil=None)


def drawn_line_set(rng: np.random.Generator, henries: float, low: str, rail: str) -> Appliance:
    """A line-output stage round a winding of that inductance [H]; `low` and `rail` name its secondaries.

    One set in four has a width or bridge coil, two in three a snubber, the heater is cold (1 to 2.5 ohm) or
    hot.
    """
    yoke = henries * _between(rng, 0.35, 0.9)
    return Appliance(
        supply=(_between(rng, 40e-6, 400e-6), _between(rng, 0.05, 0.6)),
        tuning_farads=_between(rng, 4e-9, 10e-9),
        switch=Diode(_between(rng, 3e-9, 3e-8), 1.8, _between(rng, 2e-10, 4e-10)),
        rails=(
            Rail(low, _silicon(rng), _between(rng, 200e-6, 800e-6), _between(rng, 20, 200)),
            Rail(rail, _silicon(rng), _between(rng, 4e-6, 20e-6), _between(rng, 5e3, 3e4)),
        ),
        base_diode=Diode(_between(rng, 1e-12, 3e-11), 1.0, _between(rng, 1.5e-10, 4e-10)),
        base_ohms=_between(rng, 25, 60),
        yoke=(yoke, _between(rng, 0.6, 2.5), yoke * _between(rng, 0.9e7, 1.6e7), _between(rng, 3e-7, 8e-7)),
        heater=("heater", _between(rng, 1.0, 2.5) if rng.random() < 0.7 else _between(rng, 7, 13)),
        snubber=(_between(rng, 2e-10, 1e-9), _between(rng, 50, 500)) if rng.random() < 2 / 3 else None,
        coil=_coil(rng, low, henries) if rng.random() < 0.25 else None,
        tube_farads=_between(rng, 1.2e-9, 1.8e-9),
    )


def drawn_switch_set(rng: np.random.Generator, low: str) -> Appliance:
    """A switch-mode supply's primary side and the rail behind `low`."""
    return Appliance(
        supply=(_between(rng, 47e-6, 220e-6), _between(rng, 0.1, 1.0)),
        tuning_farads=_between(rng, 1e-10, 1.2e-9),
        switch=Diode(_between(rng, 1e-10, 1e-8), 1.5, _between(rng, 5e-11, 3e-10)),
        rails=(
            Rail(
                low,
                _schottky(rng) if rng.random() < 0.5 else _silicon(rng),
                _between(rng, 470e-6, 2200e-6),
                _between(rng, 20, 300),
            ),
            Rail("aux", _silicon(rng), _between(rng, 22e-6, 100e-6), _between(rng, 1e3, 5e3)),
        ),
        snubber=(_between(rng, 1e-10, 1e-9), _between(rng, 47, 330)) if rng.random() < 2 / 3 else None,
        clamp=(Diode(_between(rng, 1e-9, 1e-8), 1.8, _between(rng, 1e-11, 3e-11)), 4.7e-9, 47e3),
    )


def _silicon(rng: np.random.Generator) -> Diode:
    return Diode(_between(rng, 1e-9, 8e-9), 1.8, _between(rng, 2e-11, 1e-10))


def _schottky(rng: np.random.Generator) -> Diode:
    return Diode(_between(rng, 1e-6, 1e-5), 1.05, _between(rng, 2e-10, 6e-10))


def _coil(rng: np.random.Generator, winding: str, henries: float) -> tuple[str, float, float]:
    """An inductance that takes a tenth to a half of the winding's own, referred to it; `winding` has 1/8 of
    its turns, as those that feed low rails do."""
    own = henries / 64
    inductance = own * _between(rng, 1.0, 9.0)
    return winding, inductance, inductance * 2e5 / _between(rng, 20, 80)


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """Uniform in its logarithm."""
    return float(low * (high / low) ** rng.random())
